"""The demo logbook: rerunnable to the byte, and wrong only where it means to be."""

from __future__ import annotations

import datetime as dt
from collections import Counter

import pytest
from command_logs import DEMO, python, rows

from maturity_model.assessment.ammonia_now import TankLog
from maturity_model.assessment.cautions import cautions_for
from maturity_model.logbook import read_logbook

TABLES = ("tanks.csv", "checkins.csv", "events.csv", "kits.csv", "signs.csv")
CHECKINS = DEMO / "checkins.csv"
END = dt.date(2026, 11, 20)


@pytest.fixture(scope="module")
def logbook():
    return read_logbook(DEMO)


def test_rerun_gives_the_same_bytes(tmp_path):
    made = python(DEMO.parent / "make_demo.py", "--out", tmp_path / "demo")
    assert made.returncode == 0, made.stderr
    assert sorted(p.name for p in (tmp_path / "demo").iterdir()) == sorted(TABLES)
    for table in TABLES:
        assert (tmp_path / "demo" / table).read_bytes() == (DEMO / table).read_bytes()


def test_exactly_the_deliberate_problems(logbook):
    assert len(logbook.tanks) == 6
    assert all(r.read == r.used + r.refused for r in logbook.rows)
    found = Counter((p.severity, p.file, p.column, p.value) for p in logbook.problems)
    (comma,) = [r["phosphate"] for r in rows(CHECKINS) if "," in r["phosphate"]]
    (named,) = [r["date"] for r in rows(CHECKINS) if "May" in r["date"]]
    assert found == Counter(
        [
            ("error", "checkins.csv", "flow", ""),
            ("error", "checkins.csv", "tank", "Drift 40"),
            ("settled", "checkins.csv", "date", named),
            ("error", "checkins.csv", "nitrate", "-10"),
            ("error", "checkins.csv", "phosphate", comma),
            ("error", "events.csv", "tank", "Lagoon-66"),
            ("settled", "events.csv", "amount", ""),
        ]
    )
    for problem in logbook.problems:
        lines = (DEMO / problem.file).read_text(encoding="utf-8").split("\n")
        assert (problem.value or problem.column or "") in lines[problem.line - 1] or (
            problem.column == "amount" and "overfeeding,," in lines[problem.line - 1]
        )


def test_it_is_sparse_and_messy(logbook):
    share = sum(len(c.signs) for c in logbook.checkins) / (13 * len(logbook.checkins))
    assert 0.3 < share < 0.6
    assert {"y", "Yes", "1", "n", "No", "0", ""} <= {row["diatoms"] for row in rows(CHECKINS)}
    readings = [r for c in logbook.checkins for r in c.readings.values()]
    assert {"mg/L NO3-N", "mg/L NO3", "sg 25/25", "[dKH]"} <= {r.unit for r in readings}
    # So the line numbers checked above are true ones.
    text = CHECKINS.read_text(encoding="utf-8")
    assert text.index("two days\nfed less") < text.index(",-10,")


def test_cautions_on_the_last_day(logbook):
    def titles(name, day=END):
        tank = logbook.tanks[name]
        found = cautions_for(
            TankLog.of(tank, logbook.checkins, logbook.events, day, logbook.catalogue)
        )
        return [c.title for c in found]

    assert "Hydrogen sulphide from the sand" in titles("Breakwater-200")
    # While ammonia stood high; it has gone since, and nitrite has not.
    assert "Handling ammonium chloride" in titles("Tidepool-30", dt.date(2026, 11, 10))
    assert "Nitrite, but in seawater" in titles("Tidepool-30")
    assert titles("Lagoon-60") == []
