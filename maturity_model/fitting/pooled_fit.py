"""The pooled fit: from a panel to a population that was learned."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model import __version__
from maturity_model._typing import Floats
from maturity_model.fitting.diagnostics import UNIT_LEVEL, Diagnostics, diagnose, flatten
from maturity_model.fitting.model_inputs import to_json
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.sampling import (
    SamplingPlan,
    choose_sampler,
    plan_key,
    sample_chains,
    to_terminal,
)
from maturity_model.fitting.to_population import make_population
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.priors import Priors, priors_from_catalogue
from maturity_model.population.types import DIMS, OPTIONAL_DIMS, Population, evenly_spaced

if TYPE_CHECKING:
    import xarray as xr

    from maturity_model.fitting.drift import Drift
    from maturity_model.panel import Panel

#: Most draws of a fitted population: what the weekly path mixes over.
MAX_DRAWS = 512
#: Draws of the priors, to compare with.
PRIOR_DRAWS = 1000


@dataclass(frozen=True)
class FitResult:
    """A pooled fit.

    Attributes
    ----------
    population : Population
        At most :data:`MAX_DRAWS` draws.
    diagnostics : Diagnostics
        The drift check's problems are among its own.
    posterior, stats : xarray.Dataset
        All draws of all chains, and the sampler's statistics.
    priors : Priors
    prior : dict of str to ndarray, shape (D, ...)
        Draws of the shared parameters without data.
    log_prior : ndarray, shape (D,)
        From :func:`log_prior`, of the population's draws.
    drift : Drift
    panel : Panel
    """

    population: Population
    diagnostics: Diagnostics
    posterior: xr.Dataset
    stats: xr.Dataset
    priors: Priors
    prior: dict[str, Floats]
    log_prior: Floats
    drift: Drift
    panel: Panel


def inputs_digest(
    panel: Panel, priors: Priors, evidence_weight: float, options: ModelOptions
) -> str:
    """Digest of everything that the posterior depends on, this program included."""
    import pymc as pm
    import pytensor

    from maturity_model.fitting.design import graph_data, make_design, named
    from maturity_model.fitting.kernels.kernel_op import version

    sha256 = hashlib.sha256()
    design = make_design(panel, priors, by_tank=options.tank_signs)
    for name, array in named(graph_data(design, priors, options.powers(evidence_weight))).items():
        sha256.update(name.encode() + array.tobytes())
    rest = (
        tuple(tank.name for tank in panel.tanks), design.keepers, priors.sha256(), options,
        version(), __version__, pm.__version__, pytensor.__version__,
    )  # fmt: skip
    sha256.update(repr(rest).encode())
    return sha256.hexdigest()


def versions(sampler: str = "pymc") -> dict[str, str]:
    """Versions of the software that a fit depends on, as entries for the population's file."""
    names = dict.fromkeys(("pymc", "pytensor", "numba", "numpy", sampler))
    return {
        "version_maturity_model": __version__,
        "version_python": platform.python_version(),
        **{f"version_{name}": metadata.version(name) for name in names},
    }


def shared_names(posterior: xr.Dataset) -> list[str]:
    """Variables that all tanks share."""
    return [n for n in (*DIMS, *OPTIONAL_DIMS) if n in posterior]


def stack_chains(posterior: xr.Dataset, names: list[str]) -> dict[str, Floats]:
    """Draws of some variables, one chain after another, each of shape (D, ...)."""
    stacked = posterior[names].stack(sample=("chain", "draw")).transpose("sample", ...)
    return {name: np.asarray(stacked[name].values, dtype=np.float64) for name in names}


def thin(posterior: xr.Dataset) -> xr.Dataset:
    """Evenly spaced draws of each chain, in all at most :data:`MAX_DRAWS`."""
    each = max(MAX_DRAWS // posterior.sizes["chain"], 1)
    return posterior.isel(draw=evenly_spaced(posterior.sizes["draw"], each))


def population_from(
    posterior: xr.Dataset,
    priors: Priors,
    *,
    name: str,
    evidence_weight: float,
    provenance: dict[str, str],
) -> Population:
    """A fitted population of the draws that :func:`thin` leaves."""
    draws = stack_chains(thin(posterior), shared_names(posterior))
    return make_population(
        {field: np.ascontiguousarray(np.moveaxis(x, 0, -1)) for field, x in draws.items()},
        priors,
        name=name,
        kind="fitted",
        evidence_weight=evidence_weight,
        provenance=provenance,
    )


def prior_draws(model: Any, names: list[str], seed: int) -> dict[str, Floats]:
    """Draw variables of a model without data, shape (:data:`PRIOR_DRAWS`, ...)."""
    import pymc as pm

    values = pm.draw(
        [model[n] for n in names], draws=PRIOR_DRAWS, random_seed=seed, mode="FAST_COMPILE"
    )
    return {n: np.asarray(v, dtype=np.float64) for n, v in zip(names, values, strict=True)}


def log_prior(model: Any, posterior: xr.Dataset) -> Floats:
    """Log prior density of what tanks share, by draw, shape (D,).

    In the model's own parameters; those of single tanks and keepers do not count.
    """
    import pymc as pm
    import pytensor

    of_units = {f"{name}_z" for name in UNIT_LEVEL}
    shared = [v for v in model.free_RVs if v.name not in of_units]
    values = [v.type() for v in shared]
    total = sum(pm.logp(v, x).sum() for v, x in zip(shared, values, strict=True))
    density = pytensor.function(values, total, mode="FAST_COMPILE")
    draws = stack_chains(posterior, [v.name for v in shared])
    return np.array([float(density(*draw)) for draw in zip(*draws.values(), strict=True)])


def draw_chains(
    model: Any,
    plan: SamplingPlan,
    inputs: str,
    folder: Path | None = None,
    say: Callable[[str], None] | None = None,
) -> tuple[xr.Dataset, xr.Dataset, float]:
    """Posterior and statistics of all chains, and the wall time of the slowest in seconds."""
    import xarray as xr

    chains = sample_chains(model, plan, key=plan_key(plan, inputs), folder=folder, say=say)
    posterior = xr.concat([c.posterior for c in chains], dim="chain", join="exact")
    stats = xr.concat([c.stats for c in chains], dim="chain", join="exact")
    return posterior, stats, max(c.seconds for c in chains)


def fit(
    panel: Panel,
    priors: Priors | None = None,
    *,
    draws: int = 1200,
    tune: int = 500,
    chains: int = 4,
    seed: int = 1,
    evidence_weight: float = DEFAULT_EVIDENCE_WEIGHT,
    options: ModelOptions | None = None,
    sampler: str | None = None,
    cores: int = 2,
    name: str = "fitted",
    folder: Path | None = None,
    progress: bool = False,
) -> Population:
    """Learn a population from a panel.

    Parameters
    ----------
    panel : Panel
        Logs of the tanks on a weekly grid.
    priors : Priors, optional
        Default: those of the panel's catalogue.
    draws, tune, chains : int
        Kept and discarded draws of each chain.
    seed : int
        The same seed and versions give the same draws.
    evidence_weight : float
        Power on the likelihood, in [0, 1]; see :class:`.types.Population`.
    options : ModelOptions, optional
        Parts of the model to leave out or add.
    sampler : {'nutpie', 'pymc'}, optional
        Default: nutpie where it is installed.
    cores : int
        Chains at a time.
    name : str
        Of the population.
    folder : Path, optional
        Where finished chains are stored, to be taken up by a rerun.
    progress : bool
        Whether to report progress on stderr.

    Returns
    -------
    Population
        Its ``provenance["diagnostics"]`` says ``passed``, or which gate failed.
        :func:`run_fit` also returns all draws.

    Raises
    ------
    ValueError
        When the panel is empty or does not fit the priors.
    ChainLost
        When a sampler gives up.
    """
    plan = SamplingPlan(draws, tune, chains, seed, sampler=sampler or choose_sampler(), cores=cores)
    return run_fit(
        panel,
        priors,
        plan,
        evidence_weight=evidence_weight,
        options=options,
        name=name,
        folder=folder,
        progress=progress,
    ).population


def _what_was_fitted(panel: Panel, priors: Priors, options: ModelOptions) -> dict[str, str]:
    # Entries for the population's file.
    return {
        "logbook_sha256": panel.logbook.sha256,
        "as_of": panel.as_of.isoformat(),
        "tanks": str(len(panel.tanks)),
        "tank_weeks": str(int(panel.first[-1])),
        "priors_sha256": priors.sha256(),
        "options": repr(options),
        **options.provenance(),
        "catalogue_sha256": hashlib.sha256(to_json(panel.catalogue).encode()).hexdigest(),
    }


def run_fit(
    panel: Panel,
    priors: Priors | None = None,
    plan: SamplingPlan | None = None,
    *,
    evidence_weight: float = DEFAULT_EVIDENCE_WEIGHT,
    options: ModelOptions | None = None,
    name: str = "fitted",
    folder: Path | None = None,
    progress: bool = False,
    approximate: bool = False,
) -> FitResult:
    """As :func:`fit`, with all draws and their diagnostics.

    With ``approximate``, draws are from an approximation instead of chains (:mod:`.approximate`),
    and only the plan's seed counts.
    """
    import pytensor

    from maturity_model.fitting.approximate import approximate_posterior
    from maturity_model.fitting.drift import check_drift, overlaps
    from maturity_model.fitting.model import build_model

    priors = priors or priors_from_catalogue(panel.catalogue)
    options = options or ModelOptions()
    plan = plan or SamplingPlan(sampler=choose_sampler())
    say = to_terminal if progress else None
    # Everything through numba: no C compiler is needed, or looked for.
    with pytensor.config.change_flags(mode="NUMBA"):
        model = build_model(panel, priors, evidence_weight=evidence_weight, options=options)
        inputs = inputs_digest(panel, priors, evidence_weight, options)
        if approximate:
            drawn = approximate_posterior(model, plan.seed, say=say)
            posterior, stats, diagnostics = drawn.posterior, drawn.stats, drawn.diagnostics()
            method = drawn.provenance() | versions()
        else:
            posterior, stats, seconds = draw_chains(model, plan, inputs, folder, say)
            diagnostics = diagnose(posterior, stats, seconds)
            settings = {k: str(getattr(plan, k)) for k in ("sampler", "chains", "draws", "tune")}
            method = {"made_by": "maturity-model fit"} | settings | versions(plan.sampler)
        names = shared_names(posterior)
        prior = prior_draws(model, names, plan.seed)
        densities = log_prior(model, thin(posterior))
    provenance = method | _what_was_fitted(panel, priors, options)
    provenance |= {"inputs_sha256": inputs, "seed": str(plan.seed)}
    population = population_from(
        posterior, priors, name=name, evidence_weight=evidence_weight, provenance=provenance
    )
    labels = {n: flatten(posterior, [n])[0] for n in names}
    overlap = overlaps(labels, prior, stack_chains(posterior, names))
    drift = check_drift(panel, population, priors, overlap)
    diagnostics = replace(diagnostics, problems=diagnostics.problems + drift.problems)
    provenance["diagnostics"] = diagnostics.verdict()
    population = replace(population, provenance=provenance)
    return FitResult(
        population, diagnostics, posterior, stats, priors, prior, densities, drift, panel
    )
