"""The tables of a pool: columns, types, constraints, and their Frictionless descriptor."""

from __future__ import annotations

from typing import Any, NamedTuple

from maturity_model.catalogue import LOOKS, METHODS, ROCKS, Catalogue
from maturity_model.pooling.merge import SAND_BANDS, VOLUME_BANDS
from maturity_model.pooling.pseudonyms import DIGITS, LETTERS

#: Format of pools; those of version 0.1 had no digest over their descriptor.
FORMAT, WITHOUT_DIGEST = 2, 1
#: Table Schema types and what they are in Parquet.
ARROW = {"string": "string", "yearmonth": "string", "integer": "int32", "number": "double",
         "boolean": "bool"}  # fmt: skip


class Column(NamedTuple):
    """One column: ``type`` is one of Table Schema, ``kind`` what a pseudonym stands for."""

    name: str
    type: str
    description: str
    required: bool = True
    choices: tuple[str, ...] = ()
    kind: str = ""
    low: int | None = None

    def descriptor(self) -> dict[str, Any]:
        """As a Table Schema field."""
        constraints = {
            "required": self.required or None,
            "enum": list(self.choices) or None,
            "pattern": pattern(self.kind) if self.kind else None,
            "minimum": self.low,
        }
        given = {name: value for name, value in constraints.items() if value is not None}
        out = {"name": self.name, "type": self.type, "description": self.description}
        return out | ({"constraints": given} if given else {})


class TableKind(NamedTuple):
    """One table: ``key`` is unique to a row; ``parents`` maps columns to a table's key."""

    name: str
    title: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    parents: tuple[tuple[tuple[str, ...], str], ...] = ()


def pattern(kind: str) -> str:
    """Regular expression of a pseudonym."""
    return f"{LETTERS[kind]}-[0-9a-f]{{{DIGITS}}}"


_TANK = Column("tank", "string", "Pseudonym of the tank.", kind="tank")
_DAY = Column("day", "integer", "Days since the tank was started.", low=0)


def tables(catalogue: Catalogue, sign_names: tuple[str, ...]) -> tuple[TableKind, ...]:
    """Return the tables of a pool with these signs, parents first."""
    return (
        _tanks(),
        _checkins(catalogue, sign_names),
        _readings(catalogue),
        _events(catalogue),
        _kits(catalogue),
    )


def _tanks() -> TableKind:
    return TableKind(
        "tanks", "Tanks", (
            _TANK,
            Column("keeper", "string", "Pseudonym of the keeper; a tank whose keeper was not "
                   "logged has its own.", kind="keeper"),
            Column("club", "string", "Pseudonym of the club.", kind="club"),
            Column("start_month", "yearmonth", "Month in which the tank was started."),
            Column("rock", "string", "Kind of rock it was started with.", False, ROCKS),
            Column("volume_band", "string", "Its volume, in bands.", False,
                   tuple(name for _, name in VOLUME_BANDS)),
            Column("sand_band", "string", "Depth of its sand, in bands.", False,
                   tuple(name for _, name in SAND_BANDS)),
            Column("last_day", "integer", "Day, counted from the start, to which the log is "
                   "taken to run.", low=0),
            Column("water_known_week", "integer", "Week from which its keeper's water changes "
                   "are known to be logged; missing: never.", False, low=0),
        ),
        ("tank",),
    )  # fmt: skip


def _checkins(catalogue: Catalogue, sign_names: tuple[str, ...]) -> TableKind:
    return TableKind(
        "checkins", "Dated looks at a tank", (
            _TANK,
            Column("look_number", "integer", "Counts the tank's check-ins.", low=0),
            _DAY,
            Column("observer", "string", "Pseudonym of who looked.", False, kind="keeper"),
            Column("look", "string", "How it was looked.", choices=LOOKS),
            Column("judged_phase", "string", "The phase as an experienced keeper judged it.",
                   False, tuple(catalogue.phases)),
            *(
                Column(name, "boolean", "True: detected; false: looked for and not detected; "
                       "missing: not checked.", required=False)
                for name in sign_names
            ),
        ),
        ("tank", "look_number"), ((("tank",), "tanks"),),
    )  # fmt: skip


def _readings(catalogue: Catalogue) -> TableKind:
    return TableKind(
        "readings", "Test results, known to an interval", (
            _TANK,
            Column("look_number", "integer", "The check-in it belongs to.", low=0),
            Column("analyte", "string", "What was measured.",
                   choices=tuple(catalogue.analytes)),
            Column("qualifier", "string", "Below (<) or above (>) the number, else missing.",
                   False, ("<", ">")),
            Column("value", "number", "The number as written, in unit."),
            Column("unit", "string", "The unit it was written in (UCUM, and the substance)."),
            Column("method", "string", "How it was read.", choices=METHODS),
            Column("low", "number", "The true value is at least this (canonical unit)."),
            Column("high", "number", "And at most this (canonical unit); missing: no bound.",
                   False),
            Column("best", "number", "One number for the reading (canonical unit)."),
        ),
        ("tank", "look_number", "analyte"),
        ((("tank", "look_number"), "checkins"),),
    )  # fmt: skip


def _events(catalogue: Catalogue) -> TableKind:
    return TableKind(
        "events", "What was done to or suffered by a tank", (
            _TANK,
            Column("event_number", "integer", "Counts the tank's events.", low=0),
            _DAY,
            Column("event", "string", "What happened.", choices=tuple(catalogue.events)),
            Column("amount", "number", "How much, in the event's unit.", False),
        ),
        ("tank", "event_number"), ((("tank",), "tanks"),),
    )  # fmt: skip


def _kits(catalogue: Catalogue) -> TableKind:
    return TableKind(
        "kits", "How a keeper reads an analyte", (
            Column("keeper", "string", "Pseudonym of the keeper.", kind="keeper"),
            Column("analyte", "string", "What is measured.",
                   choices=tuple(catalogue.analytes)),
            Column("method", "string", "How it is read.", choices=METHODS),
            Column("unit", "string", "The unit of the kit (UCUM, and the substance)."),
            Column("steps", "string", "Steps of the colour chart in that unit, parted by ; "
                   "(missing: the usual chart).", False),
        ),
        ("keeper", "analyte"),
    )  # fmt: skip


def codes(catalogue: Catalogue, sign_names: tuple[str, ...]) -> dict[str, Any]:
    """Return the meaning of the codes in a pool, as far as a reader must agree on it."""
    return {
        "phases": list(catalogue.phases),
        "looks": list(LOOKS),
        "methods": list(METHODS),
        "rocks": list(ROCKS),
        "signs": [name for name in sign_names if name in catalogue.signs],
        "analytes": {a.name: a.unit for a in catalogue.analytes.values()},
        "events": {e.name: e.unit for e in catalogue.events.values()},
    }
