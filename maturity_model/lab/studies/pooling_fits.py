"""Ways of learning from a pool, each fitted once and kept in a folder.

Needs the extra ``fit``, with nutpie.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from maturity_model.fitting.convergence import r_hat
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.fitting.to_population import make_population
from maturity_model.lab.studies.cut_posterior import cut_fit
from maturity_model.lab.studies.pooling_worlds import Club, Setting
from maturity_model.lab.studies.refit import Refit, Refitter
from maturity_model.panel import Panel, build_panel
from maturity_model.population.elicit import elicit_population
from maturity_model.population.files import PopulationError, load_population, save_population
from maturity_model.population.priors import Priors, hold_emissions, priors_from_catalogue
from maturity_model.population.types import DIMS, Population, take_draws

#: Draws of a population that is scored; as many as the default population has.
DRAWS = 256
#: Draws of what phases show in a cut fit; each gets some draws of the moves.
IMPUTATIONS = 32


@dataclass(frozen=True)
class Way:
    """A way of learning from a pool.

    Attributes
    ----------
    name : str
    judged : bool
        Whether a fifth of the pool's tanks are judged.
    weight : float
        Evidence weight of the fit.
    hold : float
        On the spread of the priors of what a phase shows.
    judgement_weight : float, optional
        Power on judgements; default: ``weight``.
    cut : {'', 'practice', 'judged'}
        Where what a phase shows comes from instead of the whole pool: practice, or the
        judged tanks alone.
    tank_signs : bool
        Whether each tank shifts its signs' log-odds.
    """

    name: str
    judged: bool = False
    weight: float = 0.4
    hold: float = 1.0
    judgement_weight: float | None = None
    cut: str = ""
    tank_signs: bool = False


def way_key(setting: Setting, way: Way, panel: Panel, priors: Priors) -> str:
    """Digest of everything that a way's population depends on."""
    import nutpie

    from maturity_model.fitting.pooled_fit import inputs_digest

    options = ModelOptions(tank_signs=way.tank_signs, judgement_weight=way.judgement_weight)
    inputs = inputs_digest(panel, priors, way.weight, options)
    plan = setting.draws, setting.tune, setting.chains, setting.seed
    said = repr((inputs, plan, way.cut, nutpie.__version__))
    return hashlib.sha256(said.encode()).hexdigest()[:16]


def worst_r_hat(found: Refit) -> float:
    """Largest R-hat of all parameters that tanks share and that vary."""
    worst = 1.0
    for name, dims in DIMS.items():
        if name not in found.draws or dims[-1] != "draw":
            continue
        flat = found.draws[name].reshape(-1, found.n_draws)
        flat = flat[flat.std(axis=1) > 1e-12]
        if len(flat):
            chains = flat.reshape(len(flat), found.chains, -1).transpose(1, 2, 0)
            worst = max(worst, float(np.max(r_hat(chains))))
    return worst


def _sampled(panel: Panel, setting: Setting, number: int, way: Way) -> Population:
    priors = hold_emissions(priors_from_catalogue(panel.catalogue), way.hold)
    options = ModelOptions(tank_signs=way.tank_signs, judgement_weight=way.judgement_weight)
    plan = SamplingPlan(
        setting.draws, setting.tune, setting.chains, setting.seed + number, cores=setting.chains
    )
    refitter = Refitter(priors, way.weight, options)
    # Thousands of shifts would make correlations dear to learn.
    found = refitter.fit(panel, plan, low_rank=not way.tank_signs)
    population = make_population(
        found.draws,
        priors,
        name=way.name,
        kind="fitted",
        evidence_weight=way.weight,
        provenance={
            "r_hat": f"{worst_r_hat(found):.4f}",
            "divergent": str(found.divergent),
            "seconds": f"{found.seconds:.0f}",
            "gradients": str(found.steps),
            "compile_seconds": f"{refitter.compile_seconds:.0f}",
        },
    )
    keep = np.linspace(0, found.n_draws - 1, min(DRAWS, found.n_draws)).round().astype(np.int64)
    return take_draws(population, keep)


def _cut(
    panel: Panel, setting: Setting, number: int, way: Way, say: Callable[[str], None]
) -> Population:
    seed = setting.seed * 10_000 + number
    if way.cut == "practice":
        given = elicit_population(panel.catalogue, way.weight, IMPUTATIONS, seed)
    else:
        # What phases show is learned from the judged tanks alone, everything else from all.
        judged = frozenset(c.tank for c in panel.logbook.checkins if c.judged_phase)
        few = panel.logbook.only(judged)
        whole = _sampled(build_panel(few, panel.catalogue, panel.as_of), setting, number, way)
        index = np.linspace(0, whole.n_draws - 1, IMPUTATIONS).round().astype(np.int64)
        given = take_draws(whole, index)
    return cut_fit(
        panel,
        given,
        evidence_weight=way.weight,
        judgement_weight=way.judgement_weight,
        seed=seed,
        name=way.name,
        say=say,
    )


def fitted(
    club: Club,
    setting: Setting,
    way: Way,
    folder: Path,
    say: Callable[[str], None],
    *,
    only_kept: bool = False,
) -> Population | None:
    """The population of a way; taken from the folder where it is there already.

    Parameters
    ----------
    club : Club
    setting : Setting
    way : Way
    folder : Path
    say : callable
        Told about progress.
    only_kept : bool
        Do not fit.

    Returns
    -------
    Population or None
        None where it is not in the folder and was not to be fitted.
    """
    panel = club.judged if way.judged else club.unjudged
    priors = hold_emissions(priors_from_catalogue(panel.catalogue), way.hold)
    path = folder / f"{club.number}-{way_key(setting, way, panel, priors)}.nc"
    if path.is_file():
        try:
            return _of_way(load_population(path), way)
        except PopulationError as error:
            say(f"{error}; fitted again")
    if only_kept:
        return None
    if way.cut:
        found = _cut(panel, setting, club.number, way, say)
    else:
        found = _sampled(panel, setting, club.number, way)
    folder.mkdir(parents=True, exist_ok=True)
    save_population(found, path)
    about = ", ".join(f"{k} {v}" for k, v in found.provenance.items())
    say(f"club {club.number + 1}, {way.name}: {about}")
    return _of_way(found, way)


def _of_way(population: Population, way: Way) -> Population:
    options = ModelOptions(tank_signs=way.tank_signs, judgement_weight=way.judgement_weight)
    return replace(population, provenance={**population.provenance, **options.provenance()})
