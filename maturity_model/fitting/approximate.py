"""A fit without chains, for a first look: Laplace's method and importance weights.

L-BFGS with the exact gradient climbs to the mode of the unconstrained posterior from several
starts; the curvature there, by differences of gradients, gives the normal distribution of
Laplace's method. As the mode of a skewed posterior is not its mean, the normal is moved to the
weighted mean of its draws a few times (after Paananen et al. 2021, *Statistics and
Computing* 31: 16, who also match variances). The last draws are reweighted towards the
posterior by Pareto-smoothed importance sampling, whose k says how far that can be trusted
(Vehtari et al. 2024). With hundreds of parameters it often cannot; then the weights are
tempered until they can be, and the fit fails its check.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.diagnostics import Diagnostics
from maturity_model.hmm.mixture import MIN_EFFECTIVE_SHARE
from maturity_model.hmm.psis import trusted_weights
from maturity_model.population.types import APPROXIMATE

if TYPE_CHECKING:
    import pymc as pm
    import xarray as xr

#: Largest Pareto k that passes.
MAX_K = 0.7
#: Draws of the normal for each that is returned, and draws returned.
PER_DRAW, DRAWS = 4, 512
#: Starts of the climb, and their spread about the usual start.
STARTS, JITTER = 3, 0.3
#: How often the normal is moved to the mean of its weighted draws.
MOVES = 3
#: Step of the differences of gradients, and lower bound of the curvature.
STEP, LEAST_CURVATURE = 1e-4, 0.05


@dataclass(frozen=True)
class Approximation:
    """An approximate posterior.

    ``posterior`` and ``stats`` hold resampled draws, their log density and log weight, with the
    dimensions ``chain`` (of length 1) and ``draw``. ``khat`` is that of the plain importance
    weights, ``power`` what they were raised to so that they could be trusted (1: plain);
    ``effective`` draws are left of those ``proposed``.
    """

    posterior: xr.Dataset
    stats: xr.Dataset
    khat: float
    power: float
    effective: float
    proposed: int
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

    def diagnostics(self) -> Diagnostics:
        """Of one chain, without the checks that need chains."""
        return Diagnostics(
            chains=1,
            draws=int(self.posterior.sizes["draw"]),
            divergent=0,
            energy=(),
            checks=pd.DataFrame(),
            problems=self.problems(),
            seconds=self.seconds,
            gradients_per_second=float("nan"),
        )

    def provenance(self) -> dict[str, str]:
        """Entries for the population's file, which calls itself approximate for good."""
        return {
            "made_by": "maturity-model fit --approximate",
            "method": APPROXIMATE,
            "pareto_k": f"{self.khat:.3f}",
            "weight_power": f"{self.power:.3f}",
            "effective_draws": f"{self.effective:.0f} of {self.proposed}",
        }


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
        """Log density and its gradient; where either is not finite, a density of almost 0."""
        value, *gradient = self._run(*self.split(x))
        flat = np.concatenate([np.ravel(g) for g in gradient])
        if not (np.isfinite(value) and np.isfinite(flat).all()):
            return -1e100, np.zeros_like(flat)
        return float(value), flat

    def report(self, x: Floats) -> list[Floats]:
        """Values of all named variables."""
        return [np.asarray(v) for v in self._report(*self.split(x))]


def climb(density: Callable[[Floats], tuple[float, Floats]], start: Floats) -> tuple[Floats, float]:
    """Climb to a mode; it, shape (P,), and the log density there."""
    from scipy.optimize import minimize

    def down(x: Floats) -> tuple[float, Floats]:
        value, gradient = density(x)
        return -value, -gradient

    options = {"maxiter": 2000, "maxfun": 4000, "maxcor": 20, "ftol": 1e-12, "gtol": 1e-4}
    top = minimize(down, start, jac=True, method="L-BFGS-B", options=options)
    return np.asarray(top.x), -float(top.fun)


def curvature(density: Callable[[Floats], tuple[float, Floats]], mode: Floats) -> Floats:
    """Minus the Hessian at a mode, shape (P, P), by central differences of gradients."""
    out = np.empty((len(mode), len(mode)))
    for i in range(len(mode)):
        step = np.zeros(len(mode))
        step[i] = STEP
        out[i] = (density(mode - step)[1] - density(mode + step)[1]) / (2 * STEP)
    return (out + out.T) / 2


def systematic(weight: Floats, n: int, rng: np.random.Generator) -> Ints:
    """Systematic resampling: n indices whose counts follow the weights as evenly as possible."""
    at = (np.arange(n) + rng.random()) / n
    index = np.searchsorted(np.cumsum(weight), at * (1 - 1e-12))
    return np.minimum(index, len(weight) - 1)


def laplace(
    density: Callable[[Floats], tuple[float, Floats]], mode: Floats, n: int,
    rng: np.random.Generator,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Draw from the normal at a mode, moved to the mean of its weighted draws.

    Returns
    -------
    x : ndarray, shape (n, P)
    value : ndarray, shape (n,)
        Log density of each.
    log_weight : ndarray, shape (n,)
        Log density less that of the normal.
    """
    eigenvalues, axes = np.linalg.eigh(curvature(density, mode))
    # Directions that are flat, or not curved as at a mode, would get an endless spread.
    eigenvalues = np.maximum(eigenvalues, LEAST_CURVATURE)
    centre = mode
    for move in range(MOVES + 1):
        z = rng.normal(size=(n, len(mode)))
        x = centre + (z / np.sqrt(eigenvalues)) @ axes.T
        value = np.array([density(row)[0] for row in x])
        log_weight = value + 0.5 * (z**2).sum(axis=1)
        if move < MOVES:
            centre = trusted_weights(log_weight[None], MAX_K, MIN_EFFECTIVE_SHARE).weight[0] @ x
    return x, value, log_weight


def approximate_posterior(
    model: pm.Model, seed: int, say: Callable[[str], None] | None = None
) -> Approximation:
    """Approximate a model's posterior; the same seed and versions give the same draws.

    ``say`` is called with one line of text per finished step.
    """
    import xarray as xr

    say = say or (lambda _: None)
    began = time.perf_counter()
    rng = np.random.default_rng([seed, 0xA1])
    density = Density(model)
    say(f"model compiled in {time.perf_counter() - began:.0f} s")
    modes = []
    for i in range(STARTS):
        jitter = rng.normal(0, JITTER, len(density.start)) if i else 0.0
        modes.append(climb(density, density.start + jitter))
    mode, height = max(modes, key=lambda m: m[1])
    lowest = min(value for _, value in modes)
    say(f"{STARTS} climbs, highest log density {height:.1f} (lowest {lowest:.1f})")
    x, value, log_weight = laplace(density, mode, PER_DRAW * DRAWS, rng)
    trusted = trusted_weights(log_weight[None], MAX_K, MIN_EFFECTIVE_SHARE)
    # In the order drawn, so that the draws can be thinned evenly.
    index = systematic(trusted.weight[0], DRAWS, rng)
    at, coords = ("chain", "draw"), {"chain": [0], "draw": np.arange(DRAWS)}
    stats = {"log_density": (at, value[index][None]), "log_weight": (at, log_weight[index][None])}
    return Approximation(
        _label(model, density, x[index]),
        xr.Dataset(stats, coords),
        khat=float(trusted.khat_full[0]),
        power=float(trusted.power[0]),
        effective=float(trusted.effective[0]),
        proposed=len(x),
        seconds=time.perf_counter() - began,
    )


def _label(model: pm.Model, density: Density, x: Floats) -> xr.Dataset:
    # Named variables of unconstrained draws (D, P), as one chain.
    import xarray as xr

    rows = [density.report(row) for row in x]
    data: dict[str, Any] = {}
    coords: dict[str, Any] = {"chain": [0], "draw": np.arange(len(x))}
    for variable, values in zip(density.reported, zip(*rows, strict=True), strict=True):
        name = str(variable.name)
        dims = model.named_vars_to_dims.get(name) or [
            f"{name}_dim_{k}" for k in range(np.ndim(values[0]))
        ]
        data[name] = (("chain", "draw", *dims), np.array(values)[None])
        coords |= {str(d): list(model.coords[d]) for d in dims if d in model.coords}
    return xr.Dataset(data, coords)
