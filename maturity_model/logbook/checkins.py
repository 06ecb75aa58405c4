"""Reading the check-ins."""

from __future__ import annotations

from functools import cache

from maturity_model.catalogue import LOOKS
from maturity_model.identity import fold
from maturity_model.logbook.columns import RefusedRow, Row, Table
from maturity_model.logbook.files import normal
from maturity_model.logbook.formulas import as_typed
from maturity_model.logbook.kit_table import Kits
from maturity_model.logbook.kits import Scale
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import YES_NO, DatedRows, optional_name
from maturity_model.logbook.types import CheckIn, Reading, Tank

#: Columns of events, which the form's files also have, and why no cell may stand there.
IN_EVENTS = {
    "event": Fault(
        "is an event, and this is the table of check-ins",
        "add the file with `maturity-model add FILE LOGBOOK`, or move the row into events.csv",
    ),
    "amount": Fault("is the amount of no event", "name the event, or leave it blank"),
}
#: How a sign's answer may be written, lower case.
ANSWERS = YES_NO | {
    "seen": True, "present": True, "detected": True,
    "not seen": False, "absent": False, "notdetected": False,
}  # fmt: skip
_NO_ANSWER = Fault(
    "is neither yes nor no", "write y (seen), n (looked for and not seen) or leave it blank"
)
_IMPOSSIBLE = Fault(
    "is seen in sand, and the tank has none (sand_depth_mm is 0)",
    "correct the answer, or the depth in the tanks table",
)
_NOT_COUNTED = Fault(
    "says nothing in a tank without sand (sand_depth_mm is 0) and is not counted",
    "leave it blank there",
)
#: How a reading without a kit is taken, by analyte and unit, in plainer words than the unit's code.
_ASSUMED = {
    ("salinity", "1"): "is taken as practical salinity (PSU)",
    ("salinity", "sg 25/25"): "can only be a specific gravity; it is taken as 25/25 °C",
    ("ph", "[pH]"): "is taken as pH on the NBS scale",
    ("temperature", "Cel"): "is taken as °C",
    ("alkalinity", "[dKH]"): "is taken as dKH",
}


def read_checkins(table: Table, kits: Kits) -> list[CheckIn]:
    """Read the check-ins; every row is used or reported."""
    return table.read(_CheckIns(table, kits).read)


class _CheckIns:
    def __init__(self, table: Table, kits: Kits):
        self.kits, self.people = kits, table.context.people
        catalogue = table.context.catalogue
        self.rows = DatedRows(table.context)
        columns = table.columns.items()
        self.signs = [(i, catalogue.signs[c]) for c, i in columns if c in catalogue.signs]
        self.readings = [(i, catalogue.analytes[c]) for c, i in columns if c in catalogue.analytes]
        self.in_events = [(c, fault) for c, fault in IN_EVENTS.items() if c in table.columns]
        self.words = {"look": LOOKS, "judged_phase": tuple(catalogue.phases)}
        self.first_lines: dict[tuple[object, ...], int] = {}

    def read(self, row: Row) -> CheckIn:
        """Understand one row."""
        tank, date = self.rows.read(row)
        for column, fault in self.in_events:
            if row[column]:
                raise RefusedRow(column, fault)
        # The same day may be written in two forms, so the date itself is compared.
        day = row.table.columns["date"]
        key = (date, "\0".join(row.cells[:day]), "\0".join(row.cells[day + 1 :]).rstrip("\0"))
        first = self.first_lines.setdefault(key, row.line)
        if first != row.line:
            fault = Fault(f"repeats line {first} cell for cell", "remove one of the two")
            raise RefusedRow(None, fault)
        observer = optional_name(self.people, row, "observer")
        return CheckIn(
            tank.name,
            date,
            observer,
            self._word(row, "look") or "careful",
            self._word(row, "judged_phase"),
            as_typed(row["note"]),
            self._signs(row, tank),
            self._readings(row, tank, observer),
            row.table.file,
            row.line,
        )

    def _word(self, row: Row, column: str) -> str | None:
        if not row[column]:
            return None
        word = normal(row[column])
        if word in self.words[column]:
            return word
        mend = f"write one of {', '.join(self.words[column])} or leave it blank"
        row.report(column, Fault(f"is not a {column.replace('_', ' ')}", mend))
        return None

    def _signs(self, row: Row, tank: Tank) -> dict[str, bool]:
        out = {}
        for index, sign in self.signs:
            text = row.cells[index]
            if not text:
                continue
            answer = ANSWERS.get(fold(text))
            if answer is None:
                row.report(sign.name, _NO_ANSWER)
            elif tank.can_have(sign.needs):
                out[sign.name] = answer
            elif answer:
                row.report(sign.name, _IMPOSSIBLE)
            else:
                row.settle(sign.name, *_NOT_COUNTED)
        return out

    def _readings(self, row: Row, tank: Tank, observer: str) -> dict[str, Reading]:
        out = {}
        for index, analyte in self.readings:
            text = row.cells[index]
            if not text:
                continue
            scale = self.kits.scale(observer, tank.keeper, analyte)
            reading = scale if isinstance(scale, Fault) else scale.read(text)
            if isinstance(reading, Fault):
                row.report(analyte.name, reading)
                continue
            if isinstance(scale, Scale):
                if not scale.named:
                    assumed = _assumption(analyte.name, reading.unit, reading.method)
                    row.settle(analyte.name, *assumed)
                if doubt := scale.doubt(text):
                    row.settle(analyte.name, *doubt)
            out[analyte.name] = reading
        return out


@cache
def _assumption(analyte: str, unit: str, method: str) -> tuple[str, str]:
    how = _ASSUMED.get((analyte, unit)) or f"is taken as {unit}"
    if method == "colour_chart":
        how += " read on a colour chart"
    return f"has no line in kits.csv and {how}", f"add a line for {analyte} to kits.csv"
