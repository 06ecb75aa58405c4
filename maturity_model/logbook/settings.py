"""What a logbook says about itself, and a club's own signs."""

from __future__ import annotations

from maturity_model.catalogue.load import CatalogueError, add_sign
from maturity_model.logbook.columns import RefusedRow, Row, Table
from maturity_model.logbook.dates import DATE_ORDERS
from maturity_model.logbook.files import normal
from maturity_model.logbook.problems import Fault

SETTING_COLUMNS = ("setting", "value")
#: Settings of ``logbook.csv`` and their values.
SETTINGS = {"date_order": DATE_ORDERS, "decimal": ("comma", "point")}


def read_settings(table: Table) -> None:
    """Read ``logbook.csv`` into the table's context; every row is used or reported."""
    settings: dict[str, str] = {}

    def understand(row: Row) -> None:
        setting, value = normal(row["setting"]), normal(row["value"]).replace("_", "-")
        allowed = SETTINGS.get(setting)
        if allowed is None:
            fault = Fault("is not a setting", f"write one of {', '.join(SETTINGS)}")
            raise RefusedRow("setting", fault)
        if setting in settings:
            raise RefusedRow("setting", Fault("is set already", "keep one of the two rows"))
        if value not in allowed:
            fault = Fault(f"is not a value of {setting}", f"write one of {', '.join(allowed)}")
            raise RefusedRow("value", fault)
        settings[setting] = value

    table.read(understand)
    table.context.date_order = settings.get("date_order")
    table.context.decimal = settings.get("decimal")


def read_signs(table: Table) -> None:
    """Add a club's own signs to the context's catalogue; every row is used or reported."""
    context = table.context
    numbers = {*context.catalogue.phases, "minutes", "small", "persistence", "certainty"}

    def text(column: str, cell: str) -> str:
        return cell.replace(",", ".") if context.decimal == "comma" and column in numbers else cell

    def understand(row: Row) -> None:
        cells = {column: text(column, row[column]) for column in table.columns}
        try:
            context.catalogue = add_sign(context.catalogue, table.file, row.line, cells)
        except CatalogueError as error:
            raise RefusedRow(error.column, Fault(error.what, error.mend)) from None

    table.read(understand)
