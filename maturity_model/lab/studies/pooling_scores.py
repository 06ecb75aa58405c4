"""How well each way of pooling finds the phases of further tanks.

Needs the extra ``fit``, with nutpie. Each fit takes minutes and is kept, with its scores, in a
folder: an interrupted study goes on where it stopped.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from maturity_model.fitting.handing_on.choose_weight import one_step_ahead
from maturity_model.fitting.handing_on.hand_on import hand_on, with_practice_moves
from maturity_model.lab.studies.clubs import PooledClub, filtered_phases, make_club
from maturity_model.lab.studies.pooling_fits import WAYS, fitted, thinned
from maturity_model.lab.studies.scores import log_scores, score
from maturity_model.lab.studies.settings import Pooling
from maturity_model.lab.tasks import Say, digest, keep
from maturity_model.lab.validation.results import population_digest
from maturity_model.panel import Panel
from maturity_model.population.constants import DEFAULT_WAY
from maturity_model.population.elicit import elicit_population
from maturity_model.population.types import Population

#: Weights with which held-out tanks are filtered; and draws that are mixed over.
WEIGHTS, DRAWS = (0.4, 0.55, 0.7, 0.85, 1.0), 128
#: The default population, and the weight that it is used with.
PRACTICE, PRACTICE_WEIGHT = "practice", 0.4
#: What is taken of a fit: how tanks move put back to practice or not; or what ``fit`` hands on,
#: which is only looked at for the way that ``fit`` goes.
ALL, PRACTICE_MOVES, AS_USED = "", "moves of practice", "as fit uses it"
#: Resamplings of tanks within clubs, and the points that are reported.
RESAMPLED, ENDS = 2000, (0.025, 0.975)
#: What tells ways apart.
KEY = ["way", "judged", "taken"]


def _digest(population: Population, panel: Panel, *more: object) -> str:
    log = panel.logbook.sha256, panel.as_of, panel.signs.code.tobytes(), panel.first.tobytes()
    return digest(population_digest(population), log, more)


def _choice(panel: Panel, population: Population, folder: Path) -> tuple[float, float]:
    # The weight that the pool chooses, and how far it says that tanks shift their signs.
    def make() -> pd.DataFrame:
        found = one_step_ahead(panel, population, (0.4, 1.0))
        return pd.DataFrame([{"weight": found.weight, "variance": found.shift_variance}])

    name = f"choice-{_digest(population, panel, population.evidence_weight)}.npz"
    return tuple(keep(folder / name, make).iloc[0])


def _score(club: PooledClub, population: Population, weight: float, folder: Path) -> pd.DataFrame:
    # Log score of each held-out tank, summed over its weeks; the error is that of all.
    def make() -> pd.DataFrame:
        phases = filtered_phases(club.held_out, population, weight)
        by_tank = np.add.reduceat(log_scores(phases, club.truth), club.held_out.first[:-1])
        error = score(phases, club.truth).calibration_error
        weeks = np.diff(club.held_out.first)
        return pd.DataFrame({"calibration_error": error, "log_score": by_tank, "weeks": weeks})

    return keep(
        folder / f"score-{_digest(population, club.held_out, club.number, weight)}.npz", make
    )


def _at_all_weights(
    club: PooledClub, key: tuple[str, bool, str], population: Population, chosen: float,
    variance: float, folder: Path,
) -> Iterator[pd.DataFrame]:  # fmt: skip
    for weight in sorted({*WEIGHTS, chosen}):
        about = {"club": club.number + 1, **dict(zip(KEY, key, strict=True)), "weight": weight}
        about |= {"chosen": weight == chosen, "shift_variance": variance}
        yield _score(club, population, weight, folder).assign(**about).rename_axis("tank")


def score_ways(setting: Pooling, folder: Path, say: Say) -> pd.DataFrame:
    """Fit every way to every club's pool, and score the club's further tanks.

    A row for each held-out tank under each population and weight: ``club``, ``way``, ``judged``,
    ``taken``, ``weight``, whether the pool ``chosen`` it, the ``shift_variance`` that the pool
    tells (missing for practice), ``log_score`` summed over the tank's ``weeks``, and the
    ``calibration_error`` of all tanks. Practice comes first in each club.
    """
    parts: list[pd.DataFrame] = []
    for number in range(setting.clubs):
        club = make_club(setting.seed, number, setting.pool, setting.tanks, setting.weeks)
        practice = elicit_population(club.held_out.catalogue, PRACTICE_WEIGHT)
        key = PRACTICE, False, ALL
        weight = PRACTICE_WEIGHT, np.nan
        parts += _at_all_weights(club, key, thinned(practice, DRAWS), *weight, folder)
        for way in WAYS:
            whole = thinned(fitted(club, setting, way, folder, say), DRAWS)
            pool = club.judged if way.judged else club.unjudged
            variants = {ALL: whole, PRACTICE_MOVES: with_practice_moves(whole, pool.catalogue)}
            if way.name == DEFAULT_WAY:
                variants[AS_USED] = hand_on(whole, pool, choose=True)
            for taken, population in variants.items():
                chosen = population.evidence_weight, np.nan
                if taken != AS_USED:
                    chosen = _choice(pool, population, folder)
                key = way.name, way.judged, taken
                parts += _at_all_weights(club, key, population, *chosen, folder)
                say(f"club {number + 1}, {label(*key)}: weight {chosen[0]:g}")
    return pd.concat(parts).reset_index()


def label(way: str, judged: bool, taken: str) -> str:
    """A way's name."""
    return ", ".join([way, *(["judged"] if judged else []), *([taken] if taken else [])])


def by_club(tanks: pd.DataFrame) -> pd.DataFrame:
    """Scores by club, way and weight, as in ``scores.csv``; the log score is of a tank-week."""
    each = tanks.groupby(["club", *KEY, "weight"], sort=False)
    table = each.agg(
        chosen=("chosen", "first"),
        shift_variance=("shift_variance", "first"),
        tank_weeks=("weeks", "sum"),
        log_score=("log_score", "sum"),
        calibration_error=("calibration_error", "first"),
    )
    table["log_score"] /= table["tank_weeks"]
    return table.reset_index()


def differences(tanks: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Mean log score of a tank-week less that of practice, over clubs, as in ``differences.csv``.

    At the weights that the pools chose; ``low`` to ``high`` is the central 95 % of a bootstrap that
    draws tanks within clubs.
    """
    at = tanks[tanks["chosen"]]
    practice = at[at["way"] == PRACTICE].set_index(["club", "tank"])["log_score"]
    rows = []
    for key, own in at[at["way"] != PRACTICE].groupby(KEY, sort=False):
        rng, means = np.random.default_rng(seed), []
        for _, club in own.groupby("club"):
            base = practice.loc[pd.MultiIndex.from_frame(club[["club", "tank"]])]
            gain, weeks = club["log_score"].to_numpy() - base.to_numpy(), club["weeks"].to_numpy()
            drawn = rng.integers(len(gain), size=(RESAMPLED, len(gain)))
            every = np.concatenate([np.arange(len(gain))[None], drawn])
            means.append(gain[every].sum(axis=1) / weeks[every].sum(axis=1))
        mean = np.mean(means, axis=0)
        low, high = np.quantile(mean[1:], ENDS)
        rows.append((*key, mean[0], low, high))
    return pd.DataFrame(rows, columns=[*KEY, "mean", "low", "high"])
