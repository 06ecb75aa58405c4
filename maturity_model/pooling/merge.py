"""From logbooks, as arrays, to a pool: consent, duplicates, pseudonyms, relative days."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Hashable
from dataclasses import astuple, dataclass, replace
from typing import NamedTuple

from maturity_model.logbook import Event, Kit
from maturity_model.pooling.consent import refused_tanks
from maturity_model.pooling.duplicates import Pair, find_pairs
from maturity_model.pooling.logbook_arrays import LogbookArrays
from maturity_model.pooling.pseudonyms import pseudonym

#: Upper bounds of the bands (litres, millimetres of sand) and their names.
VOLUME_BANDS = (
    (50.0, "under 50 L"), (100.0, "50 to 100 L"), (200.0, "100 to 200 L"),
    (400.0, "200 to 400 L"), (800.0, "400 to 800 L"), (float("inf"), "800 L and more"),
)  # fmt: skip
SAND_BANDS = (
    (1e-9, "none"), (30.0, "under 30 mm"), (60.0, "30 to 60 mm"),
    (float("inf"), "60 mm and more"),
)  # fmt: skip


class PooledEvent(NamedTuple):
    """An event, ``day`` days after the tank's start."""

    day: int
    kind: str
    amount: float | None


@dataclass(frozen=True)
class PooledTank:
    """A tank of the pool; its name, keeper, club and observers are pseudonyms.

    Of the start only the month is written. ``last_day`` ends the week of the tank's last row,
    or is the last day of all logbooks if that is earlier. Water changes count as logged from
    ``water_known_week`` on. ``rows`` are its check-ins in :class:`.LogbookArrays`, in order,
    each with its observer, who may be blank.
    """

    name: str
    keeper: str
    club: str
    started: dt.date
    rock: str | None
    volume_band: str | None
    sand_band: str | None
    last_day: int
    water_known_week: int | None
    rows: tuple[int, ...]
    observers: tuple[str, ...]
    events: tuple[PooledEvent, ...]

    @property
    def start_month(self) -> str:
        """Month of the start, as it is written."""
        return f"{self.started:%Y-%m}"


@dataclass(frozen=True)
class Pool:
    """Content of a pool, tanks ordered by pseudonym, and how it came about.

    ``refused`` counts the tanks without consent, by logbook. Of these, some could only be one
    whose keeper said no (``could_be_refused``), and some say neither yes nor no (``silent``).
    Tanks ``without_checkins`` have consent, but nothing to add.
    """

    tanks: tuple[PooledTank, ...]
    kits: tuple[Kit, ...]
    refused: list[int]
    could_be_refused: int
    silent: int
    without_checkins: int
    merged_pairs: tuple[Pair, ...]
    kept_apart: tuple[Pair, ...]


class _Groups:
    """Disjoint sets of hashable things."""

    def __init__(self) -> None:
        self._parent: dict[Hashable, Hashable] = {}

    def find(self, x: Hashable) -> Hashable:
        while (above := self._parent.get(x, x)) != x:
            # Halving the path keeps it short.
            self._parent[x] = self._parent.get(above, above)
            x = self._parent[x]
        return x

    def join(self, x: Hashable, y: Hashable) -> None:
        self._parent[self.find(x)] = self.find(y)


def merge(arrays: LogbookArrays, key: bytes, *, consent_default: bool | None) -> Pool:
    """Make a pool, with ``key`` for the pseudonyms.

    A tank that was refused in one logbook is left out of all, and so is every tank that could
    be the same one; see :mod:`maturity_model.pooling.consent`. So are tanks without check-ins.
    ``consent_default`` says what a blank in the column ``consent`` means, and a missing column.
    None: where keepers were asked, a blank is no consent; where the logbook has no such column,
    the person who pools it answers for all its tanks.
    """
    return _Merge(arrays, key, consent_default).pool()


class _Merge:
    """Tanks and people are joined here; a group is the tanks of several logbooks that are one."""

    def __init__(self, arrays: LogbookArrays, key: bytes, consent_default: bool | None):
        self.arrays, self.key, self.consent_default = arrays, key, consent_default
        self.people = _Groups()

    def pool(self) -> Pool:
        arrays = self.arrays
        same, apart = _split_pairs(find_pairs(arrays))
        everyone = range(len(arrays.tanks))
        tanks = _Groups()
        groups: dict[Hashable, list[int]] = defaultdict(list)
        for pair in same:
            tanks.join(pair.first, pair.second)
        for n in everyone:
            groups[tanks.find(n)].append(n)
        no = refused_tanks(arrays)
        # A no in any log of a tank leaves it out; so does silence, unless it stands for a yes.
        allowed = [g for g in groups.values() if no.isdisjoint(g) and any(map(self._says_yes, g))]
        left_out = set(everyone).difference(*allowed)
        by_book = Counter(arrays.book[n] for n in left_out)
        kept = [group for group in allowed if any(map(arrays.has_checkins, group))]
        for group in kept:
            for n in group[1:]:
                self.people.join(self._keeper(group[0]), self._keeper(n))
        names = self._people_names(kept)
        known = self._water_known(kept)
        last = max(map(self._last_day, kept), default=0)
        made = [self._tank(group, names, known, last) for group in kept]
        inside = {n for group in kept for n in group}
        # A pair with a refused tank leaves nothing but the count.
        return Pool(
            tanks=tuple(sorted(made, key=lambda tank: tank.name)),
            kits=self._kits(kept, names),
            refused=[by_book[b] for b in range(len(arrays.books))],
            could_be_refused=sum(not arrays.says_no(n) for n in no),
            silent=len(left_out - no),
            without_checkins=len(everyone) - len(left_out) - len(inside),
            merged_pairs=tuple(p for p in same if p.first in inside),
            kept_apart=tuple(p for p in apart if p.first in inside and p.second in inside),
        )

    def _says_yes(self, n: int) -> bool:
        said = self.arrays.tanks[n].consent
        if said is None:
            said = self.consent_default
        return not self.arrays.books[self.arrays.book[n]].asks_consent if said is None else said

    def _keeper(self, n: int) -> tuple[int, str, str]:
        tank, b = self.arrays.tanks[n], self.arrays.book[n]
        # A keeper without a name has this tank alone.
        return (b, "named", tank.keeper) if tank.keeper else (b, "of tank", tank.name)

    def _people_names(self, kept: list[list[int]]) -> dict[Hashable, str]:
        """Pseudonym of each group of people: the least of its members', whatever their order."""
        arrays = self.arrays
        people = {self._keeper(n) for group in kept for n in group}
        for group in kept:
            for who in arrays.observer[self._rows(group)].tolist():
                if who >= 0:
                    people.add(self._observer(who))
        out: dict[Hashable, str] = {}
        for b, how, name in people:
            made = pseudonym(self.key, "keeper", arrays.books[b].label, how, name)
            root = self.people.find((b, how, name))
            out[root] = min(out.get(root, made), made)
        return out

    def _observer(self, who: int) -> tuple[int, str, str]:
        b, name = self.arrays.people[who]
        return b, "named", name

    def _rows(self, group: list[int]) -> list[int]:
        """Check-ins of one tank, from all its logbooks, each day from the fullest that has it."""
        day = self.arrays.day
        days: set[int] = set()
        rows: list[int] = []
        for n in sorted(group, key=self._fullest_first):
            here = self.arrays.rows(n)
            new = [i for i in range(here.start, here.stop) if int(day[i]) not in days]
            days.update(day[new].tolist())
            rows += new
        return sorted(rows, key=lambda i: int(day[i]))  # a day's looks stay in their order

    def _fullest_first(self, n: int) -> tuple[int, str]:
        rows = self.arrays.rows(n)
        return rows.start - rows.stop, self.arrays.label(n)

    def _events(self, group: list[int]) -> list[Event]:
        out: list[Event] = []
        for n in group:
            seen = {(e.date, e.kind) for e in out}
            out += [e for e in self.arrays.events[n] if (e.date, e.kind) not in seen]
        return sorted(out, key=lambda e: (e.date, e.kind, e.amount or 0.0))

    def _water_known(self, kept: list[list[int]]) -> dict[Hashable, dt.date]:
        """First day on which each keeper logged a water change, in tanks of the pool."""
        out: dict[Hashable, dt.date] = {}
        for group in kept:
            who = self.people.find(self._keeper(group[0]))
            for e in self._events(group):
                if e.kind == "water_change":
                    out[who] = min(out.get(who, e.date), e.date)
        return out

    def _last_day(self, group: list[int]) -> int:
        days = [self.arrays.tanks[group[0]].started.toordinal()]
        for n in group:
            days += self.arrays.day[self.arrays.rows(n)][-1:].tolist()
            days += [e.date.toordinal() for e in self.arrays.events[n]]
        return max(days)

    def _tank(
        self,
        group: list[int],
        names: dict[Hashable, str],
        known: dict[Hashable, dt.date],
        last: int,
    ) -> PooledTank:
        arrays = self.arrays
        tanks = [arrays.tanks[n] for n in group]
        who = self.people.find(self._keeper(group[0]))
        started = tanks[0].started
        start = started.toordinal()
        last_day = min((self._last_day(group) - start) // 7 * 7 + 6, last - start)
        since = known.get(who)
        week = None if since is None else max((since.toordinal() - start) // 7, 0)
        rows = self._rows(group)
        people = [self._observer(i) if i >= 0 else None for i in arrays.observer[rows].tolist()]
        return PooledTank(
            name=min(
                pseudonym(self.key, "tank", arrays.label(n), arrays.tanks[n].name) for n in group
            ),
            keeper=names[who],
            club=min(map(self._club, group)),
            started=started,
            rock=next((t.rock for t in tanks if t.rock), None),
            volume_band=_band([t.volume_l for t in tanks], VOLUME_BANDS),
            sand_band=_band([t.sand_depth_mm for t in tanks], SAND_BANDS),
            last_day=last_day,
            water_known_week=None if week is None or 7 * week > last_day else week,
            rows=tuple(rows),
            observers=tuple(names[self.people.find(p)] if p else "" for p in people),
            events=tuple(
                PooledEvent(e.date.toordinal() - start, e.kind, e.amount)
                for e in self._events(group)
            ),
        )

    def _club(self, n: int) -> str:
        club = self.arrays.tanks[n].club
        how = ("named", club) if club else ("logbook", self.arrays.label(n))
        return pseudonym(self.key, "club", *how)

    def _kits(self, kept: list[list[int]], names: dict[Hashable, str]) -> tuple[Kit, ...]:
        """Kits by pseudonym; a kit for everybody becomes one of each keeper without their own."""
        keepers = {self._keeper(n) for group in kept for n in group}
        people = keepers.union(map(self._observer, range(len(self.arrays.people))))
        kits_of: dict[tuple[int, str], dict[str, Kit]] = defaultdict(dict)
        for b, book in enumerate(self.arrays.books):
            for kit in book.kits:
                kits_of[b, kit.keeper][kit.analyte] = kit
        out: dict[tuple[str, str], Kit] = {}
        for person in people:
            made = names.get(self.people.find(person))
            if made is None:
                continue  # looks at refused tanks only
            b, how, name = person
            kits = kits_of[b, ""] if person in keepers else {}
            kits = kits | (kits_of[b, name] if how == "named" else {})
            for analyte, kit in kits.items():
                new = replace(kit, keeper=made)
                out[made, analyte] = min(out.get((made, analyte), new), new, key=astuple)
        return tuple(sorted(out.values(), key=astuple))


def _split_pairs(pairs: list[Pair]) -> tuple[list[Pair], list[Pair]]:
    """Pairs to merge and to keep apart; one contradiction keeps a whole group apart."""
    groups = _Groups()
    for pair in pairs:
        if pair.verdict == "same":
            groups.join(pair.first, pair.second)
    torn = {
        groups.find(p.first)
        for p in pairs
        if p.verdict == "alike" and groups.find(p.first) == groups.find(p.second)
    }
    same = [p for p in pairs if p.verdict == "same" and groups.find(p.first) not in torn]
    return same, [p for p in pairs if p not in same]


def _band(values: list[float | None], bands: tuple[tuple[float, str], ...]) -> str | None:
    """Name of the band that holds the least of the values that are known."""
    known = [v for v in values if v is not None]
    return next(name for bound, name in bands if min(known) < bound) if known else None
