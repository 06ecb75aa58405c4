"""The benchmarks' own arithmetic: counted operations, fitted exponents, enlarged pools."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from pooling.pooled_logs import pool, population, simulated, write_log

from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.lab.benchmarks.peak import EXPONENT, count_operations
from maturity_model.lab.benchmarks.scoring import enlarge
from maturity_model.lab.benchmarks.timing import exponent
from maturity_model.panel import build_panel
from maturity_model.pooling import read_pool


def test_operations_of_the_gradient_kernel() -> None:
    # Counted by hand in the source of hmm/fixed.py: 12 states, 10 hazards, 5 sums of hazards.
    count = count_operations()
    assert count.exponentials == 12 + 10 + 5
    moves, emit, weigh = 20 + 7 + 5 * 18, 11 + 1 + 24 + 3, 25 + 1 + EXPONENT
    forward, backward, score = 75, 24 + 71, 126
    assert count.arithmetic == pytest.approx(
        moves + emit + weigh + forward + backward + score + 12, rel=0.02
    )


def test_exponent() -> None:
    assert exponent([1, 10, 100], [3, 30, 300]) == pytest.approx(1)
    assert exponent([2, 4, 8], [1, 4, 16]) == pytest.approx(2)


def test_an_enlarged_pool_is_the_pool_again_and_again(
    tmp_path: Path, need: Callable[[str], ModuleType]
) -> None:
    need("pyarrow")
    pool(tmp_path / "pool", write_log(tmp_path / "club", simulated(1)))
    enlarge(tmp_path / "pool", tmp_path / "large", 3)

    def likelihood(path: Path) -> np.ndarray:
        return np.sort(tank_log_likelihood(build_panel(read_pool(path)), population(), 1.0), axis=0)

    np.testing.assert_allclose(
        likelihood(tmp_path / "large"),
        np.repeat(likelihood(tmp_path / "pool"), 3, axis=0),
        rtol=1e-12,
    )
