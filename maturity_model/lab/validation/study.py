"""Score cases from simulation to tables; a case that is on file is taken up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import pandas as pd

from maturity_model.assessment.filtering import HORIZONS
from maturity_model.lab.tasks import Say, silent
from maturity_model.lab.validation.baselines import PhaseForecaster, fit_baselines
from maturity_model.lab.validation.cases import TYPICAL, Case, Settings, is_fitted, settings_of
from maturity_model.lab.validation.ceiling import fit_ceiling
from maturity_model.lab.validation.clubs import Club, club_of_tanks, merge_clubs, simulate_clubs
from maturity_model.lab.validation.diagnosis import diagnose
from maturity_model.lab.validation.features import log_features
from maturity_model.lab.validation.forecasters import CEILING, FITS, TOOL
from maturity_model.lab.validation.forecasts import Forecaster, Forecasts, make_forecasts
from maturity_model.lab.validation.permissions import permission_weeks
from maturity_model.lab.validation.results import (
    CaseResult,
    concatenate,
    key_of,
    load,
    population_digest,
    save,
)  # fmt: skip
from maturity_model.lab.validation.scores import forecast_table
from maturity_model.lab.validation.slips import RULES, match_alarms, risk_by_age, risk_table
from maturity_model.lab.validation.time_to_mature import END, NEXT_EVENT, verify_times
from maturity_model.population.types import Population

#: Cases that are also examined for surprises at every check-in, and diagnosed: both are slow.
FULL = ("own", f"mechanistic-{TYPICAL}")
#: Tanks, spread over the clubs, whose every check-in is examined for surprises.
EXAMINED = 40


def score_references(
    tanks: Sequence[Club], training: Sequence[Club], seed: int, say: Say = silent
) -> CaseResult:
    """Score the baselines and the ceiling on some clubs, after training on others."""
    club, other = merge_clubs(tanks), merge_clubs(training)
    log, past = log_features(club), log_features(other)
    truth, catalogue = other.truth.ravel(), club.logbook.catalogue
    phases = tuple(catalogue.phases)
    forecasters: dict[str, PhaseForecaster] = {}
    forecasters |= fit_baselines(past, truth, catalogue, len(phases), seed)
    say("baselines")
    forecasters[CEILING] = ceiling = fit_ceiling(past, truth, len(phases), seed)
    say("ceiling")
    tables = []
    for name, forecast in forecasters.items():
        p = forecast(log).reshape(*club.truth.shape, -1)
        tables.append(forecast_table(name, p, club.truth, club_of_tanks(tanks), phases))
    notes = {"ceiling": f"{ceiling.trees} trees, power {ceiling.power:.2f}"}
    return CaseResult(pd.concat(tables, ignore_index=True), note=notes)


def score_program(
    tanks: Sequence[Club],
    training: Sequence[Club],
    forecaster: Forecaster,
    *,
    full: bool,
    seed: int,
    say: Say = silent,
) -> CaseResult:
    """Score what the program forecasts with one population.

    How many tanks slip back at each age is learned from the training clubs. With ``full``,
    some tanks are also examined for surprises at every check-in, and the world is diagnosed.
    """
    club, name = merge_clubs(tanks), forecaster.name
    examined = -(-EXAMINED // len(tanks)) if full else 0
    stated = Forecasts.concatenate(
        [make_forecasts(c, forecaster, alarms=examined, say=say) for c in tanks]
    )
    asked = club, stated.asked, stated.by_week, seed
    times = [
        verify_times(*asked, until_event=True).assign(until=NEXT_EVENT),
        verify_times(*asked, until_event=False).assign(until=END),
    ]
    alarms = [match_alarms(stated, club.truth, rule) for rule in RULES]
    by_age = risk_by_age(club, merge_clubs(training))
    phases = tuple(club.logbook.catalogue.phases)
    return CaseResult(
        forecast_table(name, stated.phase, club.truth, club_of_tanks(tanks), phases),
        pd.concat(times, ignore_index=True).assign(forecaster=name),
        pd.concat([a for a in alarms if len(a)], ignore_index=True).assign(forecaster=name),
        risk_table(name, stated.risk, by_age, club),
        diagnose(tanks, training, forecaster, say) if full else pd.DataFrame(),
    )


def run(
    chosen: Sequence[Case],
    settings: Settings,
    population: Population,
    folder: Path,
    say: Say = silent,
) -> dict[str, CaseResult]:
    """Score the cases, by name; each is saved in ``folder`` at once, and taken up by a rerun."""
    folder.mkdir(parents=True, exist_ok=True)
    out = {}
    for case in chosen:
        parts = [
            _score_case(case, settings, population, folder, say),
            ask_permissions(case, settings, population, folder, say),
        ]
        if is_fitted(case, settings):
            parts += [_score_fit(case, settings, *fit, folder, say) for fit in FITS]
        out[case.name] = concatenate(parts)
    return out


def ask_permissions(
    case: Case, settings: Settings, population: Population, folder: Path, say: Say = silent
) -> CaseResult:
    """Ask every week of some tanks whether animals are permitted; kept as in :func:`run`."""
    size = settings.clubs, max(settings.permission_tanks, settings.clubs), settings.weeks
    key = key_of("permissions", case, size, settings.seed, population_digest(population))

    def make() -> CaseResult:
        clubs = simulate_clubs(case.world, *size, settings.seed, batch=2, weekly_tests=True)
        asked = permission_weeks(clubs, _tool(case, population))
        return CaseResult(permissions=asked)

    say(f"{case.name}, permissions")
    folder.mkdir(parents=True, exist_ok=True)
    return _on_file(folder / f"{case.name}-permissions-{key}.npz", make, say)


def _tool(case: Case, population: Population) -> Forecaster:
    return Forecaster(TOOL, population, 1.0 if case.group == "own" else population.evidence_weight)


def _versions() -> tuple[str, ...]:
    return tuple(f"{name} {version(name)}" for name in ("scikit-learn", "hmmlearn"))


def _simulate(case: Case, settings: Settings) -> tuple[list[Club], list[Club]]:
    # The clubs that are scored, and those for training.
    s, training = settings_of(case, settings), {"after": max(HORIZONS), "batch": 1}
    return (
        simulate_clubs(case.world, s.clubs, s.tanks, s.weeks, s.seed, after=s.after),
        simulate_clubs(case.world, s.clubs, s.training, s.weeks, s.seed, **training),
    )


def _on_file(path: Path, make: Callable[[], CaseResult], say: Say) -> CaseResult:
    result = load(path)
    if result is None:
        result = make()
        save(result, path)
    else:
        say("  on file")
    return result


def _score_case(
    case: Case, settings: Settings, population: Population, folder: Path, say: Say
) -> CaseResult:
    key = key_of(case, settings_of(case, settings), population_digest(population), _versions())
    tool, full, seed = _tool(case, population), case.name in FULL, settings.seed

    def indented(line: str) -> None:
        say(f"  {line}")

    def make() -> CaseResult:
        clubs = _simulate(case, settings)
        indented("simulated")
        references = score_references(*clubs, seed, indented)
        program = score_program(*clubs, tool, full=full, seed=seed, say=indented)
        note = {"evidence_weight": f"{tool.weight:g}"}
        return concatenate([references, replace(program, note=note)])

    say(case.name)
    return _on_file(folder / f"{case.name}-{key}.npz", make, say)


def _score_fit(
    case: Case, settings: Settings, name: str, judged: float, folder: Path, say: Say
) -> CaseResult:
    from maturity_model.lab.validation import pooled_fit

    fit = pooled_fit.fit_part(settings)
    key = key_of(case, settings_of(case, settings), fit, judged, _versions())

    def make() -> CaseResult:
        learned = pooled_fit.fitted(case.world, settings, judged, folder, lambda m: say(f"  {m}"))
        fitted = Forecaster(name, learned, learned.evidence_weight)
        clubs = _simulate(case, settings)
        result = score_program(*clubs, fitted, full=False, seed=settings.seed, say=say)
        checks = learned.warning or "the fit passed its checks"
        shift = learned.provenance.get("sign_shift_variance", "not known")
        sources = (f"{p} {learned.provenance.get(p)}" for p in ("signs", "moves", "readings"))
        note = (
            f"evidence weight {learned.evidence_weight:g} (variance of tanks’ shifts of signs: "
            f"{shift}); taken: {', '.join(sources)}; {checks}"
        )
        return replace(result, note={name: note})

    say(f"{case.name}, {name}")
    return _on_file(folder / f"{case.name}-fit-{key}.npz", make, say)
