"""``maturity-model score`` on pools of 100 to 100,000 tanks of 60 weeks: time and memory.

The pools hold 100 simulated tanks again and again under new names: what is computed does
not hang on a tank's name, and nothing is kept from one tank for the next but the tables of a
batch, of which a batch of copies has no fewer than another (batches are smaller than 100).
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

from maturity_model.lab.benchmarks.timing import exponent, missing

BASE, WEEKS, DRAWS = 100, 60, 100
#: Tanks; larger pools with ``--tanks``.
SIZES = (100, 300, 1_000, 3_000)
_LARGER = (10_000, 30_000, 100_000)
#: Weeks and draws of the runs that tell how time grows with them.
BY_WEEKS, BY_DRAWS = (15, 30, 60, 120), (25, 50, 100, 200)
#: What must hold: the exponent of growth by tanks, and megabytes.
LINEAR, MEGABYTES = (0.95, 1.05), 1000
_RUN = (
    "import json, resource, sys; from maturity_model.scoring import score; "
    "r = score(sys.argv[1], sys.argv[2], draws=int(sys.argv[3]), threads=1, "
    "state=sys.argv[4] or None); "
    "u = resource.getrusage(resource.RUSAGE_SELF); "
    "print(json.dumps([r.tanks, r.tank_weeks, r.seconds, u.ru_utime + u.ru_stime, u.ru_maxrss]))"
)


class Run(NamedTuple):
    """One run in a process of its own: seconds of wall and of processor, megabytes."""

    tanks: int
    tank_weeks: int
    seconds: float
    processor: float
    megabytes: float


def base_pool(folder: Path, tanks: int = BASE, weeks: int = WEEKS) -> Path:
    """Simulate a club and pool it."""
    from maturity_model.lab.worlds import simulate
    from maturity_model.pooling.command import make_pool

    simulate("model", tanks, weeks, 1).write(folder / "club")
    make_pool([folder / "club"], folder / "pool", consent_default=True)
    return folder / "pool"


def enlarge(source: Path, out: Path, times: int) -> Path:
    """Write a pool with every tank of another so many times, each time under a new name."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    out.mkdir()
    tables = {p.stem: pq.read_table(p) for p in sorted(source.glob("*.parquet"))}
    rank = {t: i for i, t in enumerate(tables["tanks"].column("tank").to_pylist())}
    digests = {}
    for name, table in tables.items():
        path = out / f"{name}.parquet"
        place = table.schema.get_field_index("tank")
        own = [] if place < 0 else [rank[t] for t in table.column("tank").to_pylist()]
        writer = pq.ParquetWriter(path, table.schema, compression="zstd", store_schema=False)
        with writer:
            pieces: list[Any] = []
            for c in range(times if own else 1):
                new = table
                if own:
                    names = [f"t-{c * len(rank) + i:024x}" for i in own]
                    new = table.set_column(place, table.schema.field(place), pa.array(names))
                pieces.append(new)
                if sum(map(len, pieces)) >= 65_536 or c == times - 1:
                    writer.write_table(pa.concat_tables(pieces), row_group_size=65_536)
                    pieces = []
            if pieces:
                writer.write_table(pa.concat_tables(pieces), row_group_size=65_536)
        digests[path.name] = hashlib.sha256(path.read_bytes()).hexdigest()
    about = json.loads((source / "datapackage.json").read_text())
    about["maturity_model"]["sha256"] = digests
    (out / "datapackage.json").write_text(json.dumps(about))
    return out


def run(source: Path, out: Path, draws: int = DRAWS, state: Path | None = None) -> Run:
    """Score a pool in a process of its own."""
    words = [sys.executable, "-c", _RUN, str(source), str(out), str(draws), str(state or "")]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    tanks, weeks, seconds, processor, most = json.loads(done.stdout)
    return Run(
        tanks, weeks, seconds, processor, most / (2**20 if sys.platform == "darwin" else 1024)
    )


def measure(rounds: int, most: int = SIZES[-1]) -> list[str]:
    """Lines of the report; ``most`` tanks in the largest pool."""
    try:
        import pyarrow  # noqa: F401
    except ImportError as error:
        return [missing("maturity-model score", error), "Target: NOT MEASURED."]
    sizes = [*(s for s in (*SIZES, *_LARGER) if s < most), most // BASE * BASE]
    lines = [
        f"One process, one thread, {WEEKS} weeks, {DRAWS} draws x 15 nodes; each size once, in a "
        f"process of its own. The pools hold {BASE} simulated tanks again and again under new "
        "names; nothing of one tank is used for the next.",
        "",
        "| tanks | tank-weeks | processor s | tank-weeks a second | MB at most |",
        "|---:|---:|---:|---:|---:|",
    ]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = base_pool(folder)
        run(base, folder / "warm")  # Kernels are compiled, once for this machine.
        runs = []
        for size in sizes:
            pool = enlarge(base, folder / f"pool{size}", size // BASE)
            found = run(pool, folder / f"scores{size}")
            runs.append(found)
            lines.append(
                f"| {found.tanks:,} | {found.tank_weeks:,} | {found.processor:,.1f} "
                f"| {found.tank_weeks / found.processor:,.0f} | {found.megabytes:,.0f} |"
            )
            print(lines[-1], flush=True, file=sys.stderr)
        by_draws = [run(base, folder / f"draws{d}", d).processor for d in BY_DRAWS]
        by_weeks = []
        for weeks in BY_WEEKS:
            (folder / str(weeks)).mkdir()
            shorter = base_pool(folder / str(weeks), BASE, weeks)
            by_weeks.append(run(shorter, folder / f"weeks{weeks}").processor)
        begin = run(base_pool_of_one(folder), folder / "start").processor
        kept = new_week(folder)
    net = [r.processor - begin for r in runs]
    by_tanks = exponent([r.tanks for r in runs], net)
    fit_draws = exponent(BY_DRAWS, [t - begin for t in by_draws])
    fit_weeks = exponent(BY_WEEKS, [t - begin for t in by_weeks])
    low, high = LINEAR
    flat = max(r.megabytes for r in runs)
    million = 10**6 * net[-1] / runs[-1].tanks / 3600
    return [
        *lines,
        "",
        f"- A process that scores one tank takes {begin:.2f} s. Less that, time grows with tanks "
        f"to the power {by_tanks:.3f}. {BASE} tanks by draws ({_list(BY_DRAWS)}): "
        f"{_seconds(by_draws, begin)} s, the power {fit_draws:.2f}; by weeks ({_list(BY_WEEKS)}): "
        f"{_seconds(by_weeks, begin)} s, the power {fit_weeks:.2f}.",
        f"- Target, growth with tanks between {low} and {high}: {_met(low <= by_tanks <= high)}.",
        f"- Target, memory below {MEGABYTES:,} MB at every size: {flat:,.0f} MB, "
        f"{_met(flat < MEGABYTES)}.",
        *_of_a_new_week(kept, begin),
        f"- One million tanks x {WEEKS} weeks x {DRAWS} draws, not measured but by this law: "
        f"{million:,.1f} hours of one such core.",
    ]


def new_week(folder: Path) -> dict[str, Run]:
    """A club's log with a new week, all draws: without ``--state``, and with the last week's.

    The club is that of :func:`base_pool`; ``state`` keeps the messages of a run that knew
    nothing of the last seven days.
    """
    club, before = folder / "club", folder / "before"
    shutil.copytree(club, before)
    last = max(row["date"] for row in _rows(club / "checkins.csv"))
    end = (dt.date.fromisoformat(last) - dt.timedelta(days=7)).isoformat()
    for name in ("checkins.csv", "events.csv"):
        rows = _rows(club / name)
        with (before / name).open("w", encoding="utf-8", newline="") as file:
            out = csv.DictWriter(file, rows[0])
            out.writeheader()
            out.writerows(row for row in rows if row["date"] <= end)
    draws, state = 256, folder / "state"
    return {
        "whole": run(club, folder / "week-whole", draws),
        "keeping": run(before, folder / "week-before", draws, state),
        "new": run(club, folder / "week-new", draws, state),
    }


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def _of_a_new_week(kept: dict[str, Run], begin: float) -> list[str]:
    whole, keeping, new = (kept[name].processor - begin for name in ("whole", "keeping", "new"))
    return [
        f"- A new week of {kept['new'].tanks} tanks (a logbook, 256 draws; less the start of the "
        f"process): from the start of each log {whole:.2f} s, with the messages that `--state` "
        f"kept a week before {new:.2f} s, {whole / new:.1f} times as fast; the run that kept them "
        f"took {keeping:.2f} s. Two weeks are filtered, the new one and the one that was open; the "
        "rest of the time reads the log and builds the look-up tables. Equal to a run from the "
        "start to 1e-10, and edited history filtered anew: tests/scoring/test_state.py.",
    ]


def base_pool_of_one(folder: Path) -> Path:
    """A pool of one tank, for what a process costs before it scores."""
    place = folder / "single"
    place.mkdir()
    return base_pool(place, 1, WEEKS)


def _met(good: bool) -> str:
    return "met" if good else "NOT MET"


def _seconds(times: list[float], begin: float) -> str:
    return ", ".join(f"{t - begin:.2f}" for t in times)


def _list(numbers: tuple[int, ...]) -> str:
    return ", ".join(map(str, numbers))
