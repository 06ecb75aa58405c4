"""The pooled fit: from a panel to a population that was learned."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from maturity_model import __version__
from maturity_model.fitting.diagnostics import Diagnostics, diagnose, flatten
from maturity_model.fitting.model_inputs import catalogue_json, digest
from maturity_model.fitting.sampling import (
    Chain,
    SamplingPlan,
    choose_sampler,
    plan_key,
    sample_chains,
    to_terminal,
)
from maturity_model.fitting.to_population import make_population
from maturity_model.population.constants import DEFAULT_EVIDENCE_WEIGHT
from maturity_model.population.priors import Priors, priors_from_catalogue
from maturity_model.population.types import DIMS, OPTIONAL_DIMS, Population

if TYPE_CHECKING:
    import xarray as xr

    from maturity_model.fitting.drift import Drift
    from maturity_model.fitting.options import ModelOptions
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
        Everything that was drawn.
    priors : Priors
    prior : dict of str to ndarray, shape (D, ...)
        Draws of the shared parameters without data.
    drift : Drift
    panel : Panel
    """

    population: Population
    diagnostics: Diagnostics
    posterior: xr.Dataset
    stats: xr.Dataset
    priors: Priors
    prior: dict[str, np.ndarray]
    drift: Drift
    panel: Panel


def inputs_digest(
    panel: Panel, priors: Priors, evidence_weight: float, options: ModelOptions
) -> str:
    """Digest of everything that the posterior depends on, this program included."""
    import pymc as pm
    import pytensor

    from maturity_model.fitting.design import make_design
    from maturity_model.fitting.kernels.panel_op import version

    digest = hashlib.sha256()
    design = make_design(panel, priors, by_tank=options.tank_signs)
    for name, value in sorted(vars(design).items()):
        digest.update(name.encode())
        array = np.ascontiguousarray(value)
        digest.update(array.tobytes() if array.dtype.kind != "U" else repr(value).encode())
    said = (
        priors.sha256(), evidence_weight, options, version(), __version__,
        pm.__version__, pytensor.__version__,
    )  # fmt: skip
    digest.update(repr(said).encode())
    return digest.hexdigest()


def versions(plan: SamplingPlan) -> dict[str, str]:
    """Versions of what a fit depends on."""
    import importlib
    import platform

    out = {"maturity_model": __version__, "python": platform.python_version()}
    more = [] if plan.sampler == "pymc" else [plan.sampler]
    for name in ("pymc", "pytensor", "numba", "numpy", *more):
        out[name] = str(getattr(importlib.import_module(name), "__version__", "unknown"))
    return out


def thin(n: int, most: int = MAX_DRAWS) -> np.ndarray:
    """Evenly spaced indices of at most ``most`` out of n draws."""
    return np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(np.int64))


def population_from(
    posterior: xr.Dataset,
    priors: Priors,
    *,
    name: str,
    evidence_weight: float,
    provenance: dict[str, str],
) -> Population:
    """A fitted population of at most :data:`MAX_DRAWS` draws from all chains."""
    draws: dict[str, Any] = {}
    for field in (*DIMS, *OPTIONAL_DIMS):
        if field in posterior:
            array = posterior[field].stack(sample=("chain", "draw")).transpose(..., "sample")
            values = np.asarray(array.values, dtype=np.float64)
            draws[field] = np.ascontiguousarray(values[..., thin(values.shape[-1])])
    return make_population(
        draws,
        priors,
        name=name,
        kind="fitted",
        evidence_weight=evidence_weight,
        provenance=provenance,
    )


def shared_names(posterior: xr.Dataset) -> list[str]:
    """Variables that all tanks share."""
    return [n for n in (*DIMS, *OPTIONAL_DIMS) if n in posterior]


def stacked(posterior: xr.Dataset, names: list[str]) -> dict[str, np.ndarray]:
    """Draws of all chains behind one another, shape (D, ...)."""
    out = {}
    for name in names:
        values = posterior[name].transpose("chain", "draw", ...).values
        out[name] = values.reshape(-1, *values.shape[2:])
    return out


def judge_drift(
    panel: Panel,
    posterior: xr.Dataset,
    prior: dict[str, np.ndarray],
    population: Population,
    priors: Priors,
) -> Drift:
    """Judge how far the phases moved, see :mod:`.drift`."""
    from maturity_model.fitting.drift import check_drift, overlaps

    names = shared_names(posterior)
    labels = {name: flatten(posterior, [name])[0] for name in names}
    return check_drift(
        panel, population, priors, overlaps(labels, prior, stacked(posterior, names))
    )


def prior_draws(model: Any, names: list[str], seed: int) -> dict[str, np.ndarray]:
    """Draw variables of a model without data, shape (:data:`PRIOR_DRAWS`, ...)."""
    import pymc as pm

    found = pm.draw(
        [model[n] for n in names], draws=PRIOR_DRAWS, random_seed=seed, mode="FAST_COMPILE"
    )
    return {n: np.asarray(v, dtype=np.float64) for n, v in zip(names, found, strict=True)}


def join_chains(chains: list[Chain]) -> tuple[xr.Dataset, xr.Dataset]:
    """Posterior and statistics of all chains."""
    import xarray as xr

    def joined(parts: list[xr.Dataset]) -> xr.Dataset:
        return xr.concat(parts, dim="chain", join="exact")

    return joined([c.posterior for c in chains]), joined([c.stats for c in chains])


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
    priors : Priors, optional
        Default: those of the panel's catalogue.
    draws, tune, chains : int
        Kept and discarded draws of each chain.
    seed : int
        The same seed and versions give the same draws.
    evidence_weight : float
        See :class:`.types.Population`.
    options : ModelOptions, optional
    sampler : {'nutpie', 'pymc'}, optional
        Default: nutpie where it is installed.
    cores : int
        Chains at a time.
    name : str
    folder : Path, optional
        Where finished chains are kept, to be taken up by a rerun.
    progress : bool
        Say on stderr how it goes.

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
) -> FitResult:
    """As :func:`fit`, with all draws and their diagnostics.

    Parameters
    ----------
    panel, priors, evidence_weight, options, name, folder, progress
        See :func:`fit`.
    plan : SamplingPlan, optional

    Returns
    -------
    FitResult
    """
    import pytensor

    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.options import ModelOptions

    priors = priors or priors_from_catalogue(panel.catalogue)
    options = options or ModelOptions()
    plan = plan or SamplingPlan(sampler=choose_sampler())
    # Everything through numba: no C compiler is needed, or looked for.
    with pytensor.config.change_flags(mode="NUMBA"):
        model = build_model(
            panel,
            priors,
            evidence_weight=evidence_weight,
            options=options,
        )
        inputs = inputs_digest(panel, priors, evidence_weight, options)
        found = sample_chains(
            model,
            plan,
            key=plan_key(plan, inputs),
            folder=folder,
            say=to_terminal if progress else None,
        )
        posterior, stats = join_chains(found)
        prior = prior_draws(model, shared_names(posterior), plan.seed)
    diagnostics = diagnose(posterior, stats, max(c.seconds for c in found))
    provenance = {
        "made_by": "maturity-model fit",
        "logbook_sha256": panel.logbook.sha256,
        "as_of": panel.as_of.isoformat(),
        "tanks": str(len(panel.tanks)),
        "tank_weeks": str(int(panel.first[-1])),
        "priors_sha256": priors.sha256(),
        "inputs_sha256": inputs,
        "options": repr(options),
        **options.provenance(),
        "sampler": plan.sampler,
        "seed": str(plan.seed),
        "chains": str(plan.chains),
        "draws": str(plan.draws),
        "tune": str(plan.tune),
        "catalogue_sha256": digest(catalogue_json(panel.catalogue)),
        **{f"version_{k}": v for k, v in versions(plan).items()},
    }
    population = population_from(
        posterior, priors, name=name, evidence_weight=evidence_weight, provenance=provenance
    )
    drift = judge_drift(panel, posterior, prior, population, priors)
    diagnostics = replace(diagnostics, problems=diagnostics.problems + drift.problems)
    population = replace(
        population, provenance={**provenance, "diagnostics": diagnostics.verdict()}
    )
    return FitResult(population, diagnostics, posterior, stats, priors, prior, drift, panel)
