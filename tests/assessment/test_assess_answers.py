"""What an assessment says: what was known at the time, and an answer that agrees with itself."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import DEMO, FIELDS, demo, practice
from small_logs import START, day, each_checkin, look, make_log, random_log, reading

from maturity_model.assessment import Assessment, assess, filtering
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import CheckIn, Event, Tank, read_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.population import elicit_population
from maturity_model.population.types import take_draws

# -- what was said at the time -----------------------------------------------------------


def same_as_then(panel: Panel, full: Assessment) -> None:
    """Compare each row of the whole run with a run on the last day of its week."""
    for as_of in sorted({d for tank in full.tanks for d in tank.dates}):
        then = {t.tank.name: t for t in assess(panel, practice(), as_of, questions=False).tanks}
        for tank in full.tanks:
            if as_of not in tank.dates:
                continue
            w = tank.dates.index(as_of)
            old = then[tank.tank.name]
            assert len(old.weeks) == w + 1
            for field in ("filtered", "regression", "forecast_only"):
                np.testing.assert_allclose(
                    getattr(tank, field)[: w + 1], getattr(old, field), rtol=0, atol=1e-9
                )


@pytest.mark.slow
def test_filtered_is_what_a_run_on_that_day_said_every_week() -> None:
    panel, full = demo()
    same_as_then(panel, full)


def test_filtered_is_causal_at_the_awkward_weeks() -> None:
    # Events after the week's check-in; the keeper's first water change in week 5, at the
    # other tank; a reading and its predecessor; a tank that starts in between.
    tanks = [Tank("a", START, keeper="k", rock="dry"), Tank("b", day(16), keeper="k", rock="live")]
    rng = np.random.default_rng(5)
    names = list(load_catalogue().signs)
    looks = [
        CheckIn(
            "a",
            day(7 * t + int(rng.integers(0, 4))),
            signs={s: bool(rng.random() < 0.6) for s in names},
            readings={"nitrate": reading(5 * (t % 3), 5 * (t % 3) + 5, 5 * (t % 3) + 2.5)},
        )
        for t in range(12)
        if t != 7
    ]
    events = [
        Event("a", day(6), "overfeeding", 3.0),
        Event("a", day(4 * 7 + 6), "crash"),
        Event("b", day(5 * 7 + 2), "water_change", 20.0),
        Event("a", day(7 * 7 + 3), "sand_disturbed"),
        Event("a", day(9 * 7 + 5), "water_change", 30.0),
    ]
    panel = build_panel(make_log(tanks, looks, events))
    assert panel.pending.any()
    switched = panel.water_known[panel.first[0] : panel.first[1]]
    assert switched.tolist() == [False] * 5 + [True] * (len(switched) - 5)
    full = assess(panel, practice(), questions=False)
    assert 0 < full.tanks[0].reweighting.share < 1  # tempered weights are in play
    same_as_then(panel, full)


def test_as_of_in_the_middle_of_a_week_uses_the_log_up_to_that_day() -> None:
    logbook = make_log([Tank("a", START)], [look(0, "diatoms=n"), look(9, "diatoms=y"), look(12)])
    panel = build_panel(logbook)
    before, after = (assess(panel, practice(), day(n)).tanks[0] for n in (8, 9))
    assert before.dates[-1] == day(8)
    assert len(before.checkins) == 1
    assert np.abs(before.filtered[1] - after.filtered[1]).max() > 1e-3
    np.testing.assert_allclose(before.filtered[0], after.filtered[0], atol=1e-12)


# -- inner agreement and the rest of the answer ------------------------------------------


def test_everything_is_a_probability_and_agrees_with_itself() -> None:
    panel, full = demo()
    assert full.provenance.as_of == dt.date(2026, 11, 20)
    assert not full.provenance.as_of_given
    assert full.phases == tuple(panel.catalogue.phases)
    for tank in full.tanks:
        for field in ("filtered", "smoothed", "forecast_only"):
            values = getattr(tank, field)
            assert values.min() >= 0
            np.testing.assert_allclose(values.sum(axis=1), 1, rtol=0, atol=1e-12)
        np.testing.assert_allclose(tank.smoothed[-1], tank.filtered[-1], rtol=0, atol=1e-12)
        assert ((tank.regression >= -1e-15) & (tank.regression <= 1)).all()
        assert (tank.regression[:, 1] >= tank.regression[:, 0]).all()
        assert (tank.smoothed_low <= tank.smoothed_high).all()
        assert (tank.now_low <= tank.now_high).all()
        assert (tank.regression_low <= tank.regression_high).all()
        assert ((tank.slipped >= 0) & (tank.slipped <= 1)).all()
        assert tank.slipped[0] == 0
        assert tank.dates[-1] == full.provenance.as_of
        assert tank.reweighting.khat <= tank.reweighting.limit
        assert 0 < tank.reweighting.ess <= tank.reweighting.draws * (1 + 1e-12)
        assert tank.present == int(np.argmax(tank.filtered[-1]))


def test_intervals_are_the_draws_quantiles() -> None:
    # Counted by hand with numpy's weighted inverted cdf.
    panel, _ = demo()
    tables = make_tables(panel, practice())
    found, _ = filter_tank(tables, 0)
    weight = found.draw_weight[-1]
    now = found.states[-1].reshape(4, 3, -1).sum(axis=1)
    tank = demo()[1].tanks[0]
    for level, have in ((0.05, tank.now_low), (0.95, tank.now_high)):
        want = np.quantile(now, level, axis=1, weights=weight, method="inverted_cdf")
        np.testing.assert_allclose(have, want, rtol=0, atol=1e-12)


def test_reach_counts_by_hand() -> None:
    looks = [
        look(0, "diatoms=y hair_algae=n", readings={"ammonia": reading(0, 0.1, 0)}),
        look(1, "diatoms=y"),
        look(50, "amphipods=n", readings={"ph": reading(8, 8.2, 8.1)}),
    ]
    panel = build_panel(make_log([Tank("a", START)], looks), as_of=day(65))
    reach = assess(panel, practice(), questions=False).tanks[0].reach
    assert reach.weeks == 10
    assert reach.weeks_with_checkin == 2
    assert reach.last_checkin == day(50)
    assert reach.weeks_since_checkin == 2
    assert reach.share_signs_checked == pytest.approx(4 / (3 * 12))
    assert reach.readings == 1  # pH does not enter
    assert set(reach.unchecked_signs) == set(load_catalogue().signs) - {"amphipods"}


def test_notes_say_how_the_log_was_understood() -> None:
    def notes(*tanks: Tank, events: tuple[Event, ...] = (), as_of: int = 40) -> str:
        panel = build_panel(make_log(tanks, events=events), as_of=day(as_of))
        return " ".join(assess(panel, practice()).tanks[0].notes)

    change = Event("a", day(20), "water_change", 10.0)
    other = Event("b", day(20), "water_change", 10.0)
    a, b = Tank("a", START, keeper="k", rock="dry"), Tank("b", START, keeper="k", rock="dry")
    assert "rock was not logged" in notes(Tank("a", START))
    assert "rock was not logged" not in notes(a)
    assert "taken as unknown" in notes(a, b)
    assert "none for this tank" in notes(a, b, events=(other,))
    assert "none for this tank" not in notes(a, b, events=(change,))
    # What was logged later was not known then.
    late = Event("a", day(60), "water_change", 10.0)
    assert "none for this tank" in notes(a, b, events=(other, late))


def test_a_club_s_own_sign_enters() -> None:
    logbook = read_logbook(DEMO, today=dt.date(2026, 11, 25))
    assert "feather_worms" in logbook.catalogue.signs
    without = each_checkin(
        logbook,
        lambda c: replace(c, signs={k: v for k, v in c.signs.items() if k != "feather_worms"}),
    )
    _, full = demo()
    blind = assess(build_panel(without), practice(), questions=False)
    changed = [
        np.abs(a.filtered - b.filtered).max() for a, b in zip(blind.tanks, full.tanks, strict=True)
    ]
    assert max(changed) > 1e-3
    assert any("feather" in n.lower() for n in full.tanks[0].notes)


def test_provenance_says_what_was_used() -> None:
    panel, full = demo()
    p = full.provenance
    assert p.population_kind == "elicited"
    assert p.population_sha256 == practice().sha256 != ""
    assert p.logbook_sha256 == panel.logbook.sha256
    assert p.evidence_weight == practice().evidence_weight
    assert p.quadrature == (256, 5, 3)
    # Elicited in memory: there is no file to have a digest.
    made = elicit_population(load_catalogue(), 0.5, n_draws=8)
    other = assess(panel, made, dt.date(2026, 5, 1), evidence_weight=0.3, questions=False)
    assert other.provenance.population_sha256 == ""
    assert other.provenance.evidence_weight == 0.3
    assert other.provenance.as_of_given


def test_certain_phases_stay_probabilities() -> None:
    # From dry rock the first week is cycling for sure: sums of rounded weights must not pass 1.
    tank = Tank("New", START, rock="dry", keeper="k")
    logbook = make_log([tank], [look(0, "diatoms=n", "New")])
    for days in range(22):
        panel = build_panel(logbook, as_of=day(days))
        found = assess(panel, practice(), questions=False).tanks[0]
        for name in (*FIELDS, "smoothed_high", "now_high", "regression_high"):
            p = getattr(found, name)
            assert ((p >= 0) & (p <= 1)).all(), name


def test_a_very_long_log_uses_fewer_draws_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    log, _ = random_log(3, weeks=9)
    panel = build_panel(log)
    full = assess(panel, practice()).tanks[0]
    monkeypatch.setattr(filtering, "FULL_WEEKS", 4)
    found = assess(panel, practice()).tanks[0]
    step = -(-len(found.weeks) // 4)
    assert step > 1
    kept = np.arange(0, practice().n_draws, step)
    monkeypatch.undo()
    assert any(f"{len(kept)} of the population's {practice().n_draws}" in x for x in found.notes)
    assert not any("draws are used" in x for x in full.notes)
    same = assess(panel, take_draws(practice(), kept)).tanks[0]
    np.testing.assert_allclose(found.filtered, same.filtered, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.smoothed, same.smoothed, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.filtered, full.filtered, atol=0.1)
