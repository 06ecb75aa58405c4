"""The spreadsheet: what is filled in comes back cell for cell."""

from __future__ import annotations

import csv
import datetime as dt
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import read_logbook
from maturity_model.logbook.begin import table_columns
from maturity_model.logbook.template import template_bytes

TODAY = dt.date(2026, 12, 31)
DAY = dt.date(2026, 3, 1)
#: Rows with whatever a spreadsheet might change: formulas, numbers as text, dates, links.
ROWS: dict[str, list[dict[str, Any]]] = {
    "tanks": [
        {"tank": "=1+1", "keeper": "@ann", "started": DAY, "volume_l": 62.5, "rock": "dry"},
        {"tank": "007", "started": DAY, "club": "https://example.org", "sand_depth_mm": 0.0},
    ],
    "checkins": [
        {"tank": "=1+1", "date": dt.date(2026, 4, 2), "observer": "bö", "look": "torch",
         "judged_phase": "bloom", "diatoms": "y", "hair_algae": "n", "ammonia": "<0.25",
         "nitrate": 5.0, "ph": 8.1, "note": '=HYPERLINK("x","y")'},
        {"tank": "007", "date": dt.date(2026, 4, 3), "copepods": "y", "note": " -5 °C, \"q\" "},
    ],
    "events": [
        {"tank": "007", "date": dt.date(2026, 4, 4), "event": "water_change", "amount": 20.0},
        {"tank": "=1+1", "date": dt.date(2026, 4, 4), "event": "crash", "note": "+1"},
    ],
    "kits": [
        {"keeper": "@ann", "analyte": "ammonia", "method": "colour_chart", "unit": "mg/L NH4",
         "steps": "0;0.25;0.5;1"},
    ],
}  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    target = tmp_path / "log.xlsx"
    target.write_bytes(template_bytes(load_catalogue(), ROWS))
    return target


def test_an_empty_template_is_an_empty_logbook(tmp_path: Path) -> None:
    target = tmp_path / "log.xlsx"
    target.write_bytes(template_bytes(load_catalogue()))
    book = read_logbook(target, today=TODAY)
    assert book.account.names("set aside") == []
    said = [(p.scope, p.file.partition("!")[2], p.what) for p in book.problems]
    assert said == [
        ("file", "tanks", "holds no tank that can be used"),
    ]
    assert template_bytes(load_catalogue()) == target.read_bytes()


def test_cells_come_back_through_the_reader(path: Path) -> None:
    book = read_logbook(path, today=TODAY)
    assert [p for p in book.problems if p.severity == "error"] == []
    assert all(c.read == c.used for c in book.rows)
    one, two = book.tanks.values()
    assert (one.name, one.keeper, one.started, one.volume_l, one.rock) == (
        "=1+1", "@ann", DAY, 62.5, "dry",
    )  # fmt: skip
    assert (two.name, two.club, two.sand_depth_mm) == ("007", "https://example.org", 0.0)
    first, second = book.checkins
    assert (first.tank, first.date, first.observer, first.look) == (
        "=1+1", dt.date(2026, 4, 2), "bö", "torch",
    )  # fmt: skip
    assert first.judged_phase == "bloom"
    assert first.signs == {"diatoms": True, "hair_algae": False}
    assert {a: r.text for a, r in first.readings.items()} == {
        "ammonia": "<0.25", "nitrate": "5", "ph": "8.1",
    }  # fmt: skip
    assert first.note == '=HYPERLINK("x","y")'
    assert second.note == '-5 °C, "q"'
    assert [(e.kind, e.amount, e.note) for e in book.events] == [
        ("water_change", 20.0, ""), ("crash", None, "+1"),
    ]  # fmt: skip
    (kit,) = book.kits
    assert kit.steps == (0, 0.25, 0.5, 1)


def test_drop_downs_and_checks_stand_in_the_file(
    path: Path, need: Callable[[str], ModuleType]
) -> None:
    openpyxl = need("openpyxl")
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["tanks", "checkins", "events", "kits", "legend"]
    catalogue = load_catalogue()
    kinds = dict.fromkeys(catalogue.signs, "list") | dict.fromkeys(catalogue.analytes, "custom")
    kinds |= dict.fromkeys(("date", "started"), "date")
    kinds |= dict.fromkeys(("amount", "volume_l", "sand_depth_mm"), "decimal")
    for name, columns in table_columns(catalogue).items():
        sheet = book[name]
        assert [c.value for c in sheet[1]] == list(columns)
        rules = {
            column: rule
            for rule in sheet.data_validations.dataValidation
            for column in columns
            if sheet.cell(2, columns.index(column) + 1).coordinate in rule.sqref
        }
        assert all(rule.allow_blank for rule in rules.values())
        found = {column: rule.type for column, rule in rules.items()}
        assert found.items() >= {c: kinds[c] for c in columns if c in kinds}.items()
        assert all(rules[c].formula1 == '"y,n"' for c in columns if c in catalogue.signs)
        if name in ("checkins", "events"):
            assert rules["tank"].formula1.startswith("tanks!$A$2:$A")
    # No formula anywhere: what looks like one is text.
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row]
    assert not [c for c in cells if c.data_type == "f"]
    legend = {c.value for c in book["legend"]["A"]}
    assert legend >= {*catalogue.signs, *catalogue.analytes, *catalogue.events, *catalogue.phases}


#: Every sheet as a CSV file of its own (the last token is -1), UTF-8.
FILTER = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"


@pytest.mark.desktop
def test_it_opens_in_a_spreadsheet_program(path: Path, tmp_path: Path) -> None:
    program = shutil.which("soffice") or shutil.which("libreoffice")
    if program is None:
        pytest.skip("no LibreOffice here")
    done = subprocess.run(
        [program, f"-env:UserInstallation={(tmp_path / 'home').as_uri()}", "--headless",
         "--convert-to", FILTER,
         "--outdir", str(tmp_path / "out"), str(path)],
        capture_output=True, text=True, timeout=240,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = {p.stem.partition("-")[2]: p for p in (tmp_path / "out").glob("*.csv")}
    assert set(found) == {"tanks", "checkins", "events", "kits", "legend"}
    for name, columns in table_columns(load_catalogue()).items():
        with found[name].open(encoding="utf-8", newline="") as handle:
            rows = list(csv.reader(handle))
        assert rows[0] == list(columns)
        want = [[_written(row.get(c, "")) for c in columns] for row in ROWS[name]]
        assert rows[1 : 1 + len(want)] == want
        assert not [r for r in rows[1 + len(want) :] if any(r)]


def _written(value: object) -> str:
    if isinstance(value, dt.date):
        return value.isoformat()
    return f"{value:g}" if isinstance(value, float) else str(value)
