"""How many tanks until each parameter is learned: the arithmetic, and what is committed."""

from __future__ import annotations

import csv
import math
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from maturity_model.lab.studies import contraction as c
from maturity_model.lab.studies import identifiability_points as study
from maturity_model.lab.studies import identifiability_report as report
from maturity_model.lab.studies import identifiability_sections as sections
from maturity_model.lab.studies import identifiability_tables as tables

COMMITTED = Path(__file__).parents[3] / "reports" / "identifiability"
SIZES = (5, 10, 20, 40)
NAMES = tables.read_contraction(COMMITTED / "contraction.csv", study.USUAL_WEEKS).names
TINY = study.Setting(clubs=3, seed=4, tanks=10, weeks=12, longest=26)


# Arithmetic ------------------------------------------------------------------------------


def test_half_the_spread_is_three_quarters_learned() -> None:
    found = c.contraction(np.array([1.0, 0.5, 0.6, 2.2]), np.array([1.0, 1.0, 0.6, 2.0]))
    np.testing.assert_allclose(found, [0.0, 0.75, 0.0, -0.21])


def test_values_on_the_scale_of_their_priors() -> None:
    names = ("event_memory[crash]", "carry[nitrate]", "pace_sd", "log_setback[bloom]")
    values = np.array([[np.e, 1.0], [0.5, 0.9], [0.4, 0.5], [-3.0, -2.0]])
    found = c.on_prior_scale(names, values)
    np.testing.assert_allclose(
        found, [[1.0, 0.0], [0.0, math.log(9)], [0.4, 0.5], [-3.0, -2.0]], atol=1e-12
    )
    assert values[0, 0] == pytest.approx(np.e)


def test_a_line_on_log_tanks_is_met_where_it_crosses() -> None:
    # Contraction 0.2 a doubling: 0.75 is half way, on the log, from 20 to 40.
    assert c.size_at(SIZES, np.array([0.25, 0.45, 0.65, 0.85]), 0.75) == pytest.approx(
        20 * math.sqrt(2)
    )
    assert c.size_at(SIZES, np.array([0.25, 0.45, 0.75, 0.85]), 0.75) == pytest.approx(20)
    # Met at once: that many, or fewer. Met at the very end, and not at all.
    assert c.size_at(SIZES, np.array([0.8, 0.85, 0.9, 0.95]), 0.75) == 5
    assert c.size_at(SIZES, np.array([0.1, 0.2, 0.3, 0.75]), 0.75) == pytest.approx(40)
    assert c.size_at(SIZES, np.array([0.1, 0.2, 0.3, 0.749]), 0.75) == math.inf


def test_a_lucky_draw_does_not_count_as_learned() -> None:
    # 0.8 and 0.6 level to 0.7: the threshold is met later.
    found = c.size_at(SIZES, np.array([0.1, 0.8, 0.6, 0.9]), 0.75)
    assert found == pytest.approx(20 * 2**0.25)
    np.testing.assert_allclose(c.rising(np.array([0.1, 0.8, 0.6, 0.9])), [0.1, 0.7, 0.7, 0.9])
    np.testing.assert_allclose(c.rising(np.array([3.0, 2.0, 1.0])), [2.0, 2.0, 2.0])
    np.testing.assert_allclose(c.rising(np.array([1.0, 3.0, 2.0, 1.0])), [1.0, 2.0, 2.0, 2.0])
    kept = np.array([0.1, 0.2, 0.2, 0.5])
    np.testing.assert_array_equal(c.rising(kept), kept)


def test_more_is_never_needed_for_less() -> None:
    rng = np.random.default_rng(1)
    for row in rng.uniform(-0.1, 1, (200, 4)):
        sizes = [c.size_at(SIZES, row, t) for t in (0.3, 0.5, 0.75, 0.9)]
        assert sizes == sorted(sizes)
        found = c.rising(row)
        assert (np.diff(found) >= 0).all()
        assert found.sum() == pytest.approx(row.sum())


def test_half_of_a_group_is_learned_when_half_is() -> None:
    sizes = np.array([30.0, math.inf, 10.0, 20.0, math.inf])
    assert c.share_learned(sizes, 0.5) == 30
    assert c.share_learned(sizes, 0.4) == 20
    assert c.share_learned(sizes, 0.9) == math.inf
    assert c.share_learned(np.array([7.0]), 0.5) == c.share_learned(np.array([7.0]), 0.9) == 7


def test_extrapolation_adds_information() -> None:
    # Half gone at 100 tanks: 100 tanks tell as much as the prior, 300 thrice as much.
    assert c.extrapolated(100, 0.5, 0.75) == pytest.approx(300)
    assert c.extrapolated(100, 0.5, 0.5) == pytest.approx(100)
    assert c.extrapolated(100, 0.0, 0.75) == math.inf


def test_the_middle_club_is_never_between_learned_and_not() -> None:
    assert tables.middle(np.array([9.0, 3.0, math.inf])) == (9.0, 3.0, math.inf)
    assert tables.middle(np.array([9.0, math.inf]))[0] == math.inf


def test_sizes_in_words() -> None:
    def said(*values: float) -> str:
        return sections.sizes_said(np.array(values), SIZES)

    assert said(12.0, 8.4, 30.0) == "12 (8 to 30)"
    assert said(5.0, 5.0, 5.0) == "5 or fewer"
    assert said(12.0, 5.0, math.inf) == "12 (5 or fewer to over 40)"
    assert said(math.inf, math.inf, math.inf) == "**not within 40**"
    assert said(math.inf, math.inf, 33.0) == "**not within 40** (one club from 33)"


# The report ------------------------------------------------------------------------------


def test_points_of_a_setting() -> None:
    full = study.Setting()
    assert full.sizes == (5, 10, 20, 40, 80, 160)
    points = full.points()
    assert len(points) == len(set(points)) == 18
    assert sorted(p.weeks for p in points if p.weeks != 60) == [13, 26, 52, 104]
    assert {p.tanks for p in points if p.weeks != 60} == {40}
    assert set(full.checked()) <= set(points)
    assert TINY.sizes == (5, 10)
    assert study.Point(10, 13) in TINY.points()


def made_up(setting: study.Setting) -> study.Found:
    """Fits whose sd halves with four times the tanks, but for slips, which stay as they are."""
    sd = np.linspace(0.2, 0.8, len(NAMES))
    slips = np.array([c.group_of(n).key == "slips" for n in NAMES])

    def fit(point: study.Point, number: int) -> study.Learned:
        tanks = point.tanks * point.weeks / setting.weeks * point.weight
        left = np.where(slips, 1.0, 1 / np.sqrt(1 + tanks * (1 + 0.1 * number)))
        zero = np.zeros(len(NAMES))
        # As far from the truth as the posterior says.
        return study.Learned(sd * left, sd * left, zero, 300.0 + zero, 1.01, 0, 60.0)

    fits = {p: [fit(p, i) for i in range(setting.clubs)] for p in setting.points()}
    checks = {p: fit(p, 0)._replace(r_hat=1.002) for p in setting.checked()}
    return study.Found(NAMES, sd, fits, checks)


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def test_the_report_says_what_was_found(tmp_path: Path) -> None:
    setting = study.Setting(clubs=3, tanks=40, weeks=20, longest=26)
    found = made_up(setting)
    report.write(found, setting, tmp_path)
    text = (tmp_path / "README.md").read_text(encoding="utf-8")
    assert "**reduced**" in text
    # 1 / (1 + 0.4 n) is a quarter at 7.5 tanks; between 5 and 10, on the log.
    low, high = 1 - 1 / (1 + 0.4 * 5.5), 1 - 1 / (1 + 0.4 * 11)
    wanted = 5 * 2 ** ((0.75 - low) / (high - low))
    rows = read(tmp_path / "tanks.csv")
    of = {(r["parameter"], r["weight"], r["threshold"]): r for r in rows}
    assert float(of["pace_sd", "0.4", "0.75"]["tanks"]) == pytest.approx(wanted, rel=0.01)
    assert of["log_setback[bloom]", "1", "0.5"]["tanks"] == ""
    assert "- slipping back unprovoked: 4 of 4 (all)" in text
    answers = text.split("|---|---|---|---|---|---|\n")[1].splitlines()
    assert answers[0].startswith("| how long phases last (3) | 7 (6 to 8) |")
    assert answers[5].count("**not within 40**") == 4
    assert "1.00 ± 0.00 at evidence weight 0.4 and 1.00 ± 0.00 at evidence weight 1" in text
    # 5 tanks at weight 0.4: 1 / 3, 1 / 3.2 and 1 / 3.4 of the prior's variance.
    assert "| how long phases last (3) | 0.4 | 0.31 / 0.31 |" in text
    assert "| slipping back unprovoked (4) | 1 | 1.00 / 1.00 |" in text
    assert "median **1.000**" in text
    again = tables.read_contraction(tmp_path / "contraction.csv", setting.weeks)
    assert tables.tanks_csv(again) == (tmp_path / "tanks.csv").read_text(encoding="utf-8")
    assert report.picture(again) == (tmp_path / "contraction.svg").read_text(encoding="utf-8")


def test_a_narrow_posterior_far_from_the_truth_is_told() -> None:
    found = tables.contracted(made_up(TINY), TINY.weeks)
    assert sections.misled(found, 0.4) == sections.misled(found, 1.0) == []
    point = study.Point(10, TINY.weeks)
    slips, carry = found.members("slips"), found.members("carry")
    # Thrice the sd of the prior too low; and as often too high as too low.
    found.off[point][slips] = -3.0
    found.off[point][carry] = np.array([[1.0], [-1.0], [1.0], [-1.0]])
    assert sections.misled(found, 0.4) == [
        "slipping back unprovoked: squared error 9.0 times as large, "
        "too low by 3.0 prior sds on average",
        "how readings carry over: squared error 5.4 times as large",
    ]
    assert sections.misled(found, 1.0) == []


def test_the_picture_has_its_numbers_in_words() -> None:
    found = tables.contracted(made_up(TINY), TINY.weeks)
    root = ET.fromstring(report.picture(found))
    name = "{http://www.w3.org/2000/svg}"
    assert root.get("role") == "img"
    said = root.find(f"{name}desc")
    assert said is not None
    assert said.text is not None
    # 0.4 and 0.44 and 0.48 times 10 tanks: mean of 0.800, 0.815, 0.828.
    assert "how long phases last: 0.69 at 5, 0.81 at 10 tanks" in said.text
    assert "slipping back unprovoked: 0.00 at 5, 0.00 at 10 tanks" in said.text
    lines = [e for e in root.iter(f"{name}polyline") if e.get("class") == "p"]
    assert len(lines) == len(NAMES) - 2
    # Where the first panel's curves end, from its foot up: 10 tanks at weights 0.4 and 1.
    frame = next(e for e in root.iter(f"{name}rect") if e.get("class") == "f")
    top, high = (float(frame.get(k, "")) for k in ("y", "height"))
    for kind, weight in (("c", 0.4), ("o", 1.0)):
        curve = next(e for e in root.iter(f"{name}polyline") if e.get("class") == kind)
        y = float(curve.get("points", "").split(",")[-1])
        told = np.mean([1 - 1 / (1 + 10 * weight * (1 + 0.1 * i)) for i in range(3)])
        assert 1 - (y - top) / high == pytest.approx(told, abs=0.002)


# What is committed -----------------------------------------------------------------------


def test_the_committed_tanks_follow_from_the_committed_contraction() -> None:
    found = tables.read_contraction(COMMITTED / "contraction.csv", study.USUAL_WEEKS)
    assert found.sizes == study.SIZES
    assert found.clubs == study.Setting().clubs
    assert set(found.at) == set(study.Setting().points())
    assert tables.tanks_csv(found) == (COMMITTED / "tanks.csv").read_text(encoding="utf-8")
    assert report.picture(found) == (COMMITTED / "contraction.svg").read_text(encoding="utf-8")
    text = (COMMITTED / "README.md").read_text(encoding="utf-8")
    assert sections.answers(found) in text
    assert sections.by_group(sections.unlearned(found, 1.0, 0.5), found) in text
    assert sections.groups_table(found) in text
    assert sections.parameters(found) in text
    assert "**reduced**" not in text


def test_the_committed_short_chains_agree_with_long_ones() -> None:
    rows = read(COMMITTED / "checks.csv")
    assert {int(r["tanks"]) for r in rows} == set(study.CHECKED_SIZES)
    ratio = np.array([float(r["sd"]) / float(r["sd_long"]) for r in rows])
    assert len(ratio) == len(study.CHECKED_SIZES) * len(NAMES)
    assert abs(np.median(ratio) - 1) < 0.02
    # 300 draws leave some per cent of a standard deviation open.
    assert np.sqrt(np.mean(np.log(ratio) ** 2)) < 0.1
    assert np.abs(np.log(ratio)).max() < 0.3


def test_the_committed_posteriors_are_right_where_they_should_be() -> None:
    # Errors as large as the posterior says at evidence weight 1, smaller at less.
    found = tables.read_contraction(COMMITTED / "contraction.csv", study.USUAL_WEEKS)
    by_weight = [found.off_by_size(w) ** 2 / (1 - found.by_size(w)) for w in (0.4, 1.0)]
    assert by_weight[1].mean() == pytest.approx(1, abs=0.15)
    seen = found.members("signs", "levels")
    assert by_weight[0][:, seen].mean() < by_weight[1][:, seen].mean()
