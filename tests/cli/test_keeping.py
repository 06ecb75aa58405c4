"""The commands of a keeper's week: new, form, add, template. Exit codes, streams, files."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import pty
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_logs import DEMO, ROOT, run

from maturity_model.cli.main import main
from maturity_model.logbook import Kit, read_logbook

STARTED = (dt.date.today() - dt.timedelta(days=30)).isoformat()


def begin(folder: Path, *more: str) -> Path:
    assert main(["new", str(folder), "--tank", "Reef", "--started", STARTED, *more]) == 0
    return folder


def test_from_nothing_to_a_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = begin(
        tmp_path / "log", "--keeper", "ann", "--rock", "dry", "--volume", "60",
        "--sand-depth", "0", "--club", "harbour",
    )  # fmt: skip
    tank = read_logbook(log).tanks["Reef"]
    assert (tank.keeper, tank.rock, tank.volume_l, tank.sand_depth_mm, tank.club) == (
        "ann", "dry", 60.0, 0.0, "harbour",
    )  # fmt: skip
    assert main(["weekly", str(log), "--out", str(tmp_path / "out")]) == 0
    assert (tmp_path / "out" / "Reef.html").exists()
    assert main(["form", str(log), "--out", str(tmp_path / "form.html")]) == 0
    assert capsys.readouterr().err == ""
    assert 'data-tank="Reef"' in (tmp_path / "form.html").read_text("utf-8")
    saved = tmp_path / "saved.csv"
    saved.write_text(f"tank,date,diatoms\nReef,{STARTED},n\n")
    assert main(["add", str(saved), str(log)]) == 0
    said = capsys.readouterr()
    assert "1 check-in and 0 events added" in said.out
    assert said.err == ""
    assert main(["add", str(saved), str(log)]) == 0
    assert "0 check-ins and 0 events added, 1 already there" in capsys.readouterr().out
    assert read_logbook(log).checkins[0].signs == {"diatoms": False}


def test_new_needs_a_terminal_or_flags(tmp_path: Path) -> None:
    done = run("new", tmp_path / "log", "--tank", "Reef")
    assert (done.returncode, done.stdout) == (2, "")
    assert "give --started" in done.stderr
    assert not (tmp_path / "log").exists()


def test_new_writes_over_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = begin(tmp_path / "log")
    before = {p.name: p.read_bytes() for p in log.iterdir()}
    capsys.readouterr()
    assert main(["new", str(log), "--tank", "Nook", "--started", STARTED]) == 2
    assert "holds a logbook already" in capsys.readouterr().err
    assert {p.name: p.read_bytes() for p in log.iterdir()} == before


def on_a_terminal(words: list[str], *answers: str) -> str:
    """Run a command on a terminal where these answers are typed; what the terminal shows."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "maturity_model", *words],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=ROOT,
    )  # fmt: skip
    os.close(theirs)
    os.write(ours, "".join(f"{a}\n" for a in answers).encode())
    said = b""
    deadline = time.monotonic() + 60
    with contextlib.suppress(OSError):  # the terminal goes away with the process
        while time.monotonic() < deadline and (part := os.read(ours, 4096)):
            said += part
    assert process.wait(timeout=10) == 0, said
    os.close(ours)
    return said.decode()


def test_new_asks_on_a_terminal_until_it_can_be_used(tmp_path: Path) -> None:
    log = tmp_path / "log"
    said = on_a_terminal(
        ["new", str(log), "--rock", "live"],
        "", "Reef", "03/04/2026", STARTED, "ann", "a lot", "60", "", "", "perhaps", "yes",
        "y", "reef", "Nook", STARTED, "", "", "", "", "", "",
        # The kits: ammonia by its usual chart, nitrite by a strip, the rest skipped but the last.
        "7", "1", "", "", "2", "dKH", "mg/L NO2-N", "0;1;0.5", "0;0.5;1", "", "", "", "", "",
        "3", "",
    )  # fmt: skip
    assert "may be 2026-04-03 or 2026-03-04" in said
    assert "'a lot' is not a number" in said
    assert "'Reef' is a tank of this log already" in said
    assert "type one of the numbers" in said
    assert "is not a unit known for nitrite" in said
    assert "do not increase" in said
    book = read_logbook(log)
    assert book.problems == ()
    reef, nook = book.tanks.values()
    assert (reef.name, reef.keeper, reef.rock, reef.volume_l) == ("Reef", "ann", "live", 60.0)
    assert (reef.consent, nook.consent) == (True, None)
    # The keeper is offered again; nothing else is.
    assert (nook.name, nook.keeper, nook.rock) == ("Nook", "ann", None)
    chart = book.catalogue.analytes["ammonia"].charts["colour_chart"].steps
    assert book.kits == (
        Kit("", "ammonia", "colour_chart", "mg/L NH4", chart),
        Kit("", "nitrite", "strip", "mg/L NO2-N", (0, 0.5, 1)),
        Kit("", "alkalinity", "colour_chart", "[dKH]"),
    )


def test_tanks_and_kits_are_asked_for_later(tmp_path: Path) -> None:
    log = begin(tmp_path / "log", "--keeper", "ann")
    assert main(["kit", str(log), "--analyte", "ammonia", "--method", "probe"]) == 0
    assert main(["kit", str(log), "--analyte", "ammonia", "--method", "strip"]) == 3
    assert main(["tank", str(log), "--tank", "Nook", "--started", STARTED, "--rock", "wet"]) == 3
    on_a_terminal(["tank", str(log)], "Nook", STARTED, *[""] * 7)
    said = on_a_terminal(["kit", str(log)], "", "", "2", "", "", "", "", "", "")
    assert "Total ammonia" not in said
    book = read_logbook(log)
    assert book.problems == ()
    assert list(book.tanks) == ["Reef", "Nook"]
    assert [k.analyte for k in book.kits] == ["ammonia", "phosphate"]
    assert run("kit", log).returncode == 2
    assert run("tank", log, "--tank", "Cove").returncode == 2


def test_a_workbook_says_at_once_that_nothing_is_added_to_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = tmp_path / "log.xlsx"
    assert main(["template", "--out", str(book), "--logbook", str(begin(tmp_path / "old"))]) == 0
    form = ["--out", str(tmp_path / "form.html")]
    way_out = f"maturity-model tables {book}"
    capsys.readouterr()
    assert main(["form", str(book), *form]) == 0
    assert way_out in capsys.readouterr().err
    for words in (["serve", str(book)], ["serve", str(tmp_path)], ["tables", str(tmp_path), "."]):
        assert main(words) in (2, 3)
        assert "Traceback" not in capsys.readouterr().err
    assert main(["tables", str(book), str(tmp_path / "new")]) == 0
    assert main(["form", str(tmp_path / "new"), *form]) == 0
    assert capsys.readouterr().err == ""


def test_a_form_for_each_keeper(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["form", str(DEMO), "--each", "--out", str(tmp_path / "forms")]) == 0
    names = {"north-bench.html", "south-bench.html", "west-bench.html"}
    assert {p.name for p in (tmp_path / "forms").iterdir()} == names
    assert len(capsys.readouterr().out.splitlines()) == 3
    # One of them alone, whatever the case.
    one = tmp_path / "one.html"
    assert main(["form", str(DEMO), "--keeper", "West-Bench", "--out", str(one)]) == 0
    page = one.read_text("utf-8")
    assert page.count('class="card"') == 2
    assert 'data-tank="Skerry-90"' in page
    assert "Lagoon-60" not in page


def test_an_unknown_keeper_is_told_the_known_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["form", str(DEMO), "--keeper", "nobody", "--out", str(tmp_path / "f.html")]) == 2
    said = capsys.readouterr()
    assert "north-bench, south-bench, west-bench" in said.err
    assert said.out == ""
    assert list(tmp_path.iterdir()) == []


def test_adding_a_bad_file_says_where(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = begin(tmp_path / "log")
    bad = tmp_path / "bad.csv"
    bad.write_text(f"tank,date,diatoms\nRief,{STARTED},n\nReef,{STARTED},perhaps\n")
    capsys.readouterr()
    assert main(["add", str(bad), str(log)]) == 3
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("bad.csv, line 2, column tank: 'Rief'")
    assert lines[1].startswith("bad.csv, line 3, column diatoms: 'perhaps'")
    assert lines[2] == "maturity-model: nothing was added"
    assert main(["add", str(tmp_path / "none.csv"), str(log)]) == 3
    assert "cannot be read" in capsys.readouterr().err
    assert main(["add", str(bad), str(tmp_path / "nowhere")]) == 3
    assert "is not a folder" in capsys.readouterr().err


def test_replace_and_beside(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = begin(tmp_path / "log")
    file = tmp_path / "in.csv"
    for answer, how, code, said in (
        ("n", [], 0, "1 check-in "),
        ("y", [], 3, ""),
        ("y", ["--replace"], 0, "0 events added, 1 replaced"),
        ("n", ["--beside"], 0, "1 check-in "),
    ):
        file.write_text(f"tank,date,diatoms\nReef,{STARTED},{answer}\n")
        capsys.readouterr()
        assert main(["add", *how, str(file), str(log)]) == code
        assert said in capsys.readouterr().out
    assert main(["add", str(file), str(log)]) == 0  # it is there already, beside the other
    lines = (log / "checkins.csv").read_text("utf-8").splitlines()
    assert len(lines) == 3
    # Two looks of one day are one, and a sign was seen if either saw it.
    (look,) = read_logbook(log).checkins
    assert look.signs["diatoms"]


def test_template(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "log" / "log.xlsx"
    out.parent.mkdir()
    assert main(["template", "--out", str(out), "--logbook", str(DEMO)]) == 0
    assert "signs.csv" in capsys.readouterr().out
    (out.parent / "signs.csv").write_bytes((DEMO / "signs.csv").read_bytes())
    book, demo = read_logbook(out.parent), read_logbook(DEMO)
    assert [p for p in book.problems if p.severity == "error"] == []
    assert {(t.name, t.started, t.keeper, t.volume_l) for t in book.tanks.values()} == {
        (t.name, t.started, t.keeper, t.volume_l) for t in demo.tanks.values()
    }
    assert book.kits == demo.kits
    before = out.read_bytes()
    assert main(["template", "--out", str(out)]) == 2
    assert "not written over" in capsys.readouterr().err
    assert out.read_bytes() == before
    assert main(["template", "--out", str(tmp_path / "log.ods")]) == 2


def test_adding_loads_no_numbers() -> None:
    script = (
        "import sys; from maturity_model.cli.main import main\n"
        "code = main(['add', 'no-such-file.csv', sys.argv[1]])\n"
        "heavy = {'numpy', 'numba', 'h5py', 'python_calamine'} & set(sys.modules)\n"
        "assert code == 3 and not heavy, heavy"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(ROOT)], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
