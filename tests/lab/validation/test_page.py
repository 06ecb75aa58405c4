"""The tables of a validation, and the page that is made from them."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from validation_examples import BROKEN, MECHANISTIC, OWN, PHASES, asked, result, times

from maturity_model.lab.page import Page
from maturity_model.lab.validation.cases import Case, Settings
from maturity_model.lab.validation.forecasters import TOOL
from maturity_model.lab.validation.page import build_page
from maturity_model.lab.validation.report_files import read_report, write_report
from maturity_model.lab.validation.results import CaseResult
from maturity_model.lab.validation.scores import summarize
from maturity_model.lab.validation.tables import (
    by_age,
    by_phase,
    reliability,
    risk,
    summarize_results,
)
from maturity_model.lab.validation.time_to_mature import END

ROOT = Path(__file__).parents[3]
NASTY = '<script>alert("1")</script> | `x` [a](b)'
SETTINGS_OF_RUN = Settings(tanks=12)


def made(
    quality: tuple[float, float], item: str = NASTY, permissions: tuple[int, int] = (0, 90)
) -> CaseResult:
    n = np.arange(60)
    counts = {"slips": 2, "detected": 1, "delay": 3, "false_alarms": 4, "weeks": 50}
    alarms = pd.DataFrame({"forecaster": TOOL, "rule": "phase", "tank": n, **counts})
    rows = {"stated": n / 600, "by_age": 0.1, "slipped": n % 20 == 0}
    risks = [pd.DataFrame({"forecaster": TOOL, "horizon": h, "week": 9, **rows}) for h in (4, 8)]
    score = {"log_score": -1.0, "calibration_error": 0.1, "overconfidence": 0.1}
    expected = {"item": item, "phase": "bloom", "n": 500, "observed": 0.9, "expected": 0.2}
    causes = [
        {"kind": "weight", "item": "1", **score},
        {"kind": "without", "item": "nothing", **score},
        {"kind": "without", "item": item, **score, "log_score": -0.5},
        {"kind": "corrected", "item": "all", **score},
        {"kind": "sign", **expected},
        {"kind": "reading", **expected, "observed": 3.0, "observed_sd": 1.0, "expected_sd": 1.0},
        {"kind": "dwell", "item": "bloom", "n": 9, "open": 1, "observed": 30.0, "expected": 12.0},
        {"kind": "spread", "item": item, "n": 100, "ratio": 4.0},
    ]
    both = pd.concat([times(1.0), times(1.0).assign(until=END)])
    return replace(
        result(quality), times=both, alarms=alarms, risk=pd.concat(risks),
        diagnosis=pd.DataFrame(causes), permissions=asked(*permissions),
        note={"evidence_weight": "1", "ceiling": "9 trees"},
    )  # fmt: skip


def page_of(folder: Path) -> Page:
    return build_page(*read_report(folder))


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report")
    chosen: list[Case] = [OWN, MECHANISTIC._replace(title=NASTY), BROKEN]
    qualities = ((0.7, 0.7), (0, 90)), ((0.9, 0.6), (3, 50)), ((0.5, 0.5), (0, 60))
    results = {
        case.name: made(quality, permissions=permissions)
        for case, (quality, permissions) in zip(chosen, qualities, strict=True)
    }
    write_report(
        summarize_results(chosen, results), SETTINGS_OF_RUN, out, f"maturity-model {NASTY}"
    )
    return out


@pytest.fixture(scope="module")
def text(report: Path) -> str:
    return (report / "README.md").read_text("utf-8")


def test_the_page_escapes(text: str) -> None:
    body = text[: text.index("Made by")]
    assert "<script" not in body.replace("\\<script", "")
    assert not re.search(r"(?<!\\)\[a(?<!\\)\]\(b\)", body)
    # Every row of a table has as many cells as the one above it.
    blocks = [b.strip() for b in re.split(r"\n(?!\|)", body)]
    tables = [b.splitlines() for b in blocks if b.startswith("|")]
    assert sum(map(len, tables)) > 30
    for rows in tables:
        assert len({len(re.findall(r"(?<!\\)\|", row)) for row in rows}) == 1


def test_misses_are_loud_and_what_was_not_run_is_named(text: str) -> None:
    verdicts, rest = text.split("## What was tried")
    assert "**MISSED: mechanistic-typical: calibration error" in verdicts
    tried, rest = rest.split("## Scores")
    (line,) = (x for x in tried.splitlines() if x.startswith("NOT RUN"))
    assert {"mechanistic-wide", "mesocosm-busy"} < set(line.replace(",", " ").split())
    assert "mechanistic-typical" not in line
    permissions = rest.split("## Permissions")[1].split("## Causes")[0]
    misses = [x for x in permissions.splitlines() if x.startswith("- ")]
    # 3 of 53 permitted weeks, and half of those past cycling; 60 of 100 are enough.
    assert [x.partition(" (")[0] for x in misses] == [
        "- MISSED: mechanistic-typical: share of the permitted weeks that are cycling 0.057",
        "- MISSED: mechanistic-typical: share of the weeks past cycling with evidence enough 0.500",
    ]
    doubts = rest.split("## Where the tool should not be believed")[1]
    assert "mislead: without them the log score is +0.500" in doubts
    assert "mechanistic-typical: calibration error" in doubts
    assert "own: calibration error" not in doubts


def test_parts_of_the_scores_add_up() -> None:
    one = made((0.7, 0.7))
    tool = summarize(one.forecasts).loc[TOOL]
    for part, weeks in ((by_age(one), "tank_weeks"), (by_phase(one), "true_weeks")):
        rows = part[part["forecaster"] == TOOL]
        assert rows[weeks].sum() == tool["tank_weeks"]
        assert np.average(rows["log_score"], weights=rows[weeks]) == pytest.approx(
            tool["log_score"]
        )
    # Each week has an error at every phase.
    assert rows["brier"].sum() == pytest.approx(tool["brier"])
    ages = by_age(one).set_index(["forecaster", "from_week"]).loc[TOOL]
    assert ages.loc[4, "tank_weeks"] == 60 * 4
    assert np.average(ages["brier"], weights=ages["tank_weeks"]) == pytest.approx(tool["brier"])
    bins = reliability(one)
    bins = bins[bins["forecaster"] == TOOL]
    assert list(bins["phase"].unique()) == list(PHASES)
    gap = (bins["stated"] - bins["observed"]) * bins["n"]
    error = gap.groupby(bins["bin"]).sum().abs().sum() / bins["n"].sum()
    assert error == pytest.approx(tool["calibration_error"])


def test_risk_by_hand() -> None:
    rows = {"forecaster": TOOL, "horizon": 4, "tank": 0, "week": [0, 1]}
    rows |= {"stated": [0.1, 0.9], "by_age": 0.5, "slipped": [False, True]}
    found = risk(replace(made((0.7, 0.7)), risk=pd.DataFrame(rows))).iloc[0]
    assert (found["tank_weeks"], found["stated"], found["observed"]) == (2, 0.5, 0.5)
    assert found["calibration_error"] == pytest.approx(0.1)
    assert found["brier"] == pytest.approx(0.01)
    assert found["skill_against_age"] == pytest.approx(1 - 0.02 / 0.5)


def test_the_committed_page_is_made_from_the_committed_files(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for draw in ("calibration", "overview", "score_by_age"):
        monkeypatch.setattr(f"maturity_model.lab.validation.page.{draw}", lambda _: None)
    monkeypatch.setattr("maturity_model.lab.page.svg_text", lambda *_: "")
    folder = ROOT / "reports" / "validation"
    page = page_of(folder)
    assert page.markdown() == (folder / "README.md").read_text("utf-8")
    assert {p.name for p in folder.glob("*.svg")} == set(page.files)
