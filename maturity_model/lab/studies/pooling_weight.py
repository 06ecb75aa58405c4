"""Which evidence weight suits tanks that shift their signs so far, in simulated clubs.

The population knows its club's parameters, as one fitted to a large pool would: what is left
is only what tanks have of their own. Each club tells how far its tanks shift their signs
(:meth:`.choose_weight.OneStep.shift_variance`), how well each weight predicts the next
check-in, and, as here the truth is known, how well it finds the phase.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from maturity_model import __version__
from maturity_model._typing import Floats, Ints
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.fitting.handing_on.choose_weight import one_step_ahead
from maturity_model.lab.studies.pooling_worlds import Setting, club_parameters, make_club
from maturity_model.lab.studies.scores import Score, score
from maturity_model.panel import Panel
from maturity_model.population.types import Population
from maturity_model.whole_files import new_file

#: Shifts of signs (sd of log-odds) and, with them, of analytes (sd of the log level).
SHIFTS = ((0.0, 0.0), (0.35, 0.2), (0.7, 0.4), (1.0, 0.55), (1.2, 0.7), (1.5, 0.85), (1.8, 1.0))
WEIGHTS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
#: Clubs of each kind, and tanks of each.
CLUBS, TANKS = 12, 60


@dataclass(frozen=True)
class Kind:
    """Clubs whose tanks shift their signs by the same spread.

    Attributes
    ----------
    sign_effect_sd : float
    found : ndarray, shape (C,)
        Shift variance as told by each club.
    one_step, phase, calibration : ndarray, shape (C, W)
        Score of a check-in one step ahead; log score and calibration error of the phase.
    """

    sign_effect_sd: float
    found: Floats
    one_step: Floats
    phase: Floats
    calibration: Floats

    def best(self) -> float:
        """Weight with the best mean log score of the phase."""
        return WEIGHTS[int(self.phase.mean(axis=0).argmax())]

    def best_one_step(self) -> float:
        """Weight with the best mean score one step ahead."""
        return WEIGHTS[int(self.one_step.mean(axis=0).argmax())]


def kept(path: Path, make: Callable[[], dict[str, Floats]]) -> dict[str, Floats]:
    """Arrays from a file; made, and written there, where it is missing."""
    if path.is_file():
        with np.load(path, allow_pickle=False) as file:
            return {name: file[name] for name in file.files}
    found = make()
    path.parent.mkdir(parents=True, exist_ok=True)
    with new_file(path) as part, part.open("wb") as file:
        np.savez(file, **found)  # type: ignore[arg-type]
    return found


def filtered(panel: Panel, population: Population, weight: float) -> Floats:
    """P(phase | log up to each week) of all tanks, shape (R, K)."""
    tables = make_tables(panel, population, weight)
    return np.concatenate([filter_tank(tables, n)[0].phases() for n in range(len(panel.tanks))])


def phase_score(
    panel: Panel, truth: Ints, population: Population, weight: float
) -> tuple[Score, Floats]:
    """Scores of the filtered phase, and the log score of each tank summed over its weeks."""
    found = filtered(panel, population, weight)
    hit = np.log(np.maximum(found[np.arange(len(found)), truth], 1e-12))
    return score(found, truth), np.add.reduceat(hit, panel.first[:-1])


def run(
    seed: int,
    weeks: int,
    folder: Path,
    say: Callable[[str], None] = lambda _: None,
    clubs: int = CLUBS,
    tanks: int | None = None,
) -> tuple[Kind, ...]:
    """Scores by kind of club and weight.

    Parameters
    ----------
    seed, weeks : int
    folder : Path
        Keeps what was found.
    say : callable
        Told about progress.
    clubs, tanks : int
        Clubs of each kind, tanks of each club.
    """
    out = []
    for signs, readings in SHIFTS:
        setting = Setting(
            pool=1, held_out=TANKS if tanks is None else tanks, weeks=weeks, seed=seed + 1,
            sign_effect_sd=signs, reading_effect_sd=readings,
        )  # fmt: skip
        key = hashlib.sha256(repr((setting, clubs, WEIGHTS, __version__)).encode()).hexdigest()
        found = kept(folder / f"kind-{key[:24]}.npz", lambda s=setting: _kind(s, clubs))  # type: ignore[misc]
        kind = Kind(signs, **found)
        out.append(kind)
        say(
            f"shifts {signs:g}: told {kind.found.mean():.3f} ± {kind.found.std():.3f}, "
            f"best weight {kind.best():g}, one step ahead {kind.best_one_step():g}"
        )
    return tuple(out)


def _kind(setting: Setting, clubs: int) -> dict[str, Floats]:
    told, ahead, phase, error = [], [], [], []
    for number in range(clubs):
        club = make_club(setting, number)
        known = club_parameters(setting, number)
        step = one_step_ahead(club.held_out, known, WEIGHTS, in_fit=False)
        told.append(step.shift_variance())
        ahead.append(step.per_checkin())
        each = [phase_score(club.held_out, club.truth, known, w)[0] for w in WEIGHTS]
        phase.append([s.log_score for s in each])
        error.append([s.calibration_error for s in each])
    names = ("found", "one_step", "phase", "calibration")
    return {n: np.array(x) for n, x in zip(names, (told, ahead, phase, error), strict=True)}


def curve(kinds: tuple[Kind, ...]) -> tuple[tuple[float, float], ...]:
    """Weight by shift variance told: the best of each kind, never rising with it."""
    points: list[tuple[float, float]] = []
    for kind in kinds:
        least = min((w for _, w in points), default=1.0)
        points.append((round(float(kind.found.mean()), 2), min(kind.best(), least)))
    return tuple(points)
