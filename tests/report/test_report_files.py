"""A report's files: their names, and tables and records that hold every digit."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from command_logs import rows
from report.example import AS_OF, STARTING, example_assessment, example_tank

from maturity_model.logbook.types import CheckIn, Reading
from maturity_model.report import file_names, write_reports
from maturity_model.report.files import csv_text, href
from maturity_model.report.likelihood_words import statement
from maturity_model.report.wording import phase_labels

HOSTILE = [
    "../../etc/passwd", "..", ".", ".hidden", "/absolute", "C:\\windows\\system32", "a/b", "a\\b",
    "nul", "CON", "com1.tank", "LPT9 ", "ends in a dot.", "ends in a space ",
    " starts with a space", "", "   ", "index", "INDEX", "phase", "Regression", "x" * 300,
    "zero\0byte", "new\nline", "<script>", 'quote"', "übung", "u\u0308bung", "🐠",
    "lone \ud800 surrogate", "\u202egnp.exe", "a:stream", "%2e%2e%2f", "tank*?", "-rf", "Reef",
    "reef", "REEF",
]  # fmt: skip


def test_hostile_names_stay_inside_the_folder_and_apart(tmp_path: Path) -> None:
    names = file_names(HOSTILE)
    assert list(names) == HOSTILE
    made = list(names.values())
    assert len({m.lower() for m in made}) == len(HOSTILE)
    assert not {m.lower() for m in made} & {"index", "phase", "regression"}
    for name in made:
        assert (tmp_path / f"{name}.html").resolve().parent == tmp_path.resolve()
        assert name == name.strip(" .")
        assert len(name) <= 80
        assert all(c.isascii() and (c.isalnum() or c in " _.-") for c in name)
        assert name.split(".")[0].strip().lower() not in {"nul", "con", "com1", "lpt9"}


@pytest.mark.parametrize("name", ["Window reef", "Lagoon-60", "tank_2.b", "7", "-rf", "phase 2"])
def test_safe_names_are_kept(name: str) -> None:
    assert file_names([name]) == {name: name}


def test_names_do_not_take_one_another() -> None:
    # The first of names that differ in case keeps its own.
    names = file_names(["Reef", "reef", "Cube"])
    assert (names["Reef"], names["Cube"]) == ("Reef", "Cube")
    assert names["reef"].startswith("reef-")
    made = file_names(["a/b"])["a/b"]
    names = file_names(["a/b", made])
    assert names[made] == made != names["a/b"]
    assert file_names(["a/b", "ü"]) == file_names(["ü", "a/b"])
    assert href("Window reef") == "./Window%20reef"


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("Reef", "Reef"), ("=1+1", "'=1+1"), ("+1", "'+1"), ("-1", "'-1"),
        ("@SUM(A1)", "'@SUM(A1)"), ("\tx", "'\tx"), ("\rx", '"\'\rx"'), ("a,b", '"a,b"'),
        ('say "x"', '"say ""x"""'), ("=a,b", '"\'=a,b"'), ("two\nlines", '"two\nlines"'),
    ],
)  # fmt: skip
def test_no_csv_cell_is_a_formula(text: str, cell: str) -> None:
    assert csv_text(text) == cell
    (row,) = csv.reader(io.StringIO(cell + "\n", newline=""), strict=True)
    assert row[0].removeprefix("'") == text
    assert row[0][0] not in "=+-@\t\r"


def test_what_is_written(tmp_path: Path) -> None:
    assessment = example_assessment()
    written = write_reports(assessment, tmp_path / "new" / "out", "maturity-model weekly demo")
    assert written[-1].name == "index.html"
    assert {p.name for p in written} == {p.name for p in (tmp_path / "new" / "out").iterdir()}
    expected = {"index.html", "phase.csv", "regression.csv"}
    for tank in assessment.tanks:
        expected |= {f"{tank.tank.name}.html", f"{tank.tank.name}.json"}
    assert {p.name for p in written} == expected


def test_csv_holds_every_digit(tmp_path: Path) -> None:
    assessment = example_assessment()
    hostile = replace(
        assessment.tanks[0], tank=replace(assessment.tanks[0].tank, name="=cmd|' /C calc'!A0,\"x\"")
    )
    assessment = replace(assessment, tanks=(hostile, *assessment.tanks[1:]))
    write_reports(assessment, tmp_path, "x")
    found = rows(tmp_path / "phase.csv")
    assert list(found[0]) == ["tank", "week", "date", "phase", "filtered", "smoothed"]
    assert found[0]["tank"].startswith("'=")
    expected = [
        (tank.tank.name, str(week), day.isoformat(), phase, filtered, smoothed)
        for tank in assessment.tanks
        for week, day, *both in zip(
            tank.weeks, tank.dates, tank.filtered, tank.smoothed, strict=True
        )
        for phase, filtered, smoothed in zip(assessment.phases, *both, strict=True)
    ]
    assert [
        (r["tank"].removeprefix("'"), r["week"], r["date"], r["phase"],
         float(r["filtered"]), float(r["smoothed"]))
        for r in found
    ] == expected  # fmt: skip
    found = rows(tmp_path / "regression.csv")
    assert list(found[0]) == ["tank", "week", "date", "horizon_weeks", "probability"]
    assert len(found) == sum(2 * len(t.weeks) for t in assessment.tanks)
    assert float(found[1]["probability"]) == assessment.tanks[0].regression[0, 1]
    assert [r["horizon_weeks"] for r in found[:4]] == ["4", "8", "4", "8"]


def _not_json(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON")


def test_json_is_strict(tmp_path: Path) -> None:
    endless = Reading(">8", 8.0, math.inf, 8.0, "mg/L NH4", "colour_chart")
    looks = (CheckIn("Endless", AS_OF, readings={"ammonia": endless}),)
    assessment = example_assessment((example_tank(), example_tank("Endless", checkins=looks)))
    write_reports(assessment, tmp_path, "the command")
    labels = phase_labels(assessment)
    for tank in assessment.tanks:
        text = (tmp_path / f"{tank.tank.name}.json").read_text(encoding="utf-8")
        record = json.loads(text, parse_constant=_not_json)
        assert record["tank"]["name"] == tank.tank.name
        assert record["provenance"]["command"] == "the command"
        assert record["statement"] == statement(tank, labels, assessment.provenance)
        # A reading with no upper end: JSON can only say null.
        if tank.checkins is looks:
            assert record["checkins"][0]["readings"]["ammonia"]["high"] is None


def test_not_a_number_is_an_error_and_no_file(tmp_path: Path) -> None:
    tank = example_tank()
    tank = replace(tank, forecast_only=np.full_like(tank.forecast_only, np.nan))
    with pytest.raises(ValueError, match="JSON compliant"):
        write_reports(example_assessment((tank,)), tmp_path, "x")
    assert list(tmp_path.iterdir()) == []


def test_hostile_tanks_are_written_inside_the_folder(tmp_path: Path) -> None:
    tanks = tuple(example_tank(name, STARTING) for name in HOSTILE)
    out = tmp_path / "out"
    written = write_reports(example_assessment(tanks), out, "x")
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    assert len(list(out.iterdir())) == 2 * len(HOSTILE) + 3 == len(written)


def test_pages_of_tanks_that_are_gone_are_removed(tmp_path: Path) -> None:
    tanks = tuple(example_tank(name, STARTING) for name in ("Old", "New"))
    write_reports(example_assessment(tanks), tmp_path, "x")
    own = {"Old.txt": "mine", "notes.html": "mine", "notes.json": '{"mine":1}'}
    for name, text in own.items():
        (tmp_path / name).write_text(text)
    write_reports(example_assessment(tanks[1:]), tmp_path, "x")
    assert not (tmp_path / "Old.html").exists()
    assert not (tmp_path / "Old.json").exists()
    assert (tmp_path / "New.html").exists()
    assert {name: (tmp_path / name).read_text() for name in own} == own


def test_what_a_killed_run_left_goes(tmp_path: Path) -> None:
    for name in (".a.html.12.part", ".b.html.12.part"):
        (tmp_path / name).write_text("half")
    os.utime(tmp_path / ".a.html.12.part", (1e9, 1e9))
    write_reports(example_assessment(), tmp_path, "maturity-model weekly log --out out")
    assert [p.name for p in tmp_path.glob(".*")] == [".b.html.12.part"]
