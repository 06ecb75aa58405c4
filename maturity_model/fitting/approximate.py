"""A fit without chains, for a first look: a normal law at the mode, and importance weights.

The mode of the unconstrained posterior is climbed to from several starts (L-BFGS with the
exact gradient); the curvature there, by differences of gradients, gives the normal law of
Laplace's method. As the mode of a skewed law is not its middle, the normal law is moved to
the weighted mean of its draws a few times (after Paananen et al. 2021, *Statistics and
Computing* 31: 16, who also match variances). The last draws are reweighted towards the
posterior by Pareto-smoothed importance sampling, whose k says how far that can be trusted
(Vehtari et al. 2024). With hundreds of parameters it often cannot; then the fit fails its
check, is moved as far as the weights carry it, and says so.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model.hmm.mixture import MIN_EFFECTIVE_SHARE
from maturity_model.hmm.psis import trusted_weights
from maturity_model.population.types import APPROXIMATE

if TYPE_CHECKING:
    import pymc as pm
    import xarray as xr

    from maturity_model.fitting.options import ModelOptions
    from maturity_model.fitting.pooled_fit import FitResult
    from maturity_model.panel import Panel

Floats = np.ndarray

#: Largest Pareto k that passes.
MAX_K = 0.7
#: Draws of the normal law for each that is kept, and most draws kept.
PER_DRAW, MAX_KEPT = 4, 512
#: Starts of the climb, and their spread about the usual start.
STARTS, JITTER = 3, 0.3
#: How often the normal law is moved to the mean of its weighted draws.
MOVES = 3
#: Step of the differences of gradients, and the least curvature that is believed.
STEP, LEAST_CURVATURE = 1e-4, 0.05


@dataclass(frozen=True)
class Approximation:
    """An approximate posterior.

    Attributes
    ----------
    posterior, stats : xarray.Dataset
        Resampled draws with the dimensions ``chain`` (of length 1) and ``draw``; their
        log density.
    khat : float
        Pareto k of the plain importance weights.
    power : float
        To which the weights were raised so that they could be trusted; 1 is plain.
    effective : float
        Effective number of draws among ``proposed``.
    proposed : int
    flat : int
        Directions in which the mode was not curved as a mode is.
    spread : float
        Difference in log density of the best and the worst mode found.
    seconds : float
    """

    posterior: xr.Dataset
    stats: xr.Dataset
    khat: float
    power: float
    effective: float
    proposed: int
    flat: int
    spread: float
    seconds: float

    def problems(self) -> tuple[str, ...]:
        """Failed gates, in words."""
        if self.khat <= MAX_K:
            return ()
        return (
            f"the approximation is too far from the posterior (Pareto k {self.khat:.2f}, limit "
            f"{MAX_K}); its draws were moved towards it by {100 * self.power:.0f} % of their "
            "weights only",
        )


class Density:
    """A model's log density and gradient over one flat vector of unconstrained parameters."""

    def __init__(self, model: pm.Model):
        import pytensor

        self.model = model
        point = model.initial_point()
        self.names = [v.name for v in model.value_vars]
        self.shapes = [np.shape(point[n]) for n in self.names]
        self.sizes = [int(np.prod(s)) for s in self.shapes]
        self.start = np.concatenate([np.ravel(point[n]) for n in self.names]).astype(float)
        logp = model.logp()
        gradient = pytensor.gradient.grad(logp, model.value_vars)
        self._run = pytensor.function(model.value_vars, [logp, *gradient])
        self.reported = [*model.free_RVs, *model.deterministics]
        values = model.replace_rvs_by_values(self.reported)
        self._report = pytensor.function(model.value_vars, values, on_unused_input="ignore")

    def split(self, x: Floats) -> list[Floats]:
        """One array per parameter."""
        parts = np.split(x, np.cumsum(self.sizes)[:-1])
        return [p.reshape(s) for p, s in zip(parts, self.shapes, strict=True)]

    def __call__(self, x: Floats) -> tuple[float, Floats]:
        """Log density and its gradient; what is not finite counts as nothing."""
        value, *gradient = self._run(*self.split(x))
        flat = np.concatenate([np.ravel(g) for g in gradient])
        if not (np.isfinite(value) and np.isfinite(flat).all()):
            return -1e100, np.zeros_like(flat)
        return float(value), flat

    def report(self, x: Floats) -> list[Floats]:
        """Values of all named variables."""
        return [np.asarray(v) for v in self._report(*self.split(x))]


def climb(density: Callable[[Floats], tuple[float, Floats]], start: Floats) -> tuple[Floats, float]:
    """Climb to a mode.

    Returns
    -------
    x : ndarray, shape (P,)
    value : float
        Log density there.
    """
    from scipy.optimize import minimize

    def down(x: Floats) -> tuple[float, Floats]:
        value, gradient = density(x)
        return -value, -gradient

    options = {"maxiter": 2000, "maxfun": 4000, "maxcor": 20, "ftol": 1e-12, "gtol": 1e-4}
    found = minimize(down, start, jac=True, method="L-BFGS-B", options=options)
    return np.asarray(found.x), -float(found.fun)


def curvature(density: Callable[[Floats], tuple[float, Floats]], mode: Floats) -> Floats:
    """Minus the Hessian at a mode, shape (P, P), by central differences of gradients."""
    out = np.empty((len(mode), len(mode)))
    for i in range(len(mode)):
        step = np.zeros(len(mode))
        step[i] = STEP
        out[i] = (density(mode - step)[1] - density(mode + step)[1]) / (2 * STEP)
    return (out + out.T) / 2


def systematic(weight: Floats, n: int, rng: np.random.Generator) -> np.ndarray:
    """n indices drawn with given weights, as evenly as can be."""
    at = (np.arange(n) + rng.random()) / n
    found = np.searchsorted(np.cumsum(weight), at * (1 - 1e-12))
    return np.minimum(found, len(weight) - 1)


def laplace(
    density: Callable[[Floats], tuple[float, Floats]], mode: Floats, n: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Floats, int]:  # fmt: skip
    """Draw from the normal law at a mode, moved to where its weighted draws lie.

    Returns
    -------
    x : ndarray, shape (n, P)
    value : ndarray, shape (n,)
        Log density of each.
    log_weight : ndarray, shape (n,)
        That, less the normal law's own.
    flat : int
        Directions whose curvature was raised to :data:`LEAST_CURVATURE`.
    """
    size, axes = np.linalg.eigh(curvature(density, mode))
    flat = int((size < LEAST_CURVATURE).sum())
    size = np.maximum(size, LEAST_CURVATURE)
    middle = mode
    for move in range(MOVES + 1):
        z = rng.normal(size=(n, len(mode)))
        x = middle + (z / np.sqrt(size)) @ axes.T
        value = np.array([density(row)[0] for row in x])
        log_weight = value + 0.5 * (z**2).sum(axis=1)
        if move < MOVES:
            middle = trusted_weights(log_weight[None], MAX_K, MIN_EFFECTIVE_SHARE).weight[0] @ x
    return x, value, log_weight, flat


def approximate(
    model: pm.Model, seed: int, draws: int = MAX_KEPT, say: Callable[[str], None] | None = None
) -> Approximation:
    """Approximate a model's posterior.

    Parameters
    ----------
    model : pm.Model
    seed : int
        The same seed and versions give the same draws.
    draws : int
        To keep.
    say : callable, optional
        Told in words how it goes.

    Returns
    -------
    Approximation
    """
    import xarray as xr

    say = say or (lambda text: None)
    began = time.perf_counter()
    rng = np.random.default_rng([seed, 0xA1])
    density = Density(model)
    say(f"model compiled in {time.perf_counter() - began:.0f} s")
    modes = []
    for i in range(STARTS):
        jitter = rng.normal(0, JITTER, len(density.start)) if i else 0.0
        modes.append(climb(density, density.start + jitter))
    mode, height = max(modes, key=lambda m: m[1])
    spread = height - min(h for _, h in modes)
    say(f"{STARTS} climbs, highest log density {height:.1f} (lowest {height - spread:.1f})")
    x, value, log_weight, flat = laplace(density, mode, PER_DRAW * draws, rng)
    trusted = trusted_weights(log_weight[None], MAX_K, MIN_EFFECTIVE_SHARE)
    index = systematic(trusted.weight[0], draws, rng)
    # In the order drawn, so that thinning is as good as any.
    rows = [density.report(row) for row in x[index]]
    data: dict[str, Any] = {}
    coords: dict[str, Any] = {"chain": [0], "draw": np.arange(draws)}
    for j, variable in enumerate(density.reported):
        name = str(variable.name)
        dims = model.named_vars_to_dims.get(name) or [
            f"{name}_dim_{k}" for k in range(np.ndim(rows[0][j]))
        ]
        data[name] = (("chain", "draw", *dims), np.array([row[j] for row in rows])[None])
        coords |= {str(d): list(model.coords[d]) for d in dims if d in model.coords}
    at = ("chain", "draw")
    stats = {"log_density": (at, value[index][None]), "log_weight": (at, log_weight[index][None])}
    return Approximation(
        xr.Dataset(data, coords),
        xr.Dataset(stats, {"chain": [0], "draw": np.arange(draws)}),
        khat=float(trusted.khat_full[0]),
        power=float(trusted.power[0]),
        effective=float(trusted.effective[0]),
        proposed=len(x),
        flat=flat,
        spread=spread,
        seconds=time.perf_counter() - began,
    )


def run_approximate(
    panel: Panel,
    *,
    seed: int,
    evidence_weight: float,
    name: str,
    options: ModelOptions | None = None,
    say: Callable[[str], None] | None = None,
) -> FitResult:
    """As :func:`.pooled_fit.run_fit`, approximately.

    Parameters
    ----------
    panel : Panel
    seed : int
    evidence_weight : float
    name : str
        Of the population, which calls itself approximate for ever after.
    options : ModelOptions, optional
    say : callable, optional

    Returns
    -------
    FitResult
        Its diagnostics hold no checks of chains, as there are none.
    """
    import pytensor

    from maturity_model.fitting import pooled_fit
    from maturity_model.fitting.diagnostics import Diagnostics
    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.options import ModelOptions
    from maturity_model.fitting.sampling import SamplingPlan
    from maturity_model.population.priors import priors_from_catalogue

    priors, options = priors_from_catalogue(panel.catalogue), options or ModelOptions()
    with pytensor.config.change_flags(mode="NUMBA"):
        model = build_model(panel, priors, evidence_weight=evidence_weight, options=options)
        found = approximate(model, seed, say=say)
        prior = pooled_fit.prior_draws(model, pooled_fit.shared_names(found.posterior), seed)
    provenance = {
        "made_by": "maturity-model fit --approximate",
        "method": APPROXIMATE,
        "pareto_k": f"{found.khat:.3f}",
        "weight_power": f"{found.power:.3f}",
        "effective_draws": f"{found.effective:.0f} of {found.proposed}",
        "logbook_sha256": panel.logbook.sha256,
        "as_of": panel.as_of.isoformat(),
        "tanks": str(len(panel.tanks)),
        "tank_weeks": str(int(panel.first[-1])),
        "priors_sha256": priors.sha256(),
        "inputs_sha256": pooled_fit.inputs_digest(panel, priors, evidence_weight, options),
        "options": repr(options),
        **options.provenance(),
        "seed": str(seed),
        **{f"version_{k}": v for k, v in pooled_fit.versions(SamplingPlan(sampler="pymc")).items()},
    }
    population = pooled_fit.population_from(
        found.posterior, priors, name=name, evidence_weight=evidence_weight, provenance=provenance
    )
    drift = pooled_fit.judge_drift(panel, found.posterior, prior, population, priors)
    diagnostics = Diagnostics(
        chains=1,
        draws=int(found.posterior.sizes["draw"]),
        divergent=0,
        energy=(),
        checks=(),
        problems=(*found.problems(), *drift.problems),
        seconds=found.seconds,
        gradients_per_second=float("nan"),
    )
    population = replace(
        population, provenance={**provenance, "diagnostics": diagnostics.verdict()}
    )
    return pooled_fit.FitResult(
        population, diagnostics, found.posterior, found.stats, priors, prior, drift, panel
    )
