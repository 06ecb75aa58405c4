"""Reading ``kits.csv``, and choosing the kit behind a reading."""

from __future__ import annotations

from maturity_model.catalogue import METHODS, Analyte
from maturity_model.logbook.columns import Context, RefusedRow, Row, Table
from maturity_model.logbook.files import normal
from maturity_model.logbook.kits import Scale, assumed_method
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import known_name
from maturity_model.logbook.types import Kit
from maturity_model.logbook.units import Unit, default_unit, find_unit, units_of

KIT_COLUMNS = ("keeper", "analyte", "method", "unit", "steps")
_MAX_STEPS = 60
_METHODS = {m: m for m in METHODS} | {
    "color_chart": "colour_chart", "colour": "colour_chart", "color": "colour_chart",
    "strips": "strip", "test_strip": "strip",
}  # fmt: skip


class Kits:
    """The kits of a logbook.

    ``scales`` holds one entry for each ``(keeper, analyte)``; a Fault where the row
    of that kit cannot be used, so that its readings are not read in a wrong unit.
    """

    def __init__(self, context: Context):
        self._context = context
        self.kits: list[Kit] = []
        self.scales: dict[tuple[str, str], Scale | Fault] = {}
        self.lines: dict[tuple[str, str], int] = {}
        self._assumed: dict[str, Scale] = {}

    def scale(self, observer: str, keeper: str, analyte: Analyte) -> Scale | Fault:
        """Return how a reading was taken.

        The observer's own kit comes first, then that of the tank's keeper, then one
        for everybody, then the kit that is assumed where none is named.
        """
        # A blank observer is nobody, not everybody.
        for who in (observer or keeper, keeper, ""):
            scale = self.scales.get((who, analyte.name))
            if scale is not None:
                return scale
        if analyte.name not in self._assumed:
            unit, method = default_unit(analyte.name), assumed_method(analyte)
            self._assumed[analyte.name] = Scale(
                analyte, unit, method, decimal=self._context.decimal
            )
        return self._assumed[analyte.name]

    def read_row(self, row: Row) -> Kit:
        """Understand one row of the kits table, and add its scale."""
        keeper = row.needed("keeper", known_name(self._context.people, row, "keeper"))
        analytes = self._context.catalogue.analytes
        analyte = analytes.get(normal(row["analyte"]))
        if analyte is None:
            fault = Fault("is not an analyte", f"write one of {', '.join(analytes)}")
            raise RefusedRow("analyte", fault)
        key = (keeper, analyte.name)
        first = self.lines.setdefault(key, row.line)
        if first != row.line:
            what = f"has a kit of this keeper in line {first} already"
            raise RefusedRow("analyte", Fault(what, "keep one of the two rows"))
        # For as long as the unit is not known, readings are not read in a wrong one.
        self.scales[key] = Fault(
            f"was read with a kit whose row (line {row.line} of the kits table) cannot be used",
            "mend that row first",
        )
        unit = row.needed("unit", _unit(row, analyte))
        method = _method(row, analyte)
        steps = self._steps(row, analyte, unit, method)
        decimal = self._context.decimal
        self.scales[key] = Scale(analyte, unit, method, steps, named=True, decimal=decimal)
        return Kit(keeper, analyte.name, method, unit.name, steps)

    def _steps(self, row: Row, analyte: Analyte, unit: Unit, method: str) -> tuple[float, ...]:
        if not row["steps"]:
            return ()
        steps = _parse_steps(self._context, analyte, unit, row["steps"])
        if method not in ("colour_chart", "strip"):
            steps = Fault(f"are colour steps, which a {method} does not have", "leave them out")
        if isinstance(steps, Fault):
            row.report("steps", steps)
            return ()
        return steps


def read_kits(table: Table) -> Kits:
    """Read the kits table; every row is used or reported."""
    kits = Kits(table.context)
    kits.kits = table.read(kits.read_row)
    return kits


def _unit(row: Row, analyte: Analyte) -> Unit | Fault:
    mend = f"write one of {', '.join(units_of(analyte.name))}"
    if not row["unit"]:
        unit = default_unit(analyte.name)
        row.settle("unit", f"is blank and is taken as {unit.name} for {analyte.name}", mend)
        return unit
    named = find_unit(analyte.name, row["unit"])
    if named is None:
        return Fault(f"is not a unit known for {analyte.name}", mend)
    if named.assumed:
        row.settle("unit", named.assumed, mend)
    return named


def _method(row: Row, analyte: Analyte) -> str:
    method = _METHODS.get(normal(row["method"]))
    if method is not None:
        return method
    assumed = assumed_method(analyte)
    mend = f"write one of {', '.join(METHODS)}"
    if row["method"]:
        row.report("method", Fault(f"is not a method; {assumed} is assumed", mend))
    else:
        row.settle("method", f"is blank and is taken as {assumed} for {analyte.name}", mend)
    return assumed


def _parse_steps(
    context: Context, analyte: Analyte, unit: Unit, text: str
) -> tuple[float, ...] | Fault:
    mend = "write the steps of the chart as increasing numbers parted by ;, such as 0;0.25;0.5;1"
    parts = [p.strip() for p in text.split(";")]
    if not 2 <= len(parts) <= _MAX_STEPS:
        return Fault(f"are not between 2 and {_MAX_STEPS} steps; the usual chart is assumed", mend)
    steps: list[float] = []
    for part in parts:
        value = parse_number(part, context.decimal)
        if isinstance(value, Fault):
            return Fault(f"hold {part!r:.30}, which {value.what}", mend)
        if steps and value <= steps[-1]:
            return Fault("do not increase; the usual chart is assumed", mend)
        if not analyte.range.low <= unit.convert(value) <= analyte.range.high:
            what = f"hold {part!r:.30}, which is outside what {analyte.name} can be in {unit.name}"
            return Fault(what, "correct the step, or the unit")
        steps.append(value)
    return tuple(steps)


def report_unused(table: Table, kits: Kits, people: set[str]) -> None:
    """Say which kits belong to nobody in the log: mostly a slip in a name."""
    known = {"", *people}
    fault = Fault(
        "is nobody's name in tanks or check-ins, so the kit is not used for any reading",
        "write the keeper's name exactly as there",
    )
    for (keeper, _), line in kits.lines.items():
        if keeper not in known:
            known.add(keeper)
            table.problems.add("settled", "cell", table.file, line, "keeper", keeper, fault)
