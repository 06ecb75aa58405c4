"""Every file, sheet and row ends as used, refused or set aside, and is counted."""

from __future__ import annotations

from pathlib import Path

import pytest
from logbook.read_logs import TODAY, Read, errors, fates

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import read_logbook
from maturity_model.logbook.add import add_file
from maturity_model.logbook.begin import NewTank, begin_logbook

WORKBOOKS = Path(__file__).parent / "workbooks"
CRASH = "tank,date,event\nReef,2026-02-01,crash\n"


@pytest.mark.parametrize(
    ("name", "fate"),
    [
        ("events.csv.txt", "refused"),
        ("event.csv", "refused"),
        ("evnets.csv", "refused"),
        ("events (1).csv", "refused"),
        ("checkins (conflicted copy).csv", "refused"),
        ("Copy of check-ins.csv", "refused"),
        ("events.numbers", "refused"),
        ("dosing.xlsb", "refused"),
        ("events", "refused"),
        ("incidents.csv", "refused"),  # by its first line
        ("events.md", "refused"),
        ("events.json", "refused"),
        ("checkins-ann-2026-05-31.csv", "refused"),
        ("checkins.tsv", "refused"),  # a second table of check-ins
        ("Tank.json", "set aside"),
        ("notes.txt", "set aside"),
        ("tank notes.txt", "set aside"),
        ("tanks.jpg", "set aside"),
        (".events.csv", "set aside"),
    ],
)
def test_a_file_is_never_passed_over(read: Read, tmp_path: Path, name: str, fate: str) -> None:
    (tmp_path / name).write_text(CRASH)
    book = read()
    assert fates(book) == {"tanks.csv": "used", "checkins.csv": "used", name: fate}
    assert [p.file for p in errors(book)] == [name] * (fate == "refused")
    assert bool(book.refused_lately(TODAY)) == (fate == "refused")
    if name == "checkins-ann-2026-05-31.csv":  # as the form names what it saves
        assert "maturity-model add" in errors(book)[0].mend


@pytest.mark.parametrize(
    ("header", "meant"),
    [
        ("tank,date,food", "checkins"),
        ("Tank;Date;Event", "events"),
        ("analyte,date,value", "kits"),
        ("date,food", None),
        ("tank,week,date,phase", None),  # a report beside the log
    ],
)
def test_a_table_under_any_other_name_is_refused(
    read: Read, tmp_path: Path, header: str, meant: str | None
) -> None:
    (tmp_path / "feeding.csv").write_bytes(f"{header}\nReef,2026-02-01,grün\n".encode("cp1252"))
    book = read()
    assert fates(book)["feeding.csv"] == ("refused" if meant else "set aside")
    assert [p.what for p in errors(book)] == (
        [f"looks like the table {meant} under another name, and is not read"] if meant else []
    )


def test_a_table_in_a_folder_of_the_logbook_is_refused(read: Read, tmp_path: Path) -> None:
    for name in ("2025/events.csv", "events/old check-ins.xlsx", "photos/tank.jpg"):
        (tmp_path / name).parent.mkdir()
        (tmp_path / name).write_text(CRASH)
    book = read()
    refused = [e.name for e in book.account.entries if e.fate == "refused"]
    assert refused == ["2025/events.csv", "events/old check-ins.xlsx"]
    assert all("move its rows into" in p.mend for p in errors(book))


@pytest.mark.parametrize(
    ("column", "counts"),
    [
        ("ammonia", True),  # a second one
        ("diatoms", True),
        ("nh3", True),
        ("NH₃/NH₄ ppm", True),
        ("Ammonia ppm", True),
        ("amonia", True),
        ("\u0430mmonia", True),  # the first letter is Cyrillic
        ("deaths", True),
        ("crash", True),
        ("dates", True),
        ("flow", False),
        ("notes", False),
        ("note", False),
    ],
)
def test_a_column_that_may_be_a_reading_or_an_event_counts(
    read: Read, column: str, counts: bool
) -> None:
    book = read(checkins=f"tank,date,ammonia,diatoms,note,{column}\nReef,2026-02-01,0,y,,8\n")
    (problem,) = (p for p in errors(book) if p.scope == "column")
    assert problem.may_hide_something == counts
    assert book.account.refused_parts == ((problem,) if counts else ())
    assert book.refused_lately(TODAY) == book.account.refused_parts


@pytest.mark.parametrize(
    ("table", "text", "tank", "counts", "mend"),
    [
        ("events", "tank,date,event\nReef,2026-12-01,carsh", "Reef", True, "write one of"),
        # Six weeks, as the permissions look back.
        ("events", "tank,date,event\nReef,2026-11-19,carsh", "Reef", True, ""),
        ("events", "tank,date,event\nReef,2026-11-18,carsh", "Reef", False, ""),
        ("events", "tank,date,event\nReef,01/02/2026,crash", "Reef", True, "date_order"),
        ("events", "tank,date,event\nReef,2027-02-01,crash", "Reef", True, ""),
        # Before the tank was started.
        ("events", "tank,date,event\nReef,2020-02-01,crash", "Reef", True, ""),
        ("events", "tank,date,event\nRif,2026-12-01,crash", None, True, "correct the name"),
        # The first example of many manuals: 45658 is 2025-01-01.
        ("events", "tank,date,event\nReef,45992,crash", "Reef", True, "2025-12-01"),
        (
            "events",
            "tank,date,event,ammonia\nReef,2026-02-01,crash,8",
            None,
            True,
            "correct the name",
        ),
        ("checkins", "tank,date,\nReef,2026-02-01,y", None, True, "name it"),
        ("checkins", "tank,date,ammonia\nReef,2026-12-30,-1", "Reef", True, ""),
        ("checkins", "tank,date,ammonia\nReef,2026-02-01,-1", "Reef", False, ""),
        ("checkins", "tank,date,nitrate\nReef,2026-12-30,-1", "Reef", False, ""),
    ],
)
def test_what_is_refused_counts_where_it_may_be_recent(
    read: Read, table: str, text: str, tank: str | None, counts: bool, mend: str
) -> None:
    book = read(**{table: f"{text}\n"})
    (problem,) = errors(book)
    assert problem.tank == tank
    assert mend in problem.mend
    assert book.refused_lately(TODAY) == ((problem,) if counts else ())


def test_an_event_among_the_check_ins_is_refused_with_its_mend(read: Read) -> None:
    # As the form saves it.
    head = "tank,date,observer,look,diatoms,event,amount,note\n"
    row = "Reef,2026-12-30,,,,crash,,heater stuck on\n"
    book = read(checkins=f"{head}Reef,2026-12-29,,,y,,,\n{row}Reef,2026-12-30,,,y,,3,\n")
    assert [c.line for c in book.checkins] == [2]
    event, amount = errors(book)
    assert (event.scope, event.tank, event.column, event.value) == ("row", "Reef", "event", "crash")
    assert "maturity-model add" in event.mend
    assert amount.column == "amount"


def test_the_account_is_whole(read: Read, tmp_path: Path) -> None:
    (tmp_path / "pictures").mkdir()
    (tmp_path / "kits.csv").symlink_to(tmp_path / "nowhere")
    book = read(events=CRASH + "Reef,2026-02-31,crash\n")
    assert {e.name for e in book.account.entries} == {p.name for p in tmp_path.iterdir()}
    assert fates(book)["pictures"] == "set aside"
    assert fates(book)["kits.csv"] == "refused"
    for count in book.account.rows:
        refused = [p for p in book.account.refused_rows if p.file == count.file]
        assert count.refused == len(refused)
    assert len(book.account.names("used")) == 3


def test_what_this_program_puts_beside_the_tables_is_not_counted(tmp_path: Path) -> None:
    catalogue = load_catalogue()
    row = NewTank("Reef", "2026-01-01")
    begin_logbook(tmp_path / "log", [row], catalogue, TODAY)
    file = tmp_path / "new.csv"
    file.write_text("tank,date,diatoms\nReef,2026-02-01,y\n")
    add_file(file, tmp_path / "log", today=TODAY)
    book = read_logbook(tmp_path / "log", today=TODAY)
    names = {p.name for p in (tmp_path / "log").iterdir()}
    assert {e.name for e in book.account.entries} == names
    assert {"backup", "README.txt"} < names
    assert book.account.names("set aside") == book.account.names("refused") == []


def test_a_misnamed_sheet_is_refused_and_a_macro_workbook_is_read(tmp_path: Path) -> None:
    xlsxwriter = pytest.importorskip("xlsxwriter")
    book = xlsxwriter.Workbook(tmp_path / "log.xlsm")
    for title, rows in {
        "tanks": ["tank,started", "Reef,2026-01-01"],
        "Check-ins": ["tank,date", "Reef,2026-02-01"],
        "event": CRASH.split(),
        "Copy of events": CRASH.split(),
        "Sheet4": CRASH.split(),
        "Summary": ["x"],
    }.items():
        sheet = book.add_worksheet(title)
        for line, row in enumerate(rows):
            sheet.write_row(line, 0, row.split(","))
    book.close()
    read = read_logbook(tmp_path, today=TODAY)
    assert list(read.tanks) == ["Reef"]
    assert fates(read) == {
        "log.xlsm": "used",
        "log.xlsm!tanks": "used",
        "log.xlsm!Check-ins": "refused",
        "log.xlsm!event": "refused",
        "log.xlsm!Copy of events": "refused",
        "log.xlsm!Sheet4": "refused",
        "log.xlsm!Summary": "set aside",
    }
    mends = [p.mend for p in errors(read) if p.scope == "file"]
    meant = ["call it checkins", *["call it events"] * 3]
    assert [m.split(",")[0] for m in mends] == meant
