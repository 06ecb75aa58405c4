"""Which way a tank goes from look to look, and how far an answer has blurred since the last.

The phase itself may have changed between two looks; so may the answer, without any change of
the tank. Both are given here, each as what it is.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maturity_model._typing import Floats
from maturity_model.assessment.filtering import Tables
from maturity_model.assessment.silence import is_look
from maturity_model.assessment.surprise import before_checkin
from maturity_model.hmm.mixture import FilteredMixture
from maturity_model.hmm.staged import step_lanes
from maturity_model.logbook import CheckIn


@dataclass(frozen=True)
class Course:
    """A tank from the look before the newest one to now.

    Attributes
    ----------
    newest : date
        Day of the newest look.
    before : date or None
        Day of the latest look in an earlier week of the tank; None where there is none, and
        then all that is measured from it is None too.
    answer_before : ndarray, shape (K,), or None
        P(phase in the week of ``before`` | log up to the end of that week), as it was then.
    just_before : ndarray, shape (K,)
        P(phase in the week of the newest look | log before that look): the answer that it met,
        also where another look of the same week came first.
    answer_newest : ndarray, shape (K,)
        P(phase in the week of the newest look | log up to the end of that week).
    later, earlier : float or None
        P(phase now is later, or earlier, than in the week of ``before`` | log up to now).
    blur : float
        Total variation distance between ``answer_newest`` and P(phase now | log up to now):
        the largest difference in the probability of any set of phases.
    """

    newest: dt.date
    before: dt.date | None
    answer_before: Floats | None
    just_before: Floats
    answer_newest: Floats
    later: float | None
    earlier: float | None
    blur: float


def phases_between(mixture: FilteredMixture, week: int) -> Floats:
    """P(phase j in ``week``, phase k in the last week | all observations), shape (K, K)."""
    chain = mixture.chain
    nodes = mixture.node_weight[:, :, -1]
    out = np.empty((chain.n_phases, chain.n_phases))
    for phase in range(chain.n_phases):
        # Only the paths that are in this phase in `week`.
        lanes = np.where(chain.phase_of[:, None] == phase, mixture.filtered[:, :, week], 0.0)
        for t in range(week, len(mixture.moves)):
            seen = mixture.emission[t + 1].swapaxes(0, 1)
            scale = mixture.scale[:, :, t + 1]
            inverse = 1.0 / np.where(scale > 0, scale, 1.0)
            lanes = step_lanes(lanes, mixture.moves[t], chain) * seen * inverse[:, :, None]
        by_draw = chain.by_phase(np.einsum("pqd,pqsd->sd", nodes, lanes), axis=0)
        out[phase] = by_draw @ mixture.draw_weight[-1]
    return out


def total_variation(p: Floats, q: Floats) -> float:
    """Half the sum of absolute differences of two distributions, shape (K,) each."""
    return float(0.5 * np.abs(p - q).sum())


def course_of(
    tables: Tables, n: int, mixture: FilteredMixture, checkins: Sequence[CheckIn]
) -> Course | None:
    """Follow tank n from look to look (``checkins`` by date); None where nobody has looked yet."""
    looks = [(at, c) for at, c in enumerate(checkins) if is_look(c)]
    if not looks:
        return None
    started = tables.panel.tanks[n].started
    at, newest = looks[-1]
    week = (newest.date - started).days // 7
    filtered = mixture.phases()
    joint = before_checkin(tables, n, mixture, week, at)
    earlier_look = next(
        (c for _, c in reversed(looks) if (c.date - started).days // 7 < week), None
    )
    answer_before = later = earlier = None
    if earlier_look is not None:
        week_before = (earlier_look.date - started).days // 7
        moved = phases_between(mixture, week_before)
        answer_before = filtered[week_before]
        later, earlier = float(np.triu(moved, 1).sum()), float(np.tril(moved, -1).sum())
    return Course(
        newest=newest.date,
        before=earlier_look.date if earlier_look else None,
        answer_before=answer_before,
        just_before=np.clip(mixture.chain.by_phase(joint.sum(axis=(1, 2))), 0.0, 1.0),
        answer_newest=filtered[week],
        later=later,
        earlier=earlier,
        blur=total_variation(filtered[week], filtered[-1]),
    )
