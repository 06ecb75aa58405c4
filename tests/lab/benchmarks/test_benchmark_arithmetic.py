"""The benchmarks' own arithmetic: ratios, fitted exponents, enlarged pools."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from pooling.pooled_logs import pool, population, simulated, write_log

from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.lab.benchmarks.scoring import enlarge
from maturity_model.lab.benchmarks.timing import exponent, in_turn, ratios
from maturity_model.panel import build_panel
from maturity_model.pooling import read_pool


def test_things_run_in_turn_and_the_first_run_does_not_count() -> None:
    ran: list[str] = []
    cost = {"a": 1.0, "b": 3.0}
    seconds = in_turn(
        {name: lambda name=name: ran.append(name) for name in cost},
        rounds=2,
        clock=lambda: sum(cost[name] for name in ran),
        calls=2,
    )
    assert "".join(ran) == "ab" + "aabb" * 2
    pd.testing.assert_frame_equal(seconds, pd.DataFrame({"a": [1.0, 1.0], "b": [3.0, 3.0]}))


def test_ratios_are_within_rounds() -> None:
    seconds = pd.DataFrame({"a": [1.0, 10.0, 100.0], "b": [2.0, 30.0, 400.0]})
    assert ratios(seconds, "a")["b"] == 3.0


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
