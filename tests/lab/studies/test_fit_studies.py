"""Coverage and calibration of the fit: their parts, the committed results, tiny runs."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

pytest.importorskip("nutpie", reason="the extra 'fit' is not installed")

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.fitting.to_population import make_population
from maturity_model.lab.studies import calibration, coverage, replications
from maturity_model.lab.studies.parameters import (
    draw_truth,
    learned,
    shared_names,
    shared_values,
)
from maturity_model.lab.studies.refit import Refitter, filter_given
from maturity_model.lab.studies.replications import (
    ABOUT,
    OTHERS,
    Design,
    Replicator,
    ranks_of,
)
from maturity_model.lab.studies.settings import Calibration, Coverage
from maturity_model.lab.worlds.simulate_logbook import Habits
from maturity_model.population.elicit import elicit_population
from maturity_model.population.priors import priors_from_catalogue

pytestmark = pytest.mark.fit

REPORTS = Path(__file__).parents[3] / "reports"
CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)
HABITS = Habits(weeks=10, judged=0.3, events_per_year=2.0)
TINY = Design(4, 5, HABITS, draws=99, tune=120)


@cache
def replicator() -> Replicator:
    return Replicator(TINY)


def frame(ranks: np.ndarray, names: tuple[str, ...] = ()) -> pd.DataFrame:
    """Replications with these ranks, shape (N, Q)."""
    names = names or tuple(f"x[{i}]" for i in range(ranks.shape[1]))
    about = pd.DataFrame({name: np.zeros(len(ranks)) for name in ABOUT})
    return pd.concat([about, pd.DataFrame(ranks, columns=list(names))], axis=1)


# The test of uniformity ------------------------------------------------------------------


def test_distance_is_the_least_binomial_tail() -> None:
    # Chances as fractions, summed one by one.
    def pmf(x: int, n: int, p: Fraction) -> Fraction:
        return math.comb(n, x) * p**x * (1 - p) ** (n - x)

    counts = np.random.default_rng(1).multinomial(30, np.full(8, 1 / 8), size=5)
    for row, found in zip(counts, calibration.distance(counts), strict=True):
        tails = []
        for i, reached in enumerate(np.cumsum(row)[:-1].tolist()):
            p = Fraction(i + 1, 8)
            tails.append(sum(pmf(x, 30, p) for x in range(reached + 1)))
            tails.append(sum(pmf(x, 30, p) for x in range(reached, 31)))
        assert found == pytest.approx(float(min(tails)), rel=1e-9)


def test_uniform_ranks_alarm_as_often_as_stated() -> None:
    rng = np.random.default_rng(2)
    p = calibration.p_values(rng.integers(0, 100, (200, 2000)), 100)
    for level in (0.01, 0.05, 0.2):
        # Three standard errors.
        assert (p < level).mean() < level + 3 * np.sqrt(level * (1 - level) / len(p))
        assert (p < level).mean() > 0.8 * level - 3 * np.sqrt(level * (1 - level) / len(p))
    assert p.min() > 0


@pytest.mark.parametrize(("shift", "scale"), [(0.8, 1.0), (0.0, 0.4), (0.0, 3.0)])
def test_wrong_posteriors_are_told_among_many_right_ones(shift: float, scale: float) -> None:
    rng = np.random.default_rng(3)
    ranks = rng.integers(0, 100, (200, 140))
    truth, draws = rng.normal(size=(200, 1)), rng.normal(shift, scale, (200, 99))
    ranks[:, 17] = (draws < truth).sum(axis=1)
    ranks = np.column_stack([ranks, np.tile(np.arange(100), 2)])
    found = calibration.uniformity(frame(ranks), 100)
    assert found["p_holm"][17] < calibration.LEVEL
    assert found["p"].idxmin() == 17
    assert found["quantity"][17] == "x[17]"
    assert calibration.power(200, 100, 140, shift, scale) > 0.9


def test_all_together_alarm_as_seldom_as_stated() -> None:
    rng = np.random.default_rng(6)
    alarms = [
        (calibration.holm(calibration.p_values(ranks, 20)) < calibration.LEVEL).any()
        for ranks in rng.integers(0, 20, (300, 100, 60))
    ]
    # Three standard errors.
    assert np.mean(alarms) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_holm_by_hand() -> None:
    found = calibration.holm(np.array([0.02, 0.001, 0.9, 0.015]))
    np.testing.assert_allclose(found, [0.045, 0.004, 0.9, 0.045])


# Coverage --------------------------------------------------------------------------------


def test_central_interval_holds_nine_tenths_of_the_ranks() -> None:
    for cells in (20, 100, 200):
        assert coverage.inside(np.arange(cells), cells).mean() == pytest.approx(0.9)
    with pytest.raises(ValueError, match="no central 90%"):
        coverage.inside(np.arange(50), 50)


def test_coverage_leaves_out_what_is_not_shared() -> None:
    ranks = np.array([[0, 50, 50, 0, 0, 0], [50, 50, 99, 0, 0, 0], [50, 50, 50, 0, 0, 0]])
    rows = frame(ranks, ("a[x]", "a[y]", "b", *OTHERS))
    each = coverage.by_replication(rows, 100)
    assert each.mean() == pytest.approx(7 / 9)
    assert each.sem() == pytest.approx(np.std([2 / 3, 2 / 3, 1], ddof=1) / np.sqrt(3))
    found = coverage.by_parameter(rows, 100)
    assert found["parameter"].tolist() == ["a", "b"]
    assert found["elements"].tolist() == [2, 1]
    assert found["coverage"].tolist() == pytest.approx([5 / 6, 2 / 3])


# Replications ----------------------------------------------------------------------------


def test_names_and_values_go_together() -> None:
    names = shared_names(PRIORS)
    assert len(set(names)) == len(names) > 120
    truth = draw_truth(replicator().panel, np.random.default_rng(1))
    values = dict(zip(names, shared_values(truth, PRIORS)[:, 0], strict=True))
    sign, phase = PRIORS.signs.index("diatoms"), PRIORS.phases.index("bloom")
    assert values["sign_logit[diatoms, bloom]"] == truth["sign_logit"][sign, phase, 0]
    assert values["log_setback[bloom]"] == truth["log_setback"][0, 0]
    assert values["log_collapse[bloom]"] == truth["log_collapse"][0, 0]
    assert values["judge_repeat"] == truth["judge_repeat"][0]


def test_only_what_varies_in_the_priors_is_ranked() -> None:
    many = elicit_population(CATALOGUE, 1.0, n_draws=50, seed=3)
    for name, on in learned(PRIORS).items():
        values = getattr(many, name)
        if name in ("log_setback", "log_collapse"):
            values = values[1:]
        varies = np.ptp(values, axis=-1) > 0
        assert (varies | ~on).all(), name
        if name not in ("log_collapse", "event_memory"):
            np.testing.assert_array_equal(varies, on, err_msg=name)


def test_a_replication_depends_on_its_number_only() -> None:
    one, other = replicator(), Replicator(TINY)
    (a, log_a), (b, log_b) = one.simulate(3), other.simulate(3)
    for name in a:
        np.testing.assert_array_equal(a[name], b[name])
    assert log_a.logbook.checkins == log_b.logbook.checkins
    c, log_c = one.simulate(4)
    assert (c["sign_logit"] != a["sign_logit"]).all()
    assert log_a.logbook.checkins != log_c.logbook.checkins
    # Who looked when, and at what, stays.
    np.testing.assert_array_equal(log_a.signs.row, log_c.signs.row)
    np.testing.assert_array_equal(log_a.impulse, log_c.impulse)
    key = one.refitter.inputs(one.panel)
    assert key == other.refitter.inputs(other.panel)
    assert key != one.refitter.inputs(Replicator(replace(TINY, seed=6)).panel)


def test_given_pace_and_skill_agree_with_quadrature() -> None:
    # Averaging the likelihood over many draws of pace and skill is what quadrature does.
    truth, panel = replicator().simulate(0)
    n, rng = 4000, np.random.default_rng(4)
    draws = {name: np.repeat(v, n, axis=-1) for name, v in truth.items()}
    for name in ("pace", "skill"):
        draws[name] = rng.normal(size=draws[name].shape) * truth[f"{name}_sd"]
    given = filter_given(panel, 0, draws, PRIORS, 1.0).log_likelihood[-1]
    one = make_population(truth, PRIORS, name="x", kind="fitted", evidence_weight=1.0)
    whole = filter_tank(make_tables(panel, one, nodes=(9, 7)), 0)[0].log_likelihood[-1, 0]
    ratio = np.exp(given - whole)
    assert ratio.mean() == pytest.approx(1.0, abs=4 * ratio.std() / np.sqrt(n))
    assert ratio.std() / np.sqrt(n) < 0.05


# What is committed -----------------------------------------------------------------------


def test_the_committed_ranks_are_uniform() -> None:
    rows = calibration.read(REPORTS / "calibration")
    cells = calibration.design(Calibration()).ranks
    found = calibration.uniformity(rows, cells)
    assert tuple(found["quantity"]) == (*shared_names(PRIORS), *OTHERS)
    assert (found["p_holm"] >= calibration.LEVEL).all()
    assert len(rows) == Calibration().replications
    assert "**No alarm**" in (REPORTS / "calibration" / "README.md").read_text(encoding="utf-8")
    # Ranks count for little where draws are few.
    assert (rows["least_ess"] < cells).mean() <= 0.02
    assert rows["divergent"].sum() <= 0.001 * len(rows) * calibration.design(Calibration()).draws


def test_the_committed_intervals_cover_as_wanted() -> None:
    rows = coverage.read(REPORTS / "coverage")
    assert tuple(ranks_of(rows, others=False)) == shared_names(PRIORS)
    low, high = coverage.WANTED
    assert low <= coverage.by_replication(rows, coverage.design(Coverage()).ranks).mean() <= high


# Tiny runs -------------------------------------------------------------------------------


@pytest.mark.slow
def test_swapped_data_give_the_draws_of_a_fresh_model() -> None:
    made = replicator()
    first, second = made.simulate(0)[1], made.simulate(1)[1]
    # Where tanks begin is data too.
    second = replace(second, rock=(second.rock + 1) % len(PRIORS.start))
    assert (first.rock != second.rock).all()
    plan = SamplingPlan(40, 60, chains=1, seed=9, cores=1)
    swapped, fresh = made.refitter, Refitter(PRIORS, 1.0)
    before = swapped.fit(first, plan)
    after, expected = swapped.fit(second, plan), fresh.fit(second, plan)
    for name in expected.draws:
        np.testing.assert_array_equal(after.draws[name], expected.draws[name])
    assert (before.draws["pace_sd"] != after.draws["pace_sd"]).any()


@pytest.mark.slow
def test_tiny_studies(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for study in (calibration, coverage):
        monkeypatch.setattr(study, "design", lambda setting: TINY)
    # With the model that is compiled already for this design.
    monkeypatch.setattr(replications, "_replicator", lambda design: replicator())
    setting = Calibration(replications=6, tanks=4, weeks=10, seed=5)
    rows = calibration.run(setting, tmp_path / "work")
    ranks = ranks_of(rows, others=True).to_numpy()
    assert len(ranks) == 6
    assert ranks.min() >= 0
    assert ranks.max() < TINY.ranks
    # Six ranks of each: far from all alike, on average near the middle.
    assert abs(ranks.mean() - 49.5) < 8
    calibration.page(rows, setting).write(tmp_path / "c")
    text = (tmp_path / "c" / "README.md").read_text(encoding="utf-8")
    assert text.count("**reduced**") == 1
    assert text.splitlines()[2].startswith("6 replications")
    pd.testing.assert_frame_equal(
        ranks_of(calibration.read(tmp_path / "c"), others=True), ranks_of(rows, others=True)
    )
    assert "**reduced**" in coverage.page(rows, Coverage(6, 4, 10, 5)).markdown()
    (line,) = coverage.summary(rows, Coverage(6, 4, 10, 5))
    assert line.startswith("intervals hold the truth of ")
