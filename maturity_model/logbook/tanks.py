"""Reading the tanks."""

from __future__ import annotations

import datetime as dt

from maturity_model.catalogue import ROCKS, load_ranges
from maturity_model.identity import fold, look_alike
from maturity_model.logbook.columns import RefusedRow, Table, needed
from maturity_model.logbook.files import clean_name, normal
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.plausible import doubt_size, refuse_size
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import YES_NO, Context, DateColumn, optional_name, read_name
from maturity_model.logbook.types import Tank

TANK_COLUMNS = (
    "tank", "keeper", "club", "started", "volume_l", "rock", "sand_depth_mm", "consent",
    "ended", "restarted",
)  # fmt: skip
#: Tanks of one logbook; each becomes a page.
MAX_TANKS = 10_000
#: Weeks from start to today of all tanks together: each takes memory in the panel.
MAX_TANK_WEEKS = 5_000_000


def read_tanks(context: Context, table: Table) -> None:
    """Read the tanks into ``context``; every row is used or reported."""
    rows = _Tanks(context, table)
    context.asks_consent = bool(rows.consents)
    table.read(rows.read)


class _Tanks:
    def __init__(self, context: Context, table: Table):
        self.context, self.table = context, table
        self.dates = {c: DateColumn(context, table, c) for c in ("started", "ended", "restarted")}
        self.places = table.places(*TANK_COLUMNS)
        # A no counts also where it stands in a second such column, or under a misspelled name.
        self.consents = [
            i for i, name in enumerate(table.header) if look_alike(normal(name), "consent")
        ]
        self.weeks = 0

    def read(self, line: int, cells: list[str]) -> None:
        """Add the tank of a row to the context."""
        i_tank, i_keeper, *_ = self.places
        name, keeper = clean_name(cells[i_tank]), clean_name(cells[i_keeper])
        consent = self._consent(line, cells, name)
        try:
            self._read(line, cells, consent)
        except RefusedRow:
            if consent is False:
                self.context.consent_refused.append((name, keeper))
            raise

    def _read(self, line: int, cells: list[str], consent: bool | None) -> None:
        table, tanks, refused = self.table, self.context.tanks, self.context.refused
        text, keeper, club, started_text, volume, rock, sand, _, ended, restarted = (
            cells[i] for i in self.places
        )
        name = needed(read_name(text), "tank", text)
        if not name:
            raise RefusedRow("tank", "", Fault("is blank", "name the tank"))
        if name in tanks:
            what = f"is a tank that line {tanks[name].line} has already"
            raise RefusedRow("tank", text, Fault(what, "keep one of the two rows"), name)
        refused.setdefault(name, line)  # until the rest of the row can be used
        self._check_name(line, text, name)
        first = needed(
            self.dates["started"].read(line, started_text), "started", started_text, name
        )
        ends = self._date(line, "ended", ended, name, first)
        again = self._date(line, "restarted", restarted, name, first)
        started = again or first
        self.weeks += (self.context.today - started).days // 7 + 1
        if len(tanks) >= MAX_TANKS or self.weeks > MAX_TANK_WEEKS:
            what = f"is beyond {MAX_TANKS:,} tanks or {MAX_TANK_WEEKS:,} weeks of all tanks"
            raise RefusedRow("tank", text, Fault(what, "split the logbook"), name)
        del refused[name]
        tanks[name] = Tank(
            name=name,
            started=started,
            keeper=optional_name(self.context.people, table, line, "keeper", keeper, name),
            club=optional_name(self.context.clubs, table, line, "club", club, name),
            volume_l=self._size(line, "volume_l", volume, name),
            rock=self._rock(line, rock, name),
            sand_depth_mm=self._size(line, "sand_depth_mm", sand, name),
            line=line,
            consent=consent,
            ended=ends,
            earlier_start=first if again else None,
        )

    def _date(self, line: int, column: str, text: str, tank: str, start: dt.date) -> dt.date | None:
        """Read the day of an end or a restart; the tank is used without a bad one."""
        if not text:
            return None
        date = self.dates[column].read(line, text)
        if not isinstance(date, Fault):
            if date >= start:
                return date
            date = Fault(f"lies before the start ({start})", "correct one of the two dates")
        self.table.cell(line, column, text, date, tank, withholds=True)
        return None

    def _rock(self, line: int, text: str, tank: str) -> str | None:
        if not text or normal(text) in ROCKS:
            return normal(text) or None
        fault = Fault("is not a kind of rock", f"write {', '.join(ROCKS)} or leave it blank")
        self.table.cell(line, "rock", text, fault, tank)
        return None

    def _check_name(self, line: int, text: str, name: str) -> None:
        """Refuse a second row whose tank could be that of an earlier one."""
        names = self.context.tank_names
        first = names.same(name) or names.alike(name)
        if first is not None and first != name:
            what = names.difference(name, first)
            mend = "keep one of the two rows, or give one tank quite another name"
            if fold(first) == fold(name) or not (first + name).isascii():
                raise RefusedRow("tank", text, Fault(f"{what} and looks the same", mend), name)
            # Such as L1 and 11: plain letters and digits are as they were typed.
            self.table.settle(line, "tank", text, f"{what}, and is read as another tank", mend)
        names.add(name, self.table.file)

    def _consent(self, line: int, cells: list[str], tank: str) -> bool | None:
        """Read whether the tank may be pooled; what cannot be read is a no."""
        answers = []
        for text in filter(None, (cells[i] for i in self.consents if i < len(cells))):
            answers.append(YES_NO.get(fold(text), False))
            if fold(text) not in YES_NO:
                what = "is neither yes nor no; it is taken as no"
                fault = Fault(what, "write yes, no, or nothing")
                self.table.cell(line, "consent", text, fault, tank)
        return all(answers) if answers else None

    def _size(self, line: int, column: str, text: str, tank: str) -> float | None:
        """Read a volume (above 0) or a sand depth (0 is a bare bottom)."""
        if not text:
            return None
        sand = column == "sand_depth_mm"
        most, unit = load_ranges()[column].high, "mm" if sand else "litres"
        value = parse_number(text, self.context.decimal)
        if not isinstance(value, Fault):
            if 0 < value <= most or (value == 0 and sand):
                if doubt := doubt_size(column, value):
                    self.table.settle(line, column, text, *doubt)
                return value
            least = "0 or more" if sand else "a number above 0"
            mend = f"write {least}, at most {most:,.0f} {unit}"
            value = Fault(f"cannot be a number of {unit}", mend)
        self.table.cell(line, column, text, refuse_size(column, text) or value, tank)
        return None
