"""A workbook as CSV files: the same log, to which files can then be added."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
import xlsxwriter
from logbook.adding import FILE, TODAY, Log, Make

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import LogbookError, read_logbook
from maturity_model.logbook.begin import BeginError
from maturity_model.logbook.template import template_bytes
from maturity_model.logbook.to_files import to_files

ROWS: dict[str, list[dict[str, Any]]] = {
    "tanks": [
        {"tank": "=Reef", "keeper": "@ann", "started": dt.date(2026, 1, 1), "volume_l": 62.5},
        {"tank": "007", "started": dt.date(2026, 2, 1), "sand_depth_mm": 0.0},
    ],
    "checkins": [
        {"tank": "=Reef", "date": dt.date(2026, 4, 2), "observer": "bö", "diatoms": "y",
         "ammonia": "<0.25", "nitrate": 0.1 + 0.2, "note": '-5 °C, "q"\nand more'},
        {"tank": "007", "date": dt.date(2026, 4, 3), "copepods": "n"},
        {"tank": "nobody's", "date": dt.date(2026, 4, 3), "copepods": "n"},
    ],
    "events": [{"tank": "007", "date": dt.date(2026, 4, 4), "event": "crash"}],
    "kits": [{"analyte": "ammonia", "method": "strip", "unit": "mg/L NH4", "steps": "0;1;3"}],
}  # fmt: skip


def workbook(folder: Path) -> Path:
    folder.mkdir()
    path = folder / "log.xlsx"
    path.write_bytes(template_bytes(load_catalogue(), ROWS))
    return path


def test_the_files_hold_the_same_log_and_can_be_added_to(tmp_path: Path) -> None:
    book = workbook(tmp_path / "old")
    made, left = to_files(book, tmp_path / "new", today=TODAY)
    assert left == []
    assert [p.name for p in made] == [
        "tanks.csv", "kits.csv", "checkins.csv", "events.csv", "README.txt",
    ]  # fmt: skip
    before, after = (read_logbook(p, today=TODAY) for p in (book, tmp_path / "new"))
    assert [(t.name, t.keeper, t.volume_l, t.sand_depth_mm) for t in after.tanks.values()] == [
        ("=Reef", "@ann", 62.5, None), ("007", "", None, 0),
    ]  # fmt: skip
    assert after.checkins[0].note == before.checkins[0].note
    assert after.checkins[0].readings == before.checkins[0].readings
    assert after.checkins[0].readings["nitrate"].text == "0.3"
    assert after.kits == before.kits
    # A row that could not be used is not lost either.
    assert [c.refused for c in after.rows] == [c.refused for c in before.rows]
    assert "\n'=Reef,'@ann," in (tmp_path / "new" / "tanks.csv").read_text()
    assert Log(tmp_path / "new").add(FILE + "007,2026-05-01,,y,,,,\n").checkins == 1


def test_text_tables_beside_it_come_along(tmp_path: Path) -> None:
    book = workbook(tmp_path / "old")
    signs = "sign,label,cycling,bloom,colonising,mature\nworms,Worms,0.1,0.2,0.3,0.4\n"
    (book.parent / "signs.csv").write_text(signs)
    (book.parent / "shopping.txt").write_text("salt")
    _, left = to_files(book.parent, tmp_path / "new", today=TODAY)
    assert (tmp_path / "new" / "signs.csv").read_text() == signs
    assert left == ["shopping.txt"]


def test_decimal_commas_are_written_as_such(tmp_path: Path) -> None:
    book = workbook(tmp_path / "old")
    (book.parent / "logbook.csv").write_text("setting,value\ndecimal,comma\n")
    to_files(book.parent, tmp_path / "new", today=TODAY)
    assert "62,5" in (tmp_path / "new" / "tanks.csv").read_text()
    assert read_logbook(tmp_path / "new", today=TODAY).tanks["=Reef"].volume_l == 62.5


def test_a_sheet_that_may_be_part_of_the_log_is_not_left_behind(tmp_path: Path) -> None:
    path = tmp_path / "log.xlsx"
    with xlsxwriter.Workbook(path) as book:
        for title, header in (("tanks", "tank started"), ("Check-ins (2)", "tank date diatoms")):
            book.add_worksheet(title).write_row(0, 0, header.split())
        book.get_worksheet_by_name("tanks").write_row(1, 0, ["Reef", "2026-01-01"])
    with pytest.raises(LogbookError, match="looks like the sheet checkins"):
        to_files(path, tmp_path / "new", today=TODAY)
    assert not (tmp_path / "new").exists()


def test_a_log_without_a_workbook_is_not_copied(make: Make, tmp_path: Path) -> None:
    with pytest.raises(BeginError, match="no workbook"):
        to_files(make().folder, tmp_path / "new", today=TODAY)
    assert not (tmp_path / "new").exists()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    book = workbook(tmp_path / "old")
    with pytest.raises(BeginError, match="holds a logbook already"):
        to_files(book, tmp_path / "old", today=TODAY)
    assert [p.name for p in book.parent.iterdir()] == ["log.xlsx"]
