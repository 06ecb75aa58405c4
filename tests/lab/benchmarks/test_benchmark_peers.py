"""The benchmarks' peers compute what ours does; how fast is not looked at here."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType
from typing import Any

import numpy as np
import pytensor
import pytensor.tensor as pt
import pytest

from maturity_model.fitting.kernels.chain_gradient import (
    from_lanes,
    to_lanes,
    value_and_gradient,
)
from maturity_model.lab.benchmarks import contenders, sampler, symbolic

pytestmark = [pytest.mark.fit, pytest.mark.reference]


def plain() -> Any:
    """Run graphs node by node in Python: nothing to compile, for a few calls."""
    return pytensor.config.change_flags(mode="FAST_COMPILE", cxx="")


def test_scan_and_its_gradient() -> None:
    rng = np.random.default_rng(0)
    n, steps, phases, stages = shape = (3, 6, 4, 3)
    initial = rng.dirichlet(np.ones(phases * stages), n)
    hazards = rng.normal(-2.0, 1.0, (n, steps - 1, 3, phases))
    log_lik = rng.normal(-3.0, 2.0, (n, steps, phases * stages))
    ours = value_and_gradient(*map(to_lanes, (initial, hazards, log_lik)), stages)
    inputs = [pt.tensor4("hazards", dtype="float64"), pt.tensor3("lik", dtype="float64")]
    each = symbolic.scan_log_likelihood(np.log(initial), *inputs, shape)
    with plain():
        run = pytensor.function(inputs, [each, *pytensor.grad(each.sum(), inputs)])
    value, by_hazard, by_lik = run(hazards, log_lik)
    np.testing.assert_allclose(value, from_lanes(ours.log_likelihood, n), rtol=1e-12)
    np.testing.assert_allclose(by_hazard, from_lanes(ours.hazards, n), rtol=0, atol=1e-10)
    np.testing.assert_allclose(by_lik, from_lanes(ours.smoothed, n), rtol=0, atol=1e-10)


def test_four_densities_agree_up_to_a_constant(need: Callable[[str], ModuleType]) -> None:
    need("numpyro")
    import jax

    from maturity_model.lab.benchmarks.numpyro_model import log_density, of_panel, unconstrained

    ours = contenders.club_of(3, 8)
    with plain():
        densities = [ours.model.compile_logp()]
        for name in (contenders.SCAN, contenders.BORROWED):
            # Its density is built when it is asked for.
            with contenders.likelihood_of(name):
                densities.append(contenders.club_of(3, 8, by_parts=True).model.compile_logp())
    found = [[float(density(p)) for p in ours.points] for density in densities]
    model = of_panel(ours.panel, ours.priors)
    density = jax.jit(lambda x: log_density(model, x))
    found.append([float(density(unconstrained(p))) for p in ours.points])
    rises = np.diff(found, axis=1)[:, 0]
    assert abs(rises[0]) > 1
    np.testing.assert_allclose(rises[1:], rises[0], rtol=1e-9)


def process(value: float, ess: list[float]) -> sampler.Found:
    seeds = [{"ess": e, "cpu": 2.0, "kept": 300.0, "tuning": 100.0} for e in ess]
    gradient = {"values": [1.0, value], "gradient": 1e-3, "compile": 1.0}
    found = sampler.Found("", "" if ess else "not done within 5 s")
    found.gradient, found.seeds = gradient, seeds
    return found


def test_verdict_is_by_the_better_other_and_names_who_is_missing() -> None:
    found = {
        sampler.OURS: process(3.0, [100.0, 300.0]),
        sampler.NUMPYRO: process(5.0, [20.0]),
        sampler.SCAN_JAX: process(3.0, [40.0]),
        sampler.SCAN: process(3.0, []),
        # Not a general tool: the best of all, and not counted.
        sampler.BORROWED: process(3.0, [90.0]),
    }
    *_, unsampled, borrowed, last = sampler.verdicts(found)
    assert "AN ESTIMATE" in unsampled
    assert "2.2 times" in borrowed
    assert last.startswith("- Target")
    assert f"({sampler.SCAN_JAX}) (without {sampler.SCAN}): 5.0, NOT MET." in last
    assert sampler.disagreement(found)[sampler.NUMPYRO] == pytest.approx(1.0)
    assert "NOT MEASURED" in sampler.verdicts({sampler.OURS: process(3.0, [])})[-1]
