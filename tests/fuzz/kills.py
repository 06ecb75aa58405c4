"""Kill a command at random moments: every file is the old or the new one, a rerun ends the job.

``python -m tests.fuzz.kills --help``
"""

from __future__ import annotations

import argparse
import datetime as dt
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

LOCK = ".maturity-model.lock"


@dataclass
class Kills:
    """What was seen of one command.

    Attributes
    ----------
    kills : int
        Processes killed while they ran.
    too_late : int
        Processes that had ended before the signal came; not counted as killed.
    writing : int
        Kills that left a half-written file beside its target, or some files old and some new.
    unfinished : int
        Kills before anything was new.
    reruns : int
    complaints : list of str
    """

    command: str
    kills: int = 0
    too_late: int = 0
    writing: int = 0
    unfinished: int = 0
    reruns: int = 0
    complaints: list[str] = field(default_factory=list)


def files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder that is not hidden."""
    out = {}
    for top, folders, names in os.walk(folder):
        folders[:] = [f for f in folders if not f.startswith(".")]
        for name in names:
            path = Path(top) / name
            if not name.startswith("."):
                out[path.relative_to(folder).as_posix()] = path.read_bytes()
    return out


def leftovers(folder: Path) -> list[str]:
    """Half-written files that a killed process left."""
    return sorted(p.name for p in folder.rglob(".*") if p.name.endswith((".part", ".tmp")))


def start(words: list[str], cwd: Path) -> subprocess.Popen[bytes]:
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    return subprocess.Popen(
        [sys.executable, "-m", "maturity_model", *words], cwd=cwd, env=env,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def _stamp(folder: Path) -> tuple[tuple[str, int], ...]:
    try:
        # Closed also when a file goes while it is asked for its time.
        with os.scandir(folder) as entries:
            return tuple(sorted((e.name, e.stat(follow_symlinks=False).st_mtime_ns)
                                for e in entries))  # fmt: skip
    except OSError:
        return ()


def _half_written(folder: Path) -> bool:
    try:
        return any(n.endswith((".part", ".tmp")) for n in os.listdir(folder))
    except OSError:
        return False


def kill(process: subprocess.Popen[bytes], folder: Path, rng: random.Random, took: float) -> bool:
    """Kill a process at a random moment; two times in three as it writes into ``folder``."""
    how = rng.random()
    if how < 1 / 3:
        end = time.monotonic() + rng.random() * took
        while time.monotonic() < end and process.poll() is None:
            time.sleep(0.002)
    elif how < 2 / 3:
        while process.poll() is None and not _half_written(folder):
            pass
        end = time.monotonic() + rng.choice((0.0, 0.0, 0.001, 0.003, 0.01)) * rng.random()
        while time.monotonic() < end:
            pass
    else:
        before, changes = _stamp(folder), rng.choice((1, 1, 2, 3, 5, 8, 20, 40))
        while process.poll() is None and changes:
            now = _stamp(folder)
            changes -= now != before
            before = now
    running = process.poll() is None
    if running:
        process.send_signal(signal.SIGKILL)
    process.wait()
    return running and process.returncode == -signal.SIGKILL


def make_log(folder: Path, tanks: int, weeks: int) -> None:
    """A logbook of many weekly looks."""
    folder.mkdir()
    start_day = dt.date(2025, 3, 4)
    names = [f"tank {i}" for i in range(tanks)]
    (folder / "tanks.csv").write_text(
        "tank,started,keeper\n" + "".join(f"{n},{start_day},ann\n" for n in names)
    )
    rows = [
        f"{n},{start_day + dt.timedelta(days=7 * w + 3)},{'yn'[w % 2]},{w % 5}\n"
        for w in range(weeks) for n in names
    ]  # fmt: skip
    (folder / "checkins.csv").write_text("tank,date,diatoms,nitrate\n" + "".join(rows))


def restore(folder: Path, copy: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(copy, folder)


def _mixed(
    found: dict[str, bytes], old: dict[str, bytes], new: dict[str, bytes], seen: Kills, left: bool
) -> None:
    for name, data in found.items():
        if data not in (old.get(name), new.get(name)):
            seen.complaints.append(f"{name} is neither old nor new ({len(data)} bytes)")
    for name in old.keys() - found.keys():
        seen.complaints.append(f"{name} is gone")
    fresh = [found.get(n) == new[n] for n in new if old.get(n) != new[n]]
    seen.unfinished += not any(fresh)
    seen.writing += left or (any(fresh) and not all(fresh))


def finished(words: list[str], work: Path, codes: tuple[int, ...] = (0,)) -> float:
    """Run a command to its end; seconds."""
    began = time.monotonic()
    assert start(words, work).wait() in codes
    return time.monotonic() - began


def kill_weekly(count: int, rng: random.Random, work: Path) -> Kills:
    """The weekly report of twelve tanks over an older one."""
    seen = Kills("weekly")
    make_log(work / "log", 12, 30)
    out = work / "out"
    words = ["weekly", "log", "--out", "out", "--brief"]
    assert start([*words, "--as-of", "2025-06-01"], work).wait() == 0
    shutil.copytree(out, work / "old")
    took = finished(words, work)
    old, new = files(work / "old"), files(out)
    while seen.kills < count:
        restore(out, work / "old")
        if not kill(start(words, work), out, rng, took):
            seen.too_late += 1
            continue
        seen.kills += 1
        _mixed(files(out), old, new, seen, bool(leftovers(out)))
        if seen.kills % 4 == 0 or leftovers(out):
            seen.reruns += 1
            if start(words, work).wait() != 0 or files(out) != new:
                seen.complaints.append("a rerun did not finish the report")
    return seen


def kill_add(count: int, rng: random.Random, work: Path) -> Kills:
    """Adding check-ins and events to a long log; its tables change one after the other."""
    seen = Kills("add")
    log = work / "log"
    make_log(log, 100, 80)
    (log / "events.csv").write_text("tank,date,event,amount\ntank 0,2025-04-01,crash,\n")
    rows = "".join(f"tank {i},2026-06-01,y,,,from the form\n" for i in range(40))
    rows += "".join(f"tank {i},2026-06-01,,water_change,20,\n" for i in range(40))
    (work / "new.csv").write_text("tank,date,diatoms,event,amount,note\n" + rows)
    shutil.copytree(log, work / "old")
    words = ["add", "new.csv", "log"]
    took = finished(words, work)
    old = files(work / "old")
    new = {n: d for n, d in files(log).items() if "/" not in n}
    while seen.kills < count:
        restore(log, work / "old")
        if not kill(start(words, work), log, rng, took):
            seen.too_late += 1
            continue
        seen.kills += 1
        found = files(log)
        for name, data in found.items():
            if name.startswith("backup/") and data not in old.values():
                seen.complaints.append(f"{name} is no copy of an old table")
        _mixed({n: d for n, d in found.items() if "/" not in n}, old, new, seen,
               bool(leftovers(log)))  # fmt: skip
        seen.reruns += 1
        if start(words, work).wait() != 0:
            seen.complaints.append("a rerun failed")
        if {n: d for n, d in files(log).items() if "/" not in n} != new:
            seen.complaints.append("a rerun did not finish adding")
        if left := leftovers(log):
            seen.complaints.append(f"a rerun left {left}")
    return seen


def kill_pair(count: int, rng: random.Random, work: Path) -> Kills:
    """Two at once on one log, one of them killed: what the other added stays, and both end."""
    seen = Kills("two adds at once")
    log = work / "log"
    make_log(log, 10, 30)
    for i in (1, 2):
        rows = "".join(f"tank {t},2026-06-0{i},y\n" for t in range(10))
        (work / f"new{i}.csv").write_text("tank,date,diatoms\n" + rows)
    shutil.copytree(log, work / "old")
    took = finished(["add", "new1.csv", "log"], work)
    before = len((work / "old" / "checkins.csv").read_text().splitlines())
    while seen.kills < count:
        restore(log, work / "old")
        first, second = (start(["add", f"new{i}.csv", "log"], work) for i in (1, 2))
        killed = kill(first, log, rng, took)
        if second.wait() != 0:
            seen.complaints.append("the other one failed")
        seen.kills += killed
        seen.too_late += not killed
        lines = (log / "checkins.csv").read_text().splitlines()
        if sum(",2026-06-02," in x for x in lines) != 10:
            seen.complaints.append("rows of the other one were lost")
        if len(lines) not in (before + 10, before + 20):
            seen.complaints.append(f"{len(lines)} lines after {before}")
        seen.unfinished += len(lines) == before + 10
        seen.reruns += 1
        if start(["add", "new1.csv", "log"], work).wait() != 0:
            seen.complaints.append("a rerun failed")
        lines = (log / "checkins.csv").read_text().splitlines()
        if len(lines) != before + 20 or len(set(lines)) != len(lines):
            seen.complaints.append("a rerun lost or doubled rows")
    return seen


def kill_pool(count: int, rng: random.Random, work: Path) -> Kills:
    """A pool of two logs over a pool of one: the folder is the old or the new one as a whole."""
    seen = Kills("pool")
    for i in (1, 2):
        make_log(work / f"log{i}", 5 * i, 30)
    pool = work / "pool"
    words = ["pool", "log1", "--out", "pool", "--consent-default", "yes"]
    assert start(words, work).wait() == 0
    old = files(pool)
    shutil.copytree(pool, work / "old")
    words.insert(2, "log2")
    took = finished(words, work)
    new = files(pool)
    key = {p.name: p.read_bytes() for p in work.glob("*.key")}
    while seen.kills < count:
        restore(pool, work / "old")
        if not kill(start(words, work), work, rng, took):
            seen.too_late += 1
            continue
        seen.kills += 1
        half = any(p.name.endswith(".part") for p in work.iterdir())
        found = files(pool) if pool.exists() else None
        if found is None or found == old:
            seen.unfinished += 1
        elif found != new:
            seen.complaints.append("the pool is neither old nor new")
        seen.writing += half
        if found is None and not half:
            seen.complaints.append("the pool is gone")
        if {p.name: p.read_bytes() for p in work.glob("*.key")} != key:
            seen.complaints.append("the key changed")
        seen.reruns += 1
        if start(words, work).wait() != 0 or files(pool) != new:
            seen.complaints.append("a rerun did not finish the pool")
        if left := [p.name for p in work.iterdir() if p.name.endswith(".part")]:
            seen.complaints.append(f"a rerun left {left}")
    return seen


def kill_fit(count: int, rng: random.Random, work: Path) -> Kills:
    """A tiny fit; whole means that a file can be opened and holds what it should."""
    from maturity_model.fitting.command import idata_path
    from maturity_model.population import load_population

    seen = Kills("fit")
    make_log(work / "log", 3, 20)
    out, chains = work / "club.nc", work / "club.nc.chains"
    words = ["fit", "log", "--out", "club.nc", "--draws", "60", "--tune", "60", "--chains", "2",
             "--cores", "1"]  # fmt: skip
    # The checks of so short a fit fail: exit code 5.
    took = finished(words, work, (0, 5))
    draws = load_population(out).n_draws
    while seen.kills < count:
        if seen.kills % 5 == 0:
            shutil.rmtree(chains, ignore_errors=True)
        if rng.random() < 0.5:
            out.unlink(missing_ok=True)
            idata_path(out).unlink(missing_ok=True)
        place = chains if rng.random() < 0.5 else work
        if not kill(start(words, work), place, rng, took):
            seen.too_late += 1
            continue
        seen.kills += 1
        seen.writing += bool(leftovers(work))
        seen.unfinished += not out.exists()
        if out.exists() and load_population(out).n_draws != draws:
            seen.complaints.append("the population is not whole")
        for path in [*chains.glob("*.nc"), idata_path(out)]:
            if path.exists() and not _opens(path):
                seen.complaints.append(f"{path.name} is not whole")
        if seen.kills % 5 == 0 or seen.kills == count:
            seen.reruns += 1
            if start(words, work).wait() not in (0, 5):
                seen.complaints.append("a rerun failed")
            if load_population(out).n_draws != draws or not _opens(idata_path(out)):
                seen.complaints.append("a rerun did not finish the fit")
    return seen


def _opens(path: Path) -> bool:
    import numpy as np
    import xarray as xr

    try:
        with xr.open_datatree(path, engine="h5netcdf") as tree:
            posterior = tree["posterior"].to_dataset().load()
            return all(np.isfinite(v).all() for v in posterior.values())
    except (OSError, KeyError, ValueError):
        return False


SCENES: dict[str, Callable[[int, random.Random, Path], Kills]] = {
    "weekly": kill_weekly,
    "add": kill_add,
    "pair": kill_pair,
    "pool": kill_pool,
    "fit": kill_fit,
}


def run(name: str, count: int, seed: int) -> Kills:
    """Kill one command so many times in a folder of its own."""
    with tempfile.TemporaryDirectory() as work:
        return SCENES[name](count, random.Random(f"{name}{seed}"), Path(work))


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.kills", description=__doc__)
    parser.add_argument("scenes", nargs="+", metavar="SCENE=COUNT", help=", ".join(SCENES))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, metavar="CSV", help="append the counts here")
    args = parser.parse_args()
    bad = 0
    for scene in args.scenes:
        name, _, count = scene.partition("=")
        left, seed = int(count or 10), args.seed
        # Ten at a time, so that a run that is stopped has something to show.
        while left > 0:
            seen = run(name, min(left, 10), seed)
            print(seen, flush=True)
            bad += len(seen.complaints)
            if args.out:
                _append(args.out, seed, seen)
            left, seed = left - seen.kills, seed + 1
    return 1 if bad else 0


def _append(out: Path, seed: int, seen: Kills) -> None:
    row = {
        "command": seen.command, "seed": seed, "kills": seen.kills, "while_writing": seen.writing,
        "before_anything_new": seen.unfinished, "ended_before_the_kill": seen.too_late,
        "reruns": seen.reruns, "broken": len(seen.complaints),
    }  # fmt: skip
    pd.DataFrame([row]).to_csv(out, mode="a", header=not out.exists(), index=False)


if __name__ == "__main__":
    sys.exit(main())
