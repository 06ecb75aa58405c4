"""Correcting one entry: only that row changes, it is read first, and the old table is kept."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from logbook.adding import TODAY, Log, Make

from maturity_model.cli import main
from maturity_model.logbook import read_logbook
from maturity_model.logbook.correct import correct_entry

DAY = dt.date(2026, 3, 1)
CHECKINS = (
    "tank;date;observer;mood;diatoms;ammonia;note\r\n"
    'Reef;2026-03-01;ann;"gl;ad";y;0.25;"a\r\nb"\r\n'
    "Reef;2026-03-08;ann;;n;;\r\n"
    "Reef;2026-03-08;bob;;y;;\r\n"
    "Nook;03/04/2026;ann;;y;;\r\n"
)
EVENTS = "tank,date,event,amount\nReef,2026-03-02,water_change,20\nReef,2026-03-02,crash,\n"


@pytest.fixture
def log(make: Make) -> Path:
    return make(checkins=CHECKINS, events=EVENTS).folder


def refused(log: Path, *args: object, **what: object) -> str:
    (line,) = Log(log).unchanged(
        lambda: correct_entry(log, *args, today=TODAY, **what)  # type: ignore[arg-type]
    )
    return line


def test_cells_of_one_row_change_and_the_old_table_is_kept(log: Path) -> None:
    cells = {"Diatoms": "not seen", "ammonia": "<0.25", "copepods": "seen"}
    done = correct_entry(log, cells, tank="REEF", date=DAY, today=TODAY)
    assert done.place == "checkins.csv, line 2"
    assert [(c.column, c.old, c.new) for c in done.changes] == [
        ("diatoms", "y", "not seen"), ("ammonia", "0.25", "<0.25"), ("copepods", "", "seen"),
    ]  # fmt: skip
    lines = CHECKINS.encode().split(b"\r\n")
    lines[0] += b";copepods"
    lines[1] = b'Reef;2026-03-01;ann;"gl;ad";not seen;<0.25;"a'
    lines[2] += b";seen"
    assert (log / "checkins.csv").read_bytes() == b"\r\n".join(lines)
    assert [(log / b).read_bytes() for b in done.backups] == [CHECKINS.encode()]
    found = read_logbook(log, today=TODAY).checkins[0]
    assert found.signs == {"diatoms": False, "copepods": True}
    assert found.note == "a\r\nb"
    again = correct_entry(log, cells, tank="Reef", date=DAY, today=TODAY)
    assert (again.changes, again.backups) == ((), ())


def test_a_blank_blanks_and_a_row_moves_to_its_tank_and_day(log: Path) -> None:
    cells = {"note": "", "tank": "nook", "date": "2 March 2026", "diatoms": "=y"}
    assert "column diatoms" in refused(log, cells, tank="Reef", date=DAY)
    del cells["diatoms"]
    correct_entry(log, cells, tank="Reef", date=DAY, today=TODAY)
    assert b'\nNook;2026-03-02;ann;"gl;ad";y;0.25;\r\n' in (log / "checkins.csv").read_bytes()


def test_a_row_that_cannot_be_used_is_mended_by_its_line(log: Path) -> None:
    assert len(read_logbook(log, today=TODAY).checkins) == 2
    correct_entry(log, {"date": "2026-04-03"}, row=("checkins", 6), today=TODAY)
    assert read_logbook(log, today=TODAY).checkins[-1].date == dt.date(2026, 4, 3)


def test_events(log: Path) -> None:
    event = {"tank": "Reef", "date": dt.date(2026, 3, 2), "event": "Water change"}
    correct_entry(log, {"amount": "25", "note": "=half"}, **event, today=TODAY)  # type: ignore[arg-type]
    assert (log / "events.csv").read_text() == (
        "tank,date,event,amount,note\nReef,2026-03-02,water_change,25,'=half\n"
        "Reef,2026-03-02,crash,\n"
    )
    done = correct_entry(log, {}, row=("events", 3), remove=True, today=TODAY)
    assert done.place == "events.csv, line 3"
    assert [e.kind for e in read_logbook(log, today=TODAY).events] == ["water_change"]
    # The first row goes too, and the file stays a table.
    correct_entry(log, {}, row=("events", 2), remove=True, today=TODAY)
    assert read_logbook(log, today=TODAY).events == ()


@pytest.mark.parametrize(
    ("cells", "which", "said"),
    [
        ({"diatoms": "n"}, {"tank": "Rif", "date": DAY}, "'Rif' is no tank of this logbook; it has "
         "Reef, Nook"),
        ({"diatoms": "n"}, {"tank": "Reef", "date": dt.date(2026, 3, 2)}, "checkins.csv: has no "
         "check-in of 'Reef' on 2026-03-02; the nearest are of 2026-03-01, 2026-03-08"),
        ({"diatoms": "n"}, {"tank": "Reef", "date": dt.date(2026, 3, 8)}, "name one by --row: "
         "checkins.csv:4, checkins.csv:5"),
        ({"amount": "5"}, {"tank": "Nook", "date": DAY, "event": "crash"}, "has no crash of 'Nook'"
         " on 2026-03-01; it has none on any day"),
        ({"dinos": "n"}, {"tank": "Reef", "date": DAY}, "'dinos' is not a column of checkins.csv"),
        ({"diatoms": "perhaps"}, {"tank": "Reef", "date": DAY}, "checkins.csv, line 2, column "
         "diatoms: 'perhaps' is neither yes nor no"),
        ({"date": "2025-12-31"}, {"tank": "Reef", "date": DAY}, "checkins.csv, line 2, column "
         "date: '2025-12-31' lies before the tank was started"),
        ({"tank": ""}, {"tank": "Reef", "date": DAY}, "checkins.csv, line 2, column tank"),
        ({"diatoms": "n"}, {"row": ("checkins", 3)}, "checkins.csv, line 3: holds no entry"),
        ({"diatoms": "n"}, {"row": ("checkins", 1)}, "checkins.csv, line 1: holds no entry"),
        ({"diatoms": "n"}, {"row": ("tanks", 2)}, "'tanks' is no table with entries"),
        # It would say the same as another row, and be refused when it is read.
        ({"observer": "ann", "diatoms": "n"}, {"row": ("checkins", 5)}, "checkins.csv, line 5: "
         "repeats line 4 cell for cell"),
    ],
)  # fmt: skip
def test_what_cannot_be_corrected_so(
    log: Path, cells: dict[str, str], which: dict[str, object], said: str
) -> None:
    assert said in refused(log, cells, **which)


def test_the_command(log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["correct", str(log), "--tank", "Reef", "--date", "2026-03-01"]
    assert main([*words, "--set", "diatoms=n", "note="]) == 0
    out, err = capsys.readouterr()
    assert "checkins.csv, line 2: diatoms was 'y', is now 'n'" in out
    assert f"As it was before: {log / 'backup'}" in out
    assert err == ""
    assert main([*words, "--set", "diatoms=n"]) == 0
    assert "says so already" in capsys.readouterr().out
    assert main([*words, "--set", "diatoms=x"]) == 3
    assert "nothing was corrected" in capsys.readouterr().err
    assert main(["correct", str(log), "--row", "checkins.csv:4", "--remove"]) == 0
    assert "checkins.csv, line 4: removed" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        ["--tank", "Reef", "--date", "2026-03-01"],
        ["--tank", "Reef", "--set", "diatoms=n"],
        ["--row", "checkins.csv:4", "--tank", "Reef", "--set", "diatoms=n"],
        ["--row", "checkins.csv", "--set", "diatoms=n"],
        ["--row", "checkins.csv:4", "--remove", "--set", "diatoms=n"],
        ["--row", "checkins.csv:4", "--set", "diatoms"],
        ["--set", "diatoms=n"],
    ],
)
def test_usage(log: Path, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["correct", str(log), *words])
    assert caught.value.code == 2
    assert "usage: " in capsys.readouterr().err
