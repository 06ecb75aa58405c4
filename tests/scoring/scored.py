"""Pools to score, and scores as columns."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from pooling.pooled_logs import CATALOGUE, pool, simulated, write_log

from maturity_model.assessment import assess
from maturity_model.logbook import Logbook
from maturity_model.panel import build_panel
from maturity_model.population import Population, elicit_population
from maturity_model.population.files import save_population
from maturity_model.report import phase_csv, regression_csv
from maturity_model.scoring.parts import JOURNAL, LOCK, MANIFEST

PHASES = tuple(CATALOGUE.phases)


def small_population(path: Path, draws: int = 12, weight: float = 0.5) -> Path:
    """A population with few draws, in a file."""
    made = elicit_population(CATALOGUE, weight, n_draws=draws, seed=11)
    save_population(made, path)
    return path


def clubs(folder: Path, seeds: tuple[int, ...] = (1, 2)) -> list[Path]:
    """Simulated clubs of four tanks, 20 and more weeks."""
    return [
        write_log(folder / f"club{s}", simulated(s, 4, 20 + 5 * i)) for i, s in enumerate(seeds)
    ]


def make(folder: Path, seeds: tuple[int, ...] = (1, 2)) -> Path:
    """A pool of simulated clubs."""
    pool(folder / "pool", *clubs(folder, seeds))
    return folder / "pool"


def files(out: Path) -> dict[str, bytes]:
    """Bytes of each file of scores; the manifest lists parts in their order."""
    assert not (out / JOURNAL).exists()
    names = sorted(p.name for p in out.iterdir() if p.name != LOCK)
    assert MANIFEST in names
    return {name: (out / name).read_bytes() for name in names}


def table(out: Path) -> dict[tuple[str, int], dict[str, Any]]:
    """Scores by tank and week."""
    import pyarrow.parquet as pq

    rows = pq.read_table(out).to_pylist()
    found = {(r["tank"], r["week"]): r for r in rows}
    assert len(found) == len(rows)
    return found


def weekly(book: Logbook, population: Population) -> Iterator[tuple[str, int, str, float]]:
    """What the weekly command's CSV files say: tank, week, column, probability."""
    found = assess(build_panel(book), population, questions=False)
    for row in csv.DictReader(io.StringIO("".join(phase_csv(found)))):
        yield row["tank"], int(row["week"]), row["phase"], float(row["filtered"])
    for row in csv.DictReader(io.StringIO("".join(regression_csv(found)))):
        name = f"regression_{row['horizon_weeks']}"
        yield row["tank"], int(row["week"]), name, float(row["probability"])


def agree(out: Path, book: Logbook, population: Population, names: dict[str, str]) -> int:
    """Compare scores with the weekly command; how many numbers were compared."""
    found = table(out)
    wanted = {names[tank] for tank in book.tanks}
    left = {key for key in found if key[0] in wanted}
    count = 0
    for tank, week, column, value in weekly(book, population):
        key = names[tank], week
        if key not in found:
            # The pool ends with the week of the tank's last row.
            assert week > max(w for t, w in found if t == names[tank])
            continue
        np.testing.assert_allclose(found[key][column], value, rtol=0, atol=1e-12)
        left.discard(key)
        count += 1
    assert not left
    return count


def sha(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
