"""A spreadsheet to log in: drop-downs and checks from the catalogue, read like any workbook."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import xlsxwriter
from xlsxwriter.utility import xl_rowcol_to_cell

from maturity_model.catalogue import LOOKS, METHODS, ROCKS, Catalogue
from maturity_model.logbook.begin import table_columns

if TYPE_CHECKING:
    from maturity_model.logbook.types import Logbook

#: Rows with drop-downs and checks, by sheet.
ROWS = {"tanks": 200, "checkins": 2000, "events": 2000, "kits": 200}
_DATES = ("date", "started", "ended", "restarted")
_NUMBERS = {"volume_l": (0, 10_000_000), "sand_depth_mm": (0, 2000), "amount": (0, 1_000_000)}
_WIDTHS = {"tank": 18, "note": 40, "keeper": 16, "observer": 16, "club": 20, "steps": 28}
_ABOUT = {
    "tank": "Name of the tank, exactly as in the sheet tanks",
    "date": "Day of the look or the event",
    "started": "Day on which water went in",
    "ended": "Day on which the tank was taken down; blank while it runs",
    "restarted": "Day on which it was emptied and started again; its log then begins there",
    "keeper": "Who looks after it; in kits, blank is for everybody",
    "club": "Club, if any",
    "volume_l": "Litres",
    "rock": "What the tank was started with: " + ", ".join(ROCKS),
    "sand_depth_mm": "Millimetres; 0 for a bare bottom",
    "consent": "yes: its log may be pooled with others, without names; blank is no",
    "observer": "Who looked",
    "look": "How: " + ", ".join(LOOKS) + "; blank is careful",
    "judged_phase": "Only for experienced keepers: the phase as they judge it",
    "note": "Anything",
    "event": "What happened",
    "amount": "See the events below",
    "analyte": "What is measured",
    "method": ", ".join(METHODS),
    "unit": "Such as mg/L NO3, dKH, sg 25/25",
    "steps": "The colours of the chart, such as 0;0.25;0.5;1",
}

Cell = str | float | dt.date
Tables = Mapping[str, Sequence[Mapping[str, Cell]]]


def template_bytes(catalogue: Catalogue, tables: Tables | None = None) -> bytes:
    """Write the spreadsheet.

    Parameters
    ----------
    catalogue : Catalogue
    tables : mapping, optional
        Rows to fill in, by sheet; each maps columns to text, numbers or dates. No text is
        ever taken for a formula.

    Returns
    -------
    bytes
        An ``.xlsx`` workbook with the sheets tanks, checkins, events, kits and legend.
    """
    out = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_numbers": False,
        "strings_to_urls": False,
        "default_date_format": "yyyy-mm-dd",
    }
    book = xlsxwriter.Workbook(out, options)
    # A fixed time of creation, so that the same input gives the same bytes.
    book.set_properties({"created": dt.datetime(2000, 1, 1)})
    for name, columns in table_columns(catalogue).items():
        _sheet(book, name, columns, catalogue, (tables or {}).get(name, ()))
    _legend(book, catalogue)
    book.close()
    return out.getvalue()


def tables_of(book: Logbook) -> Tables:
    """The tanks and kits of a logbook, as :func:`template_bytes` takes them."""
    tanks: list[dict[str, Cell]] = []
    for tank in book.tanks.values():
        row: dict[str, Cell | None] = {
            "tank": tank.name,
            "keeper": tank.keeper,
            "club": tank.club,
            "started": tank.earlier_start or tank.started,
            "ended": tank.ended,
            "restarted": tank.started if tank.earlier_start else None,
            "volume_l": tank.volume_l,
            "rock": tank.rock,
            "sand_depth_mm": tank.sand_depth_mm,
            "consent": {True: "yes", False: "no", None: None}[tank.consent],
        }
        tanks.append({k: v for k, v in row.items() if v not in (None, "")})
    kits: list[dict[str, Cell]] = [
        {"keeper": k.keeper, "analyte": k.analyte, "method": k.method, "unit": k.unit,
         "steps": ";".join(f"{x:.12g}" for x in k.steps)}
        for k in book.kits
    ]  # fmt: skip
    return {"tanks": tanks, "kits": kits}


def _sheet(
    book: Any,
    name: str,
    columns: tuple[str, ...],
    catalogue: Catalogue,
    rows: Sequence[Mapping[str, Cell]],
) -> None:
    sheet = book.add_worksheet(name)
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    text = book.add_format({"num_format": "@"})
    sheet.freeze_panes(1, 2 if name == "checkins" else 1)
    for at, column in enumerate(columns):
        sheet.write_string(0, at, column, head)
        reading = column in catalogue.analytes
        # Readings such as <0.25 are text, 0.25 a number: both are left as they are typed.
        style = day if column in _DATES else text if column in ("steps", "note") else None
        sheet.set_column(at, at, _WIDTHS.get(column, 13 if reading else 12), style)
        if rule := _rule(name, column, at, catalogue):
            sheet.data_validation(1, at, ROWS[name], at, rule)
    for line, row in enumerate(rows, 1):
        for column, value in row.items():
            sheet.write(line, columns.index(column), value)


def _rule(name: str, column: str, at: int, catalogue: Catalogue) -> dict[str, Any] | None:
    """What a column accepts; blank is always allowed."""
    choices: dict[str, Sequence[str]] = {
        "rock": ROCKS,
        "consent": ("yes", "no"),
        "look": LOOKS,
        "judged_phase": tuple(catalogue.phases),
        "event": tuple(catalogue.events),
        "analyte": tuple(catalogue.analytes),
        "method": METHODS,
    }
    rule: dict[str, Any]
    if column == "tank" and name != "tanks":
        rule = {"validate": "list", "source": f"=tanks!$A$2:$A${ROWS['tanks'] + 1}"}
        message = "Choose a tank of the sheet tanks."
    elif column in choices:
        rule = {"validate": "list", "source": list(choices[column])}
        message = "Choose one of the list, or leave it blank."
    elif column in catalogue.signs:
        rule = {"validate": "list", "source": ["y", "n"]}
        message = "y: seen. n: looked, not seen. Blank: not checked."
    elif column in _DATES:
        rule = {"validate": "date", "minimum": dt.date(1970, 1, 1), "maximum": "=TODAY()"}
        message = "Write a day such as 2026-03-25; it cannot lie in the future."
    elif column in _NUMBERS:
        low, high = _NUMBERS[column]
        rule = {"validate": "decimal", "minimum": low, "maximum": high}
        message = f"Write a number from {low} to {high:,}."
    elif column in catalogue.analytes:
        cell = xl_rowcol_to_cell(1, at)
        number = f"ISNUMBER(VALUE(MID({cell},2,20)))"
        bound = f'AND(OR(LEFT({cell},1)="<",LEFT({cell},1)=">"),{number})'
        rule = {"validate": "custom", "value": f"=OR(ISNUMBER({cell}),{bound})"}
        message = "Write a number, <x or >x, such as 0.25 or <0.25."
    else:
        return None
    title = column.replace("_", " ")[:32]
    more = {"criteria": "between"} if "minimum" in rule else {}
    return {**rule, **more, "ignore_blank": True, "error_title": title, "error_message": message}


def _legend(book: Any, catalogue: Catalogue) -> None:
    sheet = book.add_worksheet("legend")
    bold = book.add_format({"bold": True})
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    sheet.set_column(0, 0, 22, wrap)
    sheet.set_column(1, 1, 90, wrap)
    lines: list[tuple[str, str]] = [("How to fill in", "")]
    lines += [
        ("Signs", "y seen; n looked for and not seen; blank not checked. Blank is never absence."),
        ("Readings", "a number, <x below the first colour, >x above the last; blank not measured."),
        ("Reading it", "maturity-model weekly THIS-FILE.xlsx --out DIR. This sheet is not read."),
        ("", ""),
        ("Columns", ""),
        *_ABOUT.items(),
        ("", ""),
        ("Signs", ""),
        *((s.name, f"{s.label}. {s.where}. {s.how}.") for s in catalogue.signs.values()),
        ("", ""),
        ("Readings", ""),
        *((a.name, f"{a.label} ({a.display_unit or 'no unit'} unless kits says otherwise)")
          for a in catalogue.analytes.values()),
        ("", ""),
        ("Events", ""),
        *((e.name, e.label + (f"; amount: {e.amount_means} ({e.unit})" if e.amount_means else ""))
          for e in catalogue.events.values()),
        ("", ""),
        ("Phases", ""),
        *((p.name, p.meaning) for p in catalogue.phases.values()),
    ]  # fmt: skip
    for at, (term, meaning) in enumerate(lines):
        sheet.write_string(at, 0, term, wrap if meaning else bold)
        sheet.write_string(at, 1, meaning, wrap)
