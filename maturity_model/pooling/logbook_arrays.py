"""Logbooks as arrays: all that a pool may need of them, in little memory."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model._typing import Ints
from maturity_model.catalogue import LOOKS, Catalogue, Sign
from maturity_model.logbook import Event, Kit, Logbook, Reading, Tank
from maturity_model.logbook.problems import shown
from maturity_model.pooling.problems import PoolError, PoolMismatch

#: Bounds of one pool.
MAX_CLUBS = 1_000
MAX_TANKS = 100_000
MAX_CHECKINS = 2_000_000
MAX_EVENTS = 2_000_000

Int32s = NDArray[np.int32]


class TankPlace(NamedTuple):
    """A tank of a run: index of the logbook, and of the tank in it."""

    book: int
    tank: int


class PlainReading(NamedTuple):
    """A reading without its spelling: sign, number and unit as written, and the interval.

    Attributes
    ----------
    qualifier : {'', '<', '>'}
    value : float
        In ``unit``.
    low, high, best : float
        As in :class:`maturity_model.logbook.Reading`.
    """

    qualifier: str
    value: float
    unit: str
    method: str
    low: float
    high: float
    best: float


def plain_reading(reading: Reading) -> PlainReading:
    """Drop the spelling of a reading: ``0.250`` and ``,25`` become 0.25."""
    sign = reading.text[:1] if reading.text[:1] in ("<", ">") else ""
    # The reader took it for a number already, with one decimal mark at most.
    value = float(reading.text[len(sign) :].strip().replace(",", "."))
    return PlainReading(
        sign, value, reading.unit, reading.method, reading.low, reading.high, reading.best
    )


@dataclass
class Book:
    """One logbook, without notes; its names are needed for the pseudonyms.

    Attributes
    ----------
    label : str
        Distinguishes the logbook from the others of the run.
    tanks : list of Tank
    tank, day, look, judged, observer : int32 ndarray, shape (C,)
        Per check-in, by tank, then date, then place in the log: index of the tank, ordinal
        of the date, index of the look, of the phase (-1 none), and of the observer
        in ``people`` (-1 not logged).
    signs : int8 ndarray, shape (C, G)
        1 seen, 0 looked for and not seen, -1 not checked; columns are ``sign_names``.
    readings : int32 ndarray, shape (C, A)
        Index of the reading in :attr:`LogbookArrays.readings`, -1 none.
    events : dict of int to list of Event
        By index of the tank; without notes.
    kits : tuple of Kit
    first : int64 ndarray, shape (N + 1,)
        Check-ins of tank n are ``first[n]:first[n + 1]``.
    asks_consent : bool
        Whether it has the column ``consent``.
    consent_refused : tuple of (str, str)
        As in :class:`maturity_model.logbook.Logbook`.
    withheld : bool
        Something that may hold a no was not read of it, so none of its tanks is pooled.
    """

    label: str
    tanks: list[Tank]
    people: list[str]
    sign_names: tuple[str, ...]
    tank: Int32s
    day: Int32s
    look: Int32s
    judged: Int32s
    observer: Int32s
    signs: NDArray[np.int8]
    readings: Int32s
    events: dict[int, list[Event]]
    kits: tuple[Kit, ...]
    first: Ints
    asks_consent: bool
    consent_refused: tuple[tuple[str, str], ...]
    withheld: bool

    def rows(self, tank: int) -> slice:
        """Check-ins of a tank."""
        return slice(int(self.first[tank]), int(self.first[tank + 1]))

    def answers(self, rows: slice | Ints) -> Int32s:
        """Signs, then readings, of some check-ins: shape (rows, G + A), -1 without an answer."""
        return np.concatenate([self.signs[rows].astype(np.int32), self.readings[rows]], axis=1)


@dataclass
class LogbookArrays:
    """All logbooks of a run.

    Attributes
    ----------
    catalogue : Catalogue
        Without the clubs' own signs.
    books : list of Book
    own : dict of str to Sign
        The clubs' own signs.
    readings : list of PlainReading
        The distinct ones.
    """

    catalogue: Catalogue
    books: list[Book] = field(default_factory=list)
    own: dict[str, Sign] = field(default_factory=dict)
    readings: list[PlainReading] = field(default_factory=list)
    _known: dict[PlainReading, int] = field(default_factory=dict)
    _own_of: dict[str, str] = field(default_factory=dict)
    _tanks: int = 0
    _checkins: int = 0
    _events: int = 0

    def add(self, logbook: Logbook, label: str, *, withheld: bool = False) -> Book:
        """Take a logbook in; for ``withheld`` see :class:`Book`.

        Raises
        ------
        PoolMismatch
            When both it and another logbook add a sign of one name, with other numbers.
        PoolError
            When the pool grows too large.
        """
        self._check_size(logbook)
        self._add_own_signs(logbook, label)
        index = {name: i for i, name in enumerate(logbook.tanks)}
        people: dict[str, int] = {}
        arrays = self._checkin_arrays(logbook, index, people)
        events: dict[int, list[Event]] = {}
        for e in logbook.events:
            without_note = Event(e.tank, e.date, e.kind, e.amount)
            events.setdefault(index[e.tank], []).append(without_note)
        book = Book(
            label=label,
            tanks=list(logbook.tanks.values()),
            people=list(people),
            sign_names=tuple(logbook.catalogue.signs),
            **arrays,
            events=events,
            kits=logbook.kits,
            first=np.searchsorted(arrays["tank"], np.arange(len(index) + 1)),
            asks_consent=logbook.asks_consent,
            consent_refused=logbook.consent_refused,
            withheld=withheld,
        )
        self.books.append(book)
        return book

    def _checkin_arrays(
        self, logbook: Logbook, index: dict[str, int], people: dict[str, int]
    ) -> dict[str, Any]:
        """Arrays of a logbook's check-ins, as in :class:`Book`; adds the observers to people."""
        tank = np.array([index[c.tank] for c in logbook.checkins], dtype=np.int32)
        # The log is sorted by date, then place: a stable sort keeps that within each tank.
        order = np.argsort(tank, kind="stable")
        checkins = [logbook.checkins[i] for i in order]
        phases = list(self.catalogue.phases)
        sign_index = {name: i for i, name in enumerate(logbook.catalogue.signs)}
        analyte_index = {name: i for i, name in enumerate(self.catalogue.analytes)}
        signs = np.full((len(checkins), len(sign_index)), -1, np.int8)
        readings = np.full((len(checkins), len(analyte_index)), -1, np.int32)
        # Equal texts read with the same kit are one object.
        codes: dict[int, int] = {}
        for i, c in enumerate(checkins):
            for name, seen in c.signs.items():
                signs[i, sign_index[name]] = seen
            for name, reading in c.readings.items():
                if id(reading) not in codes:
                    codes[id(reading)] = self._code(plain_reading(reading))
                readings[i, analyte_index[name]] = codes[id(reading)]

        def int32s(values: Iterable[int]) -> Int32s:
            return np.fromiter(values, np.int32, len(checkins))

        return {
            "tank": tank[order],
            "day": int32s(c.date.toordinal() for c in checkins),
            "look": int32s(LOOKS.index(c.look) for c in checkins),
            "judged": int32s(
                phases.index(c.judged_phase) if c.judged_phase else -1 for c in checkins
            ),
            "observer": int32s(
                people.setdefault(c.observer, len(people)) if c.observer else -1 for c in checkins
            ),
            "signs": signs,
            "readings": readings,
        }

    def places(self) -> list[TankPlace]:
        """All tanks, logbook by logbook."""
        return [
            TankPlace(b, n) for b, book in enumerate(self.books) for n in range(len(book.tanks))
        ]

    def tank(self, place: TankPlace) -> Tank:
        """Tank at a place."""
        return self.books[place.book].tanks[place.tank]

    def has_checkins(self, place: TankPlace) -> bool:
        """Whether the tank at a place has a check-in."""
        rows = self.books[place.book].rows(place.tank)
        return rows.start < rows.stop

    def says_no(self, place: TankPlace) -> bool:
        """Whether the tank at a place said no, or may have, where it was not read."""
        return self.books[place.book].withheld or self.tank(place).consent is False

    def events(self, place: TankPlace) -> list[Event]:
        """Events of the tank at a place."""
        return self.books[place.book].events.get(place.tank, [])

    def _code(self, reading: PlainReading) -> int:
        code = self._known.setdefault(reading, len(self._known))
        if code == len(self.readings):
            self.readings.append(reading)
        return code

    def sign_names(self) -> tuple[str, ...]:
        """Signs of the pool: the catalogue's, then the clubs' own by name."""
        return (*self.catalogue.signs, *sorted(self.own))

    def align(self) -> None:
        """Give every logbook's ``signs`` the columns of :meth:`sign_names`."""
        names = self.sign_names()
        for book in self.books:
            if book.sign_names == names:
                continue
            wide = np.full((len(book.signs), len(names)), -1, np.int8)
            wide[:, [names.index(name) for name in book.sign_names]] = book.signs
            book.signs, book.sign_names = wide, names

    def _check_size(self, logbook: Logbook) -> None:
        self._tanks += len(logbook.tanks)
        self._checkins += len(logbook.checkins)
        self._events += len(logbook.events)
        for what, count, most in (
            ("tanks", self._tanks, MAX_TANKS),
            ("check-ins", self._checkins, MAX_CHECKINS),
            ("events", self._events, MAX_EVENTS),
        ):
            if count > most:
                raise PoolError(f"more than {most:,} {what}: make several pools")

    def _add_own_signs(self, logbook: Logbook, label: str) -> None:
        for sign in logbook.catalogue.signs.values():
            if not sign.own:
                continue
            known = self.own.setdefault(sign.name, sign)
            first = self._own_of.setdefault(sign.name, label)
            if _numbers(known) != _numbers(sign):
                raise PoolMismatch(
                    f"{shown(label)} and {shown(first)} have a sign of their own called "
                    f"{sign.name}, with other numbers: agree on one line in signs.csv, or rename "
                    "one of them"
                )


def _numbers(sign: Sign) -> tuple[object, ...]:
    """Return what makes two clubs' own signs the same; labels and advice do not."""
    detection = tuple(m.value for m in sign.detection)
    return (*detection, sign.persistence.value, sign.certainty.value, sign.small, sign.aphia_id)
