"""What the pool knew already of a keeper and of a tank, in the weekly answer."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from small_logs import day, look, make_log, member_rows, random_log

from maturity_model.assessment import assess
from maturity_model.assessment.filtering import filter_tank, make_tables
from maturity_model.assessment.pool_members import PoolLookup, with_skill
from maturity_model.catalogue import load_catalogue
from maturity_model.cli.main import main
from maturity_model.hmm.quadrature import normal_nodes
from maturity_model.logbook import CheckIn, Logbook, Tank, read_logbook
from maturity_model.panel import build_panel, rows_by_tank
from maturity_model.population import Population, elicit_population, save_population
from maturity_model.population.members import Members, make_members
from maturity_model.population.types import take_draws

SALT = bytes(range(16))
DRAWS = 24
DEMO = Path(__file__).parents[2] / "data" / "demo"


@cache
def practice() -> Population:
    return elicit_population(load_catalogue(), 0.6, n_draws=DRAWS, seed=8)


def keepers_of(logbook: Logbook, skill: dict[str, np.ndarray]) -> Members:
    """A pool that knows keepers, but no tanks."""
    as_of = logbook.checkins[-1].date
    return replace(make_members(member_rows(logbook), skill, as_of, salt=SALT), tanks={})


def knows_tanks(population: Population, logbook: Logbook, upto: int = 60) -> Population:
    """The population of a pool with the logbook's tanks, up to a day."""
    return replace(population, members=make_members(member_rows(logbook), {}, day(upto), salt=SALT))


@pytest.mark.parametrize("seed", range(4))
def test_known_skill_is_the_filter_with_that_skill_in_each_draw(seed: int) -> None:
    logbook, as_of = random_log(seed)
    skill = np.random.default_rng(seed).normal(0, 1.5, DRAWS)
    population = practice()
    known = replace(population, members=keepers_of(logbook, {"k": skill}))
    panel = build_panel(logbook, as_of=as_of)
    tables = make_tables(panel, known)
    # Skill adds to the odds exactly as a way of looking does.
    shifted = replace(population, look_effect=population.look_effect + skill)
    want = make_tables(panel, shifted, nodes=(5, 1))
    recognition = PoolLookup(tables, {}, {})
    for n, tank in enumerate(panel.tanks):
        mine, found = recognition.of(n)
        assert (found.skill is not None) == (tank.keeper == "k")
        if found.skill is None:
            assert mine is tables
            continue
        a, b = filter_tank(mine, n)[0], filter_tank(want, n)[0]
        np.testing.assert_allclose(a.states, b.states, rtol=0, atol=1e-12)
        np.testing.assert_allclose(a.log_likelihood, b.log_likelihood, rtol=0, atol=1e-11)
        assert found.skill.mean == pytest.approx(skill.mean())


def test_nobody_recognised_changes_nothing() -> None:
    logbook, as_of = random_log(3)
    panel = build_panel(logbook, as_of=as_of)
    plain = assess(panel, practice(), questions=True)
    stranger = make_members(
        [(Tank("z", day(0), keeper="z"), "z", [], [])], {"z": np.ones(DRAWS)}, as_of, salt=SALT
    )
    other = assess(panel, replace(practice(), members=stranger), questions=True)
    for a, b in zip(plain.tanks, other.tanks, strict=True):
        assert (a.notes, b.skill, b.in_pool) == (b.notes, None, "no")
        for name in ("filtered", "smoothed", "regression", "slipped", "now_low", "forecast_only"):
            np.testing.assert_array_equal(getattr(a, name), getattr(b, name))


# -- the same as a refit -----------------------------------------------------------------


def two_tanks() -> Logbook:
    """One keeper who overlooks small signs in an old tank, and a second tank."""
    small = "amphipods copepods spirorbid_worms syconoid_sponges bristle_worms".split()
    rows: list[CheckIn] = []
    for t in range(30):
        signs = " ".join(f"{s}=n" for s in small)
        more = " coralline_algae=y diatoms=n film_algae=n" if t > 15 else ""
        rows.append(look(7 * t + 5, signs + more, tank="old"))
    few = " ".join(f"{s}=n" for s in small[:3])
    rows += [look(7 * t + 90, few, tank="new") for t in range(14)]
    tanks = [Tank("old", day(0), keeper="k", rock="live"), Tank("new", day(84), keeper="k")]
    return make_log(tanks, rows)


def test_a_recognised_keeper_s_answer_is_that_of_a_full_refit() -> None:
    # All is known but the keeper's skill, so that the refit is a sum over its values.
    logbook = two_tanks()
    one = take_draws(practice(), np.array([3]))
    grid, prior = normal_nodes(41)
    panel = build_panel(logbook)
    values = grid * one.skill_sd[0]
    wide = take_draws(one, np.zeros(len(grid), dtype=np.int64))
    tables = make_tables(panel, replace(wide, evidence_weight=1.0))
    old = filter_tank(with_skill(tables, 0, values), 0)[0].log_likelihood[-1]
    new = filter_tank(with_skill(tables, 1, values), 1)[0]

    def normalised(log_weight: np.ndarray) -> np.ndarray:
        weight = prior * np.exp(log_weight - log_weight.max())
        return weight / weight.sum()

    pool, refit = normalised(old), normalised(old + new.log_likelihood[-1])
    want = new.chain.by_phase(new.states[-1], axis=0) @ refit
    # The pool's draws of skill: its quantiles.
    draws = 500
    u = (np.arange(draws) + 0.5) / draws
    fine = np.interp(u, np.cumsum(pool) - pool / 2, values)
    many = take_draws(replace(one, evidence_weight=1.0), np.zeros(draws, dtype=np.int64))
    known = replace(many, members=keepers_of(logbook, {"k": fine}))
    found = assess(panel, known, questions=False).tanks[1]
    unknown = assess(panel, many, questions=False).tanks[1]
    distance = 0.5 * np.abs(found.filtered[-1] - want).sum()
    without = 0.5 * np.abs(unknown.filtered[-1] - want).sum()
    assert distance < 0.01
    assert without > 5 * distance
    # A keeper who overlooks much says less by seeing nothing: the tank may be older.
    assert found.skill is not None
    assert found.skill.mean < 0
    assert found.filtered[-1, 0] < unknown.filtered[-1, 0]


# -- tanks of the pool -------------------------------------------------------------------


@pytest.mark.parametrize("upto", [17, 40, 75])
def test_what_the_population_learned_from_a_tank_counts_once(upto: int) -> None:
    logbook, _ = random_log(5, weeks=12)
    population = knows_tanks(practice(), logbook, upto)
    tables = make_tables(build_panel(logbook, as_of=day(60)), population)
    recognition = PoolLookup(
        tables,
        rows_by_tank(logbook.checkins, dt.date.max),
        rows_by_tank(logbook.events, dt.date.max),
    )
    then = make_tables(build_panel(logbook, as_of=day(upto)), practice())
    for n in range(3):
        mine, known = recognition.of(n)
        assert known.in_pool == "same"
        a, b = filter_tank(mine, n)[0], filter_tank(tables, n)[0]
        np.testing.assert_array_equal(a.states, b.states)
        counted = filter_tank(then, n)[0].log_likelihood[-1]
        power = a.trusted.power[:, None]
        with np.errstate(divide="ignore"):
            got = np.log(a.draw_weight)
        want = power * (b.log_likelihood - counted)
        # Smoothing moves the largest weights; the others are as they were.
        rest = np.argsort(want, axis=1)[:, : DRAWS - 6]
        got, want = (np.take_along_axis(x, rest, axis=1) for x in (got, want))
        np.testing.assert_allclose(got - got[:, :1], want - want[:, :1], rtol=0, atol=1e-8)


def test_a_tank_whose_log_is_the_pool_s_is_a_plain_mean_over_draws() -> None:
    logbook, _ = random_log(5, weeks=12)
    panel = build_panel(logbook, as_of=day(60))
    found = assess(panel, knows_tanks(practice(), logbook), questions=False)
    tables = make_tables(panel, practice())
    for n, tank in enumerate(found.tanks):
        mixture = filter_tank(tables, n)[0]
        mean = mixture.chain.by_phase(mixture.states[-1].mean(axis=1))
        np.testing.assert_allclose(tank.filtered[-1], mean, rtol=0, atol=1e-12)
        assert any("not counted a second time" in note for note in tank.notes)


@pytest.mark.parametrize(
    ("parts", "want"),
    [
        (("practice",) * 3, "practice's, which its log did not shape; nothing is taken out"),
        (("learned", "practice", "practice"), "counts twice, so the answer is somewhat too sure"),
    ],
)
def test_nothing_is_taken_out_of_numbers_that_never_held_the_log(
    parts: tuple[str, ...], want: str
) -> None:
    logbook, _ = random_log(5, weeks=12)
    taken = dict(zip(("signs", "moves", "readings"), parts, strict=True))
    population = replace(practice(), provenance=taken)
    panel = build_panel(logbook, as_of=day(60))
    found = assess(panel, knows_tanks(population, logbook), questions=False)
    plain = assess(panel, population, questions=False)
    for tank, other in zip(found.tanks, plain.tanks, strict=True):
        assert tank.in_pool == "same"
        np.testing.assert_array_equal(tank.filtered, other.filtered)
        assert any(want in note for note in tank.notes)


def test_a_changed_log_is_said() -> None:
    logbook, _ = random_log(5, weeks=12)
    rows = [c for c in logbook.checkins if c.tank == "b"]
    changed = replace(logbook, checkins=tuple(c for c in logbook.checkins if c is not rows[0]))
    panel = build_panel(changed, as_of=day(60))
    found = assess(panel, knows_tanks(practice(), logbook), questions=False)
    said = {t.tank.name: t.in_pool for t in found.tanks}
    assert said == {"a": "same", "b": "changed", "c": "same"}
    plain = assess(panel, practice(), questions=False)
    np.testing.assert_array_equal(plain.tanks[1].filtered, found.tanks[1].filtered)
    assert any("counts twice here" in note for note in found.tanks[1].notes)


# -- the command -------------------------------------------------------------------------


def weekly(tmp_path: Path, population: Population, *more: str) -> dict[str, dict]:
    save_population(population, tmp_path / "club.nc")
    out = tmp_path / "out"
    code = main(
        ["weekly", str(DEMO), "--population", str(tmp_path / "club.nc"), "--out", str(out), *more]
    )
    if code not in (0, 3):
        return {}
    records = [json.loads(p.read_text("utf-8")) for p in out.glob("*.json")]
    return {r["tank"]["name"]: r for r in records if "statement" in r}


def test_the_command_recognises_with_the_secret_only(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    logbook = read_logbook(DEMO)
    tank = logbook.tanks["Lagoon-60"]
    key = tmp_path / "key"
    key.write_text("a secret of the club only\n")
    made = make_members(
        [(tank, "k", [], [])], {"k": np.full(DRAWS, 0.7)}, dt.date(2026, 6, 1), salt=SALT,
        secret=b"a secret of the club only",
    )  # fmt: skip
    population = replace(practice(), kind="fitted", members=made)
    plain = weekly(tmp_path, population)[tank.name]
    assert plain["pool"] == {"tank": "no", "keeper_skill": None}
    assert "only with its secret" in capsys.readouterr().err
    found = weekly(tmp_path, population, "--key-file", str(key))[tank.name]
    assert found["pool"]["tank"] == "changed"
    assert found["pool"]["keeper_skill"]["mean"] == pytest.approx(0.7)
    for words in ("was in the pool", "2 times the usual odds"):
        assert any(words in note for note in found["notes"])
    key.write_text("quite another secret\n")
    assert weekly(tmp_path, population, "--key-file", str(key)) == {}
    assert "not the secret" in capsys.readouterr().err
