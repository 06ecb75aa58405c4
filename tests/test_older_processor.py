"""The settings of :mod:`older_processor` change a last digit, so that a run under them is a test.

On a processor that has nothing to switch off there is nothing to see.
"""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest
from older_processor import environment, switched_off, undone

#: Each prints numbers in hexadecimal. The dot product's BLAS and the sum of products in numba
#: are chosen apart from NumPy's own loops.
SOURCES = {
    "exp": "y = np.exp(x)",
    "log": "y = np.log(np.abs(x))",
    "dot": "y = x.reshape(-1, 100) @ x.reshape(100, -1)",
    "numba": """
import numba
@numba.njit(fastmath={"contract"})
def polynomial(x):
    return ((x * 0.1 + 0.3) * x + 0.7) * x + 1.1
y = polynomial(x)
""",
}
NUMBERS = """
import numpy as np
x = np.linspace(-30, 30, 20_000) + 1e-3
{source}
print(*(float(v).hex() for v in y.ravel()))
"""


def numbers(source: str, settings: dict[str, str]) -> np.ndarray:
    command = [sys.executable, "-c", NUMBERS.format(source=SOURCES[source])]
    done = subprocess.run(
        command, env=undone(os.environ) | settings, capture_output=True, text=True, check=True
    )
    # A feature that is misspelt, or that cannot be switched off, is a warning.
    assert not done.stderr
    return np.array([float.fromhex(x) for x in done.stdout.split()])


def expected(source: str) -> bool:
    """Whether this processor has what makes the difference."""
    off = set(switched_off())
    if source in ("exp", "log"):
        # NumPy 2.4 has other names.
        return bool(off & {"X86_V4", "AVX512_SKX"})
    if source == "dot" and "openblas" not in str(np.show_config(mode="dicts")):
        return False
    return bool(off & {"X86_V3", "FMA3"})


@pytest.mark.parametrize("source", SOURCES)
def test_another_processor_has_other_last_digits_and_no_more(source: str) -> None:
    here, there = numbers(source, {}), numbers(source, environment())
    np.testing.assert_allclose(here, there, rtol=1e-12, atol=1e-9)
    if expected(source):
        assert (here != there).any()
