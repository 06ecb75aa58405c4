"""``maturity-model score`` on pools of 100 to 100,000 tanks of 60 weeks: time and memory.

The pools hold 100 simulated tanks again and again under new names: what is computed does not
depend on a tank's name, and nothing is kept from one tank for the next but the tables of a
batch, of which a batch of copies has no fewer than another (batches are smaller than 100).
"""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from maturity_model.lab.benchmarks.timing import exponent, verdict
from maturity_model.lab.page import markdown_table

BASE, WEEKS, DRAWS = 100, 60, 100
#: Least rows of a row group.
GROUP = 65_536
#: Tanks; larger pools with ``--tanks``.
SIZES = (100, 300, 1_000, 3_000)
_LARGER = (10_000, 30_000, 100_000)
#: Weeks and draws of the runs that show how time grows with them.
BY_WEEKS, BY_DRAWS = (15, 30, 60, 120), (25, 50, 100, 200)
#: What must hold: the exponent of growth by tanks, and megabytes.
LINEAR, MEGABYTES = (0.95, 1.05), 1000
_RUN = (
    "import json, sys, time; from maturity_model.scoring import score; "
    "from maturity_model.lab.benchmarks.machine import peak_megabytes; "
    "r = score(sys.argv[1], sys.argv[2], draws=int(sys.argv[3]), threads=1); "
    "print(json.dumps([r.tanks, r.tank_weeks, r.seconds, time.process_time(), peak_megabytes()]))"
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

    folder.mkdir(exist_ok=True)
    simulate("model", tanks, weeks, 1).write(folder / "club")
    make_pool([folder / "club"], folder / "pool", consent_default=True)
    return folder / "pool"


def enlarge(source: Path, out: Path, times: int) -> Path:
    """Write a pool with every tank of another ``times`` times, each time under a new name."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from maturity_model.pooling.descriptor import digest_of

    out.mkdir()
    tables = {path.name: pq.read_table(path) for path in sorted(source.glob("*.parquet"))}
    names = tables["tanks.parquet"].column("tank").to_pandas()
    rank = {name: i for i, name in enumerate(names)}

    def copy(table: pa.Table, nth: int) -> pa.Table:
        tank = table.column("tank").to_pandas().map(rank) + nth * len(rank)
        place = table.schema.get_field_index("tank")
        new = pa.array([f"t-{i:024x}" for i in tank])
        return table.set_column(place, table.schema.field(place), new)

    digests = {}
    for name, table in tables.items():
        path = out / name
        by_tank = "tank" in table.schema.names
        # Copies of one row group.
        step = -(-GROUP // max(len(table), 1))
        with pq.ParquetWriter(path, table.schema, compression="zstd", store_schema=False) as writer:
            for begin in range(0, times if by_tank else 1, step):
                copies = range(begin, min(begin + step, times))
                group = [copy(table, i) for i in copies] if by_tank else [table]
                writer.write_table(pa.concat_tables(group), row_group_size=GROUP)
        digests[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    about = json.loads((source / "datapackage.json").read_text())
    own = about["maturity_model"]
    own["sha256"] = digests
    own["digest"] = digest_of(own)
    (out / "datapackage.json").write_text(json.dumps(about))
    return out


def run(source: Path, out: Path, draws: int = DRAWS) -> Run:
    """Score a pool in a process of its own."""
    words = [sys.executable, "-c", _RUN, str(source), str(out), str(draws)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    return Run(*json.loads(done.stdout))


def measure(rounds: int, most: int = SIZES[-1]) -> str:
    """Part of the page; ``most`` tanks in the largest pool."""
    sizes = [*(s for s in (*SIZES, *_LARGER) if s < most), most // BASE * BASE]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = base_pool(folder)
        run(base, folder / "warm")  # Kernels are compiled, once for this machine.
        runs = []
        for size in sizes:
            pool = enlarge(base, folder / f"pool{size}", size // BASE)
            runs.append(run(pool, folder / f"scores{size}"))
            print(runs[-1], flush=True, file=sys.stderr)
        by_draws = [run(base, folder / f"draws{d}", d).processor for d in BY_DRAWS]
        by_weeks = []
        for weeks in BY_WEEKS:
            shorter = base_pool(folder / str(weeks), BASE, weeks)
            by_weeks.append(run(shorter, folder / f"weeks{weeks}").processor)
        # What a process costs before it scores.
        begin = run(base_pool(folder / "one", 1, WEEKS), folder / "start").processor
    return report(runs, by_draws, by_weeks, begin)


def report(runs: list[Run], by_draws: list[float], by_weeks: list[float], begin: float) -> str:
    """What is found of runs by size, and the processor times of those by draws and by weeks."""
    table = pd.DataFrame(
        {
            "tanks": [r.tanks for r in runs],
            "tank-weeks": [r.tank_weeks for r in runs],
            "processor s": [r.processor for r in runs],
            "tank-weeks a second": [r.tank_weeks / r.processor for r in runs],
            "MB at most": [r.megabytes for r in runs],
        }
    )
    formats = dict.fromkeys(table.columns, "{:,.0f}") | {"processor s": "{:,.1f}"}
    by_tanks = exponent(table["tanks"], table["processor s"] - begin)
    low, high = LINEAR
    flat = table["MB at most"].max()
    million = 10**6 * (runs[-1].processor - begin) / runs[-1].tanks / 3600

    def grows(sizes: tuple[int, ...], times: list[float]) -> str:
        net = [t - begin for t in times]
        each = ", ".join(f"{n}: {t:.2f} s" for n, t in zip(sizes, net, strict=True))
        return f"({each}) to the power {exponent(sizes, net):.2f}"

    items = [
        f"- A process that scores one tank takes {begin:.2f} s. Less that, time grows with tanks "
        f"to the power {by_tanks:.3f}; for {BASE} tanks with draws {grows(BY_DRAWS, by_draws)}, "
        f"with weeks {grows(BY_WEEKS, by_weeks)}.",
        verdict(
            f"growth with tanks between {low} and {high}: {by_tanks:.3f}", low <= by_tanks <= high
        ),
        verdict(f"memory below {MEGABYTES:,} MB at every size: {flat:,.0f} MB", flat < MEGABYTES),
        f"- One million tanks x {WEEKS} weeks x {DRAWS} draws, not measured but by this law: "
        f"{million:,.1f} hours of one such core.",
    ]
    return "\n\n".join(
        [
            f"One process, one thread, {WEEKS} weeks, {DRAWS} draws x 15 nodes; each size once, in "
            f"a process of its own. The pools hold {BASE} simulated tanks again and again under "
            "new names; nothing of one tank is used for the next.",
            markdown_table(table, formats),
            "\n".join(items),
        ]
    )
