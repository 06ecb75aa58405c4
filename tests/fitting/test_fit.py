"""The pooled fit: gates, chains that are never lost, the file, and one real fit (slow)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

xr = pytest.importorskip("xarray", reason="the extra 'fit' is not installed")
pytest.importorskip("pymc")

from fitting.fitted_example import CATALOGUE, PRIORS, dressed, panel

from maturity_model.fitting import sampling
from maturity_model.fitting.diagnostics import diagnose
from maturity_model.fitting.logs import pool_logbooks, pool_members
from maturity_model.fitting.pooled_fit import MAX_DRAWS, population_from, run_fit
from maturity_model.fitting.sampling import Chain, SamplingPlan, plan_key, sample_chains
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.panel import build_panel
from maturity_model.population import load_population, save_population
from maturity_model.population.elicit import elicit_population
from maturity_model.population.members import log_key
from maturity_model.population.types import evenly_spaced

pytestmark = pytest.mark.fit


def posterior(chains: int = 4, draws: int = 300, seed: int = 0) -> tuple[Any, Any]:
    """Independent draws of the elicited population, dressed as chains."""
    return dressed(elicit_population(CATALOGUE, 1.0, chains * draws, seed=seed), panel(), chains)


def test_good_chains_pass_every_gate() -> None:
    found = diagnose(*posterior())
    assert found.ok, found.problems
    assert found.verdict() == "passed"
    # Constants (an event without effect) are not judged.
    assert (found.checks["sd"] > 0).all()


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda p, s: s["diverging"].values.__setitem__((0, slice(0, 9)), True), "9 of 1200"),
        (lambda p, s: p["pace_sd"].values.__setitem__(0, p["pace_sd"][0] + 0.2), "R-hat"),
        (lambda p, s: s["energy"].values.__setitem__(2, np.arange(300.0)), "energy"),
        (lambda p, s: p["outlier"].values.__setitem__((1, 3), np.nan), "disagree"),
    ],
    ids=["divergent", "chains apart", "energy", "not a number"],
)
def test_a_failed_gate_is_said_in_words(spoil: Any, said: str) -> None:
    p, s = posterior()
    spoil(p, s)
    found = diagnose(p, s)
    assert not found.ok
    assert said in found.verdict()
    assert found.verdict().startswith("failed: ")


def test_sticky_draws_are_too_few() -> None:
    p, s = posterior(draws=400)
    p["pace_sd"] = (p["pace_sd"].dims, np.repeat(p["pace_sd"].values[:, ::20], 20, axis=1))
    assert any("too few effective draws" in w and "pace_sd" in w for w in diagnose(p, s).problems)


def test_one_chain_alone_fails() -> None:
    assert "one chain alone" in diagnose(*posterior(chains=1, draws=900)).verdict()


def test_population_is_thinned_and_survives_the_file(tmp_path: Path) -> None:
    made = population_from(
        posterior()[0], PRIORS, name="club", evidence_weight=0.5,
        provenance={"diagnostics": "failed: for a test"},
    )  # fmt: skip
    assert made.n_draws == MAX_DRAWS
    assert made.kind == "fitted"
    save_population(made, tmp_path / "club.nc")
    again = load_population(tmp_path / "club.nc")
    assert again.provenance["diagnostics"] == "failed: for a test"
    np.testing.assert_array_equal(again.sign_logit, made.sign_logit)
    assert np.isneginf(again.log_setback[0]).all()


def test_thin_spreads_over_all_draws() -> None:
    np.testing.assert_array_equal(evenly_spaced(10, 4), [0, 3, 6, 9])
    assert len(evenly_spaced(300, MAX_DRAWS)) == 300
    assert evenly_spaced(5000, MAX_DRAWS)[-1] == 4999


# Chains --------------------------------------------------------------------------------


def fake_chain(i: int) -> Chain:
    p, s = posterior(chains=1, draws=20, seed=i)
    return Chain(p.assign_coords(chain=[i]), s.assign_coords(chain=[i]), 1.5)


def test_finished_chains_survive_an_interrupt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, drawn = SamplingPlan(chains=3, sampler="pymc"), []

    def interrupted(model: Any, plan: Any, missing: list[int], keep: Any, say: Any) -> None:
        keep(missing[0], fake_chain(missing[0]))
        raise KeyboardInterrupt

    def whole(model: Any, plan: Any, missing: list[int], keep: Any, say: Any) -> None:
        for i in missing:
            drawn.append(i)
            keep(i, fake_chain(i))

    key = plan_key(plan, "inputs")
    monkeypatch.setattr(sampling, "_with_pymc", interrupted)
    with pytest.raises(KeyboardInterrupt):
        sample_chains(None, plan, key=key, folder=tmp_path)
    monkeypatch.setattr(sampling, "_with_pymc", whole)
    found = sample_chains(None, plan, key=key, folder=tmp_path)
    assert drawn == [1, 2]
    for i, chain in enumerate(found):
        xr.testing.assert_identical(chain.posterior, fake_chain(i).posterior)
    # A damaged file, or other inputs, cost a chain and nothing more.
    next(tmp_path.glob("*chain2.nc")).write_bytes(b"damaged")
    sample_chains(None, plan, key=key, folder=tmp_path)
    assert drawn == [1, 2, 2]
    other = plan_key(replace(plan, tune=999), "inputs")
    sample_chains(None, plan, key=other, folder=tmp_path)
    assert drawn == [1, 2, 2, 0, 1, 2]


def test_what_a_chain_depends_on() -> None:
    plan = SamplingPlan()
    same = plan_key(replace(plan, chains=9, cores=1), "a")
    assert plan_key(plan, "a") == same
    others = {plan_key(replace(plan, seed=2), "a"), plan_key(plan, "b"), same}
    assert len(others) == 3
    assert len({plan.chain_seed(i) for i in range(50)}) == 50


# Logbooks ------------------------------------------------------------------------------


def logbook(n: int, seed: int = 2, weeks: int = 16) -> Any:
    population = elicit_population(CATALOGUE, 1.0, n_draws=8, seed=4)
    rng = np.random.default_rng(seed)
    return simulate_logbook(
        population, CATALOGUE, n, rng, Habits(weeks=weeks), one_draw=True
    ).logbook


def test_pooled_logbooks_keep_like_names_apart() -> None:
    one, two = logbook(2, 1), logbook(3, 2)
    pooled = pool_logbooks([one, two])
    assert list(pooled.tanks) == [f"1:tank-000{i}" for i in range(2)] + [
        f"2:tank-000{i}" for i in range(3)
    ]
    assert pooled.tanks["2:tank-0000"].keeper == "2:keeper-0000"
    assert len(pooled.checkins) == len(one.checkins) + len(two.checkins)
    alone, both = build_panel(two), build_panel(pooled)
    weeks = int(alone.first[1])
    first = int(both.first[2])
    for kind in ("signs", "readings"):
        a, b = getattr(alone, kind), getattr(both, kind)
        x = a.codes[a.of_rows(0, weeks)[1]]
        y = b.codes[b.of_rows(first, first + weeks)[1]]
        assert (x == y).all()
    assert pool_logbooks([one]) is one


@pytest.mark.slow
def test_a_real_fit(tmp_path: Path) -> None:
    of = build_panel(logbook(6, weeks=30))
    plan = SamplingPlan(draws=150, tune=300, chains=2)
    result = run_fit(of, PRIORS, plan, evidence_weight=1.0, folder=tmp_path)
    assert result.diagnostics.divergent == 0
    assert result.diagnostics.worst()["r_hat"] < 1.1
    assert dict(result.posterior.sizes)["tank"] == 6
    again = run_fit(of, PRIORS, plan, evidence_weight=1.0, folder=tmp_path)
    xr.testing.assert_identical(result.posterior, again.posterior)


def test_the_file_knows_keepers_but_no_names(tmp_path: Path) -> None:
    books = [logbook(2, 1), logbook(3, 2)]
    tanks = books[1].tanks | {
        "tank-0001": replace(books[1].tanks["tank-0001"], keeper="somebody else", club="South")
    }
    books[1] = replace(books[1], tanks=tanks)
    of = build_panel(pool_logbooks(books))
    drawn = elicit_population(CATALOGUE, 1.0, n_draws=40, seed=3)
    posterior_, _ = dressed(drawn, of)
    made = population_from(posterior_, PRIORS, name="c", evidence_weight=1.0, provenance={})
    result: Any = type("Fit", (), {"posterior": posterior_, "panel": of})
    members = pool_members(result, books, b"a secret of the club")
    save_population(replace(made, members=members), tmp_path / "club.nc")
    content = (tmp_path / "club.nc").read_bytes()
    assert b"keeper-0" not in content
    assert b"tank-0" not in content
    found = load_population(tmp_path / "club.nc").members
    assert found is not None
    found = found.unlock(b"a secret of the club")
    # keeper-0000 is of both logbooks, and so may be two; tanks of the two are twins too.
    one, other = books[0].tanks["tank-0001"], tanks["tank-0001"]
    assert found.skill_of(books[0].tanks["tank-0000"], []) is None
    assert found.log_of(books[0].tanks["tank-0000"]) is None
    for tank, name in ((one, "1:keeper-0001"), (other, "2:somebody else")):
        want = posterior_["skill"].sel(keeper=name).values.reshape(-1)
        np.testing.assert_array_equal(found.skill_of(tank, []), want)
        assert found.log_of(tank)
    # The draws are those of the population, in its order.
    sd = posterior_["skill_sd"].values.reshape(-1)
    np.testing.assert_array_equal(made.skill_sd, sd)
    # Fresh salt each time.
    again = pool_members(result, books, b"a secret of the club")
    assert not set(again.keepers) & set(members.keepers)
    # As the weekly command would read the tank's log.
    own = [c for c in books[0].checkins if c.tank == "tank-0001"]
    events = [e for e in books[0].events if e.tank == "tank-0001"]
    assert log_key(members.key, one, own, events, of.as_of) == members.log_of(one)
