"""Who said no: a refused tank takes with it every tank that could be the same one.

Two logs are merged only where their entries prove one tank; for a refusal it is enough that
they could be of one. A tank left out for nothing costs the pool little, one let in against
its keeper's word cannot be taken back.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterator

import numpy as np

from maturity_model.identity import look_alike, skeletons
from maturity_model.pooling.duplicates import ALIKE_SHARE, MIN_ANSWERS
from maturity_model.pooling.logbook_arrays import LogbookArrays, TankPlace

#: Starts this many days apart may be one start, written down twice.
NEAR_START = 31
#: Answers alike, and days with such answers, from which tanks of a near start could be one. In
#: simulated clubs of 40 tanks that all began on one day, a refusal takes 3 of 80 others along.
_FEW_ANSWERS, _FEW_DAYS = 3, 2


def refused_tanks(arrays: LogbookArrays) -> set[TankPlace]:
    """Find the tanks that refuse consent, and all that could be one of them.

    Parameters
    ----------
    arrays : LogbookArrays
        Aligned.

    Returns
    -------
    set of TankPlace
        A tank could be a refused one of another logbook if its name and keeper look alike
        (where a keeper is not named, if they began within a month of each other), if their
        answers on the same days are nearly all alike, or if the refused one has no check-in
        to compare, the keepers look alike, and they began within a month of each other.
    """
    places = arrays.places()
    said_no = [place for place in places if arrays.says_no(place)]
    return {
        *said_no,
        *_named_alike(arrays, places, said_no),
        *(other for place in said_no for other in _entered_alike(arrays, place)),
        *_begun_alike(arrays, places, said_no),
    }


def _named_alike(
    arrays: LogbookArrays, places: list[TankPlace], said_no: list[TankPlace]
) -> Iterator[TankPlace]:
    refusals: list[tuple[str, str, dt.date | None, int]] = []
    for place in said_no:
        tank = arrays.tank(place)
        refusals.append((tank.name, tank.keeper, tank.started, place.book))
    for b, book in enumerate(arrays.books):
        # Rows that could not be used.
        refusals += [(name, keeper, None, b) for name, keeper in book.consent_refused]
    if not refusals:
        return
    named = _by_shape(places, lambda place: arrays.tank(place).name)
    for name, keeper, started, own_book in refusals:
        for place in (p for s in skeletons(name) for p in named[s]):
            tank = arrays.tank(place)
            if keeper and tank.keeper:
                same = look_alike(keeper, tank.keeper)
            else:
                same = started is None or _near(started, tank.started)
            if same and place.book != own_book:
                yield place


def _begun_alike(
    arrays: LogbookArrays, places: list[TankPlace], said_no: list[TankPlace]
) -> Iterator[TankPlace]:
    """Find tanks that one keeper began when a refused tank began that has no check-ins."""
    without = [p for p in said_no if arrays.tank(p).keeper and not arrays.has_checkins(p)]
    if not without:
        return
    kept = _by_shape(places, lambda place: arrays.tank(place).keeper)
    for refusal in without:
        tank = arrays.tank(refusal)
        for place in (p for s in skeletons(tank.keeper) for p in kept[s]):
            if place.book != refusal.book and _near(tank.started, arrays.tank(place).started):
                yield place


def _by_shape(
    places: list[TankPlace], name_of: Callable[[TankPlace], str]
) -> dict[str, list[TankPlace]]:
    """Tanks by the skeletons of a name of theirs; empty lists for the others."""
    out: dict[str, list[TankPlace]] = defaultdict(list)
    for place in places:
        for skeleton in skeletons(name_of(place)):
            out[skeleton].append(place)
    return out


def _entered_alike(arrays: LogbookArrays, place: TankPlace) -> Iterator[TankPlace]:
    """Find tanks of other logbooks that answered alike on the same days."""
    mine, started = arrays.books[place.book], arrays.tank(place).started
    rows = np.arange(len(mine.day))[mine.rows(place.tank)]
    days, first_looks = np.unique(mine.day[rows], return_index=True)
    if not len(days):
        return
    answers = mine.answers(rows[first_looks])
    n_signs = mine.signs.shape[1]
    for b, book in enumerate(arrays.books):
        if b == place.book:
            continue
        at = np.minimum(np.searchsorted(days, book.day), len(days) - 1)
        shared = np.flatnonzero(days[at] == book.day)
        theirs, ours = book.answers(shared), answers[at[shared]]
        both = (theirs >= 0) & (ours >= 0)
        alike = (both & (theirs == ours)).sum(axis=1)
        # Readings that differ say little: the other log may name another kit or unit.
        contradicting = (both & (theirs != ours))[:, :n_signs].sum(axis=1)
        owner = book.tank[shared]
        n_alike, n_contradicting, n_days = (
            np.bincount(owner, weights, len(book.tanks))
            for weights in (alike, contradicting, alike > 0)
        )
        enough = n_alike >= np.maximum(ALIKE_SHARE * (n_alike + n_contradicting), _FEW_ANSWERS)
        for other in np.flatnonzero(enough & (n_days >= _FEW_DAYS)):
            if n_alike[other] >= MIN_ANSWERS or _near(started, book.tanks[other].started):
                yield TankPlace(b, int(other))


def _near(one: dt.date, other: dt.date) -> bool:
    return abs((one - other).days) <= NEAR_START
