"""Populations and pools from elsewhere, damaged: refused in one line, or the same numbers.

    python -m tests.fuzz.foreign_files --count 504 --out reports/fuzz/foreign_files.csv

A child process reads the damaged files, so that a crash of a library is one case, not the end.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import resource
import subprocess
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import h5py
import numpy as np
import pandas as pd
import pyarrow as pa

# Started by command, neither the tests nor the package stand on the path.
sys.path += [str(folder) for folder in Path(__file__).parents[1:3]]

from pooling.pooled_logs import forge_file, forge_table, pool, redescribe, simulated, write_log
from population.edited_files import edited, save_older

from maturity_model.catalogue import load_catalogue
from maturity_model.pooling.problems import PoolError, PoolWarning
from maturity_model.pooling.read import PoolReader
from maturity_model.population import (
    PopulationError,
    PopulationWarning,
    elicit_population,
    load_population,
    save_population,
)
from maturity_model.population.files import UNSEALED, seal
from maturity_model.population.netcdf import unpack

#: No reading may take more, in MB; and what the child may take before it is stopped, in bytes.
MOST_MB, LIMIT = 1024, 4 * 2**30
#: Seconds for all readings of one child.
PATIENCE = 1800
OUTCOMES = ("refused", "same_numbers", "other_numbers", "failed")
TABLES = ("tanks", "checkins", "readings", "events", "kits")


class Undamaged(NamedTuple):
    """One population in today's file and in one of version 0.1, and a pool."""

    population: bytes
    older: bytes
    pool: dict[str, bytes]


def undamaged(folder: Path) -> Undamaged:
    """Make what is to be damaged."""
    made = elicit_population(load_catalogue(), 0.4, n_draws=40, seed=2)
    save_population(made, folder / "today.nc", {"priors": "{}"})
    save_older(made, folder / "older.nc", {"priors": "{}"})
    pool(folder / "pool", *[write_log(folder / f"club{i}", simulated(i)) for i in (1, 2)])
    files = {p.name: p.read_bytes() for p in (folder / "pool").iterdir()}
    return Undamaged((folder / "today.nc").read_bytes(), (folder / "older.nc").read_bytes(), files)


# Damage ---------------------------------------------------------------------------------


def damaged(rng: random.Random, content: bytes) -> bytes:
    """The same bytes with flipped bits, cut, or with a block spliced, blanked, lost or added."""
    out = bytearray(content)
    at, to = rng.randrange(len(out)), rng.randrange(len(out))
    size = rng.choice((1, 4, 16, 256, 4096))
    match rng.choice(("bits", "bits", "bits", "cut", "splice", "blank", "lose", "add")):
        case "bits":
            for _ in range(rng.choice((1, 1, 1, 8))):
                out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
        case "cut":
            del out[at:]
        case "splice":
            out[at : at + size] = out[to : to + size]
        case "blank":
            out[at : at + size] = bytes(len(out[at : at + size]))
        case "lose":
            del out[at : at + size]
        case _:
            out[at:at] = rng.randbytes(size)
    return bytes(out)


def population(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """Today's file, damaged."""
    path.write_bytes(damaged(rng, whole.population))


def population_header(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """A header that claims something else, with a digest that fits."""
    stated = str(unpack(whole.population).attributes["sha256"]).encode()
    out = bytearray(whole.population.replace(stated, UNSEALED.encode(), 1))
    for _ in range(rng.randint(1, 3)):
        at = 4 * rng.randrange(1, 1200)
        claim = rng.choice((0, 1, 2, 5, 2**16, 2**30, 2**31 - 1, 2**32 - 1, rng.getrandbits(32)))
        out[at : at + 4] = claim.to_bytes(4, "big")
    path.write_bytes(seal(bytes(out)))


def population_values(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """Other types, shapes and values, with a digest that fits."""
    path.write_bytes(whole.population)
    with edited(path) as (attributes, arrays):
        name = rng.choice(sorted(arrays))
        values = arrays[name]
        match rng.randrange(6):
            case 0:
                arrays[name] = np.zeros(values.shape or 1, rng.choice(("S7", "i4", "f8")))
            case 1:
                arrays[name] = np.repeat(np.atleast_1d(values), rng.choice((2, 50)), axis=0)
            case 2:
                arrays[name] = np.atleast_1d(values)[None]
            case 3 if values.dtype.kind == "f":
                spoiled = values.copy()
                spoiled.flat[rng.randrange(values.size)] = rng.choice((np.nan, -np.inf, 1e308))
                arrays[name] = spoiled
            case 4:
                del arrays[name]
            case _:
                some = rng.choice(sorted(set(attributes) - {"sha256"}))
                attributes[some] = rng.choice(("", "x" * 70_000, -1, 2**31 - 1, float("nan")))


def older(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """A file of version 0.1, damaged."""
    path.write_bytes(damaged(rng, whole.older))


def older_structure(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """An HDF5 file that version 0.1 would not have written."""
    path.write_bytes(whole.older)
    with h5py.File(path, "r+") as file:
        name = rng.choice(("log_advance", "sign_logit", "start", "sign", "offset"))
        shape = file[name].shape
        del file[name]
        match rng.randrange(6):
            case 0:
                huge = (2**20, 2 ** rng.randrange(4, 30))
                file.create_dataset(name, shape=huge, dtype="f8", chunks=(2**10, 16))
            case 1:
                zeros = np.zeros((2 ** rng.randrange(16, 22), 4))
                file.create_dataset(name, data=zeros, chunks=zeros.shape, compression="gzip")
            case 2:
                file.create_dataset(name, shape=(2 ** rng.randrange(20, 45),), dtype="f8")
            case 3:
                file.create_dataset(name, data=np.zeros(shape, rng.choice(("i1", "f2", "c16"))))
            case 4:
                texts = ["x" * 2 ** rng.randrange(1, 18)] * rng.choice((1, 12, 500))
                file.create_dataset(name, data=texts, dtype=h5py.string_dtype())
            case _:
                file[name] = h5py.SoftLink(rng.choice(("/nowhere", "/outlier", "/")))


def pool_files(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """A pool, one of its files damaged."""
    _unpack_pool(whole, path)
    name = rng.choice([*(f"{t}.parquet" for t in TABLES), "datapackage.json"])
    (path / name).write_bytes(damaged(rng, whole.pool[name]))


def pool_forged(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """A pool, a table of it damaged, with digests that fit."""
    _unpack_pool(whole, path)
    name = f"{rng.choice(TABLES)}.parquet"
    content = whole.pool[name]
    if rng.random() < 0.5:
        # Parquet's metadata stand at the end.
        at = len(content) - rng.randrange(9, 3000)
        content = content[:at] + damaged(rng, content[at:-8]) + content[-8:]
    else:
        content = damaged(rng, content)
    forge_file(path, name, content)


def pool_tables(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """A pool with other columns, types and numbers of rows, with digests that fit."""
    _unpack_pool(whole, path)

    def change(table: pa.Table) -> pa.Table:
        if not len(table):
            return table
        column = rng.randrange(table.num_columns)
        field = table.schema.field(column)
        match rng.randrange(5):
            case 0:
                rows = np.zeros(10 ** rng.randrange(3, 7), dtype=np.int64)
                return table.take(pa.array(rows))
            case 1:
                return table.set_column(column, field.name, pa.nulls(len(table), field.type))
            case 2:
                other = rng.choice((pa.int64(), pa.float32(), pa.binary(), pa.list_(pa.int8())))
                return table.set_column(column, field.name, pa.nulls(len(table), other))
            case 3:
                long = pa.array(["x" * 10 ** rng.randrange(2, 6)] * len(table))
                return table.set_column(column, field.name, long)
            case _:
                return table.take(pa.array(rng.choices(range(len(table)), k=len(table))))

    forge_table(path, rng.choice(TABLES), change)


def pool_descriptor(rng: random.Random, whole: Undamaged, path: Path) -> None:
    """A pool that states something else of itself, with a digest that fits."""
    _unpack_pool(whole, path)

    def change(own: dict[str, Any]) -> None:
        place: Any = own
        while True:
            key = rng.choice(range(len(place)) if isinstance(place, list) else sorted(place))
            if not isinstance(place[key], dict | list) or not place[key] or rng.random() < 0.2:
                break
            place = place[key]
        place[key] = rng.choice((None, "", "x\ud800", "\n", -1, 1e308, [], {}, [[]] * 3, True))

    redescribe(path, change)


def _unpack_pool(whole: Undamaged, path: Path) -> None:
    path.mkdir()
    for name, content in whole.pool.items():
        (path / name).write_bytes(content)


KINDS: tuple[Callable[[random.Random, Undamaged, Path], None], ...] = (
    population, population_header, population_values, older, older_structure,
    pool_files, pool_forged, pool_tables, pool_descriptor,
)  # fmt: skip
#: Kinds whose digest was made to fit or is not there, so that other numbers may be meant.
MAY_DIFFER = {k.__name__ for k in KINDS} - {"population", "pool_files"}


# Reading, in the child ------------------------------------------------------------------


def read(path: Path) -> str:
    """``refused: why``, or a digest of what was read; ``warned`` before it where it was."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            if path.is_dir():
                book = PoolReader(path).read_all()
                found = repr((book.tanks, book.checkins, book.events, book.kits, book.catalogue))
            else:
                found = ""
                for name, value in vars(load_population(path)).items():
                    if name != "sha256":
                        found += repr(value.tolist() if isinstance(value, np.ndarray) else value)
        except (PopulationError, PoolError) as error:
            return f"refused: {error}"
    said = [w for w in caught if issubclass(w.category, PopulationWarning | PoolWarning)]
    return ("warned " if said else "") + hashlib.sha256(found.encode()).hexdigest()


def read_all(folder: Path, first: int, last: int) -> None:
    """Read cases and print one line for each; then the memory that this took."""
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT, LIMIT))
    for number in range(first, last):
        print(json.dumps(read(folder / str(number))), flush=True)
    status = Path("/proc/self/status").read_text()
    own = next(int(x.split()[1]) for x in status.splitlines() if x.startswith("VmHWM"))
    theirs = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(max(own, theirs) // 1024, flush=True)


# All of it ------------------------------------------------------------------------------


def run(count: int, seed: int) -> tuple[Counter[tuple[str, str]], int, list[str]]:
    """Damage and read files: how many of each kind ended how, the memory in MB, and faults."""
    counts: Counter[tuple[str, str]] = Counter()
    faults: list[str] = []
    peak = 0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        whole = undamaged(folder)
        want = {read(folder / "today.nc"), read(folder / "older.nc"), read(folder / "pool")}
        for number in range(count):
            rng = random.Random(f"{seed} {number}")
            KINDS[number % len(KINDS)](rng, whole, folder / str(number))
        first = 0
        while first < count:
            words = [sys.executable, __file__, "--read", str(folder), str(first), str(count)]
            child = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE)
            lines = child.stdout.splitlines()
            if child.returncode == 0:
                peak = max(peak, int(lines.pop()))
            for number, line in enumerate(lines, first):
                kind = KINDS[number % len(KINDS)].__name__
                outcome, fault = judge(kind, json.loads(line), want)
                counts[kind, outcome] += 1
                faults += [f"{number} ({kind}): {fault}"] if fault else []
            first += len(lines)
            if child.returncode:
                kind = KINDS[first % len(KINDS)].__name__
                counts[kind, "failed"] += 1
                faults.append(f"{first} ({kind}): code {child.returncode}, {child.stderr[-2000:]}")
                first += 1
    if peak > MOST_MB:
        faults.append(f"{peak} MB")
    return counts, peak, faults


def judge(kind: str, line: str, want: set[str]) -> tuple[str, str]:
    """Outcome of a reading, and what is wrong with it."""
    if line.startswith("refused: "):
        plain = len(line) < 600 and "\n" not in line and "Traceback" not in line
        return "refused", "" if plain else f"an unclear line: {line[:600]!r}"
    if line in want:
        return "same_numbers", ""
    noticed = kind in MAY_DIFFER and (line.startswith("warned") or not kind.startswith("older"))
    return "other_numbers", "" if noticed else "other numbers without a word"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--read", nargs=3, metavar=("FOLDER", "FIRST", "LAST"))
    args = parser.parse_args()
    if args.read:
        read_all(Path(args.read[0]), int(args.read[1]), int(args.read[2]))
        return 0
    counts, peak, faults = run(args.count, args.seed)
    print("\n".join(faults), file=sys.stderr)
    if args.out and not faults:
        rows = [
            {"seed": args.seed, "kind": k.__name__}
            | {outcome: counts[k.__name__, outcome] for outcome in OUTCOMES}
            | {"peak_mb": peak}
            for k in KINDS
        ]
        pd.DataFrame(rows).to_csv(args.out, index=False)
    print(f"{args.count} files: {len(faults)} faults, {peak} MB")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
