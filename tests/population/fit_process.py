"""The command ``fit`` in a process of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

#: Seconds after which a fit as small as the tests' has gone wrong.
PATIENCE = 900


def start(log: Path, out: Path, *words: str, before: str = "") -> subprocess.Popen[str]:
    """Begin a fit; ``before`` is Python that runs first."""
    code = (
        f"import sys\n{before}\nfrom maturity_model.cli import main\nsys.exit(main(sys.argv[1:]))"
    )
    root = str(Path(__file__).parents[2])
    path = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
    return subprocess.Popen(
        [sys.executable, "-c", code, "fit", str(log), "--out", str(out), *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": path},
    )  # fmt: skip
