"""Pooled fits on other tanks of a world, kept on file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from maturity_model.population.files import PopulationError, load_population, save_population
from maturity_model.population.types import Population
from maturity_model.validation.cases import Settings
from maturity_model.validation.clubs import World, merged, simulate_clubs
from maturity_model.validation.results import key_of


def fitted(
    world: World,
    settings: Settings,
    judged: float,
    folder: Path,
    say: Callable[[str], None] = lambda _: None,
) -> Population:
    """Learn a population from further tanks of a world, without their true phases.

    Parameters
    ----------
    world : World
    settings : Settings
    judged : float
        Share of the tanks whose keeper judges the phase.
    folder : Path
        The population is kept here, and each chain as it finishes.
    say : callable
        Told about progress.

    Returns
    -------
    Population
        Its ``warning`` says when the fit did not pass its checks.
    """
    from maturity_model.population.fit import run_fit
    from maturity_model.population.sampling import SamplingPlan, choose_sampler

    s = settings
    fit_part = (s.fit_tanks, s.clubs, s.weeks, s.seed, s.fit_draws, s.fit_tune, s.fit_chains)
    key = key_of(("fit", world, judged, fit_part))
    path = folder / f"population-{key}.nc"
    try:
        return load_population(path)
    except PopulationError:
        say(f"fitting {s.fit_tanks} tanks, {judged:.0%} judged")
    clubs = simulate_clubs(world, s.clubs, s.fit_tanks, s.weeks, s.seed, judged, batch=2)
    plan = SamplingPlan(
        s.fit_draws, s.fit_tune, s.fit_chains, s.seed, sampler=choose_sampler(), cores=2
    )
    chains = folder / f"chains-{key}"
    found = run_fit(merged(clubs).panel(), plan=plan, name="validation", folder=chains)
    save_population(found.population, path)
    return found.population
