"""Reading the check-ins."""

from __future__ import annotations

from maturity_model.catalogue import LOOKS, Analyte
from maturity_model.catalogue.load import CHECKIN_COLUMNS
from maturity_model.identity import fold
from maturity_model.logbook.columns import RefusedRow, Table
from maturity_model.logbook.files import normal
from maturity_model.logbook.formulas import as_typed
from maturity_model.logbook.kit_table import Kits
from maturity_model.logbook.kits import Scale
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import YES_NO, Context, DatedRows, optional_name
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


def read_checkins(context: Context, table: Table, kits: Kits) -> list[CheckIn]:
    """Read the check-ins; every row is used or reported."""
    return table.read(_CheckIns(context, table, kits).read)


class _CheckIns:
    def __init__(self, context: Context, table: Table, kits: Kits):
        self.table, self.kits, self.people = table, kits, context.people
        catalogue = context.catalogue
        self.rows, self.places = DatedRows(context, table), table.places(*CHECKIN_COLUMNS)
        self.in_events = [(c, table.columns[c]) for c in IN_EVENTS if c in table.columns]
        self.signs = [(i, c) for c, i in table.columns.items() if c in catalogue.signs]
        self.needs = {name: sign.needs for name, sign in catalogue.signs.items()}
        self.readings = [
            (i, catalogue.analytes[c]) for c, i in table.columns.items() if c in catalogue.analytes
        ]
        self.answers: dict[str, bool | None] = dict(ANSWERS)
        self.scales: dict[tuple[str, str], dict[int, Scale | Fault]] = {}
        self.words = {"look": LOOKS, "judged_phase": tuple(catalogue.phases)}
        self.first_lines: dict[str, int] = {}

    def read(self, line: int, cells: list[str]) -> CheckIn:
        """Understand one row."""
        i_tank, i_date, i_observer, i_look, i_phase, i_note = self.places
        tank, date = self.rows.read(line, cells[i_tank], cells[i_date])
        for column, place in self.in_events:
            if cells[place]:
                raise RefusedRow(column, cells[place], IN_EVENTS[column], tank.name)
        # The same day may be written in two forms, so the date itself is compared.
        cells[i_date] = date.isoformat()
        key = "\0".join(cells).rstrip("\0")  # no cell holds a NUL
        first = self.first_lines.setdefault(key, line)
        if first != line:
            fault = Fault(f"repeats line {first} cell for cell", "remove one of the two")
            raise RefusedRow(None, "", fault, tank.name)
        observer = ""
        if cells[i_observer]:
            text = cells[i_observer]
            observer = optional_name(self.people, self.table, line, "observer", text, tank.name)
        return CheckIn(
            tank.name,
            date,
            observer,
            self._word(line, "look", cells[i_look], tank) or "careful",
            self._word(line, "judged_phase", cells[i_phase], tank),
            as_typed(cells[i_note]),
            self._signs(line, cells, tank),
            self._readings(line, cells, tank, observer),
            self.table.file,
            line,
        )

    def _word(self, line: int, column: str, text: str, tank: Tank) -> str | None:
        if not text:
            return None
        word = normal(text)
        if word in self.words[column]:
            return word
        mend = f"write one of {', '.join(self.words[column])} or leave it blank"
        fault = Fault(f"is not a {column.replace('_', ' ')}", mend)
        self.table.cell(line, column, text, fault, tank.name)
        return None

    def _signs(self, line: int, cells: list[str], tank: Tank) -> dict[str, bool]:
        answers = self.answers
        out = {}
        for index, name in self.signs:
            text = cells[index]
            if not text:
                continue
            if text not in answers:
                answers[text] = ANSWERS.get(fold(text))
            answer = answers[text]
            if answer is None:
                self.table.cell(line, name, text, _NO_ANSWER, tank.name)
            elif tank.can_have(self.needs[name]):
                out[name] = answer
            elif answer:
                self.table.cell(line, name, text, _IMPOSSIBLE, tank.name)
            else:
                self.table.settle(line, name, text, *_NOT_COUNTED)
        return out

    def _readings(
        self, line: int, cells: list[str], tank: Tank, observer: str
    ) -> dict[str, Reading]:
        out = {}
        scales = self.scales.setdefault((observer, tank.keeper), {})
        for index, analyte in self.readings:
            text = cells[index]
            if not text:
                continue
            scale = scales.get(index)
            if scale is None:
                scale = scales[index] = self.kits.scale(observer, tank.keeper, analyte)
            reading = scale if isinstance(scale, Fault) else scale.read(text)
            if isinstance(reading, Fault):
                self.table.cell(line, analyte.name, text, reading, tank.name)
                continue
            if isinstance(scale, Scale):
                if not scale.named:
                    self._note_assumption(line, analyte, text, reading)
                if doubt := scale.doubt(text):
                    self.table.settle(line, analyte.name, text, *doubt)
            out[analyte.name] = reading
        return out

    def _note_assumption(self, line: int, analyte: Analyte, text: str, reading: Reading) -> None:
        name = analyte.name
        how = _ASSUMED.get((name, reading.unit)) or f"is taken as {reading.unit}"
        if reading.method == "colour_chart":
            how += " read on a colour chart"
        what, mend = f"has no line in kits.csv and {how}", f"add a line for {name} to kits.csv"
        self.table.settle(line, name, text, what, mend)
