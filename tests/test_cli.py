"""The command line: exit codes, streams, files."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import os
import shutil
import subprocess
import sys
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest

import maturity_model.report
from maturity_model import __version__
from maturity_model.catalogue import load_catalogue
from maturity_model.cli import main
from maturity_model.logbook import read_logbook
from maturity_model.population import elicit_population, load_population, save_population
from maturity_model.population.types import DIMS
from maturity_model.report import file_names
from maturity_model.report.machine import QUESTIONS
from maturity_model.studies.scores import Score

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "data" / "demo"
TANKS = ("Lagoon-60", "Pier-120", "Drift-40", "Breakwater-200", "Tidepool-30", "Skerry-90")


def write_log(folder: Path, tanks: str, checkins: str = "tank,date,diatoms\n", **more: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {"tanks": tanks, "checkins": checkins, **more}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def small(tmp_path: Path) -> Path:
    return write_log(
        tmp_path / "log",
        "tank,started,rock\nA,2026-01-05,dry\n",
        "tank,date,diatoms\nA,2026-01-12,n\nA,2026-02-02,y\n",
    )


def test_a_log_without_check_ins_is_no_success(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (small / "checkins.csv").unlink()
    assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err
    assert "has no table of check-ins" in said
    assert "rest on events alone" in said
    # Nor is one whose dates are in no column; an empty table is a log that begins.
    (small / "checkins.csv").write_text("tank,day\nA,2026-01-12\n")
    assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 3
    (small / "checkins.csv").write_text("tank,date\n")
    assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 0


def test_a_missing_log_is_said_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["weekly", str(tmp_path / "none"), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr().err
    assert said.count("none") == 1
    assert len(said.strip().splitlines()) == 1
    assert "does not exist" in said


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def run(*words: object, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "maturity_model", *map(str, words)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=ROOT,
        env={**os.environ, **environment},
    )


# -- weekly: what is written -------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    out = tmp_path_factory.mktemp("weekly") / "not" / "there yet"
    return run("weekly", DEMO, "--out", out), out


def test_the_demo_is_done(demo: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    done, out = demo
    assert done.returncode == 0
    # Data on stdout, problems on stderr.
    for tank in TANKS:
        assert tank in done.stdout
    assert done.stdout.strip().endswith(f"Report: {out / 'index.html'}")
    assert "Lagoon-66" in done.stderr
    assert "Lagoon-66" not in done.stdout
    assert "03/04/2026" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_files_are_those_of_the_contract(
    demo: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    _, out = demo
    names = file_names(TANKS)
    want = {"index.html", "phase.csv", "regression.csv"}
    want |= {f"{names[t]}.{kind}" for t in TANKS for kind in ("html", "json")}
    assert {p.name for p in out.iterdir()} == want
    assert names["Lagoon-60"] == "Lagoon-60"
    for path in out.glob("*.html"):
        assert path.read_text(encoding="utf-8").startswith("<!")


def test_phase_csv(demo: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    _, out = demo
    assert (out / "phase.csv").read_text().splitlines()[0] == (
        "tank,week,date,phase,filtered,smoothed"
    )
    started = {t.name: t.started for t in read_logbook(DEMO).tanks.values()}
    found: dict[tuple[str, int], list[dict[str, str]]] = defaultdict(list)
    for row in rows(out / "phase.csv"):
        found[row["tank"], int(row["week"])].append(row)
    last = max(row["date"] for row in rows(out / "phase.csv"))
    for (tank, week), group in found.items():
        assert [r["phase"] for r in group] == ["cycling", "bloom", "colonising", "mature"]
        assert len({r["date"] for r in group}) == 1
        for column in ("filtered", "smoothed"):
            p = [float(r[column]) for r in group]
            assert min(p) >= 0
            assert sum(p) == pytest.approx(1, abs=1e-12)
        # Week 0 is the week of the start; a week is named by its last day.
        end = started[tank] + dt.timedelta(days=7 * week + 6)
        assert group[0]["date"] == min(end.isoformat(), last)
    for tank in TANKS:
        weeks = [w for t, w in found if t == tank]
        assert weeks == list(range(len(weeks)))


def test_regression_csv(demo: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    _, out = demo
    text = (out / "regression.csv").read_text()
    assert text.splitlines()[0] == "tank,week,date,horizon_weeks,probability"
    found: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for row in rows(out / "regression.csv"):
        found[row["tank"], row["week"]][row["horizon_weeks"]] = float(row["probability"])
    for p in found.values():
        assert list(p) == ["4", "8"]
        assert 0 <= p["4"] <= p["8"] <= 1
    phase_rows = {(r["tank"], r["week"]) for r in rows(out / "phase.csv")}
    assert set(found) == phase_rows


def test_json_agrees_with_the_table(demo: tuple[subprocess.CompletedProcess[str], Path]) -> None:
    _, out = demo
    record = json.loads((out / "Skerry-90.json").read_text())
    table = [r for r in rows(out / "phase.csv") if r["tank"] == "Skerry-90"]
    assert np.ravel(record["filtered"]).tolist() == [float(r["filtered"]) for r in table]
    assert np.ravel(record["smoothed"]).tolist() == [float(r["smoothed"]) for r in table]
    assert record["provenance"]["evidence_weight"] == load_population().evidence_weight


# -- weekly: options ---------------------------------------------------------------------


def test_as_of_says_what_the_whole_run_says_of_that_week(
    demo: tuple[subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    _, whole = demo
    day = next(
        r["date"] for r in rows(whole / "phase.csv") if (r["tank"], r["week"]) == ("Drift-40", "30")
    )
    assert main(["weekly", str(DEMO), "--out", str(tmp_path), "--as-of", day]) == 0
    for name, column in (("phase.csv", "filtered"), ("regression.csv", "probability")):

        def pick(folder: Path, name: str = name, column: str = column) -> list[float]:
            return [
                float(r[column])
                for r in rows(folder / name)
                if r["tank"] == "Drift-40" and int(r["week"]) <= 30
            ]

        np.testing.assert_allclose(pick(tmp_path), pick(whole), rtol=0, atol=1e-9)
    assert {r["date"] for r in rows(tmp_path / "phase.csv")} >= {day}
    assert max(r["date"] for r in rows(tmp_path / "phase.csv")) == day
    assert json.loads((tmp_path / "Drift-40.json").read_text())["as_of"] == day


def test_evidence_weight_zero_uses_no_observation(small: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(["weekly", str(small), "--out", str(out), "--evidence-weight", "0"]) == 0
    record = json.loads((out / "A.json").read_text())
    np.testing.assert_allclose(record["filtered"], record["forecast_only"], rtol=0, atol=1e-14)


def test_another_population(small: Path, tmp_path: Path) -> None:
    path = tmp_path / "other.nc"
    save_population(elicit_population(load_catalogue(), 0.25, n_draws=40, name="other"), path)
    assert (
        main(["weekly", str(small), "--out", str(tmp_path / "o"), "--population", str(path)]) == 0
    )
    provenance = json.loads((tmp_path / "o" / "A.json").read_text())["provenance"]
    assert provenance["population"]["name"] == "other"
    assert provenance["evidence_weight"] == 0.25


def test_a_workbook_is_a_logbook(
    small: Path, tmp_path: Path, need: Callable[[str], object]
) -> None:
    xlsxwriter = need("xlsxwriter")
    book = xlsxwriter.Workbook(str(tmp_path / "log.xlsx"))  # type: ignore[attr-defined]
    for name in ("tanks", "checkins"):
        sheet = book.add_worksheet(name)
        for i, line in enumerate((small / f"{name}.csv").read_text().splitlines()):
            sheet.write_row(i, 0, line.split(","))
    book.close()
    assert main(["weekly", str(tmp_path / "log.xlsx"), "--out", str(tmp_path / "a")]) == 0
    assert main(["weekly", str(small), "--out", str(tmp_path / "b")]) == 0
    for name in ("phase.csv", "regression.csv"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_a_second_run_gives_the_same_bytes(small: Path, tmp_path: Path) -> None:
    first = []
    for _ in range(2):
        assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 0
        first.append({p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()})
    assert first[0] == first[1]


def asked(path: Path) -> set[str]:
    record = json.loads(path.read_text())
    return {k for k in QUESTIONS if record[k] is not None}


def test_brief_answers_no_question(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["weekly", str(small), "--out", str(tmp_path), "--brief"]) == 0
    assert "What now" not in capsys.readouterr().out
    assert asked(tmp_path / "A.json") == set()


def test_every_question_is_answered(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["weekly", str(small), "--out", str(tmp_path / "plain"), "--brief"]) == 0
    capsys.readouterr()
    words = ["weekly", str(small), "--out", str(tmp_path / "all")]
    assert main([*words, "--if", "water_change=none"]) == 0
    assert "What now: " in capsys.readouterr().out
    assert asked(tmp_path / "all" / "A.json") == set(QUESTIONS)
    record = json.loads((tmp_path / "all" / "A.json").read_text())
    assert record["risk_if"][-1]["what_if"] == "water_change=none"
    assert 'id="do"' in (tmp_path / "all" / "A.html").read_text(encoding="utf-8")
    # Asking more changes nothing of what is said anyway.
    for name in ("phase.csv", "regression.csv"):
        assert (tmp_path / "all" / name).read_bytes() == (tmp_path / "plain" / name).read_bytes()


def test_what_ifs_alone(small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["weekly", str(small), "--out", str(tmp_path / "o"), "--brief", "--if", "overfeeding=3"]
    assert main([*words, "--if", "water_change=20/2w+crash"]) == 0
    assert "What now" not in capsys.readouterr().out
    assert asked(tmp_path / "o" / "A.json") == {"risk_if", "time_to_mature"}
    record = json.loads((tmp_path / "o" / "A.json").read_text())
    plans = ["overfeeding=3", "water_change=20/2w+crash"]
    assert [r["what_if"] for r in record["risk_if"]][-2:] == plans
    assert [w["what_if"] for w in record["time_to_mature"]] == [None, *plans]
    worst = record["risk_if"][-1]
    assert worst["risk"]["8"]["mean"] > record["risk_if"][0]["risk"]["8"]["mean"]


@pytest.mark.parametrize(
    ("text", "said"),
    [("earthquake", "is not an event"), ("overfeeding=lots", "is not an amount"), ("", "event")],
)
def test_a_what_if_that_cannot_be_understood(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, said: str
) -> None:
    words = ["weekly", str(small), "--out", str(tmp_path / "o"), "--if", "crash", "--if", text]
    assert main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert said in shown.err
    assert "Traceback" not in shown.err
    assert not (tmp_path / "o").exists()


# -- exit code 2: usage ------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["monthly"],
        ["weekly"],
        ["weekly", "log"],
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
        ["study", "evidence-weight", "--out", "x", "--tanks", "1"],
    ],
)
def test_usage(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(words)
    assert caught.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "usage:" in said.err


def test_help_and_version(capsys: pytest.CaptureFixture[str]) -> None:
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


def test_an_out_that_cannot_be_written(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine")
    for out in (tmp_path / "file", tmp_path / "file" / "below"):
        assert main(["weekly", str(small), "--out", str(out)]) == 2
        assert "cannot write" in capsys.readouterr().err
    assert (tmp_path / "file").read_text() == "mine"
    assert main(["elicit", "--out", str(tmp_path / "file" / "p.nc"), "--draws", "32"]) == 2
    assert "cannot write" in capsys.readouterr().err


# -- exit code 3: the log ----------------------------------------------------------------


@pytest.mark.parametrize(
    "tanks",
    [None, "", "name,start\nA,2026-01-05\n", "\x00\x01"],
    ids=["none", "empty", "other", "binary"],
)
def test_no_table_of_tanks(
    tanks: str | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = write_log(tmp_path / "log", tanks or "")
    if tanks is None:
        (log / "tanks.csv").unlink()
    assert main(["weekly", str(log), "--out", str(tmp_path / "out")]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "tanks" in said.err
    assert not (tmp_path / "out").exists()


def test_no_such_logbook(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["weekly", str(tmp_path / "none"), "--out", str(tmp_path / "out")]) == 3
    assert "none" in capsys.readouterr().err


def test_a_refused_tank_does_not_keep_the_others_from_being_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
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


def test_no_tank_had_been_started(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["weekly", str(small), "--out", str(tmp_path / "out"), "--as-of", "2020-01-01"]
    assert main(words) == 3
    assert "started" in capsys.readouterr().err


def test_many_problems_are_counted_not_all_listed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = "".join(f"A,2026-01-{i % 28 + 5},maybe{i}\n" for i in range(20)) * 3
    log = write_log(tmp_path / "log", "tank,started\nA,2026-01-05\n", "tank,date,diatoms\n" + bad)
    main(["weekly", str(log), "--out", str(tmp_path / "out")])
    said = capsys.readouterr().err.strip().splitlines()
    assert len(said) < 50
    assert any("more problems" in line for line in said)


# -- exit code 4: the population ---------------------------------------------------------


def test_a_bad_population_file(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bad.nc").write_bytes(b"\x89HDF\r\n\x1a\nnot really")
    for name in ("bad.nc", "none.nc"):
        words = ["weekly", str(small), "--out", str(tmp_path / "out"), "--population"]
        assert main([*words, str(tmp_path / name)]) == 4
        said = capsys.readouterr()
        assert said.out == ""
        assert name in said.err
    assert not (tmp_path / "out").exists()


def test_a_population_of_another_trade(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    population = elicit_population(load_catalogue(), 0.5, n_draws=32)
    path = tmp_path / "odd.nc"
    save_population(replace(population, phases=("one", "two", "three", "four")), path)
    words = ["weekly", str(small), "--out", str(tmp_path / "out"), "--population", str(path)]
    assert main(words) == 4
    assert "phases" in capsys.readouterr().err
    save_population(population, path)
    with h5py.File(path, "r+") as file:
        file.attrs["evidence_weight"] = 7.0
    assert main(words) == 4
    assert "evidence weight" in capsys.readouterr().err


# -- exit code 130 and the streams -------------------------------------------------------


def test_interrupted(
    small: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(maturity_model.report, "write_reports", interrupt)
    assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 130
    said = capsys.readouterr()
    assert "interrupted" in said.err
    assert said.out == ""


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


def test_the_installed_name_is_the_same_function() -> None:
    scripts = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert 'maturity-model = "maturity_model.cli:main"' in scripts


# -- elicit ------------------------------------------------------------------------------


def test_elicit_remakes_the_population_that_ships(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "practice.nc"
    assert main(["elicit", "--out", str(path)]) == 0
    assert str(path) in capsys.readouterr().out
    made, shipped = load_population(path), load_population()
    for name in DIMS:
        # Made on another machine: exp and log may differ in the last digit.
        np.testing.assert_allclose(
            getattr(made, name), getattr(shipped, name), rtol=1e-13, atol=1e-14, err_msg=name
        )
    assert made.evidence_weight == shipped.evidence_weight
    assert made.provenance == shipped.provenance
    assert (made.name, made.kind, made.signs) == (shipped.name, shipped.kind, shipped.signs)
    # Twice on this machine: the same to the bit.
    assert main(["elicit", "--out", str(tmp_path / "again.nc")]) == 0
    again = load_population(tmp_path / "again.nc")
    assert all(np.array_equal(getattr(made, n), getattr(again, n)) for n in DIMS)


def test_elicit_with_options(tmp_path: Path) -> None:
    path = tmp_path / "p.nc"
    words = ["elicit", "--out", str(path), "--draws", "50", "--seed", "9"]
    assert main([*words, "--evidence-weight", "0.3"]) == 0
    found = load_population(path)
    assert (found.n_draws, found.evidence_weight) == (50, 0.3)
    assert found.provenance["seed"] == "9"


# -- study -------------------------------------------------------------------------------


def test_study_writes_what_it_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from maturity_model.studies import evidence_weight as study

    def scores(tanks: int, weeks: int, seed: int, say: object) -> dict[tuple[str, float], Score]:
        assert (tanks, weeks, seed) == (12, 20, 3)
        return {
            (world.name, w): Score(-1 - abs(w - 0.35), 0.5, 0.1)
            for world in study.WORLDS
            for w in study.WEIGHTS
        }

    monkeypatch.setattr(study, "run", scores)
    words = ["study", "evidence-weight", "--out", str(tmp_path / "s"), "--tanks", "12"]
    assert main([*words, "--weeks", "20", "--seed", "3"]) == 0
    assert "chosen evidence weight: 0.35" in capsys.readouterr().out
    assert len(rows(tmp_path / "s" / "scores.csv")) == len(study.WORLDS) * len(study.WEIGHTS)
    assert "ω = 0.35" in (tmp_path / "s" / "README.md").read_text(encoding="utf-8")


def test_study_surprise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from maturity_model.studies import surprise as study

    def counts(tanks: int, weeks: int, seed: int, say: object) -> list[study.Result]:
        assert (tanks, weeks, seed) == (12, 20, 2028)
        quiet = study.Quiet(20.0, 3, 2, 4)
        return [study.Result("none", quiet, study.Caught(9, 8, 9), study.Caught(4, 3, 4))]

    monkeypatch.setattr(study, "run", counts)
    words = ["study", "surprise", "--out", str(tmp_path / "s"), "--tanks", "12", "--weeks", "20"]
    assert main(words) == 0
    assert "shifts none: 0.25 false alarms per tank-year" in capsys.readouterr().out
    assert len(rows(tmp_path / "s" / "counts.csv")) == 1
    assert "8 of 9" in (tmp_path / "s" / "README.md").read_text(encoding="utf-8")


def test_the_log_is_left_as_it_was(small: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(small, copy)
    main(["weekly", str(small), "--out", str(tmp_path / "out")])
    assert sorted(p.name for p in small.iterdir()) == sorted(p.name for p in copy.iterdir())
    for path in copy.iterdir():
        assert path.read_bytes() == (small / path.name).read_bytes()


def test_output_is_valid_where_stdout_is_a_string(small: Path, tmp_path: Path) -> None:
    # A notebook or a test replaces sys.stdout by something that is no text wrapper.
    old, sys.stdout = sys.stdout, io.StringIO()
    try:
        assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 0
        assert "Report:" in sys.stdout.getvalue()
    finally:
        sys.stdout = old
