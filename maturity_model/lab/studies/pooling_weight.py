"""Which evidence weight suits tanks that shift their signs by a known spread, in simulated clubs.

The population knows its club's parameters, as one fitted to a large pool would: all that is left
are the tanks' own shifts. Each club gives an estimate of how far its tanks shift their signs
(:attr:`.choose_weight.OneStep.shift_variance`), how well each weight predicts the next
check-in, and, as here the truth is known, how well it finds the phase.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from maturity_model.fitting.handing_on.choose_weight import one_step_ahead
from maturity_model.lab.studies.clubs import World, club_parameters, filtered_phases, make_club
from maturity_model.lab.studies.scores import score
from maturity_model.lab.tasks import Say, run_tasks, silent

#: Shifts of signs (sd of log-odds) and, with them, of analytes (sd of the log level).
SHIFTS = ((0.0, 0.0), (0.35, 0.2), (0.7, 0.4), (1.0, 0.55), (1.2, 0.7), (1.5, 0.85), (1.8, 1.0))
WEIGHTS = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
#: Tanks of each club.
TANKS = 60


def score_club(world: World, number: int, seed: int, weeks: int, tanks: int) -> pd.DataFrame:
    """One club: a row for each weight."""
    club = make_club(seed, number, 1, tanks, weeks, world)
    known = club_parameters(seed, number)
    step = one_step_ahead(club.held_out, known, WEIGHTS, in_fit=False)
    each = [score(filtered_phases(club.held_out, known, w), club.truth) for w in WEIGHTS]
    return pd.DataFrame(
        {
            "sign_effect_sd": world.sign_effect_sd,
            "club": number,
            "shift_variance": step.shift_variance,
            "weight": WEIGHTS,
            "phase_log_score": [s.log_score for s in each],
            "calibration_error": [s.calibration_error for s in each],
            "one_step_score": step.per_checkin(),
        }
    )


def run(
    seed: int,
    weeks: int,
    clubs: int,
    work: Path | None = None,
    processes: int = 1,
    say: Say = silent,
) -> pd.DataFrame:
    """Scores by kind of club and weight, means over ``clubs`` of each, as in ``weights.csv``.

    ``shift_variance`` is that of tanks' shifts as estimated from the log, with its standard
    deviation over clubs; then log score and calibration error of the phase, and the score one
    step ahead.
    """
    worlds = [World(f"shifts of {signs:g}", signs, readings) for signs, readings in SHIFTS]
    tasks = {
        f"{world.name}, club {n + 1}": (world, n, seed + 1, weeks, TANKS)
        for world in worlds
        for n in range(clubs)
    }
    found = run_tasks(score_club, tasks, folder=work, processes=processes, say=say)
    by_kind = pd.concat(found.values()).groupby(["sign_effect_sd", "weight"])
    table = by_kind.mean().drop(columns="club")
    table.insert(1, "shift_variance_sd", by_kind["shift_variance"].std())
    order = ["sign_effect_sd", "shift_variance", "shift_variance_sd", "weight"]
    return table.reset_index()[[*order, *table.columns[2:]]]


def best(table: pd.DataFrame, column: str = "phase_log_score") -> pd.Series:
    """Weight with the best mean score, by spread of the shifts."""
    rows = table.loc[table.groupby("sign_effect_sd")[column].idxmax()]
    return rows.set_index("sign_effect_sd")["weight"]
