"""The command: what it says, what it refuses, and that a full disk loses nothing."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pooling.pooled_logs import (
    DEMO,
    SECRET,
    contents,
    forge_file,
    forge_table,
    pool,
    simulated,
    write_log,
)

from maturity_model.cli import main
from maturity_model.pooling import PoolError, read_pool
from maturity_model.pooling.logbook_arrays import MOST

ROOT = Path(__file__).parents[2]


def test_it_says_what_became_of_each_club(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = simulated(1)
    club = write_log(tmp_path / "north", book, consent={next(iter(book.tanks)): "no"})
    with (club / "checkins.csv").open("a") as handle:
        handle.write("nobody's,2025-01-01\n")
    rows = len(book.tanks) + len(book.checkins) + len(book.events) + 1
    again = write_log(tmp_path / "south", book, only={list(book.tanks)[1]})
    words = ["pool", str(club), str(again), "--out", str(tmp_path / "pool")]
    assert main(words) == 0
    out, err = capsys.readouterr()
    assert f"north: {rows} rows read, {rows - 1} used, 1 reported; 4 tanks, 1 left out" in out
    assert "merged: " in out
    assert "3 tanks pooled" in out
    assert f"Key, for this club only: {tmp_path / 'pool.key'}" in out
    assert "north: checkins.csv" in err
    assert "nobody's" in err
    # Silent but for that where nobody watches.
    assert "reading" not in err
    assert len(err.splitlines()) == 1
    assert main(words) == 0
    assert "Key, for" not in capsys.readouterr().out


def test_a_club_that_cannot_be_read_does_not_stop_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "bad").mkdir()
    out = tmp_path / "pool"
    words = ["pool", str(tmp_path / "bad"), str(DEMO), "--out", str(out)]
    assert main([*words, "--consent-default", "yes"]) == 3
    said, err = capsys.readouterr()
    assert "bad: cannot be read" in said
    assert "not pooled, because they cannot be read: bad" in err
    assert len(read_pool(out).tanks) == 6


def test_a_blank_consent_is_no_yes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = simulated(1)
    club = write_log(tmp_path / "club", book, consent=dict.fromkeys(book.tanks, ""))
    assert main(["pool", str(club), "--out", str(tmp_path / "pool")]) == 3
    out, _ = capsys.readouterr()
    assert f"{len(book.tanks)} left out without consent" in out
    assert f"{len(book.tanks)} tanks say neither yes nor no: ask the keepers" in out
    assert "--consent-default yes" in out
    assert not list(tmp_path.glob("pool*"))


def test_without_the_column_whoever_pools_answers_for_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "pool"
    assert main(["pool", str(DEMO), "--out", str(out)]) == 0
    assert "no column consent, so its keepers' consent is taken on your word" in (
        capsys.readouterr().out
    )
    assert len(read_pool(out).tanks) == 6
    assert main(["pool", str(DEMO), "--out", str(out), "--consent-default", "no"]) == 3
    said = capsys.readouterr().out
    assert "6 left out without consent" in said
    assert "your word" not in said
    assert "--consent-default" not in said


def test_what_is_there_and_no_pool_stays(tmp_path: Path) -> None:
    club = write_log(tmp_path / "club", simulated(1))
    pool(tmp_path / "pool", club)
    (tmp_path / "pool" / "notes.txt").write_text("of mine")
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("dear")
    (tmp_path / "file").write_text("x")
    os.symlink(tmp_path / "mine", tmp_path / "link")
    for out, match in (
        ("mine", r"is not a pool.*letter\.txt"),
        ("pool", r"is not a pool.*notes\.txt"),
        ("file", "is not a pool"),
        ("link", "is not a pool"),
    ):
        with pytest.raises(PoolError, match=match):
            pool(tmp_path / out, club)
    assert (tmp_path / "mine" / "letter.txt").read_text() == "dear"


def test_pool_and_logbook_may_not_lie_in_each_other(tmp_path: Path) -> None:
    club = write_log(tmp_path / "clubs" / "club", simulated(1))
    before = contents(club)
    for out in (club, club / "pool", tmp_path / "clubs"):
        with pytest.raises(PoolError, match="may not lie in each other"):
            pool(out, club, key=tmp_path / "key")
    assert contents(club) == before


def test_logbooks_of_one_name_are_told_apart(tmp_path: Path) -> None:
    a = write_log(tmp_path / "north" / "log", simulated(1))
    b = write_log(tmp_path / "south" / "log", simulated(2))
    report = pool(tmp_path / "pool", a, b)
    assert [club.label for club in report.clubs] == ["north/log", "south/log"]
    assert len({t.name for t in report.pool.tanks}) == 8
    with pytest.raises(PoolError, match="given twice"):
        pool(tmp_path / "pool", a, tmp_path / "north" / ".." / "north" / "log")


def test_bounds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    club = write_log(tmp_path / "club", simulated(1))
    with pytest.raises(PoolError, match="more than 1000 logbooks"):
        pool(tmp_path / "pool", *[club] * 1001)
    for what in ("tanks", "check-ins", "events"):
        with monkeypatch.context() as patch:
            patch.setitem(MOST, what, 2)
            with pytest.raises(PoolError, match=f"more than 2 {what}"):
                pool(tmp_path / "pool", club)
    pool(tmp_path / "pool", club)
    for name in ("descriptor._MAX_BYTES", "read._MAX_EXPANDED", "read._MAX_GROUP"):
        with monkeypatch.context() as patch:
            patch.setattr(f"maturity_model.pooling.{name}", 100)
            with pytest.raises(PoolError, match=r"larger|expands|too large"):
                read_pool(tmp_path / "pool")
    with monkeypatch.context() as patch:
        patch.setitem(sys.modules["maturity_model.pooling.read"]._MAX_ROWS, "checkins", 5)
        with pytest.raises(PoolError, match="more than 5 rows"):
            read_pool(tmp_path / "pool")


def forge(folder: Path, table: str, column: str, value: Any) -> None:
    """Change the first cell of a column, and make the descriptor agree."""
    import pyarrow as pa

    def change(found: pa.Table) -> pa.Table:
        place = found.schema.get_field_index(column)
        cells = [value, *found[column].to_pylist()[1:]]
        return found.set_column(place, column, pa.array(cells, type=found.schema.field(place).type))

    forge_table(folder, table, change)


def rows_of(tanks: Any, rows: int) -> Any:
    """The first row of a table, many times: a few bytes in a file."""
    import pyarrow as pa

    return tanks.take(pa.array(np.zeros(rows, dtype=np.int64)))


def long_cell(events: Any) -> Any:
    import pyarrow as pa

    texts = pa.array(["x" * 10_000] * len(events))
    return events.set_column(events.schema.get_field_index("event"), "event", texts)


@pytest.mark.parametrize(
    ("table", "change", "match"),
    [
        ("tanks", lambda t: rows_of(t, 3_000_000), "expands to 72 MB, more than a pool's"),
        ("checkins", lambda t: rows_of(t, 2_000_000), "expands to"),
        ("events", long_cell, "a cell holds more than 1000 characters"),
        ("kits", lambda t: t.rename_columns(["keeper", "analyte", "method", "unit", "stepz"]),
         "other columns than a pool: 'stepz'"),
        ("kits", lambda t: t.select(["keeper"]), "other columns than a pool"),
    ],
)  # fmt: skip
def test_a_pool_that_expands_or_has_other_columns(
    table: str, change: Callable[[Any], Any], match: str, demo_pool: Path
) -> None:
    forge_table(demo_pool, table, change)
    assert (demo_pool / f"{table}.parquet").stat().st_size < 200_000
    with pytest.raises(PoolError, match=match):
        read_pool(demo_pool)


def test_a_column_whose_name_is_no_text(demo_pool: Path) -> None:
    path = demo_pool / "events.parquet"
    forge_file(demo_pool, path.name, path.read_bytes().replace(b"event_number", b"event_n\xffmber"))
    with pytest.raises(PoolError, match=r"events (cannot be read|has other columns)") as caught:
        read_pool(demo_pool)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("table", "column", "value", "match"),
    [
        ("tanks", "tank", "../../etc", "no pseudonym"),
        ("tanks", "keeper", "<script>", "no pseudonym"),
        ("tanks", "rock", "chalk", "than it may"),
        ("tanks", "last_day", 2**31 - 1, "out of bounds"),
        ("tanks", "last_day", 3, "after the last day"),
        ("tanks", "last_day", None, "missing"),
        ("checkins", "tank", "t-" + "0" * 24, "not in the pool"),
        ("checkins", "day", -1, "out of bounds"),
        ("checkins", "look", "hammer", "than it may"),
        ("readings", "low", 1e9, "interval is empty"),
        ("readings", "best", float("nan"), "no number"),
        ("readings", "analyte", "gold", "than it may"),
        ("events", "event", "party", "than it may"),
        ("events", "amount", float("inf"), "no number"),
        ("kits", "steps", "0;x", "no number"),
    ],
)
def test_a_forged_pool_is_refused(
    table: str, column: str, value: Any, match: str, demo_pool: Path
) -> None:
    import pyarrow.parquet as pq

    cells = pq.read_table(demo_pool / f"{table}.parquet")[column]
    forge(demo_pool, table, column, cells[0].as_py())
    read_pool(demo_pool)  # the forging itself is not what is refused
    forge(demo_pool, table, column, value)
    with pytest.raises(PoolError, match=match):
        read_pool(demo_pool)


def test_a_disk_that_is_full_leaves_the_old_pool(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    club = write_log(tmp_path / "club", simulated(1))
    out = tmp_path / "pool"
    pool(out, club, key=tmp_path / "pool.key")
    before = contents(out)

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("maturity_model.pooling.write.write_archive", full)
    assert main(["pool", str(DEMO), "--out", str(out), "--consent-default", "yes"]) == 2
    assert "No space left on device" in capsys.readouterr().err
    assert contents(out) == before
    assert not list(tmp_path.glob(".*.part"))


def test_secrets_do_not_reach_the_terminal_as_commands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    club = write_log(tmp_path / "club\x1b[31m", simulated(1))
    assert main(["pool", str(club), "--out", str(tmp_path / "pool")]) == 0
    out, err = capsys.readouterr()
    assert SECRET not in err
    assert "\x1b" not in out + err
