"""Run many broken logbooks and write down what became of them."""

from __future__ import annotations

import sys

from .run import main

sys.exit(main())
