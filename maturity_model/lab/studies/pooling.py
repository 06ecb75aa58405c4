"""Whether a pooled fit finds the phases of further tanks better, by way of pooling.

Needs the extra ``fit``, with nutpie. Each fit takes minutes and is kept, with its scores, in a
folder: an interrupted study goes on where it stopped.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from maturity_model._typing import Floats
from maturity_model.fitting.handing_on.choose_weight import choose_weight
from maturity_model.fitting.handing_on.hand_on import hand_on, with_practice_moves
from maturity_model.lab.studies.pooling_fits import Way, fitted
from maturity_model.lab.studies.pooling_weight import kept, phase_score
from maturity_model.lab.studies.pooling_worlds import Club, Setting, make_club
from maturity_model.panel import Panel
from maturity_model.population.constants import DEFAULT_WAY
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import DIMS, Population, take_draws

_JUDGED = {"judged": True, "judgement_weight": 1.0}
#: Ways that are fitted; every other one is made of these.
WAYS = (
    Way("whole"),
    Way("whole", **_JUDGED),  # type: ignore[arg-type]
    Way("weight 1", weight=1.0),
    Way("weight 1", weight=1.0, **_JUDGED),  # type: ignore[arg-type]
    Way("held", hold=0.5),
    Way("held", hold=0.5, **_JUDGED),  # type: ignore[arg-type]
    Way("cut", cut="practice"),
    Way("cut", cut="practice", **_JUDGED),  # type: ignore[arg-type]
    Way("tank signs", weight=1.0, tank_signs=True),
    Way("tank signs", weight=1.0, tank_signs=True, **_JUDGED),  # type: ignore[arg-type]
    Way("judgements weighed", judged=True),
)
#: Weights with which held-out tanks are filtered; and draws that are mixed over.
WEIGHTS, DRAWS = (0.4, 0.55, 0.7, 0.85, 1.0), 128
#: The default population, and the weight that it is used with.
PRACTICE, PRACTICE_WEIGHT = "practice", 0.4
#: What is taken of a fit; the last only of the way that ``fit`` goes.
ALL, SIGNS_AND_READINGS, AS_USED = "", "moves of practice", "as fit uses it"
CLUBS = 2


@dataclass(frozen=True)
class Scored:
    """Held-out tanks of one club under one population and weight.

    Attributes
    ----------
    club : int
    way : str
    judged : bool
    taken : {'', 'moves of practice', 'as fit uses it'}
        What was put back to practice once everything was fitted: nothing, how tanks move, or
        what :func:`.hand_on.hand_on` puts back.
    weight : float
    chosen : bool
        Whether the pool chose this weight.
    shift_variance : float
        As the pool told it; NaN for practice.
    log_score : ndarray, shape (N,)
        Of each tank, summed over its weeks.
    weeks : int ndarray, shape (N,)
    calibration_error : float
    """

    club: int
    way: str
    judged: bool
    taken: str
    weight: float
    chosen: bool
    shift_variance: float
    log_score: Floats
    weeks: np.ndarray
    calibration_error: float

    @property
    def mean(self) -> float:
        """Mean log score of a tank-week."""
        return float(self.log_score.sum() / self.weeks.sum())


def _digest(population: Population, panel: Panel, *more: object) -> str:
    digest = hashlib.sha256(repr((panel.logbook.sha256, more, panel.as_of)).encode())
    for part in (*(getattr(population, name) for name in DIMS), panel.signs.code, panel.first):
        digest.update(np.ascontiguousarray(part).tobytes())
    return digest.hexdigest()[:24]


def _thinned(population: Population) -> Population:
    index = np.linspace(0, population.n_draws - 1, min(DRAWS, population.n_draws))
    return take_draws(population, np.unique(index.round().astype(np.int64)))


def _choice(panel: Panel, population: Population, folder: Path) -> tuple[float, float]:
    def make() -> dict[str, Floats]:
        found = choose_weight(panel, population, (0.4, 1.0))
        return {"found": np.array([found.weight, found.shift_variance])}

    name = f"choice-{_digest(population, panel, population.evidence_weight)}.npz"
    weight, variance = kept(folder / name, make)["found"]
    return float(weight), float(variance)


def _score(club: Club, population: Population, weight: float, folder: Path) -> tuple[Floats, float]:
    def make() -> dict[str, Floats]:
        whole, by_tank = phase_score(club.held_out, club.truth, population, weight)
        return {"by_tank": by_tank, "error": np.array(whole.calibration_error)}

    name = f"score-{_digest(population, club.held_out, club.number, weight)}.npz"
    found = kept(folder / name, make)
    return found["by_tank"], float(found["error"])


def _of_population(
    club: Club, way: Way, taken: str, population: Population, chosen: tuple[float, float],
    folder: Path,
) -> Iterator[Scored]:  # fmt: skip
    weeks = np.diff(club.held_out.first)
    for weight in sorted({*WEIGHTS, chosen[0]}):
        by_tank, error = _score(club, population, weight, folder)
        yield Scored(
            club.number, way.name, way.judged, taken, weight, weight == chosen[0], chosen[1],
            by_tank, weeks, error,
        )  # fmt: skip


def run(
    setting: Setting,
    clubs: int,
    folder: Path,
    say: Callable[[str], None] = lambda _: None,
    ways: tuple[Way, ...] | None = None,
    *,
    only_kept: bool = False,
) -> list[Scored]:
    """Fit every way to every club's pool, and score the club's further tanks.

    Parameters
    ----------
    setting : Setting
    clubs : int
    folder : Path
        Keeps fits and scores.
    say : callable
        Told about progress.
    ways : tuple of Way, optional
        Default: :data:`WAYS`.
    only_kept : bool
        Fit nothing: score what is in the folder.

    Returns
    -------
    list of Scored
        Practice comes first in each club.
    """
    out: list[Scored] = []
    for number in range(clubs):
        club = make_club(setting, number)
        practice = _thinned(elicit_population(club.held_out.catalogue, PRACTICE_WEIGHT))
        fixed = PRACTICE_WEIGHT, float("nan")
        out += _of_population(club, Way(PRACTICE), ALL, practice, fixed, folder)
        for way in WAYS if ways is None else ways:
            found = fitted(club, setting, way, folder, say, only_kept=only_kept)
            if found is None:
                continue
            pool = club.judged if way.judged else club.unjudged
            whole = _thinned(found)
            for taken in (ALL, SIGNS_AND_READINGS, AS_USED):
                if taken == AS_USED:
                    if way.name != DEFAULT_WAY:
                        continue
                    population = hand_on(whole, pool, choose=True)
                    chosen = population.evidence_weight, float("nan")
                else:
                    back = taken == SIGNS_AND_READINGS
                    population = with_practice_moves(whole, pool.catalogue) if back else whole
                    chosen = _choice(pool, population, folder)
                each = list(_of_population(club, way, taken, population, chosen, folder))
                out += each
                at = next(s for s in each if s.chosen)
                say(
                    f"club {number + 1}, {way.name}{', judged' if way.judged else ''}"
                    f"{', ' if taken else ''}{taken}: weight {at.weight:g}, "
                    f"log score {at.mean:.4f}"
                )
    return out


def difference(
    scored: list[Scored], base: list[Scored], seed: int, repeats: int = 2000
) -> tuple[float, float, float]:
    """Mean log score of a tank-week less that of the base, over clubs.

    Parameters
    ----------
    scored, base : list of Scored
        One of each club, in the same order.
    seed : int
    repeats : int
        Of the bootstrap, which draws tanks within clubs.

    Returns
    -------
    mean, low, high : float
        With the bootstrap's central 95 %.
    """
    rng = np.random.default_rng(seed)
    each = []
    for a, b in zip(scored, base, strict=True):
        gain = a.log_score - b.log_score
        at = rng.integers(len(gain), size=(repeats, len(gain)))
        means = np.concatenate([[gain.sum() / a.weeks.sum()], gain[at].sum(1) / a.weeks[at].sum(1)])
        each.append(means)
    mean = np.mean(each, axis=0)
    low, high = np.quantile(mean[1:], [0.025, 0.975])
    return float(mean[0]), float(low), float(high)


def of_way(
    rows: list[Scored], way: str, judged: bool, taken: str, weight: float | None = None
) -> list[Scored]:
    """Rows of a way, one of each club: at a weight, or at the weight that the pool chose."""
    return [
        r
        for r in rows
        if (r.way, r.judged, r.taken) == (way, judged, taken)
        and (r.chosen if weight is None else r.weight == weight)
    ]


def practice_of(rows: list[Scored], clubs: list[int]) -> list[Scored]:
    """Practice at its own weight, in these clubs."""
    found = {r.club: r for r in of_way(rows, PRACTICE, False, ALL)}
    return [found[c] for c in clubs]
