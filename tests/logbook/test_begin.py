"""Beginning a logbook: it works at once, and nothing is written over."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import pytest

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import read_logbook
from maturity_model.logbook.begin import BeginError, NewTank, begin_logbook
from maturity_model.logbook.template import tables_of, template_bytes

TODAY = dt.date(2026, 12, 31)


def begin(folder: Path, *rows: NewTank) -> list[Path]:
    return begin_logbook(folder, list(rows), load_catalogue(), TODAY)


def test_a_begun_logbook_reads_without_a_problem(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "log"
    made = begin(
        folder,
        NewTank("Rü; f", "1 March 2026", "ann, b", "club", "60", "live", "0"),
        NewTank('No"ok', "2026-02-01"),
    )
    assert {p.name for p in made} == {
        "tanks.csv", "checkins.csv", "events.csv", "kits.csv", "README.txt",
    }  # fmt: skip
    book = read_logbook(folder, today=TODAY)
    assert book.problems == ()
    first, second = book.tanks.values()
    assert (first.name, first.started, first.keeper, first.club) == (
        "Rü; f", dt.date(2026, 3, 1), "ann, b", "club",
    )  # fmt: skip
    assert (first.volume_l, first.rock, first.sand_depth_mm) == (60.0, "live", 0.0)
    assert (second.name, second.rock, second.volume_l) == ('No"ok', None, None)
    assert (folder / "README.txt").read_text().count("\n") == 1
    head = (folder / "checkins.csv").read_text().strip().split(",")
    catalogue = load_catalogue()
    assert set(head) >= {*catalogue.signs, *catalogue.analytes, "tank", "date", "note"}


@pytest.mark.parametrize("name", ["=cmd|x", "+1", "-a", "@SUM(A1)", "'quoted'"])
def test_a_name_becomes_no_formula_and_reads_as_typed(tmp_path: Path, name: str) -> None:
    begin(tmp_path, NewTank(name, "2026-02-01", keeper=name, club=name))
    with (tmp_path / "tanks.csv").open(newline="") as handle:
        cells = list(csv.reader(handle))[1]
    assert not any(cell.startswith(("=", "+", "-", "@")) for cell in cells)
    book = read_logbook(tmp_path, today=TODAY)
    (tank,) = book.tanks.values()
    assert (tank.name, tank.keeper, tank.club) == (name, name, name)
    # In a workbook it is text.
    workbook = tmp_path / "log.xlsx"
    workbook.write_bytes(template_bytes(book.catalogue, tables_of(book)))
    assert list(read_logbook(workbook, today=TODAY).tanks) == [name]


@pytest.mark.parametrize("name", ["Tanks.CSV", "checkins.csv", "signs.csv", "old.xlsx"])
def test_nothing_is_written_over(tmp_path: Path, name: str) -> None:
    (tmp_path / name).write_text("mine")
    with pytest.raises(BeginError, match="holds a logbook already"):
        begin(tmp_path, NewTank("Reef", "2026-01-01"))
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_other_files_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "readme.md").write_text("mine")
    begin(tmp_path, NewTank("Reef", "2026-01-01"))
    assert (tmp_path / "readme.md").read_text() == "mine"
    assert not (tmp_path / "README.txt").exists()


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([NewTank("Reef", "03/04/2026")], "started: '03/04/2026' may be"),
        ([NewTank("Reef", "2027-01-01")], "lies after today"),
        ([NewTank("", "2026-01-01")], "tank: is blank"),
        ([NewTank("x" * 81, "2026-01-01")], "longer than 80"),
        ([NewTank("Reef", "2026-01-01", rock="wet")], "rock: 'wet' is not a kind of rock"),
        ([NewTank("Reef", "2026-01-01", volume_l="0")], "volume_l: '0' cannot be"),
        ([NewTank("Reef", "2026-01-01", sand_depth_mm="deep")], "sand_depth_mm: 'deep' is not a"),
        ([NewTank("Reef", "2026-01-01")] * 2, "is a tank of this log already"),
    ],
)
def test_a_row_that_cannot_be_used_makes_nothing(
    tmp_path: Path, rows: list[NewTank], said: str
) -> None:
    with pytest.raises(BeginError) as caught:
        begin(tmp_path / "log", *rows)
    assert said in str(caught.value)
    assert not (tmp_path / "log").exists()
