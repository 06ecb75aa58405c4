"""Whether a log fits: a slow version of the sums, and logs that were spoilt on purpose."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from small_logs import each_checkin

from maturity_model.assessment import assess
from maturity_model.assessment.filtering import Tables, filter_tank, make_tables
from maturity_model.assessment.misfit import (
    FEWEST,
    LIMIT,
    Misfit,
    _before,
    answer_probabilities,
    misfit,
    misfit_notes,
)
from maturity_model.assessment.observed import observed
from maturity_model.assessment.surprise import predicted
from maturity_model.lab.validation.clubs import Club, World, simulate_club
from maturity_model.logbook import Logbook, Reading
from maturity_model.panel import Panel, build_panel
from maturity_model.population import load_population
from maturity_model.population.types import Population, take_draws


@cache
def few() -> Population:
    return take_draws(load_population(), np.arange(0, 256, 8))


@cache
def club() -> Club:
    return simulate_club(World("model", "club"), 6, 52, 5)


def panel_of(book: Logbook) -> Panel:
    return build_panel(book, as_of=club().panel().as_of)


@cache
def tables() -> Tables:
    return make_tables(club().panel(), few(), 0.4)


def test_the_state_ahead_is_nearly_the_models() -> None:
    found, _ = filter_tank(tables(), 2)
    ours = _before(found, few().start[tables().panel.rock[2]])
    assert ours.sum(axis=1) == pytest.approx(1)
    for week in (0, 5, 30):
        theirs = predicted(tables(), 2, found, week, []).sum(axis=(1, 2))
        assert np.abs(ours[week] - theirs).max() < 0.03


def test_signs_are_summed_by_the_book() -> None:
    n, panel = 1, tables().panel
    found, _ = filter_tank(tables(), n)
    known = answer_probabilities(tables())
    fit = misfit(tables(), n, found, known)
    before = _before(found, few().start[panel.rock[n]])
    names = list(panel.catalogue.signs)
    for name in names[:4]:
        answers = [o for o in observed(panel, n)[0] if o.name == name]
        p = np.array([before[o.week] @ known.signs[o.code] for o in answers])
        gap = sum(float(bool(o.seen)) for o in answers) - p.sum()
        want = gap / np.sqrt((p * (1 - p)).sum())
        assert len(answers) >= FEWEST
        assert fit.sums[names.index(name)] == pytest.approx(want, rel=1e-6)


def spoilt(book: Logbook) -> Logbook:
    """Ammonia and nitrite are many times what they were; nothing else is touched."""

    def higher(name: str, r: Reading) -> Reading:
        if name not in ("ammonia", "nitrite"):
            return r
        return replace(r, low=r.low + 3.0, high=r.high + 3.0, best=r.best + 3.0)

    return each_checkin(
        book, lambda c: replace(c, readings={k: higher(k, r) for k, r in c.readings.items()})
    )


def reversed_signs(book: Logbook) -> Logbook:
    """Every answer is the contrary of what was seen."""
    return each_checkin(book, lambda c: replace(c, signs={k: not v for k, v in c.signs.items()}))


def excess(book: Logbook) -> np.ndarray:
    found = make_tables(panel_of(book), few(), 0.4)
    known = answer_probabilities(found)
    return np.array([misfit(found, n, filter_tank(found, n)[0], known).excess for n in range(6)])


def test_a_spoilt_log_fits_worse() -> None:
    book = club().logbook
    good, contrary = excess(book), excess(reversed_signs(book))
    assert np.median(good) < LIMIT < np.median(contrary)
    assert (contrary > good).all()
    assert np.median(excess(spoilt(book))) > np.median(good)


def test_the_page_says_so_and_names_the_worst() -> None:
    panel = panel_of(reversed_signs(club().logbook))
    bad = assess(panel, few(), evidence_weight=0.4)
    said = [[x for x in t.notes if "fits the model badly" in x] for t in bad.tanks]
    labels = [s.label for s in club().logbook.catalogue.signs.values()]
    assert sum(map(len, said)) >= 3
    assert all(any(label in x for label in labels) for found in said for x in found)
    # A brief run does not ask.
    brief = assess(panel, few(), evidence_weight=0.4, questions=False)
    assert not any("fits the model badly" in x for t in brief.tanks for x in t.notes)


def test_too_little_says_nothing() -> None:
    short = club().logbook
    first = {t.name: t.started for t in short.tanks.values()}
    short = replace(
        short, checkins=tuple(c for c in short.checkins if (c.date - first[c.tank]).days < 14)
    )
    found = make_tables(panel_of(reversed_signs(short)), few(), 0.4)
    for n in range(6):
        mixture, known = filter_tank(found, n)[0], answer_probabilities(found)
        fit = misfit(found, n, mixture, known)
        assert fit.items == 0
        assert np.isnan(fit.excess)
        assert not fit.bad
        assert misfit_notes(found, known, n, mixture) == ()
    assert Misfit(99.0, 5, np.zeros(3)).bad
    assert not Misfit(99.0, 4, np.zeros(3)).bad
