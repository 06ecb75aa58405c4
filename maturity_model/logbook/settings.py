"""What a logbook says about itself, and a club's own signs."""

from __future__ import annotations

from maturity_model.catalogue import Catalogue
from maturity_model.catalogue.load import CatalogueError, add_sign
from maturity_model.logbook.columns import RefusedRow, Table
from maturity_model.logbook.dates import DATE_ORDERS
from maturity_model.logbook.files import normal
from maturity_model.logbook.problems import Fault

SETTING_COLUMNS = ("setting", "value")
#: Settings of ``logbook.csv`` and their values.
SETTINGS = {"date_order": DATE_ORDERS, "decimal": ("comma", "point")}


def read_settings(table: Table) -> dict[str, str]:
    """Read ``logbook.csv``; every row is used or reported."""
    places = table.places(*SETTING_COLUMNS)
    settings: dict[str, str] = {}

    def understand(_: int, cells: list[str]) -> None:
        setting_text, value_text = (cells[i] for i in places)
        setting, value = normal(setting_text), normal(value_text).replace("_", "-")
        allowed = SETTINGS.get(setting)
        if allowed is None:
            fault = Fault("is not a setting", f"write one of {', '.join(SETTINGS)}")
            raise RefusedRow("setting", setting_text, fault)
        if setting in settings:
            fault = Fault("is set already", "keep one of the two rows")
            raise RefusedRow("setting", setting_text, fault)
        if value not in allowed:
            fault = Fault(f"is not a value of {setting}", f"write one of {', '.join(allowed)}")
            raise RefusedRow("value", value_text, fault)
        settings[setting] = value

    table.read(understand)
    return settings


def read_signs(table: Table, catalogue: Catalogue, decimal: str | None) -> Catalogue:
    """Add a club's own signs to the catalogue; every row is used or reported."""
    numbers = {*catalogue.phases, "minutes", "small", "persistence", "certainty"}

    def text(column: str, cell: str) -> str:
        return cell.replace(",", ".") if decimal == "comma" and column in numbers else cell

    def understand(line: int, cells: list[str]) -> None:
        nonlocal catalogue
        row = {c: text(c, cells[i]) for c, i in table.columns.items()}
        try:
            catalogue = add_sign(catalogue, table.file, line, row)
        except CatalogueError as error:
            fault = Fault(error.what, error.mend)
            raise RefusedRow(error.column, error.value, fault) from None

    table.read(understand)
    return catalogue
