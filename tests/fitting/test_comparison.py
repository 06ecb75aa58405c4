"""Comparing variants: the scores against exact answers, and how bad ones are reported."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("pymc", reason="the extra 'fit' is not installed")

from fitting.fitted_example import CATALOGUE, PRIORS, example, panel, report_of_example, truth
from report.page_tree import parse

from maturity_model.fitting import comparison as comparing
from maturity_model.fitting.comparison import (
    Comparison,
    Score,
    answers_by_tank,
    compare_variants,
    score_tanks,
    without_checkins,
)
from maturity_model.fitting.leave_one_out import leave_one_out, log_mean, loo_by_tank
from maturity_model.fitting.options import ModelOptions
from maturity_model.fitting.pooled_fit import run_fit
from maturity_model.fitting.power_tables import Powers
from maturity_model.fitting.report.comparison import comparison_view
from maturity_model.fitting.sampling import SamplingPlan
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.fitting.tank_sign_effects import marginal_log_likelihood
from maturity_model.fitting.variants import Variant, variants_of
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import build_panel
from maturity_model.population.types import Population, take_draws

pytestmark = pytest.mark.fit

FULL = Variant("full", "The fit itself", ModelOptions())


def near_truth(n: int, sd: float, seed: int = 1) -> Population:
    """Draws close to one another, as after a fit."""
    rng = np.random.default_rng(seed)
    drawn = take_draws(truth(), np.zeros(n, np.int64))
    return replace(
        drawn,
        evidence_weight=0.5,
        sign_logit=drawn.sign_logit + rng.normal(0, sd, drawn.sign_logit.shape),
        log_advance=drawn.log_advance + rng.normal(0, sd, drawn.log_advance.shape),
    )


def test_variants_change_one_thing_each() -> None:
    found = {v.name: v for v in variants_of(ModelOptions())}
    assert len(found) == 7
    assert found["tank_signs"].options == ModelOptions(tank_signs=True)
    assert [name for name, v in found.items() if v.geometric] == ["geometric"]
    assert found["signs_only"].targets == ("signs", "judgements")
    assert found["readings_only"].targets == ("readings", "judgements")
    with_signs = {v.name: v for v in variants_of(ModelOptions(tank_signs=True))}
    assert with_signs["no_tank_signs"].options == ModelOptions()
    assert with_signs["no_pace"].options == ModelOptions(tank_signs=True, pace=False)


def test_scores_of_the_whole_log_are_those_of_leave_one_out() -> None:
    of, population = panel(), near_truth(128, 0.05)
    elpd, khat = score_tanks(of, population, FULL)
    loo = loo_by_tank(of, population)
    np.testing.assert_allclose(elpd["log"], loo.table["elpd"])
    np.testing.assert_allclose(khat, loo.table["khat"])


def test_conditional_scores_are_ratios_of_predictives() -> None:
    of, population = panel(), near_truth(128, 0.05)
    w = population.evidence_weight
    elpd, _ = score_tanks(of, population, FULL, held_out=True)
    flat = np.full((6, 128), -np.log(128))

    def predictive(*powers: float) -> Any:
        return log_mean(flat, tank_log_likelihood(of, population, Powers(*powers)))

    np.testing.assert_allclose(elpd["signs"], predictive(1, w, 0) - predictive(0, w, 0))
    np.testing.assert_allclose(elpd["readings"], predictive(w, 1, 0) - predictive(w, 0, 0))
    np.testing.assert_allclose(elpd["judgements"], predictive(w, w, 1) - predictive(w, w, 0))
    alone = Variant("signs_only", "", ModelOptions(readings=False))
    elpd, _ = score_tanks(of, population, alone, held_out=True)
    np.testing.assert_allclose(elpd["signs"], predictive(1, 0, 0))
    np.testing.assert_allclose(elpd["judgements"], predictive(w, 0, 1) - predictive(w, 0, 0))
    assert "log" not in elpd
    assert "readings" not in elpd


def test_leaving_out_by_weights_is_refitting_without() -> None:
    # A prior of 300 equally likely draws has an exact posterior, with and without a tank.
    of, n = panel(), 300
    prior = near_truth(n, 0.1)
    power = prior.evidence_weight
    fitted = tank_log_likelihood(of, prior, power)
    plain = tank_log_likelihood(of, prior, 1.0)
    rng = np.random.default_rng(4)
    chance = np.exp(fitted.sum(axis=0) - fitted.sum(axis=0).max())
    draws = rng.choice(n, size=40_000, p=chance / chance.sum())
    elpd, _, _ = leave_one_out(fitted[:, draws], plain[:, draws])
    for i in range(len(of.tanks)):
        rest = np.delete(fitted, i, axis=0).sum(axis=0)
        weight = rest - np.log(np.exp(rest - rest.max()).sum()) - rest.max()
        exact = log_mean(weight[None], plain[[i]])[0]
        assert elpd[i] == pytest.approx(exact, abs=0.05)


def test_a_blanked_tank_tells_nothing_and_the_others_the_same() -> None:
    of, population = panel(), near_truth(4, 0.1)
    less = without_checkins(of, ("tank-0002", "tank-0004"))
    found = tank_log_likelihood(less, population, 1.0)
    expected = tank_log_likelihood(of, population, 1.0)
    np.testing.assert_allclose(found[[2, 4]], 0.0, atol=1e-9)
    np.testing.assert_allclose(found[[0, 1, 3, 5]], expected[[0, 1, 3, 5]])


def test_shifts_of_one_sign_against_quadrature() -> None:
    of, population = panel(), near_truth(6, 0.1)
    g = len(population.signs)
    # One sign alone differs between tanks; nobody differs in pace or skill.
    still = replace(population, pace_sd=np.zeros(6), skill_sd=np.zeros(6))
    spread = np.full((g, 6), 1e-9)
    spread[7] = 0.8
    with_shift = replace(still, sign_tank_sd=spread)
    for powers in (Powers(1, 1, 1), Powers(0.4, 0.4, 0.4)):
        found = marginal_log_likelihood(of, with_shift, powers, values=1024)
        nodes, weight = normal_nodes(21)
        each = []
        for x in nodes:
            logit = still.sign_logit.copy()
            logit[7] += 0.8 * x
            each.append(tank_log_likelihood(of, replace(still, sign_logit=logit), powers))
        top = np.max(each, axis=0)
        exact = top + np.log(np.einsum("q,qnd->nd", weight, np.exp(each - top)))
        none = tank_log_likelihood(of, still, powers)
        assert np.abs(exact - none).max() > 0.1
        np.testing.assert_allclose(found, exact, atol=0.15)
        assert abs((found - exact).mean()) < 0.02


def test_pace_and_skill_against_quadrature() -> None:
    of, population = panel(), near_truth(24, 0.1)
    tiny = replace(population, sign_tank_sd=np.full((len(population.signs), 24), 1e-9))
    found = marginal_log_likelihood(of, tiny, Powers(), values=256)
    exact = tank_log_likelihood(of, population, 1.0)
    assert abs((found - exact).mean()) < 0.05
    assert (found - exact).std() < 0.25
    with pytest.raises(ValueError, match="spread"):
        marginal_log_likelihood(of, population, Powers())


def test_bad_weights_are_refitted_or_said(monkeypatch: pytest.MonkeyPatch) -> None:
    # Draws from the prior, which no weights turn into a posterior.
    result = example()
    wild = replace(result.population, evidence_weight=1.0)
    result = replace(result, population=wild)
    asked: list[tuple[str, int]] = []

    def fit(of: Any, variant: Variant, *rest: Any) -> Any:
        asked.append((variant.name, int(np.sum(answers_by_tank(of)["log"] == 0))))
        return (near_truth(64, 0.05), ("for a test",) if len(asked) == 1 else ())

    monkeypatch.setattr(comparing, "fit_variant", fit)
    plan = SamplingPlan()
    found = compare_variants(result, ModelOptions(), plan, max_refits=2, variants=("no_pace",))
    full, _ = found.scores
    bad = ~(full.khat <= full.limit)
    assert bad.sum() >= 3
    assert (full.left_out[bad] > 0).all()
    assert (full.left_out[~bad] == 0).all()
    assert not full.untrusted.any()
    assert sum(1 for name, _ in asked if name == "full") == 2
    assert all(blank > 0 for name, blank in asked if name == "full")
    held, _ = score_tanks(result.panel, near_truth(64, 0.05), FULL, held_out=True)
    np.testing.assert_allclose(full.elpd["log"][bad], held["log"][bad])
    # Without refits the same tanks are reported as bad.
    found = compare_variants(result, ModelOptions(), plan, max_refits=0, variants=("no_pace",))
    d = found.differences.loc[0]
    assert any(f"for {bad.sum()} of 6 tanks" in doubt for doubt in d.doubts)
    assert d.verdict == "not to be trusted"
    assert set(d.doubts) == set(comparison_view(found).doubts)


def made_up() -> Comparison:
    """Scores with known differences."""
    base = np.array([-10.0, -20.0, -30.0, -40.0])
    low, none = np.full(4, 0.1), np.zeros(4, np.int64)
    d = np.array([-1.0, -2.0, -3.0, -2.0])
    options = ModelOptions()

    def score(name: str, at: ModelOptions, elpd: Any, **more: Any) -> Score:
        made = Score(Variant(name, f"<{name}>", at), elpd, low, 0.7, none, ())
        return made._replace(**more)

    return Comparison(
        tuple("abcd"),
        (
            score("full", options, {"log": base, "signs": base / 2, "judgements": base / 4}),
            score("worse", replace(options, persistence=False), {"log": base + d}),
            score("failed", replace(options, pace=False), {"log": base - d}, problems=("R-hat",)),
            score("signs_only", replace(options, readings=False),
                  {"signs": base / 2 + 0.1 * d, "judgements": base / 4}),
        ),
        {"log": np.array([5, 5, 5, 5]), "signs": np.array([3, 3, 3, 0]),
         "readings": np.array([2, 2, 2, 5]), "judgements": none},
        0.4,
    )  # fmt: skip


def test_differences_are_paired() -> None:
    found = made_up().differences.set_index(["variant", "target"])
    # Nobody was judged, so there is no such target.
    assert list(found.index) == [("worse", "log"), ("failed", "log"), ("signs_only", "signs")]
    d = found.loc["worse", "log"]
    assert d.difference == pytest.approx(-8.0)
    assert d.standard_error == pytest.approx(2 * np.std([1, 2, 3, 2], ddof=1))
    assert (d.tanks, d.answers) == (4, 20)
    # The tank without signs does not count.
    d = found.loc["signs_only", "signs"]
    assert d.tanks == 3
    assert d.difference == pytest.approx(-0.6)
    assert d.elpd_fit == pytest.approx(-30.0)
    assert found.loc["failed", "log"].doubts == ("<failed>: R-hat",)
    assert found["verdict"].tolist()[:2] == ["predicts worse", "not to be trusted"]
    assert len(made_up().by_tank) == 4 * (3 + 1 + 1 + 2)


def test_the_report_says_what_each_part_buys(tmp_path: Path) -> None:
    page = parse(report_of_example(tmp_path, made_up()).read_text("utf-8"))
    (section,) = (n for n in page.find("section") if n.attributes["id"] == "comparison")
    assert "<failed>: R-hat." in section.text
    assert "comparison.csv" in page.text
    table, *behind = section.find("table")
    assert [[cell.text for cell in row.find("td")] for row in table.find("tr")[1:]] == [
        ["All answers", "−8.0", "1.6", "−0.4000", "4", "predicts worse"],
        ["All answers", "+8.0", "1.6", "+0.4000", "4", "not to be trusted"],
        ["Signs", "−0.6", "0.2", "−0.0667", "3", "predicts worse"],
    ]
    # Beside each picture the fit at 0, then the variants.
    assert [[row.find("th")[0].text for row in t.find("tr")[1:]] for t in behind] == [
        ["<full>", "<worse>", "<failed> (not to be trusted)"],
        ["<full>", "<signs_only>"],
    ]
    for name in ("comparison.csv", "comparison_tanks.csv", "figures/comparison_log.svg"):
        assert (tmp_path / name).stat().st_size > 100
    assert "<worse>" not in (tmp_path / "figures/comparison_log.svg").read_text("utf-8")


@pytest.mark.long
@pytest.mark.parametrize("strength", [2.0, 0.0], ids=["persistent", "not persistent"])
def test_comparison_prefers_the_truth(strength: float, tmp_path: Path) -> None:
    drawn = truth()
    world = replace(drawn, persistence=np.full_like(drawn.persistence, strength))
    habits = Habits(weeks=24, sign=0.8)
    rng = np.random.default_rng(6)
    book = simulate_logbook(world, CATALOGUE, 14, rng, habits, one_draw=True).logbook
    plan = SamplingPlan(draws=300, tune=300, chains=2)
    of = build_panel(book, CATALOGUE)
    result = run_fit(of, PRIORS, plan, evidence_weight=1.0, folder=tmp_path)
    found = compare_variants(
        result, ModelOptions(), plan, folder=tmp_path, max_refits=1, variants=("no_persistence",)
    )
    (d,) = found.differences.itertuples()
    assert d.target == "log"
    if strength:
        assert d.difference < -2 * d.standard_error
    else:
        assert d.difference > -2 * d.standard_error
    # All was kept: a rerun draws nothing.
    again = compare_variants(
        result, ModelOptions(), plan, folder=tmp_path, max_refits=1, variants=("no_persistence",)
    )
    np.testing.assert_array_equal(again.scores[1].elpd["log"], found.scores[1].elpd["log"])
