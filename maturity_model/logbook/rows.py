"""What the rows of every table share: dates, names, tanks."""

from __future__ import annotations

import datetime as dt
import unicodedata

from maturity_model.catalogue import Catalogue
from maturity_model.logbook.columns import RefusedRow, SetAsideRow, Table, needed
from maturity_model.logbook.dates import parse_date
from maturity_model.logbook.files import clean_name, normal
from maturity_model.logbook.problems import Collector, Fault, shown
from maturity_model.logbook.types import Tank

#: How yes and no may be written in any table, lower case.
YES_NO = {
    "y": True, "yes": True, "1": True, "true": True,
    "n": False, "no": False, "0": False, "false": False,
}  # fmt: skip
MAX_NAME = 80
#: Aquarium logs do not reach further back; an older year is a slip.
EARLIEST = dt.date(1970, 1, 1)


class Context:
    """Shared by all tables of a logbook while they are read.

    ``refused`` holds the line of the unusable row of each refused tank.
    """

    def __init__(self, catalogue: Catalogue, problems: Collector, today: dt.date):
        self.catalogue, self.problems, self.today = catalogue, problems, today
        self.date_order: str | None = None
        self.decimal: str | None = None
        self.tanks: dict[str, Tank] = {}
        self.asks_consent = False
        self.refused: dict[str, int] = {}


class DateColumn:
    """Reads one date column; each text is parsed once."""

    def __init__(self, context: Context, table: Table, column: str):
        self._context, self._table, self._column = context, table, column
        self._parsed: dict[str, tuple[dt.date | Fault, str]] = {}

    def read(self, line: int, text: str) -> dt.date | Fault:
        """Return the date, or why the row cannot be used."""
        if text not in self._parsed:
            self._parsed[text] = self._read(text)
        date, form = self._parsed[text]
        if form:
            self._table.settle(line, self._column, text, form, "write dates as 2026-03-25")
        return date

    def _read(self, text: str) -> tuple[dt.date | Fault, str]:
        if not text:
            return Fault("is blank", "write the date as 2026-03-25"), ""
        dated = parse_date(text, self._context.date_order)
        if isinstance(dated, Fault):
            return dated, ""
        if dated.date > self._context.today:
            return Fault(f"lies after today ({self._context.today})", "correct the date"), ""
        if dated.date < EARLIEST:
            return Fault(f"lies before {EARLIEST.year}", "correct the year"), ""
        return dated.date, dated.form


def read_name(text: str) -> str | Fault:
    """Return a free name, compared exactly after stripping and NFC."""
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


def optional_name(table: Table, line: int, column: str, text: str, tank: str) -> str:
    """Return a name that may be blank; a bad one is reported and not used."""
    name = read_name(text)
    if isinstance(name, Fault):
        table.cell(line, column, text, name, tank)
        return ""
    return name


class DatedRows:
    """Reads the tank and the date of the rows of a table; each text is looked up once."""

    def __init__(self, context: Context, table: Table):
        self._context, self._table = context, table
        self._dates = DateColumn(context, table, "date")
        self._tanks: dict[str, Tank | Fault] = {}
        self._folded = {normal(name): name for name in context.tanks}

    def read(self, line: int, tank_text: str, date_text: str) -> tuple[Tank, dt.date]:
        """Return the tank and the date, which lies between the tank's start and its end.

        Raises
        ------
        RefusedRow
        SetAsideRow
            For a row from before a restart.
        """
        if tank_text not in self._tanks:
            self._tanks[tank_text] = self._find(clean_name(tank_text))
        tank = self._tanks[tank_text]
        if isinstance(tank, Fault):
            name = clean_name(tank_text)
            refused = name if name in self._context.refused else None
            raise RefusedRow("tank", tank_text, tank, refused)
        date = needed(self._dates.read(line, date_text), "date", date_text, tank.name)
        first = tank.earlier_start or tank.started
        fault = None
        if date < first:
            what = f"lies before the tank was started ({first})"
            fault = Fault(what, "correct the date, or the start in the tanks table")
        elif tank.ended is not None and date > tank.ended and not date >= tank.started > tank.ended:
            what = f"lies after the tank ended ({tank.ended})"
            fault = Fault(what, "correct the date, or the end in the tanks table")
        if fault is not None:
            raise RefusedRow("date", date_text, fault, tank.name)
        if date < tank.started:
            how = f"lies before {shown(tank.name)} was restarted ({tank.started}) and is set aside"
            mend = "nothing, if the tank was emptied then; else remove the date of the restart"
            self._table.settle(line, "date", date_text, how, mend)
            raise SetAsideRow
        return tank, date

    def _find(self, name: str) -> Tank | Fault:
        tank = self._context.tanks.get(name)
        if tank is not None:
            return tank
        if not name:
            return Fault("is blank", "write the tank's name as in tanks.csv")
        if name in self._context.refused:
            line = self._context.refused[name]
            what = f"is a tank whose own row (line {line} of the tanks table) cannot be used"
            return Fault(what, "mend that row first")
        alike = self._folded.get(normal(name))
        if alike is not None:
            return Fault("is not in the tanks table", f"write {alike!r}, exactly as there")
        return Fault("is not in the tanks table", "correct the name, or add the tank there")
