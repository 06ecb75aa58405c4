"""Keepers and tanks of a pool: recognised by those who may, and named nowhere."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from population.edited_files import edited, refused, save_older
from small_logs import START, look, reading

from maturity_model.catalogue import load_catalogue
from maturity_model.logbook import Event, Tank
from maturity_model.population import (
    Population,
    PopulationWarning,
    elicit_population,
    load_population,
    save_population,
)
from maturity_model.population.members import (
    Members,
    SecretError,
    derive_key,
    keeper_key,
    log_key,
    make_members,
    read_secret,
)
from maturity_model.population.netcdf import unpack
from maturity_model.population.types import take_draws

SALT, SECRET = bytes(range(16)), b"a secret of the club only"
AS_OF = dt.date(2025, 6, 1)
DRAWS = 12
ANN = Tank("Ann's reef", START, keeper="Ann Ängström", club="North Sea")
BOB = Tank("cube", START, keeper="bob", club="North Sea")


def skill(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=DRAWS)


def members(secret: bytes = b"") -> Members:
    tanks = [
        (ANN, "Ann Ängström", [look(3, "diatoms=y")], []),
        (BOB, "bob", [look(3, "diatoms=y", observer="Bob ")], []),
    ]
    known = {"Ann Ängström": skill(1), "bob": skill(2)}
    return make_members(tanks, known, AS_OF, salt=SALT, secret=secret)


def population() -> Population:
    return elicit_population(load_catalogue(), 0.4, n_draws=DRAWS, seed=2)


def test_a_keeper_is_recognised_and_nobody_else() -> None:
    found = members()
    np.testing.assert_array_equal(found.skill_of(ANN, []), skill(1))
    np.testing.assert_array_equal(found.skill_of(BOB, []), skill(2))
    # Capitals, blanks and composed letters do not count.
    again = replace(ANN, keeper="  ann  A\u0308NGSTRO\u0308M", club="north sea")
    np.testing.assert_array_equal(found.skill_of(again, []), skill(1))
    for other in ({"keeper": "Ann"}, {"club": "South"}, {"club": ""}, {"keeper": ""}):
        assert found.skill_of(replace(ANN, **other), []) is None


def test_not_where_others_looked_too() -> None:
    found = members()
    assert found.skill_of(ANN, [look(1), look(2, observer="ann ängström")]) is not None
    assert found.skill_of(ANN, [look(1), look(2, observer="somebody")]) is None
    # Nor is the skill of a keeper kept whose tanks others looked at in the pool.
    tanks = [(ANN, "a", [look(3, observer="guest")], []), (BOB, "b", [], [])]
    kept = make_members(tanks, {"a": skill(1), "b": skill(2)}, AS_OF, salt=SALT)
    assert kept.skill_of(ANN, []) is None
    assert kept.skill_of(BOB, []) is not None


def test_two_keepers_of_one_name_are_nobody() -> None:
    twin = replace(BOB, name="other", keeper="BOB")
    tanks = [(BOB, "1:bob", [], []), (twin, "2:BOB", [], []), (ANN, "1:ann", [], [])]
    known = {"1:bob": skill(1), "2:BOB": skill(2), "1:ann": skill(3)}
    found = make_members(tanks, known, AS_OF, salt=SALT)
    assert found.skill_of(BOB, []) is None
    assert len(found.keepers) == 1
    # Two tanks of one keeper are no twins; in another club she is the same.
    tanks = [(ANN, "a", [], []), (replace(ANN, name="two", club="South"), "a", [], [])]
    found = make_members(tanks, {"a": skill(3)}, AS_OF, salt=SALT)
    np.testing.assert_array_equal(found.skill_of(replace(ANN, club="South"), []), skill(3))
    np.testing.assert_array_equal(found.skill_of(ANN, []), skill(3))


@pytest.mark.parametrize("secret", [b"", SECRET])
def test_round_trip_without_a_name(tmp_path: Path, secret: bytes) -> None:
    path = tmp_path / "club.nc"
    made = members(secret)
    save_population(replace(population(), members=made), path)
    content = path.read_bytes().lower()
    names = ("ann", "ängström", "bob", "north sea", "reef", "cube", SECRET.decode())
    for name in names:
        for form in ("utf-8", "utf-16-le", "utf-16-be", "latin-1"):
            if len(name) > 3:
                assert name.encode(form) not in content, name
    stored = unpack(path.read_bytes()).variables["member_keeper"].tolist()
    assert stored == sorted(stored)
    found = load_population(path).members
    assert found is not None
    if secret:
        assert found.skill_of(ANN, []) is None
        assert found.log_of(ANN) is None
        with pytest.raises(SecretError, match="not the secret"):
            found.unlock(b"another secret, wrong")
        found = found.unlock(secret)
    else:
        with pytest.raises(SecretError, match="without a secret"):
            found.unlock(SECRET)
    np.testing.assert_array_equal(found.skill_of(ANN, []), skill(1))
    assert (found.as_of, found.tanks, found.salt) == (AS_OF, made.tanks, SALT)


def test_keys_depend_on_salt_and_secret() -> None:
    keys = [
        keeper_key(derive_key(salt, secret), "ann", "")
        for salt in (SALT, b"x" * 16)
        for secret in (b"", SECRET, SECRET + b"2")
    ]
    assert len(set(keys)) == 6
    # A name cannot borrow from the club's.
    assert keeper_key(SALT, "ann b", "c") != keeper_key(SALT, "ann", "b c")


def test_draws_stay_together() -> None:
    index = np.array([7, 7, 0])
    few = take_draws(replace(population(), members=members()), index)
    np.testing.assert_array_equal(few.members.skill_of(ANN, []), skill(1)[index])


def test_a_pool_without_keepers(tmp_path: Path) -> None:
    none = replace(members(), keepers=(), skill=np.zeros((0, DRAWS)), tanks={})
    save_population(replace(population(), members=none), tmp_path / "club.nc")
    found = load_population(tmp_path / "club.nc").members
    assert found is not None
    assert (found.keepers, found.skill.shape, found.tanks) == ((), (0, DRAWS), {})


def test_members_of_a_file_of_version_0_1(tmp_path: Path) -> None:
    path = tmp_path / "older.nc"
    made = members(SECRET)
    save_older(replace(population(), members=made), path)
    with pytest.warns(PopulationWarning):
        found = load_population(path).members
    assert found is not None
    assert (found.keepers, found.tanks, found.as_of) == (made.keepers, made.tanks, AS_OF)
    np.testing.assert_array_equal(found.unlock(SECRET).skill_of(ANN, []), skill(1))


def test_files_without_members_load_and_damaged_ones_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "club.nc"
    save_population(population(), path)
    assert load_population(path).members is None
    for name, spoiled in (
        ("member_skill", np.zeros((DRAWS, 1))),
        ("member_skill", np.full((DRAWS, 2), np.nan)),
        ("member_skill", np.full((DRAWS, 2), 1e6)),
        ("member_skill", None),
        ("member_tank_log", None),
        ("member_salt", "no hex"),
        ("member_check", None),
    ):
        save_population(replace(population(), members=members()), path)
        with edited(path) as (attributes, arrays):
            place = attributes if name in attributes else arrays
            del place[name]
            if spoiled is not None:
                place[name] = spoiled
        refused(path)


def test_a_log_is_the_same_up_to_a_day() -> None:
    rows = [look(3, "diatoms=y", readings={"nitrate": reading(2.5, 7.5, 5.0)}), look(10)]
    events = [Event("a", START, "water_change", 20.0)]
    day = rows[0].date
    want = log_key(SALT, ANN, rows, events, day)
    same = [replace(rows[0], note="said later"), look(11, "diatoms=n")]
    assert log_key(SALT, ANN, same, events, day) == want
    for other in (
        [replace(rows[0], signs={"diatoms": False})],
        [replace(rows[0], look="torch")],
        [replace(rows[0], readings={"nitrate": reading(7.5, 15.0, 10.0)})],
        [],
    ):
        assert log_key(SALT, ANN, other, events, day) != want
    assert log_key(SALT, ANN, rows, [], day) != want
    assert log_key(SALT, replace(ANN, rock="live"), rows, events, day) != want


def test_secrets_in_files(tmp_path: Path) -> None:
    path = tmp_path / "key"
    path.write_bytes(b"  " + SECRET + b"\r\n")
    assert read_secret(path) == SECRET
    for content, said in ((b"short", "less than"), (b"x" * 5000, "more than")):
        path.write_bytes(content)
        with pytest.raises(SecretError, match=said):
            read_secret(path)
    with pytest.raises(SecretError, match="cannot be read"):
        read_secret(tmp_path / "none")
