"""Logbooks as arrays, one after the other: all that a pool may need, in little memory."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from maturity_model._typing import Ints
from maturity_model.catalogue import LOOKS, Catalogue, Sign
from maturity_model.logbook import CheckIn, Event, Kit, Logbook, Reading, Tank
from maturity_model.logbook.problems import shown
from maturity_model.pooling.problems import PoolError, PoolMismatch

#: Bounds of one pool.
MOST = {"clubs": 1_000, "tanks": 100_000, "check-ins": 2_000_000, "events": 2_000_000}

Int32s = NDArray[np.int32]


def as_written(reading: Reading) -> tuple[str, float]:
    """Sign of a reading ('', '<' or '>') and its number, in the reading's unit."""
    sign = reading.text[:1] if reading.text[:1] in ("<", ">") else ""
    # The reader took it for a number already, with one decimal mark at most.
    return sign, float(reading.text[len(sign) :].strip().replace(",", "."))


class Book(NamedTuple):
    """What holds for a whole logbook, partly as in :class:`.Logbook`; its label is unique.

    ``withheld``: something that may hold a no was not read of it, so none of its tanks is pooled.
    """

    label: str
    kits: tuple[Kit, ...]
    asks_consent: bool
    consent_refused: tuple[tuple[str, str], ...]
    withheld: bool


class LogbookArrays:
    """All logbooks of a run; names are needed for the pseudonyms, notes are left out.

    :meth:`add` takes the logbooks in, :meth:`finish` makes the arrays by check-in.

    Attributes
    ----------
    catalogue : Catalogue
        Without the clubs' own signs.
    books : list of Book
    tanks : list of Tank, length N
        Logbook by logbook.
    book : list of int, length N
        Logbook of each tank.
    events : list of list of Event, length N
    people : list of (int, str)
        Logbook and name of those who looked.
    own : dict of str to Sign
        The clubs' own signs.
    readings : list of Reading
        The distinct ones, without their spelling.
    tank, day, look, judged, observer : int32 ndarray, shape (C,)
        Per check-in, by tank, then date, then place in the log: index of the tank, ordinal
        of the date, index of the look, of the phase (-1 none), and of the observer
        in ``people`` (-1 not logged).
    signs : int8 ndarray, shape (C, G)
        1 seen, 0 looked for and not seen, -1 not checked; columns are :meth:`sign_names`.
    read : int32 ndarray, shape (C, A)
        Index of the reading in ``readings``, -1 none.
    first : int64 ndarray, shape (N + 1,)
        Check-ins of tank n are ``first[n]:first[n + 1]``.
    """

    def __init__(self, catalogue: Catalogue):
        self.catalogue = catalogue
        self.books: list[Book] = []
        self.tanks: list[Tank] = []
        self.book: list[int] = []
        self.events: list[list[Event]] = []
        self.people: list[tuple[int, str]] = []
        self.own: dict[str, Sign] = {}
        self._codes: dict[Reading, int] = {}
        self._own_of: dict[str, str] = {}
        self._sizes: Counter[str] = Counter()
        # The arrays exist even if no logbook can be read.
        self._parts = [self._by_checkin((), (), {})]

    def add(self, logbook: Logbook, label: str, *, withheld: bool = False) -> None:
        """Take a logbook in; for ``withheld`` see :class:`Book`."""
        self._check_size(logbook)
        self._add_own_signs(logbook, label)
        index = {name: i for i, name in enumerate(logbook.tanks, len(self.tanks))}
        self.tanks += logbook.tanks.values()
        self.book += [len(self.books)] * len(index)
        self.events += [[] for _ in index]
        for e in logbook.events:
            self.events[index[e.tank]].append(Event(e.tank, e.date, e.kind, e.amount))
        signs = tuple(logbook.catalogue.signs)
        self._parts.append(self._by_checkin(logbook.checkins, signs, index))
        consent = logbook.asks_consent, logbook.consent_refused, withheld
        self.books.append(Book(label, logbook.kits, *consent))

    def finish(self) -> None:
        """Make the arrays by check-in, once all logbooks were added."""
        names = self.sign_names()
        for part in self._parts:
            theirs, signs = part["sign_names"], part["signs"]
            part["signs"] = np.full((len(signs), len(names)), -1, np.int8)
            part["signs"][:, [names.index(name) for name in theirs]] = signs

        def stack(name: str) -> Any:
            return np.concatenate([part.pop(name) for part in self._parts])

        self.tank: Int32s = stack("tank")
        self.day: Int32s = stack("day")
        self.look: Int32s = stack("look")
        self.judged: Int32s = stack("judged")
        self.observer: Int32s = stack("observer")
        self.signs: NDArray[np.int8] = stack("signs")
        self.read: Int32s = stack("read")
        self.readings: list[Reading] = list(self._codes)
        self.first: Ints = np.searchsorted(self.tank, np.arange(len(self.tanks) + 1))

    def _by_checkin(
        self, checkins: Sequence[CheckIn], sign_names: tuple[str, ...], index: dict[str, int]
    ) -> dict[str, Any]:
        """Arrays of a logbook's check-ins, with ``signs`` in its own order."""
        tank = np.array([index[c.tank] for c in checkins], dtype=np.int32)
        # The log is sorted by date, then place: a stable sort keeps that within each tank.
        order = np.argsort(tank, kind="stable")
        checkins = [checkins[i] for i in order]
        phases = list(self.catalogue.phases)
        sign_index = {name: i for i, name in enumerate(sign_names)}
        analyte_index = {name: i for i, name in enumerate(self.catalogue.analytes)}
        signs = np.full((len(checkins), len(sign_index)), -1, np.int8)
        read = np.full((len(checkins), len(analyte_index)), -1, np.int32)
        # Equal texts read with the same kit are one object.
        known: dict[int, int] = {}
        for i, c in enumerate(checkins):
            for name, seen in c.signs.items():
                signs[i, sign_index[name]] = seen
            for name, reading in c.readings.items():
                if id(reading) not in known:
                    # Without its spelling: "0.250" and ",25" become "0.25".
                    sign, value = as_written(reading)
                    plain = replace(reading, text=f"{sign}{value!r}", first_step=0.0)
                    known[id(reading)] = self._codes.setdefault(plain, len(self._codes))
                read[i, analyte_index[name]] = known[id(reading)]
        names = dict.fromkeys(c.observer for c in checkins if c.observer)
        people = {name: i for i, name in enumerate(names, len(self.people))}
        self.people += [(len(self.books), name) for name in people]

        def int32s(values: Iterable[int]) -> Int32s:
            return np.fromiter(values, np.int32, len(checkins))

        return {
            "tank": tank[order],
            "day": int32s(c.date.toordinal() for c in checkins),
            "look": int32s(LOOKS.index(c.look) for c in checkins),
            "judged": int32s(
                phases.index(c.judged_phase) if c.judged_phase else -1 for c in checkins
            ),
            "observer": int32s(people.get(c.observer, -1) for c in checkins),
            "signs": signs,
            "read": read,
            "sign_names": sign_names,
        }

    def rows(self, tank: int) -> slice:
        """Check-ins of a tank."""
        return slice(int(self.first[tank]), int(self.first[tank + 1]))

    def answers(self, rows: slice | Ints) -> Int32s:
        """Signs, then readings, of some check-ins: shape (rows, G + A), -1 without an answer."""
        return np.concatenate([self.signs[rows].astype(np.int32), self.read[rows]], axis=1)

    def has_checkins(self, tank: int) -> bool:
        """Whether a tank has a check-in."""
        return bool(self.first[tank] < self.first[tank + 1])

    def label(self, tank: int) -> str:
        """Label of a tank's logbook."""
        return self.books[self.book[tank]].label

    def says_no(self, tank: int) -> bool:
        """Whether a tank said no, or may have, where it was not read."""
        return self.books[self.book[tank]].withheld or self.tanks[tank].consent is False

    def sign_names(self) -> tuple[str, ...]:
        """Signs of the pool: the catalogue's, then the clubs' own by name."""
        return (*self.catalogue.signs, *sorted(self.own))

    def _check_size(self, logbook: Logbook) -> None:
        sizes = len(logbook.tanks), len(logbook.checkins), len(logbook.events)
        self._sizes.update(dict(zip(("tanks", "check-ins", "events"), sizes, strict=True)))
        for what, count in self._sizes.items():
            if count > MOST[what]:
                raise PoolError(f"more than {MOST[what]:,} {what}: make several pools")

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
