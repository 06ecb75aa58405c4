"""Whether a change of the code moved a number.

    git worktree add ../earlier COMMIT
    (cd ../earlier && PYTHONPATH=$PWD python OURS/tests/same_numbers.py record ../numbers-earlier)
    PYTHONPATH=$PWD python tests/same_numbers.py record ../numbers-now
    python tests/same_numbers.py compare ../numbers-earlier ../numbers-now

``record OUT`` runs whatever ``maturity_model`` can be imported (always with the demo logbook
that lies beside this script): ``weekly``, ``simulate`` of each world, ``pool``, ``score``,
``elicit``, and the pooled model's log-density and gradient at random points. ``compare A B``
prints a line for each difference, and exits with 1 if there is one. On one machine and with
the same versions of NumPy, numba and PyTensor: ``exp`` differs between processors.

Numbers may differ by 1e-12 of their size or of 1, log-density and gradient by 1e-10; texts
must be equal. Left out, because they depend on the version of the code: what stands in
:data:`NOT_COMPARED`. Pages of HTML are not looked at.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

DEMO = Path(__file__).parents[1] / "data" / "demo"
WORLDS = ("mechanistic", "microcosm", "mesocosm", "model")
POINTS = 20
TOLERANCE, DENSITY_TOLERANCE = 1e-12, 1e-10
#: Keys of JSON files: the version, and digests of files that are compared number by number.
NOT_COMPARED = {
    "version": "of the program",
    "maturity_model": "the program's version in a manifest",
    "sha256": "of a Parquet file",
    "bytes": "of a Parquet file",
    "hash": "of a Parquet file",
    "model_sha256": "of the engine's source",
    "digest": "of settings that hold the above",
}
#: Names of files: locks, and journals of the order in which parts were finished.
NOT_READ = {".lock", ".pool.lock", "_progress.jsonl"}


def run(out: Path, *command: str) -> None:
    """Run a command in ``out``; paths are relative, because reports quote them."""
    whole = [sys.executable, "-m", "maturity_model", *command]
    done = subprocess.run(whole, cwd=out, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(whole)}: exit code {done.returncode}\n{done.stderr}")


def record(out: Path) -> None:
    """Write everything that is compared into a new folder."""
    out.mkdir(parents=True)
    shutil.copytree(DEMO, out / "demo")
    run(out, "weekly", "demo", "--out", "weekly", "--as-of", "2026-11-20")
    plans = "--if", "crash", "--if", "water_change=20/2w", "--as-of", "2026-06-01"
    run(out, "weekly", "demo", "--out", "weekly_plans", *plans)
    for world in WORLDS:
        size = "--tanks", "8", "--weeks", "40", "--seed", "3", "--judged", "0.5"
        run(out, "simulate", "--world", world, *size, "--out", world)
    key = out / "pool.key"
    key.write_text("maturity-model-pool-key " + "5a" * 32 + "\n")
    key.chmod(0o600)
    run(out, "pool", *WORLDS, "--key-file", key.name, "--out", "pool")
    run(out, "score", "pool", "--draws", "32", "--tanks-per-file", "12", "--out", "scores")
    run(out, "elicit", "--draws", "64", "--out", "elicited.nc")
    densities = {name: list(density(out / "demo", **how)) for name, how in VARIANTS.items()}
    (out / "density.json").write_text(json.dumps(densities))


#: How the pooled model is built: as by default, with all it can have, and with parts left out.
VARIANTS: dict[str, dict[str, Any]] = {
    "as by default": {},
    "with all": {"evidence_weight": 1.0, "tank_signs": True, "judgement_weight": 0.8},
    "with less": {"pace": False, "skill": False, "persistence": False, "readings": False},
}


def density(log: Path, evidence_weight: float = 0.4, **options: Any) -> Iterator[dict[str, Any]]:
    """Log-density of the pooled model and its gradient, at points around the start."""
    import pytensor

    from maturity_model import build_panel, read_logbook
    from maturity_model.fitting.model import build_model
    from maturity_model.fitting.options import ModelOptions

    panel = build_panel(read_logbook(log))
    given = ModelOptions(**options)
    rng = np.random.default_rng(20)
    with pytensor.config.change_flags(mode="NUMBA", cxx=""):
        model = build_model(panel, evidence_weight=evidence_weight, options=given)
        value, slope = model.compile_logp(), model.compile_dlogp()
        start = model.initial_point(random_seed=1)
        for _ in range(POINTS):
            # By name, so that another order of the parameters is no difference.
            point = {n: start[n] + 0.3 * rng.normal(size=np.shape(start[n])) for n in sorted(start)}
            names = [variable.name for variable in model.continuous_value_vars]
            ends = np.cumsum([point[name].size for name in names])[:-1]
            slopes = np.split(np.asarray(slope(point)), ends)
            gradient = {name: s.tolist() for name, s in zip(names, slopes, strict=True)}
            yield {"log_density": float(value(point)), "gradient": gradient}


def compare(a: Path, b: Path) -> list[str]:
    """One line per difference."""
    one, two = (
        {p.relative_to(x) for p in x.rglob("*") if p.is_file() and p.name not in NOT_READ}
        for x in (a, b)
    )
    lines = [f"{path}: only in {a if path in one else b}" for path in sorted(one ^ two)]
    for path in sorted(one & two):
        if path.name not in NOT_READ and path.suffix != ".html":
            read = READERS.get(path.suffix, lambda file: file.read_bytes().splitlines())
            limit = DENSITY_TOLERANCE if path.name == "density.json" else TOLERANCE
            lines += different(read(a / path), read(b / path), str(path), limit)
    return lines


def read_csv(file: Path) -> list[list[Any]]:
    """Cells, those that are numbers as such."""
    with file.open(newline="", encoding="utf-8") as handle:
        return [[number(cell) for cell in row] for row in csv.reader(handle)]


def number(cell: str) -> float | str:
    try:
        return float(cell)
    except ValueError:
        return cell


def read_parquet(file: Path) -> dict[str, Any]:
    import pyarrow.parquet as pq

    return dict(pq.read_table(file).to_pydict())


def read_netcdf(file: Path) -> dict[str, Any]:
    import h5py

    from maturity_model.population import netcdf

    content = file.read_bytes()
    if content.startswith(netcdf.MAGIC):
        return netcdf.unpack(content).variables
    found: dict[str, Any] = {}
    with h5py.File(file) as handle:
        handle.visititems(
            lambda name, x: found.update({name: x[()]}) if isinstance(x, h5py.Dataset) else None
        )
    return found


def read_zip(file: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(file) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


READERS = {
    ".csv": read_csv,
    ".json": lambda file: json.loads(file.read_text()),
    ".parquet": read_parquet,
    ".nc": read_netcdf,
    ".zip": read_zip,
}


def different(a: Any, b: Any, where: str, limit: float) -> Iterator[str]:
    """Where two values read from files differ."""
    if isinstance(a, dict) and isinstance(b, dict):
        for key in sorted(a.keys() | b.keys(), key=str):
            if key not in a or key not in b:
                yield f"{where}: {key}: only in one"
            elif key not in NOT_COMPARED:
                yield from different(a[key], b[key], f"{where}: {key}", limit)
    elif isinstance(a, list | tuple) and isinstance(b, list | tuple) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            yield from different(x, y, f"{where}[{i}]", limit)
    elif isinstance(a, np.ndarray) and isinstance(b, np.ndarray) and a.shape == b.shape:
        yield from different(a.tolist(), b.tolist(), where, limit)
    elif isinstance(a, float) and isinstance(b, float | int):
        # A number that is not one on both sides is the same.
        same = a == b or (math.isnan(a) and math.isnan(b))
        if not same and not abs(a - b) <= limit * max(abs(a), 1.0):
            yield f"{where}: {a!r} and {b!r}, apart by {abs(a - b):.2g}"
    elif type(a) is not type(b) or a != b:
        yield f"{where}: {str(a)[:80]!r} and {str(b)[:80]!r}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("record").add_argument("out", type=Path)
    two = commands.add_parser("compare")
    two.add_argument("a", type=Path)
    two.add_argument("b", type=Path)
    args = parser.parse_args()
    if args.command == "record":
        record(args.out.absolute())
        return 0
    lines = compare(args.a, args.b)
    print("\n".join(lines) or "no difference")
    return 1 if lines else 0


if __name__ == "__main__":
    raise SystemExit(main())
