"""Reading the check-ins."""

from __future__ import annotations

import datetime as dt

from maturity_model.catalogue import LOOKS, Analyte
from maturity_model.logbook.columns import Table
from maturity_model.logbook.files import clean_name, normal
from maturity_model.logbook.kit_table import Kits
from maturity_model.logbook.kits import Scale
from maturity_model.logbook.problems import Fault, Use
from maturity_model.logbook.rows import Context, DateColumn, TankColumn, optional_name
from maturity_model.logbook.types import CheckIn, Reading, Tank

CHECKIN_COLUMNS = ("tank", "date", "observer", "look", "judged_phase", "note")
#: How a sign's answer may be written, lower case.
ANSWERS = {
    "y": True, "yes": True, "1": True, "true": True, "present": True, "detected": True,
    "n": False, "no": False, "0": False, "false": False, "absent": False, "notdetected": False,
}  # fmt: skip
_NO_ANSWER = Fault(
    "is neither yes nor no", "write y (seen), n (looked for and not seen) or leave it blank"
)


def read_checkins(context: Context, table: Table, kits: Kits) -> list[CheckIn]:
    """Read the check-ins; every row is used or reported."""
    return _CheckIns(context, table, kits).read()


class _CheckIns:
    def __init__(self, context: Context, table: Table, kits: Kits):
        self.context, self.table, self.kits = context, table, kits
        self.problems, self.file = context.problems, table.file
        catalogue = context.catalogue
        self.signs = [(i, c) for c, i in table.columns.items() if c in catalogue.signs]
        self.readings = [
            (i, catalogue.analytes[c]) for c, i in table.columns.items() if c in catalogue.analytes
        ]
        self.answers: dict[str, bool | None] = dict(ANSWERS)
        self.scales: dict[tuple[str, str], dict[int, Scale | Fault]] = {}
        self.assumed: dict[tuple[str, str, str], Use] = {}
        self.words = {"look": LOOKS, "judged_phase": tuple(catalogue.phases)}

    def read(self) -> list[CheckIn]:
        table, problems = self.table, self.problems
        tanks, dates = TankColumn(self.context), DateColumn(self.context, table, "date")
        i_tank, i_date, i_observer, i_look, i_phase, i_note = table.places(*CHECKIN_COLUMNS)
        seen: dict[str, int] = {}
        out = []
        for line, cells in table:
            tank = tanks.read(cells[i_tank])
            if isinstance(tank, Fault):
                text = cells[i_tank]
                problems.row(self.file, line, "tank", text, tank, self._named(text))
                continue
            date = dates.read(line, cells[i_date])
            date = before_start(tank, date)
            if isinstance(date, Fault):
                problems.row(self.file, line, "date", cells[i_date], date, tank.name)
                continue
            # The same day may be written in two forms, so the date itself is compared.
            cells[i_date] = date.isoformat()
            key = "\0".join(cells).rstrip("\0")  # no cell holds a NUL
            first = seen.setdefault(key, line)
            if first != line:
                fault = Fault(f"repeats line {first} cell for cell", "remove one of the two")
                problems.row(self.file, line, None, "", fault, tank.name)
                continue
            observer = ""
            if cells[i_observer]:
                text = cells[i_observer]
                observer = optional_name(self.context, table, line, "observer", text, tank.name)
            out.append(
                CheckIn(
                    tank.name,
                    date,
                    observer,
                    self._word(line, "look", cells[i_look], tank) or "careful",
                    self._word(line, "judged_phase", cells[i_phase], tank),
                    cells[i_note],
                    self._signs(line, cells, tank),
                    self._readings(line, cells, tank, observer),
                    self.file,
                    line,
                )
            )
            table.used()
        return out

    def _named(self, text: str) -> str | None:
        """Return the refused tank that a row names, if it is one."""
        name = clean_name(text)
        return name if name in self.context.refused else None

    def _word(self, line: int, column: str, text: str, tank: Tank) -> str | None:
        if not text:
            return None
        word = normal(text)
        if word in self.words[column]:
            return word
        mend = f"write one of {', '.join(self.words[column])} or leave it blank"
        fault = Fault(f"is not a {column.replace('_', ' ')}", mend)
        self.problems.cell(self.file, line, column, text, fault, tank.name)
        return None

    def _signs(self, line: int, cells: list[str], tank: Tank) -> dict[str, bool]:
        answers = self.answers
        out = {}
        for index, name in self.signs:
            text = cells[index]
            if not text:
                continue
            if text not in answers:
                answers[text] = ANSWERS.get(text.lower())
            answer = answers[text]
            if answer is None:
                self.problems.cell(self.file, line, name, text, _NO_ANSWER, tank.name)
            else:
                out[name] = answer
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
                self.problems.cell(self.file, line, analyte.name, text, reading, tank.name)
                continue
            if isinstance(scale, Scale) and not scale.named:
                self._assumed(line, analyte, text, reading)
            out[analyte.name] = reading
        return out

    def _assumed(self, line: int, analyte: Analyte, text: str, reading: Reading) -> None:
        key = (analyte.name, reading.unit, reading.method)
        use = self.assumed.get(key)
        if use is not None:
            use.count += 1
            return
        self.assumed[key] = self.problems.settle(
            self.file, line, analyte.name, text,
            self._assumption(analyte, reading),
            f"add a line for {analyte.name} to kits.csv",
        )  # fmt: skip

    @staticmethod
    def _assumption(analyte: Analyte, reading: Reading) -> str:
        how = _ASSUMED.get((analyte.name, reading.unit)) or f"is taken as {reading.unit}"
        if reading.method == "colour_chart":
            how += " read on a colour chart"
        return f"has no line in kits.csv and {how}"


_ASSUMED = {
    ("salinity", "1"): "is taken as practical salinity (PSU)",
    ("salinity", "sg 25/25"): "can only be a specific gravity; it is taken as 25/25 °C",
    ("ph", "[pH]"): "is taken as pH on the NBS scale",
    ("temperature", "Cel"): "is taken as °C",
    ("alkalinity", "[dKH]"): "is taken as dKH",
}


def before_start(tank: Tank, date: dt.date | Fault) -> dt.date | Fault:
    """Refuse a date before the tank was started."""
    if isinstance(date, Fault) or date >= tank.started:
        return date
    return Fault(
        f"lies before the tank was started ({tank.started})",
        "correct the date, or the start in the tanks table",
    )
