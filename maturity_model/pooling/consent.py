"""Who said no: a refused tank takes with it every tank that could be the same one.

Two logs are merged only where their entries prove one tank; for a refusal it is enough that
they could be of one. A tank left out for nothing costs the pool little, one let in against
its keeper's word cannot be taken back.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np

from maturity_model.identity import look_alike, skeletons
from maturity_model.pooling.duplicates import ALIKE_SHARE, MIN_ANSWERS
from maturity_model.pooling.logbook_arrays import LogbookArrays

#: Starts this many days apart may be one start, written down twice.
_NEAR_START = 31
#: Answers alike, and days with such answers, from which tanks of a near start could be one. In
#: simulated clubs of 40 tanks that all began on one day, a refusal takes 3 of 80 others along.
_FEW_ANSWERS, _FEW_DAYS = 3, 2


def refused_tanks(arrays: LogbookArrays) -> set[int]:
    """Find the tanks that refuse consent, and all that could be one of them.

    A tank could be a refused one of another logbook if its name and keeper look alike
    (where a keeper is not named, if they began within a month of each other), if their
    answers on the same days are nearly all alike, or if the refused one has no check-in
    to compare, the keepers look alike, and they began within a month of each other.
    """
    said_no = [n for n in range(len(arrays.tanks)) if arrays.says_no(n)]
    return {
        *said_no,
        *_named_alike(arrays, said_no),
        *(other for n in said_no for other in _entered_alike(arrays, n)),
        *_begun_alike(arrays, said_no),
    }


def _named_alike(arrays: LogbookArrays, said_no: list[int]) -> Iterator[int]:
    refusals: list[tuple[str, str, dt.date | None, int]] = []
    for n in said_no:
        tank = arrays.tanks[n]
        refusals.append((tank.name, tank.keeper, tank.started, arrays.book[n]))
    for b, book in enumerate(arrays.books):
        # Rows that could not be used.
        refusals += [(name, keeper, None, b) for name, keeper in book.consent_refused]
    if not refusals:
        return
    named = _by_shape(tank.name for tank in arrays.tanks)
    for name, keeper, started, own_book in refusals:
        for n in (n for s in skeletons(name) for n in named[s]):
            tank = arrays.tanks[n]
            if keeper and tank.keeper:
                same = look_alike(keeper, tank.keeper)
            else:
                same = started is None or _near(started, tank.started)
            if same and arrays.book[n] != own_book:
                yield n


def _begun_alike(arrays: LogbookArrays, said_no: list[int]) -> Iterator[int]:
    """Find tanks that one keeper began when a refused tank began that has no check-ins."""
    without = [n for n in said_no if arrays.tanks[n].keeper and not arrays.has_checkins(n)]
    if not without:
        return
    kept = _by_shape(tank.keeper for tank in arrays.tanks)
    for n in without:
        refused = arrays.tanks[n]
        for other in (n for s in skeletons(refused.keeper) for n in kept[s]):
            near = _near(refused.started, arrays.tanks[other].started)
            if near and arrays.book[other] != arrays.book[n]:
                yield other


def _by_shape(names: Iterable[str]) -> dict[str, list[int]]:
    """Tanks by the skeletons of a name of theirs; empty lists for the others."""
    out: dict[str, list[int]] = defaultdict(list)
    for n, name in enumerate(names):
        for skeleton in skeletons(name):
            out[skeleton].append(n)
    return out


def _entered_alike(arrays: LogbookArrays, n: int) -> Iterator[int]:
    """Find tanks of other logbooks that answered alike on the same days."""
    if not arrays.has_checkins(n):
        return
    mine = arrays.rows(n)
    days, first_looks = np.unique(arrays.day[mine], return_index=True)
    answers = arrays.answers(mine)[first_looks]
    n_signs = arrays.signs.shape[1]
    at = np.minimum(np.searchsorted(days, arrays.day), len(days) - 1)
    shared = np.flatnonzero(days[at] == arrays.day)
    theirs, ours = arrays.answers(shared), answers[at[shared]]
    both = (theirs >= 0) & (ours >= 0)
    alike = (both & (theirs == ours)).sum(axis=1)
    # Readings that differ say little: the other log may name another kit or unit.
    contradicting = (both & (theirs != ours))[:, :n_signs].sum(axis=1)
    n_alike, n_contradicting, n_days = (
        np.bincount(arrays.tank[shared], weights, len(arrays.tanks))
        for weights in (alike, contradicting, alike > 0)
    )
    enough = n_alike >= np.maximum(ALIKE_SHARE * (n_alike + n_contradicting), _FEW_ANSWERS)
    started = arrays.tanks[n].started
    for other in np.flatnonzero(enough & (n_days >= _FEW_DAYS)).tolist():
        near = n_alike[other] >= MIN_ANSWERS or _near(started, arrays.tanks[other].started)
        if near and arrays.book[other] != arrays.book[n]:
            yield other


def _near(one: dt.date, other: dt.date) -> bool:
    return abs((one - other).days) <= _NEAR_START
