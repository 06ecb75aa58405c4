"""Reading the events."""

from __future__ import annotations

from maturity_model.catalogue import EventKind
from maturity_model.logbook.columns import RefusedRow, Table, needed
from maturity_model.logbook.files import normal
from maturity_model.logbook.formulas import as_typed
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import Context, DatedRows
from maturity_model.logbook.types import Event

EVENT_COLUMNS = ("tank", "date", "event", "amount", "note")


def read_events(context: Context, table: Table) -> list[Event]:
    """Read the events; every row is used or reported."""
    kinds = context.catalogue.events
    rows, places = DatedRows(context, table), table.places(*EVENT_COLUMNS)
    first_lines: dict[tuple[object, ...], int] = {}

    def understand(line: int, cells: list[str]) -> Event:
        tank_text, date_text, text, amount_text, note = (cells[i] for i in places)
        tank, date = rows.read(line, tank_text, date_text)
        kind = kinds.get(normal(text))
        if kind is None:
            fault = Fault("is not an event", f"write one of {', '.join(kinds)}")
            raise RefusedRow("event", text, fault, tank.name)
        amount = _amount(context, table, line, kind, amount_text, tank.name)
        amount = needed(amount, "amount", amount_text, tank.name)
        first = first_lines.setdefault((tank.name, date, kind.name, amount, note), line)
        if first != line:
            mend = "remove one of the two, or say in the note that it happened twice"
            raise RefusedRow(None, text, Fault(f"repeats line {first}", mend), tank.name)
        note = as_typed(note)
        return Event(tank.name, date, kind.name, amount, note, table.file, line)

    return table.read(understand)


def _amount(
    context: Context, table: Table, line: int, kind: EventKind, text: str, tank: str
) -> float | Fault | None:
    """Return the amount, None for an event that has none, or why the row cannot be used."""
    if not kind.amount_means:
        if text:
            fault = Fault(f"is given for {kind.name}, which has no amount", "leave it blank")
            table.cell(line, "amount", text, fault, tank)
        return None
    means = f"{kind.amount_means} ({kind.unit})"
    if not text:
        if kind.default_amount is None:
            return Fault(f"is blank for {kind.name}", f"write the {means}")
        how = f"is blank for {kind.name} and is taken as {kind.default_amount:g}"
        table.settle(line, "amount", "", how, f"write the {means}")
        return kind.default_amount
    number = text
    if kind.unit in ("%", "x") and text[-1:].lower() == kind.unit:
        number = text[:-1].rstrip()
    # No amount is assumed in place of a bad one: it may have been meant to be large.
    value = parse_number(number, context.decimal)
    if isinstance(value, Fault):
        return value
    if value <= 0:
        return Fault("is not above 0", f"write the {means}, or remove the row")
    if kind.unit == "%" and value < 1:
        # A spreadsheet keeps a cell shown as 25 % as 0.25.
        return Fault("is less than 1 percent", "write 25 for a quarter of the volume")
    if kind.max_amount is not None and value > kind.max_amount:
        what = f"is more than {kind.max_amount:g}, the most for {kind.name}"
        return Fault(what, f"write the {means}")
    return value
