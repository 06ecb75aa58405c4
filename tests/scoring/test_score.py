"""Scores: those of the weekly command, the same bytes however they are made, and resumed."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pooling.pooled_logs import CATALOGUE, DEMO, forge_table, pool, redescribe
from population.edited_files import save_older
from scoring.scored import agree, clubs, files, make, sha, small_population, table

from maturity_model.cli import main
from maturity_model.logbook import read_logbook
from maturity_model.pooling import PoolError, read_pool
from maturity_model.pooling import write as pool_writer
from maturity_model.pooling.read import PoolReader
from maturity_model.population import elicit_population, load_population
from maturity_model.population.files import PopulationWarning, save_population
from maturity_model.population.types import take_draws
from maturity_model.scoring import ScoringError, score
from maturity_model.scoring.parts import JOURNAL, LOCK, MANIFEST
from maturity_model.whole_files import locked

ROOT = Path(__file__).parents[2]


def names_in(report: Any, club: int) -> dict[str, str]:
    """Name in a logbook to pseudonym."""
    arrays = report.arrays
    first_rows = {tank.name: arrays.tank[tank.rows[0]] for tank in report.pool.tanks}
    return {arrays.tanks[n].name: pseudonym for pseudonym, n in first_rows.items()
            if arrays.book[n] == club}  # fmt: skip


def test_a_pool_scores_as_the_weekly_command_says(tmp_path: Path) -> None:
    # The demo with all draws of the shipped population.
    report = pool(tmp_path / "pool", DEMO)
    score(tmp_path / "pool", tmp_path / "scores", part_tanks=4)
    names = names_in(report, 0)
    assert agree(tmp_path / "scores", read_logbook(DEMO), load_population(), names) > 1000


def test_two_clubs_and_a_logbook(tmp_path: Path) -> None:
    population = small_population(tmp_path / "p.nc")
    paths = clubs(tmp_path)
    report = pool(tmp_path / "pool", *paths)
    score(tmp_path / "pool", tmp_path / "scores", population=population, part_tanks=3)
    for i, path in enumerate(sorted(paths)):
        book = read_logbook(path)
        loaded = load_population(population)
        assert agree(tmp_path / "scores", book, loaded, names_in(report, i)) > 300
        # And straight from the logbook, under its own names, to its last day.
        out = tmp_path / f"direct{i}"
        score(path, out, population=population, part_tanks=3)
        direct = table(out)
        assert agree(out, book, loaded, {n: n for n in book.tanks}) == 6 * len(direct)


def test_the_same_bytes_by_threads_and_processes(tmp_path: Path) -> None:
    source = make(tmp_path)
    population = small_population(tmp_path / "p.nc")

    def run(name: str, **how: Any) -> dict[str, bytes]:
        report = score(source, tmp_path / name, population=population, part_tanks=2, **how)
        assert (report.tanks, report.parts, report.kept) == (8, 4, 0)
        return files(tmp_path / name)

    here = run("here", threads=1)
    assert run("threads", threads=4) == here
    assert run("processes", workers=2) == here
    # Another cut of the pool: the same numbers in other files.
    score(source, tmp_path / "whole", population=population, part_tanks=100)
    assert table(tmp_path / "whole") == table(tmp_path / "here")


def test_draws_are_thinned_evenly_and_recorded(tmp_path: Path) -> None:
    source = make(tmp_path, (1,))
    full = small_population(tmp_path / "p.nc", draws=12)
    kept = take_draws(load_population(full), np.array([0, 2, 4, 7, 9]))
    save_population(kept, tmp_path / "five.nc")
    score(source, tmp_path / "thinned", population=full, draws=5)
    score(source, tmp_path / "five", population=tmp_path / "five.nc")
    assert table(tmp_path / "thinned") == table(tmp_path / "five")
    settings = json.loads((tmp_path / "thinned" / MANIFEST).read_text())["settings"]
    assert (settings["draws"], settings["draws_in_file"]) == (5, 12)
    assert settings["population_sha256"] == sha(full)
    with pytest.raises(ScoringError, match="has 12 draws, not 13"):
        score(source, tmp_path / "more", population=full, draws=13)


def test_a_population_of_version_0_1_is_warned_of_once(tmp_path: Path) -> None:
    source = make(tmp_path, (1,))
    save_older(elicit_population(CATALOGUE, 0.5, n_draws=4, seed=1), tmp_path / "older.nc")
    with pytest.warns(PopulationWarning) as said:
        score(source, tmp_path / "scores", population=tmp_path / "older.nc")
    assert len(said) == 1


@pytest.mark.parametrize(
    ("provenance", "standing", "warning"),
    [
        ({"diagnostics": "failed: drift of 0.8"}, "failed", "failed: drift of 0.8"),
        ({}, "unknown", "its file does not say whether the fit passed its checks"),
        ({"diagnostics": "passed"}, "passed", ""),
    ],
)
def test_a_population_that_failed_its_checks_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
    provenance: dict[str, str], standing: str, warning: str,
) -> None:  # fmt: skip
    import pyarrow.parquet as pq

    source, out = make(tmp_path, (1,)), tmp_path / "scores"
    made = elicit_population(CATALOGUE, 0.5, n_draws=4, seed=1)
    save_population(replace(made, kind="fitted", provenance=provenance), tmp_path / "p.nc")
    words = ["score", str(source), "--out", str(out), "--population", str(tmp_path / "p.nc")]
    assert main(words) == 0
    said = capsys.readouterr().err
    assert said.endswith(f"must not be trusted as it is: {warning}\n") if warning else said == ""
    settings = json.loads((out / MANIFEST).read_text())["settings"]
    assert (settings["population_standing"], settings["population_warning"]) == (standing, warning)
    assert {row["population_standing"] for row in table(out).values()} == {standing}
    (part,) = out.glob("part-*.parquet")
    assert pq.read_schema(part).metadata[b"warning"].decode() == warning


# Resuming ------------------------------------------------------------------------------------


def finished_parts(out: Path) -> int:
    """Whole lines of the journal of a run."""
    journal = out / JOURNAL
    return journal.read_text().count("\n") if journal.exists() else 0


def test_a_killed_run_goes_on(tmp_path: Path) -> None:
    source = make(tmp_path)
    population = small_population(tmp_path / "p.nc", draws=200)
    out = tmp_path / "scores"
    words = [sys.executable, "-m", "maturity_model", "score", str(source), "--out", str(out)]
    words += ["--population", str(population), "--tanks-per-file", "1", "--threads", "1"]
    first = subprocess.Popen(words, cwd=ROOT)
    until = time.monotonic() + 60
    while not finished_parts(out) and time.monotonic() < until:
        time.sleep(0.005)
    first.send_signal(signal.SIGKILL)
    first.wait()
    finished = finished_parts(out)
    assert 0 < finished < 8
    assert not json.loads((out / MANIFEST).read_text())["complete"]
    before = {p.name: p.stat().st_ino for p in out.glob("part-*.parquet")}
    # What a kill in the middle of a line and of a file leaves.
    with (out / JOURNAL).open("a") as handle:
        handle.write('{"number": 7, "file": "part-0000')
    (out / ".part-000006.parquet.0123.part").write_bytes(b"PAR1")
    report = score(source, out, population=population, part_tanks=1)
    assert report.kept == finished
    kept = [n for n, inode in before.items() if (out / n).stat().st_ino == inode]
    assert len(kept) >= finished
    score(source, tmp_path / "whole", population=population, part_tanks=1)
    assert files(out) == files(tmp_path / "whole")


def test_a_damaged_part_is_made_again(tmp_path: Path) -> None:
    source, out = make(tmp_path), tmp_path / "scores"
    population = small_population(tmp_path / "p.nc")
    score(source, out, population=population, part_tanks=2)
    whole = files(out)
    for name, content in (("part-000001.parquet", b"PAR1"), ("part-000003.parquet", None)):
        path = out / name
        path.unlink()
        if content:
            path.write_bytes(content)
    again = score(source, out, population=population, part_tanks=2)
    assert (again.kept, again.parts) == (2, 4)
    assert files(out) == whole


def test_other_settings_are_not_mixed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source, out = make(tmp_path, (1,)), tmp_path / "scores"
    one = small_population(tmp_path / "one.nc")
    other = small_population(tmp_path / "other.nc", draws=6)
    words = ["score", str(source), "--out", str(out), "--population"]
    assert main([*words, str(one)]) == 0
    whole = files(out)
    capsys.readouterr()
    assert main([*words, str(other)]) == 2
    said = capsys.readouterr().err
    assert "scores of another pool, population or setting" in said
    assert "population sha256" in said
    assert files(out) == whole
    assert main([*words, str(other), "--force"]) == 0
    assert files(out) != whole
    assert main([*words, str(one), "--force"]) == 0
    assert files(out) == whole


def test_a_folder_of_something_else_is_left_alone(tmp_path: Path) -> None:
    source, out = make(tmp_path, (1,)), tmp_path / "scores"
    out.mkdir()
    (out / "thesis.txt").write_text("years of work")
    with pytest.raises(ScoringError, match="thesis"):
        score(source, out, force=True)
    assert (out / "thesis.txt").read_text() == "years of work"
    with pytest.raises(ScoringError, match="lie in each other"):
        score(source, source / "scores")


def test_population_and_pool_must_fit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    source = make(tmp_path, (1,))
    made = elicit_population(CATALOGUE, 0.5, n_draws=4, seed=1)
    save_population(replace(made, events=("x", *made.events[1:])), tmp_path / "events.nc")
    words = ["score", str(source), "--out", str(tmp_path / "scores"), "--population"]
    assert main([*words, str(tmp_path / "events.nc")]) == 4
    assert "has the events x," in capsys.readouterr().err
    assert main([*words, str(tmp_path / "none.nc")]) == 4
    redescribe(source, lambda own: own["codes"]["phases"].__setitem__(0, "sleeping"))
    assert main(words[:-1]) == 4
    assert "another catalogue: phases differ" in capsys.readouterr().err
    assert not (tmp_path / "scores").exists()


# Streaming -----------------------------------------------------------------------------------


def test_ranges_of_a_stream_are_the_pool(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool_writer, "_ROW_GROUP", 7)
    source = make(tmp_path)
    whole = read_pool(source)
    stream = PoolReader(source)
    for size in (1, 3, 100):
        names = stream.tank_names()
        tanks: dict[str, Any] = {}
        checkins, events = [], []
        read = dict.fromkeys(stream.rows, 0)
        for at in range(0, 8, size):
            book, rows = stream.read(names[at : at + size])
            tanks |= book.tanks
            checkins += book.checkins
            events += book.events
            read = {name: read[name] + rows[name] for name in read}
        assert read == stream.rows
        assert tanks == whole.tanks
        for mine, theirs in ((checkins, whole.checkins), (events, whole.events)):
            # Sorting is stable, so the rows of a tank keep their order.
            by_tank = sorted(theirs, key=lambda row: row.tank)
            assert sorted(mine, key=lambda row: row.tank) == by_tank


def test_tables_in_another_order_or_without_statistics(tmp_path: Path) -> None:
    source = make(tmp_path)
    population = small_population(tmp_path / "p.nc")
    score(source, tmp_path / "a", population=population, part_tanks=3)
    shuffled = np.random.default_rng(0)
    for name in ("checkins", "readings", "events"):
        forge_table(
            source, name, lambda t: t.take(shuffled.permutation(len(t))), row_group_size=11,
            write_statistics=name != "readings",
        )  # fmt: skip
    score(source, tmp_path / "b", population=population, part_tanks=3)
    before, after = table(tmp_path / "a"), table(tmp_path / "b")
    assert before.keys() == after.keys()
    for key, row in before.items():
        # Readings of a check-in are multiplied in another order.
        for name in (*CATALOGUE.phases, "regression_4", "regression_8"):
            assert after[key][name] == pytest.approx(row[name], abs=1e-12)
    forge_table(source, "tanks", lambda t: t.take(list(range(len(t)))[::-1]))
    with pytest.raises(PoolError, match="not sorted by tank"):
        score(source, tmp_path / "c", population=population)


def test_rows_of_no_tank_are_noticed(tmp_path: Path) -> None:
    source = make(tmp_path)
    forge_table(source, "tanks", lambda t: t.slice(0, len(t) - 1))
    with pytest.raises(ScoringError, match="not in the table of tanks"):
        score(source, tmp_path / "scores", draws=3, part_tanks=2)


def test_rows_that_no_range_reads_are_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = make(tmp_path)
    # Statistics that are wrong hide a row.
    honest = PoolReader._table

    def lying(self: PoolReader, kind: Any, part: Any) -> Any:
        hidden = kind.name == "readings"
        return {name: cells[hidden:] for name, cells in honest(self, kind, part).items()}

    monkeypatch.setattr(PoolReader, "_table", lying)
    population = small_population(tmp_path / "p.nc")
    with pytest.raises(ScoringError, match="rows of readings were read instead of"):
        score(source, tmp_path / "scores", population=population, part_tanks=2, threads=1)


def test_two_runs_do_not_share_a_folder(tmp_path: Path) -> None:
    source, out = make(tmp_path, (1,)), tmp_path / "scores"
    out.mkdir()
    with locked(out / LOCK, RuntimeError()), pytest.raises(ScoringError, match="another run"):
        score(source, out)
