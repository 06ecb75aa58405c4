"""No name, note, free text or date leaves; consent; keys; doubles."""

from __future__ import annotations

import datetime as dt
import os
import re
import stat
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from command_logs import write_log as write_tables
from pooling.pooled_logs import (
    CATALOGUE,
    SECRET,
    contents,
    likelihood,
    moved,
    pool,
    simulated,
    write_log,
)

from maturity_model.logbook import CheckIn, Event, Logbook, read_logbook
from maturity_model.pooling import PoolError, read_pool
from maturity_model.pooling.anonymity import PUBLISHED
from maturity_model.pooling.command import report_lines
from maturity_model.pooling.darwin import date_range
from maturity_model.pooling.pseudonyms import load_key, pseudonym
from maturity_model.pooling.tables import tables


def all_bytes(folder: Path) -> bytes:
    """Every byte of a pool: files, members of the archive, cells and metadata of Parquet."""
    import pyarrow.parquet as pq

    parts = list(contents(folder).values())
    with zipfile.ZipFile(folder / "darwin_core.zip") as archive:
        assert archive.testzip() is None
        parts += [archive.read(name) for name in archive.namelist()]
        parts += [str(info).encode() for info in archive.infolist()]
    for path in folder.glob("*.parquet"):
        file = pq.ParquetFile(path)
        parts += [repr(file.read().to_pydict()).encode(), repr(file.metadata.metadata).encode()]
        for g in range(file.metadata.num_row_groups):
            group = file.metadata.row_group(g)
            parts += [repr(group.column(c)).encode() for c in range(group.num_columns)]
    return b"\n".join(parts)


def test_nothing_secret_in_any_byte(tmp_path: Path) -> None:
    book = simulated(1)
    club = write_log(tmp_path / f"{SECRET} club", book)
    (club / "signs.csv").write_text(
        "sign,label,group,taxon,where,how,cycling,bloom,colonising,mature\n"
        + f"sea_hares,{SECRET},{SECRET},{SECRET},{SECRET},{SECRET},0.02,0.1,0.4,0.6\n"
    )
    (club / "kits.csv").write_text(
        f"keeper,analyte,method,unit,steps\n{SECRET} eyes,nitrate,photometer,mg/L NO3,\n"
    )
    pool(tmp_path / "pool", club)
    found = all_bytes(tmp_path / "pool")
    assert SECRET.lower().encode() not in found.lower()
    for tank in book.tanks.values():
        assert tank.name.encode() not in found
    # What is looked for is found where it is.
    assert b"sea_hares" in found
    assert b"photometer" in found
    assert b"notDetected" in found


def test_two_starts_in_a_month_cannot_be_told_apart(tmp_path: Path) -> None:
    book = simulated(1)
    name = next(iter(book.tanks))
    assert book.tanks[name].started.day < 28
    for run, days in (("a", 0), ("b", 1)):
        club = write_log(tmp_path / run / "club", moved(book.only({name}), days))
        pool(tmp_path / f"pool {run}", club)
    assert contents(tmp_path / "pool a") == contents(tmp_path / "pool b")
    # Days of the archive are ranges that a month leaves open.
    assert date_range(dt.date(2024, 12, 9), 0) == "2024-12-01/2024-12-31"
    assert date_range(dt.date(2025, 2, 14), 27) == "2025-02-28/2025-03-27"


def test_pseudonyms_hang_on_the_key(tmp_path: Path) -> None:
    club = write_log(tmp_path / "club", simulated(1))
    names = {}
    for run, key in (("a", "one"), ("b", "one"), ("c", "two")):
        pool(tmp_path / run, club, key=tmp_path / key)
        names[run] = {
            word
            for t in read_pool(tmp_path / run).tanks.values()
            for word in (t.name, t.keeper, t.club)
        }
    assert names["a"] == names["b"]
    assert len(names["a"]) == 4 + 3 + 1
    assert not names["a"] & names["c"]
    assert all(re.fullmatch("[tkc]-[0-9a-f]{24}", name) for name in names["a"])


def test_hmac_sha256() -> None:
    # Computed apart, with the standard library's hmac on the documented message, for a key
    # of 32 bytes 0x0b: openssl dgst -sha256 -mac HMAC gives the same.
    import hashlib
    import hmac

    key = b"\x0b" * 32
    expected = hmac.new(key, b'["tank", "club", "Reef"]', hashlib.sha256).hexdigest()[:24]
    assert pseudonym(key, "tank", "club", "Reef") == f"t-{expected}"
    assert pseudonym(key, "tank", "clubR", "eef") != f"t-{expected}"


def test_the_key_file(tmp_path: Path) -> None:
    path = tmp_path / "key"
    first, made = load_key(path)
    assert made
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert load_key(path) == (first, False)
    assert len(first) == 32
    path.chmod(0o644)
    with pytest.raises(PoolError, match="others can read"):
        load_key(path)
    for text in ("", "maturity-model-pool-key", "maturity-model-pool-key abcd", "x " + "ab" * 32):
        bad = tmp_path / "bad"
        bad.write_text(text)
        bad.chmod(0o600)
        with pytest.raises(PoolError, match="not a key file"):
            load_key(bad)
        assert bad.read_text() == text
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_the_key_is_never_inside_the_pool(tmp_path: Path) -> None:
    club = write_log(tmp_path / "club", simulated(1))
    os.symlink(tmp_path / "pool", tmp_path / "link")
    for key in (tmp_path / "pool" / "key", tmp_path / "link" / "deep" / "key"):
        with pytest.raises(PoolError, match="inside the pool"):
            pool(tmp_path / "pool", club, key=key)
    assert not (tmp_path / "pool").exists()


def test_a_refused_tank_leaves_a_count_and_nothing_else(tmp_path: Path) -> None:
    book = simulated(1)
    first, second, *_ = book.tanks
    # Of one keeper: what is known of the water must not come from the refused tank.
    assert book.tanks[first].keeper == book.tanks[second].keeper
    dry = [e for e in book.events if e.kind != "water_change"]
    only = Event(first, book.tanks[first].started, "water_change", 20.0)
    book = replace(book, events=(only, *dry))
    whole = write_log(tmp_path / "a" / "club", book, consent={first: "no"})
    without = write_log(tmp_path / "b" / "club", book, only=set(book.tanks) - {first})
    report = pool(tmp_path / "pool", whole)
    pool(tmp_path / "other", without)
    assert report.pool.refused == [1]
    assert len(report.pool.tanks) == 3
    mine, theirs = contents(tmp_path / "pool"), contents(tmp_path / "other")
    note, other = (c.pop("README.md").decode() for c in (mine, theirs))
    descriptor, _ = (c.pop("datapackage.json").decode() for c in (mine, theirs))
    assert mine == theirs
    assert [a for a, b in zip(note.splitlines(), other.splitlines(), strict=True) if a != b] == [
        "- 1 tank left out without consent"
    ]
    assert "consent" not in descriptor


@pytest.mark.parametrize(
    ("word", "default", "inside"),
    [
        ("yes", False, True),
        ("Y", False, True),
        ("", False, False),
        ("", True, True),
        ("no", True, False),
        ("0", True, False),
        ("perhaps", True, False),
    ],
)
def test_consent(word: str, default: bool, inside: bool, tmp_path: Path) -> None:
    book = simulated(1)
    first = next(iter(book.tanks))
    club = write_log(tmp_path / "club", book, consent={first: word})
    report = pool(tmp_path / "pool", club, default=default)
    assert len(report.pool.tanks) == (4 if inside else 3)
    (problem, *_) = [p for p in read_logbook(club).problems if p.column == "consent"] or [None]
    assert (problem is not None) == (word == "perhaps")


@pytest.fixture
def halves() -> tuple[Logbook, Logbook]:
    """Two logs of one tank that overlap in the middle."""
    book = simulated(3, 4, 30)
    book = book.only({next(iter(book.tanks))})
    third = len(book.checkins) // 3

    def part(kept: tuple[CheckIn, ...]) -> Logbook:
        first, last = kept[0].date, kept[-1].date
        events = tuple(e for e in book.events if first <= e.date <= last)
        return replace(book, checkins=kept, events=events)

    return part(book.checkins[: 2 * third]), part(book.checkins[third:])


def test_a_tank_in_two_logbooks_is_one(tmp_path: Path, halves: tuple[Logbook, Logbook]) -> None:
    one, two = halves
    a = write_log(tmp_path / "a", one)
    b = write_log(tmp_path / "b", two, rename="other ")
    report = pool(tmp_path / "pool", a, b)
    assert len(report.pool.tanks) == 1
    assert [p.verdict for p in report.pool.merged_pairs] == ["same"]
    # The likelihood of the whole log.
    checkins = one.checkins + tuple(c for c in two.checkins if c not in one.checkins)
    events = one.events + tuple(e for e in two.events if e not in one.events)
    whole = replace(one, checkins=checkins, events=tuple(sorted(events, key=lambda e: e.date)))
    direct, _ = likelihood([write_log(tmp_path / "whole", whole)])
    pooled, panel = likelihood([tmp_path / "pool"])
    assert pooled == pytest.approx(direct, rel=1e-12)
    assert len(panel.tanks) == 1


def test_the_keepers_of_one_tank_are_one(tmp_path: Path) -> None:
    book = simulated(3, 4, 30)
    names = list(book.tanks)
    a = write_log(tmp_path / "a", book, only=set(names[:2]))  # both of one keeper
    b = write_log(tmp_path / "b", book, only={names[1]}, rename="other ")
    pool(tmp_path / "pool", a, b)
    found = read_pool(tmp_path / "pool")
    assert len(found.tanks) == 2
    assert len({t.keeper for t in found.tanks.values()}) == 1


def test_conflicting_doubles_are_kept_apart_and_reported(
    tmp_path: Path, halves: tuple[Logbook, Logbook]
) -> None:
    one, two = halves
    middle = two.checkins[1]
    sign = next(iter(middle.signs))
    turned = replace(middle, signs={**middle.signs, sign: not middle.signs[sign]})
    two = replace(two, checkins=(two.checkins[0], turned, *two.checkins[2:]))
    a, b = write_log(tmp_path / "a", one), write_log(tmp_path / "b", two, rename="other ")
    report = pool(tmp_path / "pool", a, b)
    assert len(report.pool.tanks) == 2
    assert report.pool.merged_pairs == ()
    (pair,) = report.pool.kept_apart
    assert pair.contradicting == 1
    # Who refuses one of them refuses what may be the same tank.
    c = write_log(tmp_path / "c", two, rename="third ", consent=dict.fromkeys(two.tanks, "no"))
    report = pool(tmp_path / "other", a, c)
    assert report.pool.refused == [1, 1]
    assert not report.pool.tanks


def test_a_silent_double_goes_with_the_one_that_said_yes(
    tmp_path: Path, halves: tuple[Logbook, Logbook]
) -> None:
    one, two = halves
    a = write_log(tmp_path / "a", one, consent=dict.fromkeys(one.tanks, ""))
    b = write_log(tmp_path / "b", two)
    assert len(pool(tmp_path / "pool", a, b, default=False).pool.tanks) == 1


def test_other_tanks_are_not_doubles(tmp_path: Path) -> None:
    # Same start and names, other answers; and the same answers a day later.
    a, b = write_log(tmp_path / "a", simulated(1)), write_log(tmp_path / "b", simulated(2))
    c = write_log(tmp_path / "c", moved(simulated(1), 1))
    report = pool(tmp_path / "pool", a, b, c)
    assert len(report.pool.tanks) == 12
    assert report.pool.merged_pairs == report.pool.kept_apart == ()


def test_the_note_counts_the_groups(demo_pool: Path) -> None:
    note = (demo_pool / "README.md").read_text("utf-8")
    # The demo's six tanks differ in rock, volume or month.
    assert "| club, rock, volume, sand, month | 6 | 1 | 6 | 6 |" in note
    assert "6 tanks of 3 keepers in 1 club" in note


def test_every_published_column_counts_in_the_groups(tmp_path: Path) -> None:
    # Twelve tanks alike but for their sand, which sets three of them apart.
    sand = ["40"] * 9 + ["0", "10", "90"]
    rows = [f"T{i},2026-01-05,80,live,{s},yes" for i, s in enumerate(sand)]
    header = "tank,started,volume_l,rock,sand_depth_mm,consent"
    dated = ["tank,date,diatoms", *(f"T{i},2026-02-02,y" for i in range(12))]
    club = write_tables(tmp_path / "club", "\n".join([header, *rows]), "\n".join(dated))
    report = pool(tmp_path / "pool", club)
    assert "has 1 tank, and 3 are alone in their groups" in report_lines(report)[-1]
    note = (tmp_path / "pool" / "README.md").read_text("utf-8")
    assert "smallest such group has **1**; without knowing the club,\n**1**" in note
    assert "| rock, volume, sand, month | 4 | 1 | 3 | 3 |" in note
    tanks_table = tables(CATALOGUE, ())[0]
    assert {"tank", "keeper", *PUBLISHED} == {c.name for c in tanks_table.columns}
