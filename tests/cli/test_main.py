"""The command line: exit codes, streams, and the commands beside `weekly`."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_logs import ROOT, rows, run, small_log, write_log
from population.edited_files import save_older

import maturity_model.report
from maturity_model import __version__
from maturity_model.catalogue import load_catalogue
from maturity_model.cli import main
from maturity_model.population import elicit_population, load_population, save_population

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def small(tmp_path: Path) -> Path:
    return small_log(tmp_path / "log")


@pytest.mark.parametrize(
    ("name", "text", "code", "said"),
    [
        ("event.csv", "tank,date,event\n", 3, "lack 1 file or sheet of the log, event.csv first"),
        ("events.csv", "tank,date,event\nA,2026-01-06,carsh\n", 0, ""),
        ("events.csv", "tank,date,event\nA,03/04/2026,crash\n", 3, "1 recent row"),
        ("notes.txt", "x", 0, ""),
    ],
)
def test_what_was_refused_lately_is_no_success(
    small: Path, tmp_path: Path, capsys: Capture, name: str, text: str, code: int, said: str
) -> None:
    (small / name).write_text(text)
    out = tmp_path / "out"
    words = ["weekly", str(small), "--out", str(out), "--brief", "--as-of", "2026-06-01"]
    assert main(words) == code
    captured = capsys.readouterr()
    assert said in captured.err
    # The tanks are assessed all the same, and the page counts what was not used.
    page = (out / "index.html").read_text("utf-8")
    unused = "1 file set aside" if name == "notes.txt" else "Not used of the log: 1 "
    assert f'<a href="#problems">{unused}' in page
    assert unused in captured.out


def test_a_log_of_tanks_alone_is_assessed(small: Path, tmp_path: Path, capsys: Capture) -> None:
    for name in ("checkins.csv", "events.csv"):
        (small / name).unlink(missing_ok=True)
    words = ["weekly", str(small), "--out", str(tmp_path / "out")]
    assert main(words) == 0
    assert "No answer yet" in capsys.readouterr().out
    (small / "checkins.csv").write_text("tank,date\n")
    assert main(words) == 0
    # A table whose dates are in no column cannot be read.
    (small / "checkins.csv").write_text("tank,day\nA,2026-01-12\n")
    assert main(words) == 3


@pytest.mark.parametrize("command", ["weekly", "score"])
def test_what_was_refused_and_names_written_otherwise_are_listed(
    small: Path, tmp_path: Path, capsys: Capture, command: str
) -> None:
    pytest.importorskip("pyarrow")
    (small / "tanks.csv").write_text("tank,started,ended\nA,2026-01-05,2026-02-01\n")
    (small / "checkins.csv").write_text("tank,date,diatoms\n a,2026-01-12,y\nA,03/04/2026,y\n")
    assert main([command, str(small), "--out", str(tmp_path / "out")]) == 3
    captured = capsys.readouterr()
    assert "is read as that tank" in captured.err
    assert "checkins.csv, line 3, column date" in captured.err
    assert "lack 1 recent row of the log" in captured.err
    assert "A: ended on 2026-02-01" in captured.out + captured.err


def test_a_missing_log_is_said_once(tmp_path: Path, capsys: Capture) -> None:
    assert main(["weekly", str(tmp_path / "none"), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err
    assert said.count("none") == 1
    assert len(said.strip().splitlines()) == 1
    assert "does not exist" in said


# -- exit code 2: usage ------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["monthly"],
        ["weekly"],
        ["weekly", "log", "--out", "x", "--as-of", "yesterday"],
        ["weekly", "log", "--out", "x", "--as-of", "2026-02-30"],
        ["weekly", "log", "--out", "x", "--as-of", "03/04/2026"],
        ["weekly", "log", "--out", "x", "--evidence-weight", "1.5"],
        ["weekly", "log", "--out", "x", "--evidence-weight", "nan"],
        ["weekly", "log", "--out", "x", "--colour"],
        ["elicit"],
        ["elicit", "--out", "x", "--draws", "3"],
        ["elicit", "--out", "x", "--draws", "9" * 5000],
        ["elicit", "--out", "x", "--seed", "-1"],
        ["study"],
        ["study", "evidence-weight"],
        ["study", "surprise"],
        ["weekly", "log", "--out", "x", "--if"],
        *(["study", "evidence-weight", "--out", "x", *size.split()]
          for size in ("--tanks 1", "--seed -1", "--processes 0")),
    ],
)  # fmt: skip
def test_usage(words: list[str], capsys: Capture) -> None:
    with pytest.raises(SystemExit) as caught:
        main(words)
    assert caught.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "usage:" in said.err


def test_help_and_version(capsys: Capture) -> None:
    for words, shown in (
        (["--version"], __version__),
        (["--help"], "weekly"),
        (["weekly", "--help"], "Exit codes"),
    ):
        with pytest.raises(SystemExit) as caught:
            main(words)
        assert caught.value.code == 0
        said = capsys.readouterr()
        assert shown in said.out
        assert said.err == ""


def test_an_out_that_cannot_be_written(small: Path, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "file").write_text("mine")
    for out in (tmp_path / "file", tmp_path / "file" / "below"):
        assert main(["weekly", str(small), "--out", str(out)]) == 2
        assert "cannot write" in capsys.readouterr().err
    assert (tmp_path / "file").read_text() == "mine"
    assert main(["elicit", "--out", str(tmp_path / "file" / "p.nc"), "--draws", "32"]) == 2
    assert "cannot write" in capsys.readouterr().err


# -- exit code 3: the log ----------------------------------------------------------------


def test_a_refused_tank_does_not_keep_the_others_from_being_written(
    tmp_path: Path, capsys: Capture
) -> None:
    log = write_log(
        tmp_path / "log",
        "tank,started\nGood,2026-01-05\nBad,03/04/2026\n",
        "tank,date,diatoms\nGood,2026-01-12,y\nBad,2026-01-12,y\n",
    )
    assert main(["weekly", str(log), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr()
    assert "not assessed" in said.err
    assert "Bad" in said.err
    assert (tmp_path / "out" / "Good.html").exists()
    assert not (tmp_path / "out" / "Bad.html").exists()
    assert {r["tank"] for r in rows(tmp_path / "out" / "phase.csv")} == {"Good"}
    assert "Bad" in (tmp_path / "out" / "index.html").read_text(encoding="utf-8")


def test_many_problems_are_counted_not_all_listed(tmp_path: Path, capsys: Capture) -> None:
    bad = "".join(f"A,2026-01-{i % 28 + 5},maybe{i}\n" for i in range(20)) * 3
    log = write_log(tmp_path / "log", "tank,started\nA,2026-01-05\n", "tank,date,diatoms\n" + bad)
    main(["weekly", str(log), "--out", str(tmp_path / "out")])
    said = capsys.readouterr().err.strip().splitlines()
    assert len(said) < 50
    assert any("more problems" in line for line in said)


# -- exit code 4: the population ---------------------------------------------------------


def test_a_bad_population_file(small: Path, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "bad.nc").write_bytes(b"\x89HDF\r\n\x1a\nnot really")
    for name in ("bad.nc", "none.nc"):
        words = ["weekly", str(small), "--out", str(tmp_path / "out"), "--population"]
        assert main([*words, str(tmp_path / name)]) == 4
        said = capsys.readouterr()
        assert said.out == ""
        assert name in said.err
    assert not (tmp_path / "out").exists()


def test_a_population_of_version_0_1(small: Path, tmp_path: Path) -> None:
    path = tmp_path / "older.nc"
    save_older(elicit_population(load_catalogue(), 0.5, n_draws=32), path)
    made = run("weekly", small, "--out", tmp_path / "out", "--brief", "--population", path)
    assert made.returncode == 0
    (line,) = made.stderr.splitlines()
    assert line.startswith(f"maturity-model: {path} is of version 0.1 and carries no digest")


def test_a_population_of_another_trade(small: Path, tmp_path: Path, capsys: Capture) -> None:
    population = elicit_population(load_catalogue(), 0.5, n_draws=32)
    path = tmp_path / "odd.nc"
    save_population(replace(population, phases=("one", "two", "three", "four")), path)
    words = ["weekly", str(small), "--out", str(tmp_path / "out"), "--population", str(path)]
    assert main(words) == 4
    assert "phases" in capsys.readouterr().err


# -- exit code 130 and the streams -------------------------------------------------------


def test_interrupted(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(maturity_model.report, "write_reports", interrupt)
    assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 130
    said = capsys.readouterr()
    assert "interrupted" in said.err
    assert said.out == ""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device there")
@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["weekly", "none", "--out", "out"], 3),
        (["weekly", "none"], 2),
        (["elicit", "--out", "none/p.nc", "--draws", "32"], 2),
        (["new", "log", "--tank", "A", "--started", "2026-01-05"], 0),
    ],
)
def test_a_full_standard_error(words: list[str], code: int, tmp_path: Path) -> None:
    with Path("/dev/full").open("wb") as full:
        made = subprocess.run(
            [sys.executable, "-m", "maturity_model", *words],
            cwd=tmp_path, env=os.environ | {"PYTHONPATH": str(ROOT)}, stderr=full,
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
    assert made.returncode == code
    assert "Traceback" not in made.stdout


def test_a_terminal_that_knows_ascii_only(tmp_path: Path) -> None:
    log = write_log(
        tmp_path / "log",
        "tank,started\nKüche ☂,2026-01-05\n",
        "tank,date,diatoms,größe\nKüche ☂,2026-01-12,y,1\n",
    )
    for encoding in ("ascii", "ascii:strict"):
        done = run("weekly", log, "--out", tmp_path / "out", PYTHONIOENCODING=encoding)
        assert done.returncode == 0, done.stderr
        assert done.stdout.isascii()
        assert "K\\xfcche \\u2602" in done.stdout
        assert "Traceback" not in done.stderr
    assert rows(tmp_path / "out" / "phase.csv")[0]["tank"] == "Küche ☂"


def test_a_log_cannot_command_the_terminal(tmp_path: Path) -> None:
    log = write_log(
        tmp_path / "log",
        "tank,started\nA,2026-01-05\nx\x1b]0;owned\x07,nonsense\n",
        "tank,date,diatoms,fl\x1b[31mow\nA,2026-01-12,y,1\nA,\x1b[2J,y,1\nghost\x9b1m,2026-01-12,y,\n",
    )
    done = run("weekly", log, "--out", tmp_path / "out")
    for said in (done.stdout, done.stderr):
        assert not {c for c in said if not c.isprintable()} - {"\n"}


def test_nobody_reads_the_output(small: Path, tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "maturity_model", "weekly", small, "--out", tmp_path / "out"],
            stdout=writer,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
    finally:
        os.close(writer)
    assert done.returncode == 0
    assert done.stderr == ""
    assert (tmp_path / "out" / "index.html").exists()


# -- elicit ------------------------------------------------------------------------------


def test_elicit_remakes_the_population_that_ships(tmp_path: Path, capsys: Capture) -> None:
    path = tmp_path / "practice.nc"
    assert main(["elicit", "--out", str(path)]) == 0
    assert str(path) in capsys.readouterr().out
    made, shipped = load_population(path), load_population()
    # Made on another machine: exp and log may differ in the last digit.
    np.testing.assert_allclose(made.log_advance, shipped.log_advance, rtol=1e-13)
    assert made.evidence_weight == shipped.evidence_weight
    assert made.provenance == shipped.provenance
    assert (made.name, made.kind, made.signs) == (shipped.name, shipped.kind, shipped.signs)


def test_elicit_with_options(tmp_path: Path) -> None:
    path = tmp_path / "p.nc"
    words = ["elicit", "--out", str(path), "--draws", "50", "--seed", "9"]
    assert main([*words, "--evidence-weight", "0.3"]) == 0
    found = load_population(path)
    assert (found.n_draws, found.evidence_weight, found.provenance["seed"]) == (50, 0.3, "9")


def test_output_is_valid_where_stdout_is_a_string(small: Path, tmp_path: Path) -> None:
    # A notebook or a test replaces sys.stdout by something that is no text wrapper.
    old, sys.stdout = sys.stdout, io.StringIO()
    try:
        assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 0
        assert "Report:" in sys.stdout.getvalue()
    finally:
        sys.stdout = old
