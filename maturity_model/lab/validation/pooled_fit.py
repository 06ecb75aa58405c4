"""Pooled fits on other tanks of a world, kept on file."""

from __future__ import annotations

from pathlib import Path

from maturity_model.lab.tasks import Say, silent
from maturity_model.lab.validation.cases import Settings
from maturity_model.lab.validation.clubs import World, merge_clubs, simulate_clubs
from maturity_model.lab.validation.results import key_of
from maturity_model.population.constants import FIT_WEIGHT
from maturity_model.population.files import PopulationError, load_population, save_population
from maturity_model.population.types import Population


def fit_part(settings: Settings) -> tuple[int | str, ...]:
    """What a fit depends on, beside the world and the judgements."""
    s = settings
    return (s.fit_tanks, s.clubs, s.weeks, s.seed, s.fit_draws, s.fit_tune, s.fit_chains,
            s.fit_moves)  # fmt: skip


def fitted(
    world: World, settings: Settings, judged: float, folder: Path, say: Say = silent
) -> Population:
    """Learn a population from further tanks of a world, without their true phases.

    What is handed on is what ``maturity-model fit`` would hand on: its evidence weight is chosen by
    the pool, and its ``warning`` says when the fit did not pass its checks. ``judged`` is the share
    of tanks whose keeper judges the phase. The population, and each chain as it finishes, are kept
    in ``folder``.
    """
    from maturity_model.fitting.handing_on.hand_on import hand_on
    from maturity_model.fitting.options import ModelOptions
    from maturity_model.fitting.pooled_fit import run_fit
    from maturity_model.fitting.sampling import SamplingPlan, choose_sampler

    s = settings
    key = key_of("fit", world, judged, fit_part(s))
    path = folder / f"population-{key}.nc"
    try:
        return load_population(path)
    except PopulationError:
        say(f"fitting {s.fit_tanks} tanks, {judged:.0%} judged")
    clubs = simulate_clubs(world, s.clubs, s.fit_tanks, s.weeks, s.seed, judged=judged, batch=2)
    plan = SamplingPlan(
        s.fit_draws, s.fit_tune, s.fit_chains, s.seed, sampler=choose_sampler(), cores=2
    )
    panel = merge_clubs(clubs).panel()
    fit = run_fit(
        panel,
        plan=plan,
        evidence_weight=FIT_WEIGHT,
        name="validation",
        options=ModelOptions(judgement_weight=1.0),
        folder=folder / f"chains-{key}",
    )
    population = hand_on(fit.population, panel, choose=True, moves=s.fit_moves)
    save_population(population, path)
    return population
