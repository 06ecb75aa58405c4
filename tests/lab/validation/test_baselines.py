"""Baselines where the right answer is known, what they look at, and the ceiling."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from small_logs import START, look, make_log, reading

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.validation.baselines import (
    cells,
    fit_plain_hmm,
    fit_table,
    frequencies,
    standardize,
)
from maturity_model.lab.validation.ceiling import fit_ceiling
from maturity_model.lab.validation.clubs import Club, World, merge_clubs, simulate_clubs
from maturity_model.lab.validation.features import log_features
from maturity_model.logbook import CheckIn, Event, Tank

Load = Callable[[str], ModuleType]
CATALOGUE = load_catalogue()


def log_score(p: np.ndarray, truth: np.ndarray) -> float:
    return float(np.log(p[np.arange(len(p)), truth]).mean())


def one(checkins: list[CheckIn], events: list[Event] | None = None, weeks: int = 6) -> pd.DataFrame:
    book = make_log([Tank("a", START, rock="dry")], checkins, events or [])
    return log_features(Club(book, np.zeros((1, weeks), dtype=int), weeks))


def test_frequencies_lean_on_the_mean_where_little_was_seen() -> None:
    in_cell = np.array([0, 0, 0, 2])
    happened = np.array([[True], [True], [False], [False]])
    found = frequencies(in_cell, happened, 4)[:, 0]
    np.testing.assert_allclose(found, [2.5 / 4, 0.5, 0.25, 0.5])
    phases = np.arange(4)[:, None] == np.arange(4)
    np.testing.assert_allclose(frequencies(in_cell, phases, 4).sum(axis=1), 1.0)


def test_signs_by_hand() -> None:
    log = one([look(6, "diatoms=y"), look(20, "diatoms=n")])
    nan = np.nan
    assert list(log["answer", "diatoms"]) == pytest.approx([1, nan, 0, nan, nan, nan], nan_ok=True)
    assert list(log["last", "diatoms"]) == [1, 1, 0, 0, 0, 0]
    # Halving in two weeks: 1, 0.71, 0.5 - 1, ...
    r = 2**-0.5
    assert list(log["balance", "diatoms"])[:4] == pytest.approx([1, r, 0.5 - 1, -0.5 * r])
    assert list(log["unlooked", "diatoms"]) == [0, 1, 0, 1, 2, 3]
    assert log["last", "amphipods"].isna().all()
    # It is taken at the end of the week.
    balance = one([look(0, "diatoms=y")])["balance", "diatoms"]
    assert balance.iloc[0] == pytest.approx(2 ** (-6 / 14))


def test_readings_by_hand() -> None:
    log = one(
        [look(1, readings={"ammonia": reading(0, 0.1, 0)}),
         look(8, readings={"ammonia": reading(0.4, 0.7, 0.5)})]
    )  # fmt: skip
    above = list(log["above_zero", "ammonia"])
    assert above == pytest.approx([0, 1, 1, 1, 1, np.nan], nan_ok=True)
    offset = CATALOGUE.analytes["ammonia"].offset
    levels = list(log["reading", "ammonia"])[:2]
    assert levels == pytest.approx([np.log(offset), np.log(0.5 + offset)])
    assert list(log["untested", "ammonia"]) == [0, 0, 1, 2, 3, 4]
    # Ammonia found, nitrite not measured; at last neither.
    assert cells(log, "readings").tolist() == [3, 6, 6, 6, 6, 0]


def test_nothing_of_a_week_uses_what_came_later() -> None:
    club = merge_clubs(simulate_clubs(World("model", "club"), 1, 3, 20, 5))
    started = {t.name: t.started for t in club.logbook.tanks.values()}
    early = [c for c in club.logbook.checkins if (c.date - started[c.tank]).days < 70]
    before = [e for e in club.logbook.events if (e.date - started[e.tank]).days < 70]
    book = make_log(club.logbook.tanks.values(), early, before)
    whole, cut = (log_features(c) for c in (club, Club(book, club.followed, 20)))
    weeks = slice(None), slice(0, 9)
    pd.testing.assert_frame_equal(whole.loc[weeks, :], cut.loc[weeks, :])


def test_checklist_counts_favourable_signs_seen_lately() -> None:
    log = one([look(0, "copepods=y diatoms=y"), look(8, "amphipods=y copepods=y"),
               look(16, "amphipods=n")])  # fmt: skip
    assert cells(log, "checklist", ("copepods", "amphipods")).tolist() == [1, 2, 2, 2, 2, 0]


def toy(tanks: int, seed: int) -> tuple[pd.DataFrame, np.ndarray]:
    """Phase 1 from week 10 on, in every tank; a sign that is then seen, and never before."""
    rng = np.random.default_rng(seed)
    checkins, names = [], [f"t{i}" for i in range(tanks)]
    for name in names:
        for week in range(30):
            seen = "y" if week >= 10 else "n"
            checkins.append(look(7 * week + int(rng.integers(7)), f"copepods={seen}", name))
    truth = np.tile((np.arange(30) >= 10).astype(int), (tanks, 1))
    book = make_log([Tank(n, START, rock="dry") for n in names], checkins)
    return log_features(Club(book, truth, 30)), truth.ravel()


@pytest.mark.parametrize("table", ["age", "checklist"])
def test_a_table_learns_what_is_certain(table: str) -> None:
    past, truth = toy(40, 1)
    log, now = toy(5, 2)
    assert log_score(fit_table(table, past, truth, CATALOGUE, 4)(log), now) > -0.05
    # Readings, of which there are none, tell the frequencies of the phases alone.
    blind = fit_table("readings", past, truth, CATALOGUE, 4)(log)
    assert blind[0] == pytest.approx([1 / 3, 2 / 3, 0, 0], abs=1e-3)


def test_the_filter_is_hmmlearns(need: Load) -> None:
    """At the last week filtered and smoothed are the same: hmmlearn's own posterior."""
    hmm = need("hmmlearn.hmm")
    fitted = fit_plain_hmm(*toy(20, 5), 4, 0)
    # So vague that what comes later would change what is held of a week.
    rng = np.random.default_rng(1)
    fitted = fitted._replace(
        transition=rng.dirichlet(np.ones(len(fitted.start)), len(fitted.start)),
        mean=rng.normal(0, 0.5, fitted.mean.shape),
        variance=np.ones_like(fitted.variance),
    )
    theirs = hmm.GaussianHMM(n_components=len(fitted.start), covariance_type="diag")
    theirs.startprob_, theirs.transmat_ = fitted.start, fitted.transition
    theirs.means_, theirs.covars_ = fitted.mean, fitted.variance
    log, _ = toy(1, 6)
    x = standardize(log, fitted.centre, fitted.scale)
    for end in (3, 12, 30):
        posterior = theirs.predict_proba(x[:end])[-1]
        assert fitted.states(log)[end - 1] == pytest.approx(posterior, abs=1e-8)


@pytest.mark.slow
def test_the_ceiling_beats_age_alone_in_the_models_world(need: Load) -> None:
    need("sklearn")
    world = World("model", "club")
    past, club = (merge_clubs(simulate_clubs(world, 6, n, 40, s)) for n, s in ((60, 1), (30, 2)))
    seen, log = log_features(past), log_features(club)
    truth, now = past.truth.ravel(), club.truth.ravel()
    age = fit_table("age", seen, truth, CATALOGUE, 4)(log)
    assert log_score(fit_ceiling(seen, truth, 4, 0)(log), now) > log_score(age, now) + 0.1


@pytest.mark.slow
def test_the_ceiling_learns_what_is_certain(need: Load) -> None:
    need("sklearn")
    log, now = toy(4, 8)
    p = fit_ceiling(*toy(16, 7), 4, 0)(log)
    assert p.sum(axis=1) == pytest.approx(1)
    # A phase that no training tank was in still has a chance, so a log score is finite.
    assert (p > 0).all()
    assert log_score(p, now) > -0.05
    with pytest.raises(ValueError, match="folds"):
        fit_ceiling(*toy(3, 1), 4, 0)
