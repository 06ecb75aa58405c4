"""Reading the events."""

from __future__ import annotations

from maturity_model.catalogue import EventKind
from maturity_model.logbook.columns import RefusedRow, Row, Table
from maturity_model.logbook.files import normal
from maturity_model.logbook.formulas import as_typed
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import DatedRows
from maturity_model.logbook.types import Event

EVENT_COLUMNS = ("tank", "date", "event", "amount", "note")


def read_events(table: Table) -> list[Event]:
    """Read the events; every row is used or reported."""
    context = table.context
    kinds, rows = context.catalogue.events, DatedRows(context)
    first_lines: dict[tuple[object, ...], int] = {}

    def understand(row: Row) -> Event:
        tank, date = rows.read(row)
        kind = kinds.get(normal(row["event"]))
        if kind is None:
            raise RefusedRow("event", Fault("is not an event", f"write one of {', '.join(kinds)}"))
        amount = row.needed("amount", _amount(row, kind, context.decimal))
        note = row["note"]
        first = first_lines.setdefault((tank.name, date, kind.name, amount, note), row.line)
        if first != row.line:
            mend = "remove one of the two, or say in the note that it happened twice"
            raise RefusedRow(None, Fault(f"repeats line {first}", mend), row["event"])
        return Event(tank.name, date, kind.name, amount, as_typed(note), row.table.file, row.line)

    return table.read(understand)


def _amount(row: Row, kind: EventKind, decimal: str | None) -> float | Fault | None:
    """Return the amount, None for an event that has none, or why the row cannot be used."""
    text = row["amount"]
    if not kind.amount_means:
        if text:
            what = f"is given for {kind.name}, which has no amount"
            row.report("amount", Fault(what, "leave it blank"))
        return None
    means = f"{kind.amount_means} ({kind.unit})"
    if not text:
        if kind.default_amount is None:
            return Fault(f"is blank for {kind.name}", f"write the {means}")
        how = f"is blank for {kind.name} and is taken as {kind.default_amount:g}"
        row.settle("amount", how, f"write the {means}")
        return kind.default_amount
    number = text
    if kind.unit in ("%", "x") and text[-1:].lower() == kind.unit:
        number = text[:-1].rstrip()
    # No amount is assumed in place of a bad one: it may have been meant to be large.
    value = parse_number(number, decimal)
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
