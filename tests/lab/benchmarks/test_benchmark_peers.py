"""The pooled fit's peer computes what ours does; how fast is not looked at here."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytensor
import pytest

from maturity_model.lab.benchmarks import contenders, sampler

pytestmark = pytest.mark.fit


def test_densities_agree_up_to_a_constant_and_so_do_gradients() -> None:
    values, slopes = [], []
    # Node by node in Python: nothing to compile, for a few calls.
    with pytensor.config.change_flags(mode="FAST_COMPILE", cxx=""):
        for name in (contenders.OURS, contenders.SCAN):
            club = contenders.club_of(name, 3, 8)
            density = club.model.compile_logp()
            variables = sorted(club.model.free_RVs, key=lambda v: v.name)
            gradient = club.model.compile_dlogp(variables)
            values.append([float(density(point)) for point in club.points])
            slopes.append([gradient(point) for point in club.points])
    rise, its = np.diff(values, axis=1)[:, 0]
    assert abs(rise) > 1
    np.testing.assert_allclose(its, rise, rtol=1e-9)
    np.testing.assert_allclose(slopes[1], slopes[0], rtol=1e-8, atol=1e-8)


def found(rise: float, ess: list[float]) -> sampler.Found:
    seeds = [
        {"ess": e, "seconds": 2.0, "gradients": 400.0, "divergent": 0, "r_hat": 1.0,
         "mean": [1.0, rise], "error": [0.3, 0.4]}
        for e in ess
    ]  # fmt: skip
    built = {"values": [1.0, 1.0 + rise], "gradient": 1e-3, "compile": 1.0}
    return sampler.Found(built, pd.DataFrame(seeds))


def test_report_compares_rates_only_of_equal_densities() -> None:
    ours = found(2.0, [100.0, 300.0])
    assert "5.0, met." in sampler.report(ours, found(2.0, [40.0]), "")
    assert "4.0, NOT MET." in sampler.report(ours, found(2.0, [50.0]), "")
    with pytest.raises(ValueError, match="is not ours"):
        sampler.report(ours, found(4.0, [40.0]), "")


def test_means_are_compared_in_standard_errors() -> None:
    # Errors of 0.4 with one seed each: that of the difference is 0.4 sqrt(2).
    apart = sampler.farthest(found(2.0, [1.0]), found(3.0, [1.0]))
    assert apart == pytest.approx(1 / (0.4 * np.sqrt(2)))
