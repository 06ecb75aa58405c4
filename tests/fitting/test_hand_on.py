"""Ways of pooling that need no sampler."""

from __future__ import annotations

import datetime as dt
from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest

from maturity_model.assessment import filtering
from maturity_model.catalogue import load_catalogue
from maturity_model.fitting import command
from maturity_model.fitting.handing_on.hand_on import (
    MOVES,
    PRACTICE,
    SIGNS,
    Source,
    hand_on,
    with_practice_moves,
)
from maturity_model.fitting.handing_on.judgement_scores import (
    JudgementScores,
    enough_judgements,
    judged_tanks,
    score_judgements,
)
from maturity_model.fitting.power_tables import Powers
from maturity_model.fitting.tank_likelihood import filter_tanks
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import elicit_population, load_population
from maturity_model.population.constants import FIT_WEIGHT
from maturity_model.population.priors import hold_emissions, priors_from_catalogue
from maturity_model.population.tables import judgement_table
from maturity_model.population.types import DIMS, Population, take_draws

CATALOGUE = load_catalogue()
PRIORS = priors_from_catalogue(CATALOGUE)


def test_holding_shrinks_what_phases_show_and_nothing_else() -> None:
    held = hold_emissions(PRIORS, 0.25)
    changed = ("sign_logit_sd", "reading_mean_sd")
    for f in fields(PRIORS):
        before, after = getattr(PRIORS, f.name), getattr(held, f.name)
        factor = 0.25 if f.name in changed else 1.0
        if isinstance(before, np.ndarray):
            np.testing.assert_array_equal(after, factor * before)
        else:
            assert after == before
    with pytest.raises(ValueError, match="above 0"):
        hold_emissions(PRIORS, 0.0)


def test_moves_of_practice_leave_what_phases_show() -> None:
    fitted = elicit_population(CATALOGUE, 0.4, n_draws=600, seed=99)
    fitted = take_draws(fitted, np.zeros(600, dtype=np.int64))
    found = with_practice_moves(fitted, CATALOGUE)
    for name in DIMS:
        same = np.array_equal(getattr(found, name), getattr(fitted, name))
        assert same == (name not in MOVES), name
    # The fit's draws are all alike; practice's are spread as the priors say.
    spread = found.log_advance.std(axis=1)
    np.testing.assert_allclose(spread, PRIORS.log_advance_sd, rtol=0.15)


@cache
def _pool(judged: float, seed: int = 4, tanks: int = 12) -> Panel:
    truth = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=seed)
    rng = np.random.default_rng(seed)
    habits = Habits(weeks=20, sign_effect_sd=1.8, judged=1.0)
    book = simulate_logbook(truth, CATALOGUE, tanks, rng, habits, one_draw=True).logbook
    some = set(list(book.tanks)[: round(judged * tanks)])
    checkins = (c if c.tank in some else replace(c, judged_phase=None) for c in book.checkins)
    return build_panel(replace(book, checkins=tuple(checkins)), CATALOGUE)


def test_all_put_back_is_practice() -> None:
    default = load_population()
    fitted = elicit_population(CATALOGUE, 0.4, n_draws=2 * default.n_draws, seed=99)
    found = PRACTICE.apply(fitted, CATALOGUE)
    for name in DIMS:
        own, theirs = getattr(found, name), getattr(default, name)
        if name.startswith("judge_"):
            np.testing.assert_array_equal(own, getattr(fitted, name))
        elif own is not None and DIMS[name][-1] == "draw":
            # The file was made on another machine.
            repeated = np.repeat(theirs, 2, axis=-1)
            np.testing.assert_allclose(own, repeated, rtol=1e-13, atol=1e-14, err_msg=name)


@pytest.mark.parametrize("moves", ["auto", "practice", "learned"])
@pytest.mark.parametrize("choose", [False, True])
def test_the_file_says_what_was_chosen(moves: Source, choose: bool) -> None:
    panel = _pool(0.0)
    fitted = take_draws(load_population(), np.arange(8))
    used = hand_on(fitted, panel, choose=choose, moves=moves, readings="learned")
    said = used.provenance
    assert said["fit_evidence_weight"] == f"{fitted.evidence_weight:g}"
    assert said["weekly_evidence_weight"] == f"{used.evidence_weight:g}"
    # Nothing was judged: what is not asked for stays practice's.
    assert said["moves"] == ("practice" if moves == "auto" else moves)
    assert np.array_equal(used.log_advance, fitted.log_advance) == (moves == "learned")
    assert said["readings"] == "learned"
    assert np.array_equal(used.reading_mean, fitted.reading_mean)
    assert ("sign_shift_variance" in said) == choose
    assert used.evidence_weight <= FIT_WEIGHT or not choose
    if not choose:
        assert used.evidence_weight == fitted.evidence_weight


def _with(fitted: Population, true: Population, names: tuple[str, ...]) -> Population:
    # Draws that all know the truth in some of the parameters.
    own = {n: np.repeat(getattr(true, n), fitted.n_draws, axis=-1) for n in names}
    return replace(fitted, **own)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("known", "want"),
    [
        (SIGNS, ("learned", "practice", "practice")),
        (MOVES, ("practice", "practice", "practice")),
    ],
    ids=["signs known", "moves known"],
)
def test_judgements_choose_what_is_taken(
    known: tuple[str, ...], want: tuple[str, str, str]
) -> None:
    panel = _pool(1.0, tanks=24)
    true = elicit_population(CATALOGUE, 1.0, n_draws=1, seed=4)
    # What a fit that lost the meaning of the phases says, but for some of it, which it knows.
    fitted = take_draws(load_population(), np.arange(8))
    fitted = replace(
        fitted,
        sign_logit=fitted.sign_logit[:, ::-1],
        reading_mean=fitted.reading_mean[:, ::-1],
        log_advance=fitted.log_advance - 3.0,
    )
    used = hand_on(_with(fitted, true, known), panel, choose=True)
    said = used.provenance
    assert (said["signs"], said["moves"], said["readings"]) == want
    kept = tuple(
        p for p, x in zip(("signs", "moves", "readings"), want, strict=True) if x == "practice"
    )
    assert replace(used, kind="fitted").of_practice == kept
    assert used.of_practice == ()
    if "learned" in want:
        np.testing.assert_array_equal(used.sign_logit[..., :1], true.sign_logit)
    assert said["judged_score"].count(" at ") == 5
    tanks = judged_tanks(panel)
    scores = score_judgements(tanks, used, (used.evidence_weight,))
    assert f"{scores.score[0]:.4f} at {used.evidence_weight:g}" in said["judged_score"]
    plain = score_judgements(tanks, PRACTICE.apply(fitted, CATALOGUE))
    assert said["judged_score_of_practice"] == f"{plain.best_score:.4f}"


def test_a_gain_within_its_error_is_none() -> None:
    before = JudgementScores((0.4, 1.0), np.array([[-3.0, -5.0, -4.0], [-9.0, -9.0, -9.0]]), 30)
    gain = np.array([1.0, -0.5, 0.6])  # Sum 1.1; standard error sqrt(3) * 0.777 = 1.35.
    assert not JudgementScores((0.4,), before.by_tank[:1] + gain, 30).better_than(before)
    assert JudgementScores((0.4,), before.by_tank[:1] + gain + 0.1, 30).better_than(before)
    assert not before.better_than(before)
    # The weight too: another than practice's own must beat it by more than its error.
    for more, want in ((gain, 0.4), (gain + 0.1, 0.7)):
        scores = JudgementScores(
            (0.4, 0.7), np.array([before.by_tank[0], before.by_tank[0] + more]), 30
        )
        assert scores.best_weight == want


def test_the_judged_score_leaves_judgements_out_of_the_filter() -> None:
    panel = judged_tanks(_pool(0.5))
    names = {c.tank for c in panel.logbook.checkins if c.judged_phase}
    assert {t.name for t in panel.tanks} == names
    assert len(names) == 6
    population = take_draws(load_population(), np.arange(8))
    scores = score_judgements(panel, population, (0.4,))
    assert scores.judgements == len(panel.judgements.row)
    # By hand: the filter of the same log without them, against the confusion table.
    plain = replace(
        panel.logbook,
        checkins=tuple(replace(c, judged_phase=None) for c in panel.logbook.checkins),
    )
    blind = build_panel(plain, CATALOGUE, panel.as_of)
    at = Powers.of(0.4)
    phase = np.concatenate([f.phases() for _, _, f, _ in filter_tanks(blind, population, at)])
    table = judgement_table(panel, population, 1.0).mean(axis=2)[:, ::3]
    p = (phase[panel.judgements.row] * table[panel.judgements.code]).sum(axis=1)
    assert scores.score[0] == pytest.approx(np.log(p).mean(), abs=1e-12)
    with pytest.raises(ValueError, match="no phase was judged"):
        score_judgements(blind, population)


@pytest.mark.parametrize("weight", [0.4, 1.0])
def test_the_judged_are_filtered_as_in_the_weekly_report(
    monkeypatch: pytest.MonkeyPatch, weight: float
) -> None:
    panel = _pool(0.0, tanks=4)
    population = take_draws(load_population(), np.arange(32))
    nodes = filtering.PACE_NODES, filtering.SKILL_NODES
    monkeypatch.setattr("maturity_model.fitting.tank_likelihood.NODES", nodes)
    tables = filtering.make_tables(panel, population, weight)
    for n, _, found, _ in filter_tanks(panel, population, Powers.of(weight)):
        weekly, _ = filtering.filter_tank(tables, n)
        assert np.ptp(weekly.draw_weight) > 0.01
        np.testing.assert_allclose(found.draw_weight, weekly.draw_weight, rtol=0, atol=1e-9)
        np.testing.assert_allclose(found.phases(), weekly.phases(), rtol=0, atol=1e-9)


def test_too_few_judgements_choose_nothing() -> None:
    assert enough_judgements(_pool(0.5))
    assert not enough_judgements(_pool(0.25))
    # Nor does what was judged after the panel's day.
    panel = _pool(0.5)
    early = panel.until(panel.tanks[0].started + dt.timedelta(days=28))
    assert not enough_judgements(early)
    assert len(judged_tanks(early).judgements.row) == len(early.judgements.row)


def test_the_command_says_what_was_chosen_and_by_what() -> None:
    fitted = take_draws(load_population(), np.arange(8))

    def said(judged: float, choose: bool) -> str:
        panel = _pool(judged)
        used = hand_on(fitted, panel, choose=choose, readings="practice")
        return "\n".join(command.handed_on_lines(used, panel))

    lines = said(0.5, True)
    assert "Evidence weight of the weekly report: ω = " in lines
    assert "chosen by 92 judgements of 6 tanks" in lines
    assert "too few" not in lines
    # The weight was given.
    lines = said(0.5, False)
    assert ", chosen by" not in lines
    assert "too few" not in lines
    lines = said(0.0, True)
    assert "; variance of the shifts " in lines
    assert "how often signs are seen, how tanks move, what kits read; what the fit says" in lines
    assert "at least 5, and at least 60 times" in lines
