"""`maturity-model weekly`: the files that it writes, and its options."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from command_logs import DEMO, rows, run, small_log

from maturity_model.catalogue import load_catalogue
from maturity_model.cli import main
from maturity_model.logbook import read_logbook
from maturity_model.population import elicit_population, save_population
from maturity_model.report.question_record import QUESTIONS

TANKS = ("Lagoon-60", "Pier-120", "Drift-40", "Breakwater-200", "Tidepool-30", "Skerry-90")
Capture = pytest.CaptureFixture[str]
#: The day of the small log's last look.
LATELY = "2026-02-02"
Run = tuple[subprocess.CompletedProcess[str], Path]


@pytest.fixture
def small(tmp_path: Path) -> Path:
    return small_log(tmp_path / "log")


# -- weekly: its files -------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Run:
    out = tmp_path_factory.mktemp("weekly") / "not" / "there yet"
    return run("weekly", DEMO, "--out", out), out


def test_the_demo_is_done(demo: Run) -> None:
    done, out = demo
    # The rows that are refused are older than six weeks.
    assert done.returncode == 0
    # Data on stdout, problems on stderr.
    for tank in TANKS:
        assert tank in done.stdout
    assert done.stdout.strip().endswith(f"Report: {out / 'index.html'}")
    assert "Lagoon-66" in done.stderr
    assert "Lagoon-66" not in done.stdout
    assert "Drift 40" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_week_is_named_by_its_last_day(demo: Run) -> None:
    table = rows(demo[1] / "phase.csv")
    last = max(row["date"] for row in table)
    for name, tank in read_logbook(DEMO).tanks.items():
        dates = list(dict.fromkeys(row["date"] for row in table if row["tank"] == name))
        # Week 0 is the week of the start.
        ends = [tank.started + dt.timedelta(days=7 * week + 6) for week in range(len(dates))]
        assert dates == [min(end.isoformat(), last) for end in ends]


# -- weekly: options ---------------------------------------------------------------------


def test_as_of_is_the_last_day(small: Path, tmp_path: Path) -> None:
    assert main(["weekly", str(small), "--out", str(tmp_path), "--as-of", "2026-01-22"]) == 0
    assert max(r["date"] for r in rows(tmp_path / "phase.csv")) == "2026-01-22"
    record = json.loads((tmp_path / "A.json").read_text())
    assert (record["as_of"], len(record["checkins"])) == ("2026-01-22", 1)


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


def test_a_second_run_gives_the_same_bytes(small: Path, tmp_path: Path) -> None:
    first = []
    for _ in range(2):
        assert main(["weekly", str(small), "--out", str(tmp_path / "out")]) == 0
        first.append({p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()})
    assert first[0] == first[1]


def asked(path: Path) -> set[str]:
    record = json.loads(path.read_text())
    return {k for k in QUESTIONS if record[k] is not None}


def test_every_question_is_answered(small: Path, tmp_path: Path, capsys: Capture) -> None:
    assert main(["weekly", str(small), "--out", str(tmp_path / "plain"), "--brief"]) == 0
    assert asked(tmp_path / "plain" / "A.json") == set()
    capsys.readouterr()
    words = ["weekly", str(small), "--out", str(tmp_path / "all"), "--verbose"]
    assert main([*words, "--if", "water_change=none"]) == 0
    assert "Do: Look, and measure." in capsys.readouterr().out
    assert asked(tmp_path / "all" / "A.json") == set(QUESTIONS)
    record = json.loads((tmp_path / "all" / "A.json").read_text())
    assert record["risk_if"][-1]["what_if"] == "water_change=none"
    assert 'id="do"' in (tmp_path / "all" / "A.html").read_text(encoding="utf-8")
    # More questions leave the other answers as they are.
    for name in ("phase.csv", "regression.csv"):
        assert (tmp_path / "all" / name).read_bytes() == (tmp_path / "plain" / name).read_bytes()


def test_only_news_is_a_line_a_tank_or_nothing(small: Path, capsys: Capture) -> None:
    assert main(["weekly", str(small), "--only-news"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("A ")
    assert said.out.endswith("Look, and measure\n")
    assert said.out.count("\n") == 1
    assert said.err == ""
    # Brief, on the day of the last look: nothing is asked, so nothing is news.
    assert main(["weekly", str(small), "--only-news", "--brief", "--as-of", LATELY]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", "")


def test_only_news_still_says_what_was_refused(small: Path, capsys: Capture) -> None:
    with (small / "checkins.csv").open("a", encoding="utf-8") as log:
        log.write("Nobody's,2099-01-01\n")
    code = main(["weekly", str(small), "--only-news"])
    assert code == 3
    assert "the answers lack 1 recent row of the log" in capsys.readouterr().err


def test_json_goes_to_standard_output(small: Path, tmp_path: Path, capsys: Capture) -> None:
    assert main(["weekly", str(small), "--json", "--out", str(tmp_path / "o")]) == 0
    record = json.loads(capsys.readouterr().out)
    own = json.loads((tmp_path / "o" / "A.json").read_text())
    assert record["tanks"] == [own]
    assert record["schema_version"] == own["schema_version"]
    assert record["provenance"] == own["provenance"]


def test_pages_need_a_place(small: Path, capsys: Capture) -> None:
    assert main(["weekly", str(small)]) == 2
    assert "--out is needed" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["weekly", str(small), "--json", "--only-news"])


def test_what_ifs_alone(small: Path, tmp_path: Path, capsys: Capture) -> None:
    words = ["weekly", str(small), "--out", str(tmp_path / "o"), "--brief", "--if", "overfeeding=3"]
    assert main([*words, "--if", "water_change=20/2w+crash"]) == 0
    assert "Leave:" not in capsys.readouterr().out
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
    small: Path, tmp_path: Path, capsys: Capture, text: str, said: str
) -> None:
    words = ["weekly", str(small), "--out", str(tmp_path / "o"), "--if", "crash", "--if", text]
    assert main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert said in shown.err
    assert "Traceback" not in shown.err
    assert not (tmp_path / "o").exists()


def test_the_log_is_left_as_it_was(small: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(small, copy)
    main(["weekly", str(small), "--out", str(tmp_path / "out")])
    assert sorted(p.name for p in small.iterdir()) == sorted(p.name for p in copy.iterdir())
    for path in copy.iterdir():
        assert path.read_bytes() == (small / path.name).read_bytes()


@pytest.mark.parametrize(
    ("tanks", "why"),
    [
        (None, "has no table of tanks"),
        ("", "is empty"),
        ("\0\1", "is not a text file"),
        ("tank\nTest-1\n", "has no column started"),
        ("tank,started\nTest-1,2026-05-01\n", "no tank that had been started"),
    ],
)
def test_a_log_that_cannot_be_assessed_takes_back_the_older_report(
    small: Path, tmp_path: Path, capsys: Capture, tanks: str | None, why: str
) -> None:
    out, command = tmp_path / "out", ["weekly", str(small), "--as-of", "2026-03-20", "--out"]
    main([*command, str(out)])
    (out / "mine.html").write_text("kept")
    assert len(list(out.glob("*.json"))) > 0
    if tanks is None:
        (small / "tanks.csv").unlink()
    else:
        (small / "tanks.csv").write_text(tanks)
    capsys.readouterr()
    assert main([*command, str(out)]) == 3
    assert "withdrawn" in capsys.readouterr().err
    assert {p.name for p in out.iterdir()} == {
        "index.html", "phase.csv", "regression.csv", "mine.html"
    }  # fmt: skip
    page = (out / "index.html").read_text("utf-8")
    assert "Nothing could be assessed" in page
    assert why in page
    assert "Leave it be" not in page
    assert rows(out / "phase.csv") == rows(out / "regression.csv") == []
    # Nothing is put where there was no report.
    assert main([*command, str(tmp_path / "new")]) == 3
    assert not (tmp_path / "new").exists()
