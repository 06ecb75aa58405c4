"""What the rows of every table share: dates, names, tanks."""

from __future__ import annotations

import datetime as dt
import unicodedata

from maturity_model.catalogue import ROCKS, Catalogue
from maturity_model.logbook.columns import Table
from maturity_model.logbook.dates import parse_date
from maturity_model.logbook.files import clean_name, normal
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.problems import Collector, Fault
from maturity_model.logbook.types import Tank

TANK_COLUMNS = (
    "tank", "keeper", "club", "started", "volume_l", "rock", "sand_depth_mm", "consent",
)  # fmt: skip
#: Whether a tank may be pooled, lower case.
_CONSENTS = {
    "y": True, "yes": True, "1": True, "true": True,
    "n": False, "no": False, "0": False, "false": False,
}  # fmt: skip
MAX_NAME = 80
#: Tanks of one logbook; each becomes a page.
MAX_TANKS = 10_000
#: Weeks from start to today of all tanks together: each takes memory in the panel.
MAX_TANK_WEEKS = 5_000_000
#: Aquarium logs do not reach further back; an older year is a slip.
EARLIEST = dt.date(1970, 1, 1)
_MAX_VOLUME = 10_000_000.0
_MAX_SAND = 2_000.0


class Context:
    """What all tables are read with.

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
    """Reads one date column, remembering what it has seen."""

    def __init__(self, context: Context, table: Table, column: str):
        self._context, self._file, self._column = context, table.file, column
        self._seen: dict[str, tuple[dt.date | Fault, str]] = {}

    def read(self, line: int, text: str) -> dt.date | Fault:
        """Return the date, or why the row cannot be used."""
        found = self._seen.get(text)
        if found is None:
            found = self._seen[text] = self._read(text)
        date, form = found
        if form:
            self._context.problems.settle(
                self._file, line, self._column, text, form, "write dates as 2026-03-25"
            )
        return date

    def _read(self, text: str) -> tuple[dt.date | Fault, str]:
        if not text:
            return Fault("is blank", "write the date as 2026-03-25"), ""
        found = parse_date(text, self._context.date_order)
        if isinstance(found, Fault):
            return found, ""
        if found.date > self._context.today:
            return Fault(f"lies after today ({self._context.today})", "correct the date"), ""
        if found.date < EARLIEST:
            return Fault(f"lies before {EARLIEST.year}", "correct the year"), ""
        return found.date, found.form


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


def optional_name(
    context: Context, table: Table, line: int, column: str, text: str, tank: str
) -> str:
    """Return a name that may be blank; a bad one is reported and not used."""
    name = read_name(text)
    if isinstance(name, Fault):
        context.problems.cell(table.file, line, column, text, name, tank)
        return ""
    return name


class TankColumn:
    """Finds the tank that a row names."""

    def __init__(self, context: Context):
        self._context = context
        self._seen: dict[str, Tank | Fault] = {}
        self._folded = {normal(name): name for name in context.tanks}

    def read(self, text: str) -> Tank | Fault:
        """Return the tank, or why the row cannot be used."""
        found = self._seen.get(text)
        if found is None:
            found = self._seen[text] = self._read(text)
        return found

    def _read(self, text: str) -> Tank | Fault:
        name = clean_name(text)
        tank = self._context.tanks.get(name)
        if tank is not None:
            return tank
        if not name:
            return Fault("is blank", "write the tank's name as in tanks.csv")
        if name in self._context.refused:
            line = self._context.refused[name]
            return Fault(
                f"is a tank whose own row (line {line} of the tanks table) cannot be used",
                "mend that row first",
            )
        alike = self._folded.get(normal(name))
        if alike is not None:
            return Fault("is not in the tanks table", f"write {alike!r}, exactly as there")
        return Fault("is not in the tanks table", "correct the name, or add the tank there")


def read_tanks(context: Context, table: Table) -> None:
    """Read the tanks into ``context``; every row is used or reported."""
    problems = context.problems
    dates = DateColumn(context, table, "started")
    places = table.places(*TANK_COLUMNS)
    weeks = 0
    context.asks_consent = "consent" in table.columns
    for line, cells in table:
        text, keeper, club, started_text, volume, rock, sand, consent = (cells[i] for i in places)
        name = read_name(text)
        if isinstance(name, Fault):
            problems.row(table.file, line, "tank", text, name)
            continue
        if not name:
            problems.row(table.file, line, "tank", "", Fault("is blank", "name the tank"))
            continue
        if name in context.tanks:
            first = context.tanks[name].line
            fault = Fault(f"is a tank that line {first} has already", "keep one of the two rows")
            problems.row(table.file, line, "tank", text, fault, name)
            continue
        started = dates.read(line, started_text)
        if isinstance(started, Fault):
            problems.row(table.file, line, "started", started_text, started, name)
            context.refused.setdefault(name, line)
            continue
        weeks += (context.today - started).days // 7 + 1
        if len(context.tanks) >= MAX_TANKS or weeks > MAX_TANK_WEEKS:
            what = f"is beyond {MAX_TANKS:,} tanks or {MAX_TANK_WEEKS:,} weeks of all tanks"
            problems.row(table.file, line, "tank", text, Fault(what, "split the logbook"), name)
            context.refused.setdefault(name, line)
            continue
        context.refused.pop(name, None)
        context.tanks[name] = Tank(
            name=name,
            started=started,
            keeper=optional_name(context, table, line, "keeper", keeper, name),
            club=optional_name(context, table, line, "club", club, name),
            volume_l=_size(context, table, line, "volume_l", volume, _MAX_VOLUME, name),
            rock=_rock(context, table, line, rock, name),
            sand_depth_mm=_size(context, table, line, "sand_depth_mm", sand, _MAX_SAND, name),
            line=line,
            consent=_consent(context, table, line, consent, name),
        )
        table.used()


def _rock(context: Context, table: Table, line: int, text: str, tank: str) -> str | None:
    if not text:
        return None
    if normal(text) in ROCKS:
        return normal(text)
    fault = Fault("is not a kind of rock", f"write {', '.join(ROCKS)} or leave it blank")
    context.problems.cell(table.file, line, "rock", text, fault, tank)
    return None


def _consent(context: Context, table: Table, line: int, text: str, tank: str) -> bool | None:
    """Read whether the tank may be pooled; what cannot be read is a no."""
    if not text:
        return None
    answer = _CONSENTS.get(text.lower())
    if answer is None:
        fault = Fault("is neither yes nor no; it is taken as no", "write yes, no, or nothing")
        context.problems.cell(table.file, line, "consent", text, fault, tank)
        return False
    return answer


def _size(
    context: Context, table: Table, line: int, column: str, text: str, most: float, tank: str
) -> float | None:
    """Read a volume (above 0) or a sand depth (0 is a bare bottom)."""
    if not text:
        return None
    value = parse_number(text, context.decimal)
    if not isinstance(value, Fault):
        if 0 < value <= most or (value == 0 and column == "sand_depth_mm"):
            return value
        unit = "mm" if column.endswith("mm") else "litres"
        value = Fault(f"cannot be a number of {unit}", f"write at most {most:,.0f} {unit}")
    context.problems.cell(table.file, line, column, text, value, tank)
    return None
