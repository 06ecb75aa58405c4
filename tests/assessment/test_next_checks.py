"""What a look would tell, against enumeration of all paths, and where it must be nothing."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import random_tables
from assessment.small_mixture import by_lane, end_in, small
from small_logs import random_log

from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.next_checks import (
    keepers_kit,
    mutual_information,
    outcome_table,
    outcomes,
    present_lanes,
    rank_by_information_gain,
)
from maturity_model.assessment.observed import checkins_of, observed, reading_context, sign_context
from maturity_model.catalogue import load_catalogue
from maturity_model.hmm.staged import StagedChain
from maturity_model.logbook.types import Kit
from maturity_model.panel import build_panel

CATALOGUE = load_catalogue()
CHAINS = [StagedChain(2, 2), StagedChain(3, 1), StagedChain(4, 1)]


@pytest.mark.parametrize("skilled", [True, False])
@pytest.mark.parametrize("chain", CHAINS)
def test_information_by_enumeration(chain: StagedChain, skilled: bool) -> None:
    given = small(31, chain)
    found = given.found
    weeks, s, q, d = found.emission.shape
    rng = np.random.default_rng(5)
    likelihood = rng.dirichlet(np.ones(3), (s, q if skilled else 1, d))
    likelihood = np.ascontiguousarray(np.moveaxis(likelihood, -1, 0))
    got = outcome_table(found, present_lanes(found), likelihood)
    want = np.zeros_like(got)
    end = end_in(chain, weeks - 1)
    _, whole = by_lane(given, found.emission, weeks, end)
    total = np.einsum("pq,pqd->d", given.prior, whole)
    for o in range(3):
        emission = found.emission.copy()
        emission[-1] *= likelihood[o]
        sums, _ = by_lane(given, emission, weeks, end)
        within = np.einsum("pq,kpqd->kd", given.prior, sums) / total
        want[:, o] = within @ found.draw_weight[-1]
    np.testing.assert_allclose(got, want, rtol=0, atol=1e-10)
    assert got.sum() == pytest.approx(1.0, abs=1e-12)
    # Information as the mean fall of the phase's entropy.
    before = want.sum(axis=1)
    entropy = -(before * np.log2(before)).sum()
    for column in want.T:
        p = column / column.sum()
        entropy += column.sum() * (p * np.log2(p)).sum()
    assert mutual_information(got) == pytest.approx(entropy, abs=1e-10)


def test_information_at_its_ends() -> None:
    p = np.array([0.5, 0.25, 0.125, 0.125])
    assert mutual_information(np.diag(p)) == pytest.approx(1.75, abs=1e-14)
    assert mutual_information(np.outer(p, [0.3, 0.7])) == pytest.approx(0.0, abs=1e-14)


def test_a_sign_that_looks_alike_in_all_phases_tells_nothing() -> None:
    tables = random_tables(11)
    population, panel = tables.population, tables.panel
    dull = {"sign_logit": 0.4, "small": 0.0, "persistence": 1.0}
    arrays = {name: getattr(population, name).copy() for name in dull}
    for name, value in dull.items():
        arrays[name][list(population.signs).index("hair_algae")] = value
    population = replace(population, **arrays)
    tables = make_tables(panel, population, None, (3, 2))
    for n in range(len(panel.tanks)):
        looks = rank_by_information_gain(tables, n, filter_tank(tables, n)[0])
        hair = [x for x in looks if x.name == "hair_algae"]
        assert len(hair) == 2
        for x in hair:
            assert x.bits == pytest.approx(0.0, abs=1e-12)
        others = [x.bits for x in looks if x.name != "hair_algae"]
        assert min(others) > 0


def test_the_ranking() -> None:
    tables = random_tables(12)
    panel = tables.panel
    for n in range(len(panel.tanks)):
        found, _ = filter_tank(tables, n)
        looks = rank_by_information_gain(tables, n, found)
        assert len(looks) == 2 * len(CATALOGUE.signs) + len(CATALOGUE.informative)
        rates = [x.per_minute for x in looks]
        assert rates == sorted(rates, reverse=True)
        p = found.phases()[-1]
        entropy = -(p * np.log2(p)).sum()
        mine = checkins_of(panel, n)
        for x in looks:
            assert 0.0 <= x.bits <= entropy
            assert x.per_minute == x.bits / x.minutes
            assert (x.seen is None) == (x.kind == "reading")
            dates = [c.date for c in mine if x.name in c.signs or x.name in c.readings]
            assert x.last == (max(dates) if dates else None)
            assert x.unchecked == (not dates or (panel.as_of - max(dates)).days >= 28)


def test_contexts_are_those_that_the_panel_would_make() -> None:
    logbook, day = random_log(13)
    panel = build_panel(logbook, as_of=day)
    *before, last = checkins_of(panel, 0)
    signs, readings, _ = ([o for o in kind if o.date == last.date] for kind in observed(panel, 0))
    assert len(signs) == len(last.signs)
    for o in signs:
        context = sign_context(o.name, before, last.date)
        assert panel.signs.codes["level"][o.code] == context.value
    assert readings
    for o in readings:
        code, context = panel.readings.codes[o.code], reading_context(o.name, before, last.date)
        assert (code["previous"], code["gap"]) == (context.value, context.gap)


@pytest.mark.parametrize("name", CATALOGUE.informative)
@pytest.mark.parametrize("method", ["colour_chart", "strip", "photometer", "probe"])
def test_outcomes_leave_no_gap(name: str, method: str) -> None:
    analyte = CATALOGUE.analytes[name]
    found = outcomes(analyte, method, analyte.charts[method].steps)
    assert found[0][0] == analyte.range.low
    assert found[-1][1] == np.inf
    assert all(a < b for a, b in found)
    for (_, high), (low, _) in itertools.pairwise(found):
        assert high == low


def test_the_keepers_own_chart_is_used_in_its_unit() -> None:
    logbook, day = random_log(14)
    nitrate = CATALOGUE.analytes["nitrate"]
    # 1 mg/L N is 4.42664 mg/L NO3 (IUPAC atomic weights).
    kits = (
        Kit("", "nitrate", "strip", "mg/L NO3", (0.0, 20.0)),
        Kit("k", "nitrate", "colour_chart", "mg/L NO3-N", (0.0, 1.0, 5.0)),
    )
    panel = build_panel(replace(logbook, kits=kits), as_of=day)
    method, steps = keepers_kit(panel, 0, nitrate)
    assert method == "colour_chart"
    assert steps == pytest.approx((0.0, 4.42664, 22.1332), rel=1e-5)
    nobody = [t.keeper for t in panel.tanks].index("")
    assert keepers_kit(panel, nobody, nitrate) == ("strip", (0.0, 20.0))
