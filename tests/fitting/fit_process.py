"""The command ``fit`` in a separate process."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

#: Seconds after which a fit as small as the tests' has gone wrong.
PATIENCE = 900


def start(log: Path, out: Path, *words: str, before: str = "") -> subprocess.Popen[str]:
    """Begin a fit; ``before`` is Python that runs first."""
    # Begun by a shell in the background, Python would not hear SIGINT, nor would its children.
    hear = "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler)"
    go = "from maturity_model.cli import main\nsys.exit(main(sys.argv[1:]))"
    code = f"{hear}\n{before}\n{go}"
    root = str(Path(__file__).parents[2])
    path = os.pathsep.join(filter(None, (root, os.environ.get("PYTHONPATH"))))
    return subprocess.Popen(
        [sys.executable, "-c", code, "fit", str(log), "--out", str(out), *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": path},
    )  # fmt: skip
