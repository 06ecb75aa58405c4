"""Leave-one-out weights of evidence, against enumeration of all paths and against re-running."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from assessment.assessed import random_tables, tables_of
from assessment.small_mixture import Small, by_lane, end_in, likelihood, small
from small_logs import random_log

from maturity_model.assessment.filtering import filter_tank, forecast_only
from maturity_model.assessment.observed import observed
from maturity_model.assessment.weight_of_evidence import (
    leave_one_out_phases,
    phases_without,
    weigh_evidence,
)
from maturity_model.hmm.mixture import FilteredMixture, filter_mixture
from maturity_model.hmm.staged import StagedChain
from maturity_model.panel import build_panel

CHAINS = [StagedChain(2, 2), StagedChain(3, 1), StagedChain(4, 1)]


def without_by_enumeration(given: Small, left_out: list[tuple[int, int]]) -> np.ndarray:
    """P(phase at the end | all but these), draws reweighted by R ** power."""
    found, tables = given.found, given.tables
    weeks = len(found.emission)
    emission = likelihood(tables, weeks, left_out)
    end = end_in(found.chain, weeks - 1)
    _, whole = by_lane(given, found.emission, weeks, end)
    sums, totals = by_lane(given, emission, weeks, end)
    within = np.einsum("pq,kpqd->kd", given.prior, sums)
    left = np.einsum("pq,pqd->d", given.prior, totals)
    ratio = left / np.einsum("pq,pqd->d", given.prior, whole)
    weight = found.draw_weight[-1] * ratio ** found.trusted.power[-1]
    return within / left @ weight / weight.sum()


@pytest.fixture
def nan_scratch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Kernels must not read their scratch arrays before they have written them."""
    empty = np.empty

    def spoilt(shape: tuple[int, ...], dtype: type = float) -> np.ndarray:
        out = empty(shape, dtype)
        out.fill(np.nan if out.dtype.kind == "f" else -1)
        return out

    monkeypatch.setattr(np, "empty", spoilt)


@pytest.mark.usefixtures("nan_scratch")
@pytest.mark.parametrize("power", [0.0, 0.6, 1.0])
@pytest.mark.parametrize("chain", CHAINS)
def test_one_left_out(chain: StagedChain, power: float) -> None:
    given = small(11, chain, power=power)
    ends = np.array([chain.phase_of == k for k in range(chain.n_phases)], float)
    got = leave_one_out_phases(given.tables, 0, given.found, ends)
    for kind, rows in enumerate(got):
        for i, row in enumerate(rows):
            np.testing.assert_allclose(
                row, without_by_enumeration(given, [(kind, i)]), rtol=0, atol=1e-10
            )


@pytest.mark.usefixtures("nan_scratch")
@pytest.mark.parametrize(
    "left_out", [[(0, 0), (0, 2), (0, 3)], [(1, 0), (1, 2)], [(0, 1), (1, 1), (2, 0)], []]
)
@pytest.mark.parametrize("chain", CHAINS)
def test_several_left_out_together(chain: StagedChain, left_out: list[tuple[int, int]]) -> None:
    given = small(12, chain)
    leave = {kind: np.array([i for k, i in left_out if k == kind]) for kind, _ in left_out}
    got = phases_without(given.tables, 0, given.found, leave)
    np.testing.assert_allclose(got, without_by_enumeration(given, left_out), rtol=0, atol=1e-10)


def test_a_factor_of_zero_is_left_out_by_multiplying_anew() -> None:
    given = small(13, StagedChain(2, 2))
    tables, found = given.tables, given.found
    codes, counts = np.unique(tables.panel.signs.code, return_counts=True)
    code = int(codes[counts == 1][0])
    tables.signs[code, 1] = 0.0
    same = np.flatnonzero(tables.panel.signs.code == code)
    first = np.repeat(given.initial[:, None], found.emission.shape[-1], axis=1)

    def filtered(left_out: list[tuple[int, int]]) -> FilteredMixture:
        emission = likelihood(tables, len(found.emission), left_out)
        return filter_mixture(found.chain, first, found.moves, emission, given.prior)

    with_zero = replace(filtered([]), trusted=found.trusted)
    got = phases_without(tables, 0, with_zero, {0: same})
    again = filtered([(0, int(i)) for i in same])
    change = again.log_likelihood[-1] - with_zero.log_likelihood[-1]
    weight = found.draw_weight[-1] * np.exp(0.6 * change)
    want = found.chain.by_phase(again.states[-1] @ weight / weight.sum())
    np.testing.assert_allclose(got, want, atol=1e-12)
    assert len(same) == 1
    ends = np.array([found.chain.phase_of == k for k in range(2)], float)
    alone = leave_one_out_phases(tables, 0, with_zero, ends)[0][same[0]]
    np.testing.assert_allclose(alone, want, atol=1e-12)


def test_everything_left_out_is_the_forecast() -> None:
    # With so few draws their weights stay equal, so that the forecast's are the same.
    tables = random_tables(3, draws=8)
    panel = tables.panel
    for n in range(len(panel.tanks)):
        found, _ = filter_tank(tables, n)
        every = {number: np.arange(len(kind)) for number, kind in enumerate(observed(panel, n))}
        got = phases_without(tables, n, found, every)
        np.testing.assert_allclose(got, forecast_only(tables, n, found)[-1], atol=1e-12)


@pytest.mark.parametrize("seed", [4, 5])
def test_the_last_observation_left_out_is_the_log_without_it(seed: int) -> None:
    logbook, day = random_log(seed)
    tables = tables_of(logbook, day, draws=1)
    panel, chain = tables.panel, tables.population.chain
    ends = np.array([chain.phase_of == k for k in range(chain.n_phases)], float)
    for n in range(len(panel.tanks)):
        found, _ = filter_tank(tables, n)
        signs = observed(panel, n)[0]
        if not signs:
            continue
        got = leave_one_out_phases(tables, n, found, ends)[0][-1]
        last = signs[-1]
        mine = [c for c in logbook.checkins if c.tank == panel.tanks[n].name and c.date <= day]
        old = mine[last.checkin]
        rest = {k: v for k, v in old.signs.items() if k != last.name}
        checkins = tuple(replace(c, signs=rest) if c is old else c for c in logbook.checkins)
        again, _ = filter_tank(tables_of(replace(logbook, checkins=checkins), day, draws=1), n)
        np.testing.assert_allclose(got, again.phases()[-1], atol=1e-12)


def test_what_is_said() -> None:
    tables = random_tables(6)
    panel = tables.panel
    for n in range(len(panel.tanks)):
        found, _ = filter_tank(tables, n)
        said = weigh_evidence(tables, n, found, forecast_only(tables, n, found)[-1])
        assert said is not None
        now = found.phases()[-1]
        assert said.present == now.argmax()
        assert said.bits == pytest.approx(np.log2(now[said.present] / now[said.rival]), abs=1e-12)
        assert said.bits >= 0
        assert len(said.singles) == sum(map(len, observed(panel, n)))
        assert all(g.bits > 0 for g in said.towards)
        assert all(g.bits < 0 for g in said.against)
        for group in (*said.towards, *said.against):
            own = [p for p in said.singles if p.what.name == group.name]
            assert group.count == len(own)
            assert group.seen == sum(p.what.seen is True for p in own)
            assert (group.first, group.last) == (own[0].what.date, own[-1].what.date)
            if group.count == 1:
                assert group.bits == pytest.approx(own[0].bits, abs=1e-9)


def test_dates_and_words_are_those_of_the_log() -> None:
    logbook, day = random_log(7)
    panel = build_panel(logbook, as_of=day)
    for n, tank in enumerate(panel.tanks):
        mine = [c for c in logbook.checkins if c.tank == tank.name and c.date <= day]
        signs, readings, judged = observed(panel, n)
        logged = [(c.date, name, seen) for c in mine for name, seen in c.signs.items()]
        assert [(o.date, o.name, o.seen) for o in signs] == logged
        names = list(panel.catalogue.signs)
        for o in signs:
            code = panel.signs.codes[o.code]
            assert (names[code["sign"]], bool(code["seen"])) == (o.name, o.seen)
        informative = list(panel.catalogue.informative)
        for o in readings:
            code = panel.readings.codes[o.code]
            assert informative[code["analyte"]] == o.name
            assert o.reading is not None
            assert (code["low"], code["high"]) == (o.reading.low, o.reading.high)
        phases = list(panel.catalogue.phases)
        for o in judged:
            assert phases[panel.judgements.codes["phase"][o.code]] == o.phase


def test_a_log_without_observations_has_no_why() -> None:
    logbook, day = random_log(8)
    tables = tables_of(replace(logbook, checkins=()), day, draws=4)
    found, _ = filter_tank(tables, 0)
    assert weigh_evidence(tables, 0, found, found.phases()[-1]) is None
