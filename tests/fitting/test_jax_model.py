"""The pooled model through JAX: the panel's likelihood, the Ops, and a whole fit."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
import pytest

pm = pytest.importorskip("pymc", reason="the extra 'fit' is not installed")
xr = pytest.importorskip("xarray")
pytensor = pytest.importorskip("pytensor")
pt = pytest.importorskip("pytensor.tensor")

from fitting.shorter import shorten
from fitting.test_model import PRIORS, WEIGHT, plain, point, small_panel

from maturity_model.fitting.design import make_design
from maturity_model.fitting.likelihood import PARAMETERS, fused_by_tank, log_likelihood_by_tank
from maturity_model.fitting.model import ModelOptions, build_model, data_of, into_model
from maturity_model.hmm.staged import StagedChain

pytestmark = [
    pytest.mark.fit,
    pytest.mark.reference,
    # What PyTensor says of graphs that it gives to JAX.
    pytest.mark.filterwarnings("ignore:Loop fusion failed"),
    pytest.mark.filterwarnings("ignore:Skipping Assert"),
]


@pytest.fixture(scope="module")
def jax_ops(need: Callable[[str], ModuleType]) -> Any:
    need("jax")
    return need("maturity_model.fitting.jax.jax_ops")


@cache
def ragged_panel() -> Any:
    """The panel without the last weeks of some tanks: as if they had begun later."""
    return shorten(small_panel(), {0: 5, 2: 17, 4: 23})


@cache
def model_of(ragged: bool, tank_signs: bool = False) -> Any:
    panel = ragged_panel() if ragged else small_panel()
    options = ModelOptions(tank_signs=tank_signs)
    return build_model(panel, PRIORS, evidence_weight=WEIGHT, options=options, by_parts=True)


def start(model: Any) -> dict[str, Any]:
    rng = np.random.default_rng(12)
    known = point()
    return {
        k: known.get(k, np.asarray(v + rng.normal(0, 0.5, np.shape(v))))
        for k, v in model.initial_point().items()
    }


#: ``tank_sign`` is not always there.
WITH_GRADIENT = tuple(name for name in PARAMETERS if name != "tank_sign")


def values_of(model: Any) -> dict[str, Any]:
    """Parameters of the likelihood at a point."""
    names = [v.name for v in (*model.deterministics, *model.free_RVs)]
    values = model.replace_rvs_by_values([model[n] for n in names])
    with plain():
        run = pytensor.function(model.value_vars, values, on_unused_input="ignore")
    found = run(*[start(model)[v.name] for v in model.value_vars])
    return dict(zip(names, found, strict=True))


@pytest.mark.parametrize("by_parts", [False, True])
@pytest.mark.parametrize(("ragged", "tank_signs"), [(False, False), (True, True)])
def test_panel_likelihood_is_that_of_the_kernels(
    jax_ops: Any, ragged: bool, tank_signs: bool, by_parts: bool
) -> None:
    import jax

    from maturity_model.fitting.jax.jax_likelihood import PanelLikelihood

    panel = ragged_panel() if ragged else small_panel()
    design = make_design(panel, PRIORS, by_tank=tank_signs)
    given = values_of(model_of(ragged, tank_signs))
    given.setdefault("tank_sign", np.zeros((len(panel.tanks), len(PRIORS.signs))))
    given = {name: given[name] for name in PARAMETERS}
    weight = np.random.default_rng(1).normal(size=len(panel.tanks))
    variables = {
        name: pt.tensor(name, dtype="float64", shape=(None,) * np.ndim(x))
        for name, x in given.items()
    }
    wrt = [variables[name] for name in WITH_GRADIENT]
    options = ModelOptions(tank_signs=tank_signs)
    with pm.Model():
        data = into_model(data_of(design, PRIORS, WEIGHT, options, by_parts=by_parts))
    data["by_tank"] = tank_signs
    chain = StagedChain(len(PRIORS.phases), PRIORS.n_stages)
    if by_parts:
        each = log_likelihood_by_tank(variables, data, PRIORS, chain, WEIGHT)
    else:
        each = fused_by_tank(variables, data, PRIORS, chain)
    slopes = pytensor.grad((each * weight).sum(), wrt)
    with plain():
        run = pytensor.function([*variables.values()], [each, *slopes], on_unused_input="ignore")
    expected, *slopes = run(*given.values())
    likelihood = PanelLikelihood(design, PRIORS, WEIGHT)
    found = jax.jit(likelihood)(given)
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)
    gradient = jax.jit(jax.grad(lambda p: (likelihood(p) * weight).sum()))(given)
    for name, slope in zip(WITH_GRADIENT, slopes, strict=True):
        np.testing.assert_allclose(gradient[name], slope, rtol=1e-8, atol=1e-8, err_msg=name)


@pytest.mark.long
@pytest.mark.parametrize(("ragged", "tank_signs"), [(False, False), (True, True)])
def test_whole_model_through_jax(jax_ops: Any, ragged: bool, tank_signs: bool) -> None:
    import jax
    from pymc.model.transform.optimization import freeze_dims_and_data
    from pymc.sampling.jax import get_jaxified_logp

    model = model_of(ragged, tank_signs)
    names = [v.name for v in model.value_vars]
    x = [start(model)[n] for n in names]
    terms = [term.sum() for term in model.logp(sum=False)]
    wanted = [*terms, *pytensor.grad(pt.add(*terms), model.value_vars)]
    with plain():
        found = pytensor.function(model.value_vars, wanted)(*x)
    value, gradient = float(np.sum(found[: len(terms)])), found[len(terms) :]
    # JAX differentiates, as for numpyro.
    density = get_jaxified_logp(model, negative_logp=False)
    minus, slopes = jax.jit(jax.value_and_grad(lambda x: density(x)))(x)
    assert -minus == pytest.approx(value, abs=1e-8)
    for name, ours, theirs in zip(names, slopes, gradient, strict=True):
        np.testing.assert_allclose(-ours, theirs, rtol=1e-8, atol=1e-8, err_msg=name)
    # PyTensor differentiates, JAX computes, as for nutpie.
    frozen = freeze_dims_and_data(model)
    logp = frozen.logp()
    both = [logp, *pytensor.grad(logp, frozen.value_vars)]
    run = pytensor.function(frozen.value_vars, both, mode="JAX")
    order = [v.name for v in frozen.value_vars]
    again, *slopes = run(*[x[names.index(n)] for n in order])
    assert float(again) == pytest.approx(value, abs=1e-8)
    for name, ours in zip(order, slopes, strict=True):
        theirs = gradient[names.index(name)]
        np.testing.assert_allclose(ours, theirs, rtol=1e-8, atol=1e-8, err_msg=name)


@pytest.mark.long
@pytest.mark.parametrize("sampler", ["nutpie", "pymc"])
def test_a_small_fit_passes_its_gates(jax_ops: Any, need: Any, sampler: str) -> None:
    need("nutpie" if sampler == "nutpie" else "numpyro")
    from maturity_model.fitting.diagnostics import diagnose
    from maturity_model.fitting.sampling import SamplingPlan, sample_chains

    said: list[str] = []
    # Eight weeks of five tanks: what is judged is the sampler's path through JAX.
    panel = shorten(small_panel(), dict.fromkeys(range(5), 16))
    model = build_model(panel, PRIORS, evidence_weight=WEIGHT, by_parts=True)
    plan = SamplingPlan(draws=250, tune=250, chains=2, sampler=sampler, cores=1, device="gpu")
    chains = sample_chains(model, plan, say=said.append)
    posterior = xr.concat([c.posterior for c in chains], dim="chain")
    stats = xr.concat([c.stats for c in chains], dim="chain")
    found = diagnose(posterior, stats)
    assert found.divergent == 0
    assert max(c.r_hat for c in found.checks if c.sd > 0) < 1.05
    assert any("JAX computes on" in text for text in said)
    assert all(c.steps > 500 for c in chains)
