"""Logbooks in folders, with words in them that may never leave."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from maturity_model.catalogue import load_catalogue
from maturity_model.fitting.logs import pool_logbooks, read_logs
from maturity_model.fitting.tank_likelihood import tank_log_likelihood
from maturity_model.lab.worlds.simulate_logbook import Habits, simulate_logbook
from maturity_model.logbook import Logbook
from maturity_model.panel import Panel, build_panel
from maturity_model.pooling.command import PoolReport, make_pool
from maturity_model.pooling.descriptor import DESCRIPTOR, digest_of
from maturity_model.population import elicit_population
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import Population, take_draws

DEMO = Path(__file__).parents[2] / "data" / "demo"
CATALOGUE = load_catalogue()
#: Stands in every name, note and free text below, and nowhere else.
SECRET = "Quokka"


@cache
def population() -> Population:
    """A few draws are enough: each is a model of its own."""
    return take_draws(elicit_population(CATALOGUE, 1.0, n_draws=32, seed=3), np.arange(6))


@cache
def simulated(seed: int, tanks: int = 4, weeks: int = 20) -> Logbook:
    """A simulated club; several tanks of a keeper, one of nobody."""
    habits = Habits(weeks=weeks, judged=0.3, events_per_year=3.0, reading=0.5)
    rng = np.random.default_rng([5, seed])
    book = simulate_logbook(population(), CATALOGUE, tanks, rng, habits).logbook
    made = {}
    for i, (name, tank) in enumerate(book.tanks.items()):
        keeper = f"{SECRET} {seed} {i // 2}" if i < tanks - 1 else ""
        # Whole logs are shifted, so that weeks begin on other days.
        sand = 20.0 * i + 10.0
        made[name] = replace(tank, keeper=keeper, volume_l=40.0 + 60 * i, sand_depth_mm=sand)
    return replace(book, tanks=made)


def moved(book: Logbook, days: int) -> Logbook:
    """The same log, begun some days later."""
    by = dt.timedelta(days=days)
    return replace(
        book,
        tanks={name: replace(t, started=t.started + by) for name, t in book.tanks.items()},
        checkins=tuple(replace(c, date=c.date + by) for c in book.checkins),
        events=tuple(replace(e, date=e.date + by) for e in book.events),
    )


def write_log(
    folder: Path,
    book: Logbook,
    *,
    only: set[str] | None = None,
    consent: dict[str, str] | None = None,
    rename: str = "",
) -> Path:
    """Write a logbook as a club would, with a secret in each free text.

    ``only`` and ``consent`` go by the tanks' names in ``book``; ``rename`` is put before all
    names, as another club might call the same tanks.
    """  # fmt: skip
    folder.mkdir(parents=True)

    def name(tank: str) -> str:
        return f"{rename}{SECRET} {tank}"

    tanks = [t for t in book.tanks.values() if only is None or t.name in only]
    inside = {t.name for t in tanks}
    rows: dict[str, list[dict[str, object]]] = {"tanks": [], "checkins": [], "events": []}
    for t in tanks:
        row = {"tank": name(t.name), "keeper": f"{rename}{t.keeper}" if t.keeper else ""}
        row |= {"club": f"{rename}{SECRET} club", "consent": (consent or {}).get(t.name, "yes")}
        for column in ("started", "volume_l", "rock", "sand_depth_mm"):
            row[column] = getattr(t, column)
        rows["tanks"].append(row)
    for c in book.checkins:
        row = {"tank": name(c.tank), "date": c.date, "observer": f"{rename}{SECRET} eyes"}
        row |= {"look": c.look, "judged_phase": c.judged_phase, "note": f"{SECRET} noted"}
        row |= {s: {True: "y", False: "n", None: ""}[c.signs.get(s)] for s in CATALOGUE.signs}
        row |= {a: c.readings[a].text if a in c.readings else "" for a in CATALOGUE.analytes}
        rows["checkins"] += [row] * (c.tank in inside)
    for i, e in enumerate(book.events):
        row = {"tank": name(e.tank), "date": e.date, "event": e.kind, "amount": e.amount}
        rows["events"] += [row | {"note": f"{SECRET} {i}"}] * (e.tank in inside)
    for table, content in rows.items():
        if content:
            pd.DataFrame(content).to_csv(folder / f"{table}.csv", index=False)
    return folder


def two_clubs(folder: Path, first: int = 1, second: int = 2) -> list[Path]:
    """Simulated clubs of four and three tanks, by their seeds."""
    north = write_log(folder / "north", simulated(first))
    return [north, write_log(folder / "south", simulated(second, 3, 33))]


def likelihood(paths: list[Path]) -> tuple[np.ndarray, Panel]:
    """Log-likelihood by tank and draw, tanks in order of it: their names and places differ."""
    panel = build_panel(pool_logbooks(read_logs(paths)))
    drawn = fit_to_catalogue(population(), panel.catalogue)
    return np.sort(tank_log_likelihood(panel, drawn, 1.0), axis=0), panel


def pool(out: Path, *paths: Path, default: bool = True, key: Path | None = None) -> PoolReport:
    """Make a pool with a key of the test's own."""
    return make_pool(
        list(paths), out, key_file=key or out.with_name("key"), consent_default=default
    )


def contents(folder: Path) -> dict[str, bytes]:
    """Bytes of each file."""
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def redescribe(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change what a pool states of itself; its digest then fits again."""
    path = folder / DESCRIPTOR
    about = json.loads(path.read_text("utf-8"))
    own = about["maturity_model"]
    change(own)
    if "digest" in own:
        own["digest"] = digest_of(own)
    path.write_text(json.dumps(about), "utf-8")


def forge_file(folder: Path, name: str, content: bytes) -> None:
    """Put another file in the place of one of a pool's, with digests that fit."""
    (folder / name).write_bytes(content)
    digest = hashlib.sha256(content).hexdigest()
    redescribe(folder, lambda own: own["sha256"].update({name: digest}))


def forge_table(folder: Path, table: str, change: Callable[[Any], Any], **options: Any) -> None:
    """Change a table of a pool, with digests that fit."""
    import pyarrow.parquet as pq

    changed = change(pq.read_table(folder / f"{table}.parquet"))
    buffer = io.BytesIO()
    pq.write_table(changed, buffer, store_schema=False, **options)
    forge_file(folder, f"{table}.parquet", buffer.getvalue())
