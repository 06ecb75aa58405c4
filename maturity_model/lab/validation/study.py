"""One case from simulation to scores, and all of them with what is on file taken up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from maturity_model._typing import Bools, Floats, Ints
from maturity_model.assessment.filtering import HORIZONS
from maturity_model.lab.studies.baselines import frequencies
from maturity_model.lab.validation import features as log_features
from maturity_model.lab.validation.cases import TYPICAL, Case, Settings, is_fitted, size_of
from maturity_model.lab.validation.ceiling import teach_ceiling
from maturity_model.lab.validation.clubs import Club, merged, simulate_clubs
from maturity_model.lab.validation.diagnosis import diagnose
from maturity_model.lab.validation.forecasts import Forecaster, Stated, state
from maturity_model.lab.validation.judges import BASELINES, cells, teach
from maturity_model.lab.validation.maturing import next_event, outcomes
from maturity_model.lab.validation.results import (
    CaseResult,
    key_of,
    load,
    population_digest,
    save,
)
from maturity_model.lab.validation.slips import WAYS, notice
from maturity_model.lab.validation.sums import sums_of
from maturity_model.population.types import Population

Say = Callable[[str], None]

#: Names of the judges that are not baselines.
TOOL, CEILING = "tool", "ceiling"
FITTED, FITTED_JUDGED = "tool, fitted", "tool, fitted with judgements"
#: Cases that are also asked for the surprises of every check-in, and for causes: both are slow.
FULL = ("own", f"mechanistic-{TYPICAL}")
#: The pooled fits: name, and share of the tanks whose keeper judges the phase.
FITS = ((FITTED, 0.0), (FITTED_JUDGED, 0.2))
#: Tanks, spread over the clubs, whose every check-in is asked for surprises.
ALARMED = 40
#: Parts of the range of a risk.
PARTS = 150


def _slipping(club: Club, horizon: int) -> tuple[Bools, Bools]:
    # Whether a tank slips back within the next weeks, and whether that week is scored.
    truth = club.followed
    (n, follow), w = truth.shape, club.weeks
    happened, scored = np.zeros((n, w), dtype=bool), np.zeros((n, w), dtype=bool)
    events = next_event(club)
    for t in range(min(w, follow - horizon)):
        ahead = truth[:, t + 1 : t + 1 + horizon]
        happened[:, t] = (ahead < truth[:, t : t + 1]).any(axis=1)
        followed = (ahead >= 0).all(axis=1) & (truth[:, t] >= 0)
        scored[:, t] = followed & (events[:, t] > t + horizon)
    return happened, scored


def _risk_sums(p: Floats, age: Floats, happened: Bools, scored: Bools) -> Floats:
    out = np.zeros((len(p), 5, PARTS))
    for i in range(len(p)):
        on = scored[i]
        place = np.minimum((p[i, on] * PARTS).astype(int), PARTS - 1)
        weights = (np.ones(on.sum()), p[i, on], happened[i, on].astype(float))
        for j, weight in enumerate(weights):
            out[i, j] = np.bincount(place, weight, minlength=PARTS)
        out[i, 3, 0] = ((p[i, on] - happened[i, on]) ** 2).sum()
        out[i, 4, 0] = ((age[i, on] - happened[i, on]) ** 2).sum()
    return out


def _clubs(tanks: Sequence[Club]) -> Ints:
    sizes = np.array([len(c.truth) for c in tanks], dtype=np.int64)
    return np.repeat(np.arange(len(tanks)), sizes)


def score_case(
    tanks: Sequence[Club],
    training: Sequence[Club],
    forecasters: Sequence[Forecaster],
    *,
    full: bool,
    seed: int,
    say: Say = lambda _: None,
) -> CaseResult:
    """Score everybody on the same logs.

    Parameters
    ----------
    tanks : sequence of Club
        Scored.
    training : sequence of Club
        Other clubs of the same world: what the baselines and the ceiling learn from.
    forecasters : sequence of Forecaster
    full : bool
        Also the surprises of every check-in, and the diagnosis.
    seed : int
    say : callable
        Told about progress.
    """
    club, taught = merged(tanks), merged(training)
    result = CaseResult(_clubs(tanks))
    log, past = log_features.tank_weeks(club), log_features.tank_weeks(taught)
    catalogue = club.logbook.catalogue
    phases = len(catalogue.phases)
    judges = teach(past, taught.truth, catalogue, phases, seed)
    for name in BASELINES:
        result.sums[name] = sums_of(judges[name](log), club.truth)
    say("baselines")
    ceiling = teach_ceiling(past, taught.truth, phases, seed)
    result.sums[CEILING] = sums_of(ceiling(log), club.truth)
    result.notes["ceiling"] = f"{ceiling.trees} trees, power {ceiling.power:.2f}"
    say("ceiling")
    score_forecasters(result, tanks, training, forecasters, alarms=full, seed=seed, say=say)
    if full:
        result.diagnosis = diagnose(tanks, training, forecasters[0], say)
    return result


def score_forecasters(
    result: CaseResult,
    tanks: Sequence[Club],
    training: Sequence[Club],
    forecasters: Sequence[Forecaster],
    *,
    alarms: bool,
    seed: int,
    say: Say = lambda _: None,
) -> None:
    """Add what the program states with each population to a result.

    Parameters
    ----------
    result : CaseResult
    tanks, training, forecasters, seed, say
        See :func:`score_case`.
    alarms : bool
        Ask some of the tanks for surprises, with the first of the populations.
    """
    club = merged(tanks)
    age = _risk_by_age(tanks, training)
    for forecaster in forecasters:
        asked = -(-ALARMED // len(tanks)) if alarms and forecaster is forecasters[0] else 0
        stated = [state(c, forecaster, alarms=asked, say=say) for c in tanks]
        whole = _together(stated, [len(c.truth) for c in tanks])
        name = forecaster.name
        result.sums[name] = sums_of(whole.phase, club.truth)
        for quiet, into in ((False, result.matured), (True, result.matured_quiet)):
            into[name] = outcomes(club, whole.asked, whole.by_week, seed, quiet=quiet)
        for way in WAYS:
            result.noticed[name, way] = notice(whole, club.truth, way)
        for i, h in enumerate(HORIZONS):
            happened, scored = _slipping(club, h)
            result.risk[name, h] = _risk_sums(whole.risk[:, :, i], age[h], happened, scored)


def _risk_by_age(tanks: Sequence[Club], training: Sequence[Club]) -> dict[int, Floats]:
    # Share that slips back, by age, within each horizon.
    club, taught = merged(tanks), merged(training)
    log, past = log_features.tank_weeks(club), log_features.tank_weeks(taught)
    cell, own = cells(past, "age", ()), cells(log, "age", ())
    age = {}
    for h in HORIZONS:
        happened, scored = _slipping(taught, h)
        table = frequencies(
            cell[scored], happened[scored][:, None], int(max(cell.max(), own.max())) + 1
        )
        age[h] = table[own][:, :, 0]
    return age


def _together(stated: Sequence[Stated], sizes: Sequence[int]) -> Stated:
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    return Stated(
        np.concatenate([s.phase for s in stated]),
        np.concatenate([s.risk for s in stated]),
        np.concatenate([s.slipped for s in stated]),
        np.concatenate([s.alarm for s in stated]),
        np.concatenate([s.asked + np.array([at, 0]) for s, at in zip(stated, starts, strict=True)]),
        np.concatenate([s.by_week for s in stated]),
    )


def run(
    chosen: Sequence[Case],
    settings: Settings,
    population: Population,
    folder: Path,
    say: Say = lambda _: None,
) -> dict[str, CaseResult]:
    """Score the cases; each is saved in ``folder`` as it finishes, and taken up by a rerun.

    Parameters
    ----------
    chosen : sequence of Case
    settings : Settings
    population : Population
    folder : Path
    say : callable
        Told about progress.

    Returns
    -------
    dict of str to CaseResult
        By name of the case.

    Raises
    ------
    MissingPackage
        Without scikit-learn or hmmlearn.
    OSError
        When a result cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    out = {}
    for case in chosen:
        out[case.name] = _case(case, settings, population, folder, say)
        if not is_fitted(case, settings):
            continue
        for name, judged in FITS:
            found = _fit(case, settings, judged, name, folder, say)
            for part in ("sums", "matured", "matured_quiet", "noticed", "risk", "notes"):
                getattr(out[case.name], part).update(getattr(found, part))
    return out


def _versions() -> tuple[str, ...]:
    from maturity_model.lab.validation.optional import PACKAGES, need

    return tuple(f"{m} {need(m).__version__}" for m in PACKAGES)


def _worlds(case: Case, settings: Settings) -> tuple[list[Club], list[Club]]:
    # The tanks that are scored, and those that others are taught with.
    s = size_of(case, settings)
    tanks = simulate_clubs(case.world, s.clubs, s.tanks, s.weeks, s.seed, after=s.after)
    training = simulate_clubs(
        case.world, s.clubs, s.training, s.weeks, s.seed, after=max(HORIZONS), batch=1
    )
    return tanks, training


def _kept(path: Path, make: Callable[[], CaseResult], say: Say) -> CaseResult:
    found = load(path)
    if found is not None:
        say("  on file")
        return found
    found = make()
    save(found, path)
    return found


def _case(
    case: Case, settings: Settings, population: Population, folder: Path, say: Say
) -> CaseResult:
    key = key_of((case, size_of(case, settings), population_digest(population), _versions()))
    weight = 1.0 if case.group == "own" else population.evidence_weight

    def make() -> CaseResult:
        tanks, training = _worlds(case, settings)
        say("  simulated")
        forecasters = [Forecaster(TOOL, population, weight)]
        full, seed = case.name in FULL, settings.seed
        result = score_case(
            tanks, training, forecasters, full=full, seed=seed, say=lambda m: say(f"  {m}")
        )
        result.notes["evidence_weight"] = f"{weight:g}"
        return result

    say(case.name)
    return _kept(folder / f"{case.name}-{key}.npz", make, say)


def _fit(
    case: Case, settings: Settings, judged: float, name: str, folder: Path, say: Say
) -> CaseResult:
    from maturity_model.lab.validation.pooled import fit_part, fitted

    parts = (case, size_of(case, settings), fit_part(settings), judged, _versions())
    path = folder / f"{case.name}-fit-{key_of(parts)}.npz"

    def make() -> CaseResult:
        learned = fitted(case.world, settings, judged, folder, lambda m: say(f"  {m}"))
        tanks, training = _worlds(case, settings)
        result = CaseResult(_clubs(tanks))
        forecasters = [Forecaster(name, learned, learned.evidence_weight)]
        score_forecasters(
            result, tanks, training, forecasters, alarms=False, seed=settings.seed, say=say
        )
        checks = learned.warning or "the fit passed its checks"
        shift = learned.provenance.get("sign_shift_variance", "not told")
        sources = (f"{p} {learned.provenance.get(p)}" for p in ("signs", "moves", "readings"))
        taken = ", ".join(sources)
        result.notes[name] = (
            f"evidence weight {learned.evidence_weight:g} (variance of tanks’ shifts of signs: "
            f"{shift}); taken: {taken}; {checks}"
        )
        return result

    say(f"{case.name}, {name}")
    return _kept(path, make, say)
