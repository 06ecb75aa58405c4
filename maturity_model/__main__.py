"""``python -m maturity_model``."""

import sys

from maturity_model.cli import main

sys.exit(main())
