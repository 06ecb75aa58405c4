"""What the rows of every table share: dates, names, tanks."""

from __future__ import annotations

import datetime as dt
import unicodedata

from maturity_model.identity import Names, fold, look_alike
from maturity_model.logbook.columns import Context, RefusedRow, Row, SetAsideRow
from maturity_model.logbook.dates import parse_date
from maturity_model.logbook.files import clean_name
from maturity_model.logbook.problems import Fault, shown
from maturity_model.logbook.types import Tank

#: How yes and no may be written in any table, lower case.
YES_NO = {
    "y": True, "yes": True, "1": True, "true": True,
    "n": False, "no": False, "0": False, "false": False,
}  # fmt: skip
MAX_NAME = 80
#: Aquarium logs do not reach further back; an older year is a slip.
EARLIEST = dt.date(1970, 1, 1)


def read_date(row: Row, column: str) -> dt.date | Fault:
    """Return the date in a column, or why it cannot be used. An end may be planned for later."""
    context = row.table.context
    if not row[column]:
        return Fault("is blank", "write the date as 2026-03-25")
    dated = parse_date(row[column], context.date_order)
    if isinstance(dated, Fault):
        return dated
    if dated.date > context.today and column != "ended":
        return Fault(f"lies after today ({context.today})", "correct the date")
    if dated.date < EARLIEST:
        return Fault(f"lies before {EARLIEST.year}", "correct the year")
    if dated.form:
        row.settle(column, dated.form, "write dates as 2026-03-25")
    return dated.date


def read_name(text: str) -> str | Fault:
    """Return a free name as it is written, stripped and in NFC."""
    name = clean_name(text)
    if len(name) > MAX_NAME:
        return Fault(f"is longer than {MAX_NAME} characters", "choose a shorter name")
    if not name.isprintable() and any(
        unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp")
        or c in "\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff"
        for c in name
    ):
        return Fault("holds control characters", "type the name again")
    return name


def known_name(names: Names, row: Row, column: str) -> str | Fault:
    """Return a name as first written; other spellings, and names that look alike, are reported."""
    name = read_name(row[column])
    if isinstance(name, Fault) or not name or name in names:
        return name
    first = names.same(name)
    if first is not None:
        how = f"{names.difference(name, first)}, and is read as that name"
        row.settle(column, how, f"write {shown(first)!r}, as there")
        return first
    alike = names.alike(name)
    if alike is not None:
        how = f"{names.difference(name, alike)}, and is read as another name"
        row.settle(column, how, f"write {shown(alike)!r}, if that is meant")
    names.add(name, row.table.file)
    return name


def optional_name(names: Names, row: Row, column: str) -> str:
    """Return a name that may be blank, as first written; a bad one is reported and not used."""
    name = known_name(names, row, column)
    if isinstance(name, Fault):
        row.report(column, name)
        return ""
    return name


class DatedRows:
    """Reads the tank and the date of the rows of a table; each name is looked up once."""

    def __init__(self, context: Context):
        self._context = context
        self._tanks: dict[str, tuple[Tank | Fault, str]] = {}

    def read(self, row: Row) -> tuple[Tank, dt.date]:
        """Return the tank and the date, which lies between the tank's start and its end."""
        text = row["tank"]
        if text not in self._tanks:
            self._tanks[text] = self._find(clean_name(text))
        tank, how = self._tanks[text]
        if isinstance(tank, Fault):
            row.tank = how or None
            raise RefusedRow("tank", tank)
        row.tank = tank.name
        if how:
            row.settle("tank", how, f"write {shown(tank.name)!r}, as there")
        date = row.needed("date", read_date(row, "date"))
        first = tank.earlier_start or tank.started
        if date < first:
            what = f"lies before the tank was started ({first})"
            raise RefusedRow(
                "date", Fault(what, "correct the date, or the start in the tanks table")
            )
        if tank.ended is not None and date > tank.ended and not date >= tank.started > tank.ended:
            what = f"lies after the tank ended ({tank.ended})"
            raise RefusedRow("date", Fault(what, "correct the date, or the end in the tanks table"))
        if date < tank.started:
            how = f"lies before {shown(tank.name)} was restarted ({tank.started}) and is set aside"
            mend = "nothing, if the tank was emptied then; else remove the date of the restart"
            row.settle("date", how, mend)
            raise SetAsideRow
        return tank, date

    def _find(self, name: str) -> tuple[Tank | Fault, str]:
        """Return the tank and how its name differs; or why there is none, and the refused one.

        No refused tank is named where the row could also be about one that is used.
        """
        context = self._context
        tank = context.tanks.get(name)
        if tank is not None:
            return tank, ""
        if not name:
            return Fault("is blank", "write the tank's name as in tanks.csv"), ""
        if context.tanks_unknown:
            return Tank(name, EARLIEST), ""
        refused = next((r for r in context.refused if fold(r) == fold(name)), None)
        if refused is not None:
            line = context.refused[refused]
            what = f"is a tank whose own row (line {line} of the tanks table) cannot be used"
            in_doubt = any(look_alike(name, other) for other in context.tanks)
            return Fault(what, "mend that row first"), "" if in_doubt else refused
        same = context.tank_names.same(name)
        if same is not None:
            how = f"{context.tank_names.difference(name, same)}, and is read as that tank"
            return context.tanks[same], how
        alike = context.tank_names.alike(name)
        if alike is not None:
            what = f"is not in the tanks table: it {context.tank_names.difference(name, alike)}"
            return Fault(what, f"write {shown(alike)!r}, exactly as there"), ""
        return Fault("is not in the tanks table", "correct the name, or add the tank there"), ""
