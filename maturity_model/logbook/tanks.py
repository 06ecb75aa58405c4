"""Reading the tanks."""

from __future__ import annotations

import datetime as dt

from maturity_model.catalogue import ROCKS, load_ranges
from maturity_model.identity import fold, look_alike
from maturity_model.logbook.columns import RefusedRow, Row, Table
from maturity_model.logbook.files import clean_name, normal
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.plausible import doubt_size, refuse_size
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import YES_NO, optional_name, read_date, read_name
from maturity_model.logbook.types import Tank

TANK_COLUMNS = (
    "tank", "keeper", "club", "started", "volume_l", "rock", "sand_depth_mm", "consent",
    "ended", "restarted",
)  # fmt: skip
#: Tanks of one logbook; each becomes a page.
MAX_TANKS = 10_000
#: Weeks from start to today of all tanks together: each takes memory in the panel.
MAX_TANK_WEEKS = 5_000_000


def read_tanks(table: Table) -> None:
    """Read the tanks into the table's context; every row is used or reported."""
    table.read(_Tanks(table).read)


class _Tanks:
    def __init__(self, table: Table):
        self.context = table.context
        # A no counts also where it stands in a second such column, or under a misspelled name.
        self.consents = [
            i for i, name in enumerate(table.header) if look_alike(normal(name), "consent")
        ]
        self.context.asks_consent = bool(self.consents)
        self.weeks = 0

    def read(self, row: Row) -> None:
        """Add the tank of a row to the context."""
        name = clean_name(row["tank"])
        row.tank = name
        consent = self._consent(row)
        row.tank = None  # until the name is known to be good
        try:
            self._read(row, consent)
        except RefusedRow:
            if consent is False:
                self.context.consent_refused.append((name, clean_name(row["keeper"])))
            raise

    def _read(self, row: Row, consent: bool | None) -> None:
        context, tanks, refused = self.context, self.context.tanks, self.context.refused
        name = row.needed("tank", read_name(row["tank"]))
        if not name:
            raise RefusedRow("tank", Fault("is blank", "name the tank"))
        row.tank = name
        if name in tanks:
            what = f"is a tank that line {tanks[name].line} has already"
            raise RefusedRow("tank", Fault(what, "keep one of the two rows"))
        refused.setdefault(name, row.line)  # until the rest of the row can be used
        self._check_name(row, name)
        first = row.needed("started", read_date(row, "started"))
        ended = self._date(row, "ended", first)
        again = self._date(row, "restarted", first)
        started = again or first
        self.weeks += (context.today - started).days // 7 + 1
        if len(tanks) >= MAX_TANKS or self.weeks > MAX_TANK_WEEKS:
            what = f"is beyond {MAX_TANKS:,} tanks or {MAX_TANK_WEEKS:,} weeks of all tanks"
            raise RefusedRow("tank", Fault(what, "split the logbook"))
        del refused[name]
        tanks[name] = Tank(
            name=name,
            started=started,
            keeper=optional_name(context.people, row, "keeper"),
            club=optional_name(context.clubs, row, "club"),
            volume_l=self._size(row, "volume_l"),
            rock=self._rock(row),
            sand_depth_mm=self._size(row, "sand_depth_mm"),
            line=row.line,
            consent=consent,
            ended=ended,
            earlier_start=first if again else None,
        )

    def _date(self, row: Row, column: str, start: dt.date) -> dt.date | None:
        """Read the day of an end or a restart; the tank is used without a bad one."""
        if not row[column]:
            return None
        date = read_date(row, column)
        if not isinstance(date, Fault):
            if date >= start:
                return date
            date = Fault(f"lies before the start ({start})", "correct one of the two dates")
        row.report(column, date, withholds=True)
        return None

    def _rock(self, row: Row) -> str | None:
        rock = normal(row["rock"])
        if not row["rock"] or rock in ROCKS:
            return rock or None
        mend = f"write {', '.join(ROCKS)} or leave it blank"
        row.report("rock", Fault("is not a kind of rock", mend))
        return None

    def _check_name(self, row: Row, name: str) -> None:
        """Refuse a second row whose tank could be that of an earlier one."""
        names = self.context.tank_names
        first = names.same(name) or names.alike(name)
        if first is not None and first != name:
            what = names.difference(name, first)
            mend = "keep one of the two rows, or give one tank quite another name"
            if fold(first) == fold(name) or not (first + name).isascii():
                raise RefusedRow("tank", Fault(f"{what} and looks the same", mend))
            # Such as L1 and 11: plain letters and digits are as they were typed.
            row.settle("tank", f"{what}, and is read as another tank", mend)
        names.add(name, row.table.file)

    def _consent(self, row: Row) -> bool | None:
        """Read whether the tank may be pooled; what cannot be read is a no."""
        texts = [row.cells[i] for i in self.consents if i < len(row.cells) and row.cells[i]]
        for text in texts:
            if fold(text) not in YES_NO:
                what = "is neither yes nor no; it is taken as no"
                row.report("consent", Fault(what, "write yes, no, or nothing"), value=text)
        return all(YES_NO.get(fold(text), False) for text in texts) if texts else None

    def _size(self, row: Row, column: str) -> float | None:
        """Read a volume (above 0) or a sand depth (0 is a bare bottom)."""
        text = row[column]
        if not text:
            return None
        sand = column == "sand_depth_mm"
        most, unit = load_ranges()[column].high, "mm" if sand else "litres"
        value = parse_number(text, self.context.decimal)
        if not isinstance(value, Fault):
            if 0 < value <= most or (value == 0 and sand):
                if doubt := doubt_size(column, value):
                    row.settle(column, *doubt)
                return value
            least = "0 or more" if sand else "a number above 0"
            mend = f"write {least}, at most {most:,.0f} {unit}"
            value = Fault(f"cannot be a number of {unit}", mend)
        row.report(column, refuse_size(column, text) or value)
        return None
