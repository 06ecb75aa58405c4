"""Run a command as on an older processor: ``python tests/older_processor.py COMMAND...``

NumPy, its BLAS and numba choose their instructions by the processor, and the last digit of
``exp``, of a dot product or of a product and sum in one step depends on the choice. Here all
three use what every x86-64 processor has: NumPy without the features it can do without
(``numpy.show_config()`` lists them), OpenBLAS for the first Core processors, numba for none in
particular. :mod:`test_older_processor` shows that numbers change.
"""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Mapping

#: Read by NumPy when it is imported.
SWITCH = "NPY_DISABLE_CPU_FEATURES"


def switched_off() -> list[str]:
    """The features that this processor has and this NumPy can do without."""
    if SWITCH in os.environ:
        return os.environ[SWITCH].split()
    from numpy._core import _multiarray_umath as features

    # To name one that the processor lacks would be a warning.
    return [name for name in features.__cpu_dispatch__ if features.__cpu_features__.get(name)]


def environment() -> dict[str, str]:
    """What to set before NumPy is imported."""
    settings = {
        SWITCH: " ".join(switched_off()),
        "NUMBA_CPU_NAME": "generic",
        "NUMBA_CPU_FEATURES": "",
    }
    if platform.machine() in ("x86_64", "AMD64"):
        settings["OPENBLAS_CORETYPE"] = "Nehalem"
    return settings


def undone(present: Mapping[str, str]) -> dict[str, str]:
    """An environment without those settings."""
    return {name: value for name, value in present.items() if name not in environment()}


if __name__ == "__main__":
    os.environ.update(environment())
    print(f"NumPy without {os.environ[SWITCH] or 'anything less'}", flush=True)
    os.execvp(sys.argv[1], sys.argv[1:])
