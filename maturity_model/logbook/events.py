"""Reading the events."""

from __future__ import annotations

from maturity_model.catalogue import EventKind
from maturity_model.logbook.checkins import before_start
from maturity_model.logbook.columns import Table
from maturity_model.logbook.files import clean_name, normal
from maturity_model.logbook.numbers import parse_number
from maturity_model.logbook.problems import Fault
from maturity_model.logbook.rows import Context, DateColumn, TankColumn
from maturity_model.logbook.types import Event

EVENT_COLUMNS = ("tank", "date", "event", "amount", "note")


def read_events(context: Context, table: Table) -> list[Event]:
    """Read the events; every row is used or reported."""
    problems, kinds = context.problems, context.catalogue.events
    tanks, dates = TankColumn(context), DateColumn(context, table, "date")
    places = table.places(*EVENT_COLUMNS)
    seen: dict[tuple[object, ...], int] = {}
    out = []
    for line, cells in table:
        tank_text, date_text, event_text, amount_text, note = (cells[i] for i in places)
        tank = tanks.read(tank_text)
        if isinstance(tank, Fault):
            name = clean_name(tank_text)
            named = name if name in context.refused else None
            problems.row(table.file, line, "tank", tank_text, tank, named)
            continue
        date = before_start(tank, dates.read(line, date_text))
        if isinstance(date, Fault):
            problems.row(table.file, line, "date", date_text, date, tank.name)
            continue
        kind = kinds.get(normal(event_text))
        if kind is None:
            fault = Fault("is not an event", f"write one of {', '.join(kinds)}")
            problems.row(table.file, line, "event", event_text, fault, tank.name)
            continue
        amount = _amount(context, table, line, kind, amount_text, tank.name)
        if isinstance(amount, Fault):
            problems.row(table.file, line, "amount", amount_text, amount, tank.name)
            continue
        key = (tank.name, date, kind.name, amount, note)
        first = seen.setdefault(key, line)
        if first != line:
            mend = "remove one of the two, or say in the note that it happened twice"
            fault = Fault(f"repeats line {first}", mend)
            problems.row(table.file, line, None, event_text, fault, tank.name)
            continue
        out.append(Event(tank.name, date, kind.name, amount, note, table.file, line))
        table.used()
    return out


def _amount(
    context: Context, table: Table, line: int, kind: EventKind, text: str, tank: str
) -> float | Fault | None:
    """Return the amount, None for an event that has none, or why the row cannot be used."""
    if not kind.amount_means:
        if text:
            fault = Fault(f"is given for {kind.name}, which has no amount", "leave it blank")
            context.problems.cell(table.file, line, "amount", text, fault, tank)
        return None
    means = f"{kind.amount_means} ({kind.unit})"
    if not text:
        return _default(context, table, line, kind, means)
    number = text
    if kind.unit in ("%", "x") and text[-1:].lower() == kind.unit:
        number = text[:-1].rstrip()
    value = parse_number(number, context.decimal)
    if isinstance(value, Fault):
        fault = value
    elif value <= 0:
        fault = Fault("is not above 0", f"write the {means}, or remove the row")
    elif kind.unit == "%" and value < 1:
        # A spreadsheet keeps a cell shown as 25 % as 0.25.
        fault = Fault("is less than 1 percent", "write 25 for a quarter of the volume")
    elif kind.max_amount is not None and value > kind.max_amount:
        fault = Fault(
            f"is more than {kind.max_amount:g}, the most for {kind.name}", f"write the {means}"
        )
    else:
        return value
    # Nothing is assumed in its place: an amount was meant, and it may be a large one.
    return fault


def _default(
    context: Context, table: Table, line: int, kind: EventKind, means: str
) -> float | Fault:
    if kind.default_amount is None:
        return Fault(f"is blank for {kind.name}", f"write the {means}")
    how = f"is blank for {kind.name} and is taken as {kind.default_amount:g}"
    context.problems.settle(table.file, line, "amount", "", how, f"write the {means}")
    return kind.default_amount
