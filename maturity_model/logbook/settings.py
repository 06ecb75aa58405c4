"""What a logbook says about itself, and a club's own signs."""

from __future__ import annotations

from maturity_model.catalogue import Catalogue
from maturity_model.catalogue.load import add_signs, sign_columns
from maturity_model.logbook.columns import Table
from maturity_model.logbook.dates import DATE_ORDERS
from maturity_model.logbook.files import normal
from maturity_model.logbook.problems import Collector, Fault

SETTING_COLUMNS = ("setting", "value")
#: Settings of ``logbook.csv`` and their values.
SETTINGS = {"date_order": DATE_ORDERS, "decimal": ("comma", "point")}


def read_settings(table: Table, problems: Collector) -> dict[str, str]:
    """Read ``logbook.csv``; every row is used or reported."""
    places = table.places(*SETTING_COLUMNS)
    out: dict[str, str] = {}
    for line, cells in table:
        setting_text, value_text = (cells[i] for i in places)
        setting = normal(setting_text)
        allowed = SETTINGS.get(setting)
        value = normal(value_text).replace("_", "-")
        if allowed is None:
            fault = Fault("is not a setting", f"write one of {', '.join(SETTINGS)}")
            problems.row(table.file, line, "setting", setting_text, fault)
        elif setting in out:
            fault = Fault("is set already", "keep one of the two rows")
            problems.row(table.file, line, "setting", setting_text, fault)
        elif value not in allowed:
            fault = Fault(f"is not a value of {setting}", f"write one of {', '.join(allowed)}")
            problems.row(table.file, line, "value", value_text, fault)
        else:
            out[setting] = value
            table.used()
    return out


def read_signs(
    table: Table, catalogue: Catalogue, problems: Collector, decimal: str | None
) -> Catalogue:
    """Add a club's own signs to the catalogue; every row is used or reported."""
    numbers = {*catalogue.phases, "minutes", "small", "persistence", "certainty"}

    def text(column: str, cell: str) -> str:
        return cell.replace(",", ".") if decimal == "comma" and column in numbers else cell

    rows = [
        (line, {c: text(c, cells[i]) for c, i in table.columns.items()}) for line, cells in table
    ]
    catalogue, errors = add_signs(catalogue, table.file, rows)
    for error in errors:
        problems.row(
            table.file, error.line, error.column, error.value, Fault(error.what, error.mend)
        )
    for _ in range(len(rows) - len({e.line for e in errors})):
        table.used()
    return catalogue


def own_sign_columns(catalogue: Catalogue) -> tuple[str, ...]:
    """Columns that a sign file may have."""
    return sign_columns(catalogue)
