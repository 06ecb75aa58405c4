"""The same tank in two logbooks, recognised by its entries and never by a name."""

from __future__ import annotations

from collections import defaultdict
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model.logbook import Event
from maturity_model.pooling.logbook_arrays import Int32s, LogbookArrays

#: Two tanks are one where at least this many check-ins, with at least this many answers,
#: fall on the same days and agree in every one, and nothing differs. Two tanks of one keeper
#: agree by chance, above all when they are mature: twenty answers over three weeks rarely do.
MIN_CHECKINS, MIN_ANSWERS = 3, 20
#: Two tanks that agree in this share of that many answers are worth a look.
ALIKE_SHARE = 0.9
#: A check-in with this many signs or readings may identify a duplicate.
_MIN_SIGNS, _MIN_READINGS = 4, 2
#: How many tanks with the same check-in are compared with each other.
_NEIGHBOURS = 4
_CHUNK = 65_536


class Pair(NamedTuple):
    """Two tanks, by number, that are the ``same`` and merged, or only ``alike`` and reported.

    ``shared`` answers on the same days agree, ``contradicting`` ones do not.
    """

    first: int
    second: int
    verdict: Literal["same", "alike"]
    shared: int
    contradicting: int


def find_pairs(arrays: LogbookArrays) -> list[Pair]:
    """Find tanks of different logbooks that are one, or look like it."""
    pairs = (_compare(arrays, a, b) for a, b in sorted(_candidates(arrays)))
    return [pair for pair in pairs if pair is not None]


def _candidates(arrays: LogbookArrays) -> set[tuple[int, int]]:
    """Pairs that share the start and one check-in of many answers, by 64-bit hashes of both."""
    hashes: list[NDArray[np.uint64]] = []
    owners: list[Int32s] = []
    rng = np.random.default_rng(20_300)

    def odd_numbers(count: int) -> NDArray[np.uint64]:
        return rng.integers(1, 2**63, count, dtype=np.uint64) | np.uint64(1)

    sign_weights = odd_numbers(arrays.signs.shape[1])
    reading_weights, when = odd_numbers(arrays.read.shape[1]), odd_numbers(2)
    starts = np.array([t.started.toordinal() for t in arrays.tanks], dtype=np.uint64)
    for begin in range(0, len(arrays.tank), _CHUNK):
        rows = slice(begin, begin + _CHUNK)
        owner = arrays.tank[rows]
        date = starts[owner] * when[0] + arrays.day[rows].astype(np.uint64) * when[1]
        for cells, weights, least in (
            (arrays.signs[rows], sign_weights, _MIN_SIGNS),
            (arrays.read[rows], reading_weights, _MIN_READINGS),
        ):
            many_answers = (cells >= 0).sum(axis=1) >= least
            mixed = (cells[many_answers] + 2).astype(np.uint64) @ weights
            hashes.append(mixed + date[many_answers])
            owners.append(owner[many_answers])
    if not hashes:
        return set()
    values, owner = np.concatenate(hashes), np.concatenate(owners)
    order = np.lexsort((owner, values))
    values, owner = values[order], owner[order]
    pairs: set[tuple[int, int]] = set()
    for step in range(1, _NEIGHBOURS + 1):
        equal = values[step:] == values[:-step]
        low, high = owner[:-step][equal].tolist(), owner[step:][equal].tolist()
        book = arrays.book
        pairs |= {(i, j) for i, j in zip(low, high, strict=True) if book[i] != book[j]}
    return pairs


def _compare(arrays: LogbookArrays, first: int, second: int) -> Pair | None:
    a, b = arrays.tanks[first], arrays.tanks[second]
    if a.started != b.started or (a.rock and b.rock and a.rock != b.rock):
        return None
    left, right = (_days(arrays, n) for n in (first, second))
    shared = contradicting = checkins = 0
    differs = False
    for day in left.keys() & right.keys():
        if all(np.array_equal(x, y) for x, y in zip(left[day], right[day], strict=True)):
            checkins += len(left[day][0])
            shared += int((left[day][1] >= 0).sum())
            continue
        differs = True
        # The first look of the day of each, answer by answer.
        x, y = left[day][1][0], right[day][1][0]
        both = (x >= 0) & (y >= 0)
        shared += int((x == y)[both].sum())
        contradicting += int((x != y)[both].sum())
    mine, theirs = _amounts(arrays.events[first]), _amounts(arrays.events[second])
    for key in mine.keys() & theirs.keys():
        if mine[key] != theirs[key]:
            differs, contradicting = True, contradicting + 1
    if not differs and checkins >= MIN_CHECKINS and shared >= MIN_ANSWERS:
        return Pair(first, second, "same", shared, 0)
    enough = shared >= (MIN_ANSWERS if differs else MIN_ANSWERS // 2)
    if enough and shared >= ALIKE_SHARE * (shared + contradicting):
        return Pair(first, second, "alike", shared, contradicting)
    return None


def _days(arrays: LogbookArrays, tank: int) -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """By day: look and judged phase of each check-in, and all its answers."""
    rows = arrays.rows(tank)
    how = np.column_stack([arrays.look[rows], arrays.judged[rows]])
    answers = arrays.answers(rows)
    days, starts = np.unique(arrays.day[rows], return_index=True)
    parts = zip(np.split(how, starts[1:]), np.split(answers, starts[1:]), strict=True)
    return dict(zip(days.tolist(), parts, strict=True))


def _amounts(events: list[Event]) -> dict[tuple[int, str], list[float]]:
    out: dict[tuple[int, str], list[float]] = defaultdict(list)
    for e in events:
        out[e.date.toordinal(), e.kind].append(-1.0 if e.amount is None else e.amount)
    return {key: sorted(amounts) for key, amounts in out.items()}
