"""Baselines where the right answer is known, what they look at, and the ceiling."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from small_logs import START, look, make_log, reading

from maturity_model.catalogue import load_catalogue
from maturity_model.lab.validation.clubs import Club, World, merged, simulate_clubs
from maturity_model.lab.validation.features import TankWeeks, stack, tank_weeks
from maturity_model.lab.validation.judges import cells, teach_plain_hmm, teach_table
from maturity_model.lab.validation.sums import log_score, sums_of
from maturity_model.logbook import CheckIn, Event, Tank

Load = Callable[[str], ModuleType]
CATALOGUE = load_catalogue()


def one(checkins: list[CheckIn], events: list[Event] | None = None, weeks: int = 6) -> TankWeeks:
    book = make_log([Tank("a", START, rock="dry")], checkins, events or [])
    return tank_weeks(Club(book, np.zeros((1, weeks), dtype=int), weeks))


def of(log: TankWeeks, part: str, name: str) -> list[float]:
    names = {"answer": log.signs, "last": log.signs, "balance": log.signs, "unlooked": log.signs,
             "since_event": log.events}.get(part, log.analytes)  # fmt: skip
    return list(getattr(log, part)[0, :, names.index(name)])


def test_signs_by_hand() -> None:
    log = one([look(6, "diatoms=y"), look(20, "diatoms=n")])
    assert of(log, "answer", "diatoms") == pytest.approx(
        [1, np.nan, 0, np.nan, np.nan, np.nan], nan_ok=True
    )
    assert of(log, "last", "diatoms") == [1, 1, 0, 0, 0, 0]
    # Halving in two weeks: 1, 0.71, 0.5 - 1, ...
    r = 2**-0.5
    assert of(log, "balance", "diatoms")[:4] == pytest.approx([1, r, 0.5 - 1, -0.5 * r])
    assert of(log, "unlooked", "diatoms") == [0, 1, 0, 1, 2, 3]
    assert np.isnan(of(log, "last", "amphipods")).all()


def test_a_balance_is_taken_at_the_end_of_the_week() -> None:
    assert of(one([look(0, "diatoms=y")]), "balance", "diatoms")[0] == pytest.approx(2 ** (-6 / 14))


def test_readings_by_hand() -> None:
    log = one(
        [look(1, readings={"ammonia": reading(0, 0.1, 0)}),
         look(8, readings={"ammonia": reading(0.4, 0.7, 0.5)})]
    )  # fmt: skip
    assert of(log, "above_zero", "ammonia") == pytest.approx([0, 1, 1, 1, 1, np.nan], nan_ok=True)
    offset = CATALOGUE.analytes["ammonia"].offset
    assert of(log, "reading", "ammonia")[:2] == pytest.approx(
        [np.log(offset), np.log(0.5 + offset)]
    )
    assert of(log, "untested", "ammonia") == [0, 0, 1, 2, 3, 4]
    # Ammonia found, nitrite not measured; at last neither.
    assert cells(log, "readings", ()).tolist() == [[3, 6, 6, 6, 6, 0]]


def test_events_by_hand() -> None:
    day = START + dt.timedelta(days=15)
    log = one([], [Event("a", day, "crash", None), Event("a", day, "water_change", 20.0)])
    nan = np.nan
    assert of(log, "since_event", "crash") == pytest.approx([nan, nan, 0, 1, 2, 3], nan_ok=True)
    assert log.water[0].tolist() == [0, 0, 20, 20, 20, 20]


def test_nothing_of_a_week_uses_what_came_later() -> None:
    club = merged(simulate_clubs(World("model", "club"), 1, 3, 20, 5))
    whole = tank_weeks(club)
    started = {t.name: t.started for t in club.logbook.tanks.values()}
    early = [c for c in club.logbook.checkins if (c.date - started[c.tank]).days < 70]
    before = [e for e in club.logbook.events if (e.date - started[e.tank]).days < 70]
    book = make_log(club.logbook.tanks.values(), early, before)
    cut = tank_weeks(Club(book, club.followed, 20))
    assert whole.matrix()[:, :10] == pytest.approx(cut.matrix()[:, :10], nan_ok=True)
    assert stack([whole, cut]).matrix().shape[0] == 6


def test_checklist_counts_favourable_signs_seen_lately() -> None:
    log = one([look(0, "copepods=y diatoms=y"), look(8, "amphipods=y copepods=y"),
               look(16, "amphipods=n")])  # fmt: skip
    assert cells(log, "checklist", ("copepods", "amphipods")).tolist() == [[1, 2, 2, 2, 2, 0]]


def toy(tanks: int, seed: int) -> tuple[TankWeeks, np.ndarray]:
    """Phase 1 from week 10 on, in every tank; a sign that is then seen, and never before."""
    rng = np.random.default_rng(seed)
    checkins, names = [], [f"t{i}" for i in range(tanks)]
    for name in names:
        for week in range(30):
            seen = "y" if week >= 10 else "n"
            checkins.append(look(7 * week + int(rng.integers(7)), f"copepods={seen}", name))
    truth = np.tile((np.arange(30) >= 10).astype(int), (tanks, 1))
    book = make_log([Tank(n, START, rock="dry") for n in names], checkins)
    return tank_weeks(Club(book, truth, 30)), truth


@pytest.mark.parametrize("kind", ["age", "checklist"])
def test_a_table_learns_what_is_certain(kind: str) -> None:
    past, truth = toy(40, 1)
    log, now = toy(5, 2)
    table = teach_table(kind, past, truth, CATALOGUE, 4)
    assert log_score(sums_of(table(log), now)) > -0.05
    # Readings, of which there are none, tell the frequencies of the phases alone.
    blind = teach_table("readings", past, truth, CATALOGUE, 4)(log)
    assert blind[0, 0] == pytest.approx([1 / 3, 2 / 3, 0, 0], abs=1e-3)


def test_the_plain_hmm_learns_what_is_certain(need: Load) -> None:
    need("hmmlearn")
    past, truth = toy(20, 3)
    log, now = toy(5, 4)
    found = teach_plain_hmm(past, truth, 4, 0)
    p = found(log)
    assert p.sum(axis=2) == pytest.approx(1)
    assert (p.argmax(axis=2) == now).all()
    # It is the filter, not the smoother: what comes later changes nothing.
    late = log.last.copy()
    late[:, 20:] = 0
    assert found(TankWeeks(**{**vars(log), "last": late}))[:, :20] == pytest.approx(p[:, :20])


def test_the_filter_is_hmmlearns(need: Load) -> None:
    """At the last week filtered and smoothed are the same: hmmlearn's own posterior."""
    hmm = need("hmmlearn.hmm")
    past, truth = toy(20, 5)
    found = teach_plain_hmm(past, truth, 4, 0)
    # So vague that what comes later would change what is held of a week.
    rng = np.random.default_rng(1)
    found = found._replace(
        moves=rng.dirichlet(np.ones(len(found.start)), len(found.start)),
        mean=rng.normal(0, 0.5, found.mean.shape),
        variance=np.ones_like(found.variance),
    )
    theirs = hmm.GaussianHMM(n_components=len(found.start), covariance_type="diag")
    theirs.startprob_, theirs.transmat_ = found.start, found.moves
    theirs.means_, theirs.covars_ = found.mean, found.variance
    log, _ = toy(1, 6)
    x = np.concatenate([log.last, log.reading], axis=2)[0]
    x = np.where(np.isfinite(x), (x - found.centre) / found.scale, 0.0)
    for end in (3, 12, 30):
        posterior = theirs.predict_proba(x[:end])[-1]
        assert found.states(log)[0, end - 1] == pytest.approx(posterior, abs=1e-8)


@pytest.mark.slow
def test_the_ceiling_beats_age_alone_in_the_models_world(need: Load) -> None:
    need("sklearn")
    from maturity_model.lab.validation.ceiling import teach_ceiling

    world = World("model", "club")
    past, club = (merged(simulate_clubs(world, 6, n, 40, s)) for n, s in ((60, 1), (30, 2)))
    seen, log = tank_weeks(past), tank_weeks(club)
    ceiling = sums_of(teach_ceiling(seen, past.truth, 4, 0)(log), club.truth)
    age = sums_of(teach_table("age", seen, past.truth, CATALOGUE, 4)(log), club.truth)
    assert log_score(ceiling) > log_score(age) + 0.1


def test_the_ceiling_learns_what_is_certain(need: Load) -> None:
    need("sklearn")
    from maturity_model.lab.validation import ceiling

    past, truth = toy(16, 7)
    log, now = toy(4, 8)
    found = ceiling.teach_ceiling(past, truth, 4, 0)
    p = found(log)
    assert p.sum(axis=2) == pytest.approx(1)
    # A phase that no training tank was in still has a chance, so a log score is finite.
    assert (p > 0).all()
    assert log_score(sums_of(p, now)) > -0.05
    with pytest.raises(ValueError, match="folds"):
        ceiling.teach_ceiling(*toy(3, 1), 4, 0)
