"""Logbooks, pool, panel: the likelihood of the logbooks, and the same bytes each time."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from command_logs import write_log as write_tables
from pooling.pooled_logs import (
    CATALOGUE,
    DEMO,
    contents,
    likelihood,
    pool,
    population,
    redescribe,
    simulated,
    two_clubs,
    write_log,
)
from small_logs import random_log

from maturity_model.fitting.logs import pool_logbooks, read_logs
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.logbook import LogbookError, read_logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.pooling import PoolError, PoolMismatch, is_pool, read_pool
from maturity_model.pooling.problems import PoolWarning


def assert_same(mine: np.ndarray, theirs: np.ndarray) -> None:
    np.testing.assert_allclose(mine, theirs, rtol=1e-12, atol=0)


def through_a_pool(folder: Path, *clubs: Path) -> tuple[Panel, Panel]:
    """Pool logbooks, which changes no likelihood; the panels before and after."""
    pool(folder / "pool", *clubs)
    direct, before = likelihood([*clubs])
    pooled, after = likelihood([folder / "pool"])
    assert_same(pooled, direct)
    return before, after


def test_demo(tmp_path: Path) -> None:
    before, after = through_a_pool(tmp_path, DEMO)
    assert len(before.tanks) == len(after.tanks) == 6
    for kind in ("signs", "readings", "judgements"):
        mine, theirs = getattr(before, kind), getattr(after, kind)
        assert len(mine.row) == len(theirs.row) > 0
        # The same observations, in whatever order.
        assert sorted(mine.codes[mine.code].tolist()) == sorted(theirs.codes[theirs.code].tolist())
    assert sorted(map(tuple, before.impulse[before.impulse.any(axis=1)])) == sorted(
        map(tuple, after.impulse[after.impulse.any(axis=1)])
    )


@pytest.mark.parametrize("seed", range(4))
def test_two_simulated_clubs(seed: int, tmp_path: Path) -> None:
    _, panel = through_a_pool(tmp_path, *two_clubs(tmp_path, seed, seed + 10))
    assert len(panel.tanks) == 7


@pytest.mark.parametrize("seed", range(12))
def test_whatever_a_log_can_hold(seed: int, tmp_path: Path) -> None:
    # Several looks on a day, tanks of one keeper started on other days, a last week that is
    # not over, a tank without water changes.
    book, _ = random_log(seed)
    _, panel = through_a_pool(tmp_path, write_log(tmp_path / "club", book))
    assert len({t.keeper for t in panel.tanks}) == 2


def test_a_pool_beside_a_logbook(tmp_path: Path) -> None:
    paths = two_clubs(tmp_path)
    pool(tmp_path / "pool", paths[0])
    mixed, panel = likelihood([tmp_path / "pool", paths[1]])
    # One by one, as each tank's log ends with its club's there.
    direct = np.sort(np.concatenate([likelihood([p])[0] for p in paths]), axis=0)
    assert len(panel.tanks) == 7
    assert_same(mixed, direct)
    # No empty weeks between the day on which pools are laid and the logbook's.
    assert np.diff(panel.first).max() <= 34


def test_a_tank_that_ended_early_has_no_empty_weeks(tmp_path: Path) -> None:
    book = simulated(1)
    name = next(iter(book.tanks))
    end = book.tanks[name].started + dt.timedelta(days=30)
    short = replace(
        book,
        checkins=tuple(c for c in book.checkins if c.tank != name or c.date <= end),
        events=tuple(e for e in book.events if e.tank != name or e.date <= end),
    )
    before, after = through_a_pool(tmp_path, write_log(tmp_path / "club", short))
    assert min(np.diff(after.first)) <= 5 < min(np.diff(before.first))


def test_water_changes_of_the_keepers_other_tank_count_as_logged(tmp_path: Path) -> None:
    looks = "".join(f"{t},2025-0{m}-2{m},y\n" for t in "ABC" for m in range(3, 8))
    club = write_tables(
        tmp_path / "club",
        "tank,keeper,started,rock\nA,k,2025-01-06,dry\nB,k,2025-02-19,live\nC,l,2025-01-06,dry\n",
        f"tank,date,diatoms\n{looks}",
        events="tank,date,event,amount\nA,2025-04-01,water_change,25\n",
    )
    before, after = through_a_pool(tmp_path, club)
    weeks = [
        sorted(int(known.sum()) for known in np.split(p.water_known, p.first[1:-1]))
        for p in (before, after)
    ]
    assert weeks[0] == weeks[1]
    assert after.water_known.any()
    assert not after.water_known.all()


def test_the_same_input_and_key_give_the_same_bytes(tmp_path: Path) -> None:
    paths = two_clubs(tmp_path)
    pool(tmp_path / "first", *paths)
    pool(tmp_path / "second", *paths[::-1])  # the order of the clubs does not matter
    shutil.move(tmp_path / "north", tmp_path / "elsewhere" / "north")
    pool(tmp_path / "third", tmp_path / "elsewhere" / "north", paths[1])
    assert contents(tmp_path / "first") == contents(tmp_path / "second")
    assert contents(tmp_path / "first") == contents(tmp_path / "third")


def test_readings_keep_their_interval_and_kits_their_steps(demo_pool: Path) -> None:
    before, after = read_logbook(DEMO), read_pool(demo_pool)

    def readings(book: object) -> list[object]:
        return sorted(
            (a, r.low, r.high, r.best, r.unit, r.method)
            for c in book.checkins  # type: ignore[attr-defined]
            for a, r in c.readings.items()
        )

    assert readings(before) == readings(after)
    everybody = {(k.analyte, k.method, k.unit, k.steps) for k in before.kits}
    assert {(k.analyte, k.method, k.unit, k.steps) for k in after.kits} == everybody
    keepers = {t.keeper for t in after.tanks.values()}
    for analyte in {k.analyte for k in before.kits if not k.keeper}:
        assert {k.keeper for k in after.kits if k.analyte == analyte} >= keepers


def test_looks_are_counted_in_time(demo_pool: Path, need: Callable[[str], ModuleType]) -> None:
    table = need("pyarrow.parquet").read_table(demo_pool / "checkins.parquet").to_pydict()
    rows = list(zip(table["tank"], table["look_number"], table["day"], strict=True))
    assert rows == sorted(rows)
    assert sorted(rows, key=lambda r: (r[0], r[2])) == rows


def test_own_signs_go_by_name_and_number(demo_pool: Path) -> None:
    mine = read_logbook(DEMO).catalogue.signs["feather_worms"]
    theirs = read_pool(demo_pool).catalogue.signs["feather_worms"]
    assert [m.value for m in mine.detection] == [m.value for m in theirs.detection]
    assert (mine.small, mine.persistence.value) == (theirs.small, theirs.persistence.value)
    assert (theirs.where, theirs.how, theirs.taxon) == ("", "", "")


def test_own_signs_that_differ_are_refused(tmp_path: Path) -> None:
    for club, chance in (("north", "0.02"), ("south", "0.03")):
        write_log(tmp_path / club, simulated(1))
        (tmp_path / club / "signs.csv").write_text(
            f"sign,cycling,bloom,colonising,mature\nsea_hares,{chance},0.1,0.4,0.6\n"
        )
    with pytest.raises(PoolMismatch, match=r"sea_hares.*agree on one line"):
        pool(tmp_path / "pool", tmp_path / "north", tmp_path / "south")
    assert not (tmp_path / "pool").exists()


def test_another_catalogue_is_refused(demo_pool: Path) -> None:
    fewer = {k: v for k, v in CATALOGUE.signs.items() if k != "copepods"}
    with pytest.raises(PoolMismatch, match="sign copepods"):
        read_pool(demo_pool, replace(CATALOGUE, signs=fewer))
    other = replace(CATALOGUE.analytes["nitrate"], unit="mg/L NO3-N")
    with pytest.raises(PoolMismatch, match="analyte nitrate"):
        read_pool(demo_pool, replace(CATALOGUE, analytes={**CATALOGUE.analytes, "nitrate": other}))
    taken = {**CATALOGUE.signs, "feather_worms": CATALOGUE.signs["copepods"]}
    with pytest.raises(PoolMismatch, match="feather_worms"):
        read_pool(demo_pool, replace(CATALOGUE, signs=taken))
    more = {"sea_hares": CATALOGUE.signs["copepods"]} | CATALOGUE.signs
    assert read_pool(demo_pool, replace(CATALOGUE, signs=more)).tanks


def test_weekly_says_what_a_pool_is_for(demo_pool: Path) -> None:
    assert is_pool(demo_pool)
    assert not is_pool(DEMO)
    with pytest.raises(LogbookError, match=r"is a pool of logbooks.*give it to the command fit"):
        read_logbook(demo_pool)


@pytest.mark.parametrize("name", ["tanks.parquet", "checkins.parquet", "readings.parquet"])
def test_a_damaged_pool_is_refused(name: str, demo_pool: Path) -> None:
    data = bytearray((demo_pool / name).read_bytes())
    data[len(data) // 2] ^= 1
    (demo_pool / name).write_bytes(data)
    with pytest.raises(PoolError, match="fetch the pool again"):
        read_pool(demo_pool)
    (demo_pool / name).unlink()
    with pytest.raises(PoolError, match="cannot be read"):
        read_pool(demo_pool)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "{}", '{"maturity_model": {"pool": 1}}', "[" * 9999]
)
def test_a_descriptor_of_something_else_is_refused(text: str, demo_pool: Path) -> None:
    (demo_pool / "datapackage.json").write_text(text)
    with pytest.raises(PoolError):
        read_pool(demo_pool)


def test_a_pool_of_a_later_format_is_refused(demo_pool: Path) -> None:
    redescribe(demo_pool, lambda own: own.update(pool=3))
    with pytest.raises(PoolMismatch, match=r"format 3.*install a newer"):
        read_pool(demo_pool)


def test_a_pool_of_version_0_1_is_read_with_a_warning(demo_pool: Path) -> None:
    want = read_pool(demo_pool)

    def older(own: dict[str, Any]) -> None:
        own["pool"] = 1
        del own["digest"]

    redescribe(demo_pool, older)
    with pytest.warns(PoolWarning, match="carries no digest"):
        found = read_pool(demo_pool)
    assert (found.tanks, found.checkins, found.events) == (want.tanks, want.checkins, want.events)


def test_a_descriptor_that_was_changed_is_refused(demo_pool: Path) -> None:
    # A number of a club's own sign would change every result without a word.
    path = demo_pool / "datapackage.json"
    about = json.loads(path.read_text("utf-8"))
    about["maturity_model"]["own_signs"][0]["detection"][0] = 0.5
    path.write_text(json.dumps(about), "utf-8")
    with pytest.raises(PoolError, match="damaged, or was changed"):
        read_pool(demo_pool)


@pytest.mark.fit
def test_the_model_of_the_fit_sees_no_difference(tmp_path: Path) -> None:
    import pytensor

    from maturity_model.fitting.model import build_model
    from maturity_model.population.priors import priors_from_catalogue

    paths = two_clubs(tmp_path)
    pool(tmp_path / "pool", *paths)
    values = []
    for sources in (paths, [tmp_path / "pool"]):
        panel = build_panel(pool_logbooks(read_logs(sources)))
        model = build_model(panel, priors_from_catalogue(panel.catalogue), evidence_weight=0.7)
        # Node by node in Python: nothing to compile, for one call.
        with pytensor.config.change_flags(mode="FAST_COMPILE", cxx=""):
            run = model.compile_logp(vars=[model["log"]], sum=False)
            values.append(np.sort(run(model.initial_point(random_seed=1))[0].ravel()))
    assert len(values[0]) == 7
    assert_same(values[1], values[0])


def test_a_draw_tells_tanks_apart() -> None:
    # Were all likelihoods alike, the comparisons above would say nothing.
    panel = build_panel(simulated(1))
    found = tank_log_likelihood(panel, population(), 1.0)
    assert len(np.unique(found.round(9))) == found.size
