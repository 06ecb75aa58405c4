"""From logbooks, as arrays, to a pool: consent, duplicates, pseudonyms, relative days."""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Hashable
from dataclasses import astuple, dataclass, replace
from typing import NamedTuple

from maturity_model.logbook import Event, Kit
from maturity_model.pooling.consent import refused_tanks
from maturity_model.pooling.duplicates import Pair
from maturity_model.pooling.logbook_arrays import LogbookArrays, TankPlace
from maturity_model.pooling.pseudonyms import Pseudonyms

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
    """A tank of the pool.

    Attributes
    ----------
    name, keeper, club : str
        Pseudonyms.
    started : date
        Only its month is written.
    last_day : int
        Days from the start to the end of the week of the tank's last row, or to the last
        day of all logbooks, whichever is earlier.
    water_known_week : int or None
        Week from which water changes count as logged.
    rows : tuple of (int, int)
        Index of the logbook and of the check-in in it, in order.
    observers : tuple of str
        Pseudonym by row, empty where no one is named.
    events : tuple of PooledEvent
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
    rows: tuple[tuple[int, int], ...]
    observers: tuple[str, ...]
    events: tuple[PooledEvent, ...]

    @property
    def start_month(self) -> str:
        """Month of the start, as it is written."""
        return f"{self.started:%Y-%m}"


@dataclass(frozen=True)
class Pool:
    """Content of a pool, and how it came about.

    Attributes
    ----------
    tanks : tuple of PooledTank
        By pseudonym.
    kits : tuple of Kit
        Keepers are pseudonyms.
    refused : list of int
        Tanks without consent, by logbook.
    could_be_refused : int
        How many of them were left out only because they could be one whose keeper said no.
    silent : int
        How many of them were left out only because they say neither yes nor no.
    without_checkins : int
        Tanks that have consent, but nothing to add to a pool.
    merged_pairs, kept_apart : tuple of Pair
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


def band(value: float | None, bands: tuple[tuple[float, str], ...]) -> str | None:
    """Name of the band that holds a value."""
    if value is None:
        return None
    return next(name for bound, name in bands if value < bound)


def merge(
    arrays: LogbookArrays,
    pairs: list[Pair],
    pseudonyms: Pseudonyms,
    *,
    consent_default: bool | None,
) -> Pool:
    """Make a pool.

    Parameters
    ----------
    arrays : LogbookArrays
        Aligned.
    pairs : list of Pair
        See :func:`maturity_model.pooling.duplicates.find_pairs`.
    pseudonyms : Pseudonyms
    consent_default : bool or None
        What a blank in the column ``consent`` means, and a missing column. None: where
        keepers were asked, a blank is no consent; where the logbook has no such column, the
        person who pools it answers for all its tanks.

    Returns
    -------
    Pool
        A tank that was refused in one logbook is left out of all, and so is every tank that
        could be the same one; see :mod:`maturity_model.pooling.consent`. So are tanks without
        check-ins.
    """
    return _Merge(arrays, pairs, pseudonyms, consent_default).pool()


@dataclass
class _Merge:
    arrays: LogbookArrays
    pairs: list[Pair]
    pseudonyms: Pseudonyms
    consent_default: bool | None

    def __post_init__(self) -> None:
        self.books, self.people = self.arrays.books, _Groups()

    def pool(self) -> Pool:
        same, apart = self._split_pairs()
        groups: dict[Hashable, list[TankPlace]] = {}
        tanks = _Groups()
        for pair in same:
            tanks.join(pair.first, pair.second)
        for place in self.arrays.places():
            groups.setdefault(tanks.find(place), []).append(place)
        no = refused_tanks(self.arrays)
        # A no in any log of a tank leaves it out; so does silence, unless it stands for a yes.
        allowed = [g for g in groups.values() if no.isdisjoint(g) and any(map(self._says_yes, g))]
        consenting = {place for group in allowed for place in group}
        left_out = [place for place in self.arrays.places() if place not in consenting]
        by_book = Counter(place.book for place in left_out)
        kept = [group for group in allowed if any(map(self.arrays.has_checkins, group))]
        inside = {place for group in kept for place in group}
        for group in kept:
            for place in group[1:]:
                self.people.join(self._keeper(group[0]), self._keeper(place))
        names = self._people_names(kept)
        known = self._water_known(kept)
        last = max(map(self._last_row, kept), default=0)
        made = [self._tank(group, names, known, last) for group in kept]
        return Pool(
            tanks=tuple(sorted(made, key=lambda tank: tank.name)),
            kits=self._kits(kept, names),
            refused=[by_book[b] for b in range(len(self.books))],
            could_be_refused=sum(not self.arrays.says_no(p) for p in no),
            silent=sum(p not in no for p in left_out),
            without_checkins=len(consenting) - len(inside),
            # A pair with a refused tank leaves nothing but the count.
            merged_pairs=tuple(p for p in same if p.first in inside),
            kept_apart=tuple(p for p in apart if p.first in inside),
        )

    def _split_pairs(self) -> tuple[list[Pair], list[Pair]]:
        """Pairs to merge and to keep apart; one contradiction keeps a whole group apart."""
        groups = _Groups()
        for pair in self.pairs:
            if pair.verdict == "same":
                groups.join(pair.first, pair.second)
        alike = [p for p in self.pairs if p.verdict == "alike"]
        torn = {
            groups.find(p.first) for p in alike if groups.find(p.first) == groups.find(p.second)
        }
        same = [p for p in self.pairs if p.verdict == "same" and groups.find(p.first) not in torn]
        apart = [p for p in self.pairs if p not in same]
        return same, apart

    def _says_yes(self, place: TankPlace) -> bool:
        said = self.arrays.tank(place).consent
        if said is None:
            said = self.consent_default
        return not self.books[place.book].asks_consent if said is None else said

    def _keeper(self, place: TankPlace) -> tuple[int, str, str]:
        tank = self.arrays.tank(place)
        # A keeper without a name has this tank alone.
        return (place.book, "named", tank.keeper) if tank.keeper else (
            place.book, "of tank", tank.name,
        )  # fmt: skip

    def _people_names(self, kept: list[list[TankPlace]]) -> dict[Hashable, str]:
        """Pseudonym of each group of people: the least of its members', whatever their order."""
        people = {self._keeper(place) for group in kept for place in group}
        for group in kept:
            for b, row in self._rows(group):
                if (who := self.books[b].observer[row]) >= 0:
                    people.add((b, "named", self.books[b].people[who]))
        out: dict[Hashable, str] = {}
        for b, how, name in people:
            made = self.pseudonyms.of("keeper", self.books[b].label, how, name)
            root = self.people.find((b, how, name))
            out[root] = min(out.get(root, made), made)
        return out

    def _rows(self, group: list[TankPlace]) -> list[tuple[int, int]]:
        """Check-ins of one tank, from all its logbooks, each once."""
        # The fullest log first; the others add the days that it lacks.
        order = sorted(group, key=self._fullest_first)
        days: set[int] = set()
        rows: list[tuple[int, int, int]] = []
        for place in order:
            book = self.books[place.book]
            here = book.rows(place.tank)
            dated = zip(book.day[here].tolist(), range(here.start, here.stop), strict=True)
            new = [(day, place.book, i) for day, i in dated if day not in days]
            days.update(day for day, _, _ in new)
            rows += new
        rows.sort(key=lambda r: r[0])  # stable: a day's looks come from one logbook
        return [(b, i) for _, b, i in rows]

    def _fullest_first(self, place: TankPlace) -> tuple[int, str]:
        book = self.books[place.book]
        rows = book.rows(place.tank)
        return rows.start - rows.stop, book.label

    def _events(self, group: list[TankPlace]) -> list[Event]:
        out: list[Event] = []
        for place in group:
            seen = {(e.date, e.kind) for e in out}
            out += [e for e in self.arrays.events(place) if (e.date, e.kind) not in seen]
        return sorted(out, key=lambda e: (e.date, e.kind, e.amount or 0.0))

    def _water_known(self, kept: list[list[TankPlace]]) -> dict[Hashable, dt.date]:
        """First day on which each keeper logged a water change, in tanks of the pool."""
        out: dict[Hashable, dt.date] = {}
        for group in kept:
            who = self.people.find(self._keeper(group[0]))
            for e in self._events(group):
                if e.kind == "water_change":
                    out[who] = min(out.get(who, e.date), e.date)
        return out

    def _last_row(self, group: list[TankPlace]) -> int:
        days = [self.arrays.tank(group[0]).started.toordinal()]
        for place in group:
            book = self.books[place.book]
            days += book.day[book.rows(place.tank)][-1:].tolist()
            days += [e.date.toordinal() for e in self.arrays.events(place)]
        return max(days)

    def _tank(
        self,
        group: list[TankPlace],
        names: dict[Hashable, str],
        known: dict[Hashable, dt.date],
        last: int,
    ) -> PooledTank:
        tanks = [self.arrays.tank(p) for p in group]
        who = self.people.find(self._keeper(group[0]))
        started = tanks[0].started
        start = started.toordinal()
        last_day = min((self._last_row(group) - start) // 7 * 7 + 6, last - start)
        since = known.get(who)
        week = None if since is None else max((since.toordinal() - start) // 7, 0)
        rows = self._rows(group)
        events = self._events(group)
        return PooledTank(
            name=min(
                self.pseudonyms.of("tank", self.books[p.book].label, self.arrays.tank(p).name)
                for p in group
            ),
            keeper=names[who],
            club=min(self._club(p) for p in group),
            started=started,
            rock=next((t.rock for t in tanks if t.rock), None),
            volume_band=band(_least([t.volume_l for t in tanks]), VOLUME_BANDS),
            sand_band=band(_least([t.sand_depth_mm for t in tanks]), SAND_BANDS),
            last_day=last_day,
            water_known_week=None if week is None or 7 * week > last_day else week,
            rows=tuple(rows),
            observers=tuple(self._observer(b, row, names) for b, row in rows),
            events=tuple(PooledEvent(e.date.toordinal() - start, e.kind, e.amount) for e in events),
        )

    def _club(self, place: TankPlace) -> str:
        book, tank = self.books[place.book], self.arrays.tank(place)
        how = ("named", tank.club) if tank.club else ("logbook", book.label)
        return self.pseudonyms.of("club", *how)

    def _observer(self, b: int, row: int, names: dict[Hashable, str]) -> str:
        book = self.books[b]
        who = int(book.observer[row])
        return names[self.people.find((b, "named", book.people[who]))] if who >= 0 else ""

    def _kits(self, kept: list[list[TankPlace]], names: dict[Hashable, str]) -> tuple[Kit, ...]:
        """Kits by pseudonym; a kit for everybody becomes one of each keeper without their own."""
        out: dict[tuple[str, str], Kit] = {}
        for b, book in enumerate(self.books):
            kits_of: dict[str, dict[str, Kit]] = defaultdict(dict)
            for kit in book.kits:
                kits_of[kit.keeper][kit.analyte] = kit
            keepers = {self._keeper(p) for group in kept for p in group if p.book == b}
            observers = {(b, "named", name) for name in book.people}
            for person in keepers | observers:
                made = names.get(self.people.find(person))
                if made is None:
                    continue  # looks at refused tanks only
                _, how, name = person
                kits = kits_of[""] if person in keepers else {}
                kits = kits | (kits_of.get(name, {}) if how == "named" else {})
                for analyte, kit in kits.items():
                    new = replace(kit, keeper=made)
                    out[made, analyte] = min(out.get((made, analyte), new), new, key=astuple)
        return tuple(sorted(out.values(), key=astuple))


def _least(values: list[float | None]) -> float | None:
    return min((v for v in values if v is not None), default=None)
