"""Kill a command at random moments: every file is the old or the new one, a rerun ends the job.

``python -m tests.fuzz.kills --help``
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd


def files(folder: Path) -> dict[str, bytes]:
    """Every file below a folder that is not hidden."""
    found = {p.relative_to(folder): p for p in folder.rglob("*") if p.is_file()}
    return {
        name.as_posix(): path.read_bytes()
        for name, path in found.items()
        if not any(part.startswith(".") for part in name.parts)
    }


def leftovers(folder: Path) -> list[str]:
    """Half-written files that a killed process left."""
    return sorted(p.name for p in folder.rglob(".*") if p.name.endswith((".part", ".tmp")))


def start(words: list[str], cwd: Path) -> subprocess.Popen[bytes]:
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    return subprocess.Popen(
        [sys.executable, "-m", "maturity_model", *words], cwd=cwd, env=env,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip


def _stamp(folder: Path) -> list[tuple[str, int]]:
    """Names in a folder, and when they were last written."""
    try:
        # Closed also when a file goes while it is asked for its time.
        with os.scandir(folder) as entries:
            return sorted((e.name, e.stat(follow_symlinks=False).st_mtime_ns) for e in entries)
    except OSError:
        return []


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


def finished(words: list[str], work: Path, codes: tuple[int, ...] = (0,)) -> float:
    """Run a command to its end; seconds."""
    began = time.monotonic()
    assert start(words, work).wait() in codes
    return time.monotonic() - began


@dataclass
class Scene:
    """A command that changes the folder ``target``, killed as it writes into ``place``.

    Of ``kills``, ``writing`` left a half-written file beside its target, or some files old and
    some new, and ``unfinished`` came before anything was new. ``too_late`` processes had ended
    before the signal came.
    """

    command: str
    rng: random.Random
    words: list[str]
    work: Path
    target: Path
    place: Path
    codes: tuple[int, ...] = (0,)
    kills: int = 0
    too_late: int = 0
    writing: int = 0
    unfinished: int = 0
    reruns: int = 0
    complaints: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Copy the target as it is, then let the command end once and time it."""
        shutil.copytree(self.target, self.work / "old")
        self.took = finished(self.words, self.work, self.codes)

    def restore(self) -> None:
        """Make the target what it was before the command."""
        shutil.rmtree(self.target, ignore_errors=True)
        shutil.copytree(self.work / "old", self.target)

    def start(self) -> subprocess.Popen[bytes]:
        return start(self.words, self.work)

    def kill(self, process: subprocess.Popen[bytes], place: Path | None = None) -> bool:
        """Kill the command at a random moment, two times in three as it writes; if in time."""
        folder, rng, how = place or self.place, self.rng, self.rng.random()
        if how < 1 / 3:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(rng.random() * self.took)
        elif how < 2 / 3:
            while process.poll() is None:
                if any(name.endswith((".part", ".tmp")) for name, _ in _stamp(folder)):
                    break
            time.sleep(rng.choice((0.0, 0.0, 0.001, 0.003, 0.01)) * rng.random())
        else:
            before, changes = _stamp(folder), rng.choice((1, 1, 2, 3, 5, 8, 20, 40))
            while process.poll() is None and changes:
                now = _stamp(folder)
                changes -= now != before
                before = now
        process.kill()
        killed = process.wait() == -signal.SIGKILL
        self.kills += killed
        self.too_late += not killed
        return killed

    def until(self, count: int) -> Iterator[None]:
        """Restore and kill; yield after each kill until there are enough."""
        while self.kills < count:
            self.restore()
            if self.kill(self.start()):
                yield

    def rerun(self) -> None:
        """Run the command to its end, as a keeper would after a kill."""
        self.reruns += 1
        self.check(self.start().wait() in self.codes, "a rerun failed")

    def check(self, good: bool, complaint: str) -> None:
        if not good:
            self.complaints.append(complaint)

    def mixed(self, found: dict[str, bytes], old: dict[str, bytes], new: dict[str, bytes]) -> None:
        """Each file of a folder must be the old or the new one."""
        for name, data in found.items():
            whole = data in (old.get(name), new.get(name))
            self.check(whole, f"{name} is neither old nor new ({len(data)} bytes)")
        self.check(old.keys() <= found.keys(), f"{old.keys() - found.keys()} are gone")
        fresh = [found.get(n) == new[n] for n in new if old.get(n) != new[n]]
        self.unfinished += not any(fresh)
        self.writing += bool(leftovers(self.target)) or (any(fresh) and not all(fresh))


def kill_weekly(count: int, rng: random.Random, work: Path) -> Scene:
    """The weekly report of twelve tanks over an older one."""
    out = work / "out"
    make_log(work / "log", 12, 30)
    words = ["weekly", "log", "--out", "out", "--brief"]
    finished([*words, "--as-of", "2025-06-01"], work)
    scene = Scene("weekly", rng, words, work, out, out)
    old, new = files(work / "old"), files(out)
    for _ in scene.until(count):
        scene.mixed(files(out), old, new)
        if scene.kills % 4 == 0 or leftovers(out):
            scene.rerun()
            scene.check(files(out) == new, "a rerun did not finish the report")
    return scene


def tables(log: Path) -> dict[str, bytes]:
    """A logbook's files without its backups."""
    return {name: data for name, data in files(log).items() if "/" not in name}


def kill_add(count: int, rng: random.Random, work: Path) -> Scene:
    """Adding check-ins and events to a long log; its tables change one after the other."""
    log = work / "log"
    make_log(log, 100, 80)
    (log / "events.csv").write_text("tank,date,event,amount\ntank 0,2025-04-01,crash,\n")
    rows = "".join(f"tank {i},2026-06-01,y,,,from the form\n" for i in range(40))
    rows += "".join(f"tank {i},2026-06-01,,water_change,20,\n" for i in range(40))
    (work / "new.csv").write_text("tank,date,diatoms,event,amount,note\n" + rows)
    scene = Scene("add", rng, ["add", "new.csv", "log"], work, log, log)
    old, new = files(work / "old"), tables(log)
    for _ in scene.until(count):
        for name, data in files(log).items():
            backup = name.startswith("backup/")
            scene.check(not backup or data in old.values(), f"{name} is no copy of an old table")
        scene.mixed(tables(log), old, new)
        scene.rerun()
        scene.check(tables(log) == new, "a rerun did not finish adding")
        scene.check(not leftovers(log), f"a rerun left {leftovers(log)}")
    return scene


def kill_pair(count: int, rng: random.Random, work: Path) -> Scene:
    """Two at once on one log, one of them killed: what the other added stays, and both end."""
    log = work / "log"
    make_log(log, 10, 30)
    for i in (1, 2):
        rows = "".join(f"tank {t},2026-06-0{i},y\n" for t in range(10))
        (work / f"new{i}.csv").write_text("tank,date,diatoms\n" + rows)

    def lines() -> list[str]:
        return (log / "checkins.csv").read_text().splitlines()

    before = len(lines())
    scene = Scene("two adds at once", rng, ["add", "new1.csv", "log"], work, log, log)
    while scene.kills < count:
        scene.restore()
        first, other = scene.start(), start(["add", "new2.csv", "log"], work)
        scene.kill(first)
        scene.check(other.wait() == 0, "the other one failed")
        theirs = sum(",2026-06-02," in line for line in lines())
        scene.check(theirs == 10, "rows of the other one were lost")
        added = len(lines()) - before
        scene.check(added in (10, 20), f"{added} rows were added")
        scene.unfinished += added == 10
        scene.rerun()
        whole = len(lines()) == len(set(lines())) == before + 20
        scene.check(whole, "a rerun lost or doubled rows")
    return scene


def kill_pool(count: int, rng: random.Random, work: Path) -> Scene:
    """A pool of two logs over a pool of one: the folder is the old or the new one as a whole."""
    pool = work / "pool"
    for i in (1, 2):
        make_log(work / f"log{i}", 5 * i, 30)
    words = ["--out", "pool", "--consent-default", "yes"]
    finished(["pool", "log1", *words], work)
    scene = Scene("pool", rng, ["pool", "log1", "log2", *words], work, pool, work)
    old, new = files(work / "old"), files(pool)

    def keys() -> dict[str, bytes]:
        return {p.name: p.read_bytes() for p in work.glob("*.key")}

    def parts() -> list[str]:
        return [p.name for p in work.glob("*.part")]

    key = keys()
    for _ in scene.until(count):
        found = files(pool) if pool.exists() else None
        scene.unfinished += found in (None, old)
        scene.writing += bool(parts())
        scene.check(found in (None, old, new), "the pool is neither old nor new")
        scene.check(found is not None or bool(parts()), "the pool is gone")
        scene.check(keys() == key, "the key changed")
        scene.rerun()
        scene.check(files(pool) == new, "a rerun did not finish the pool")
        scene.check(not parts(), f"a rerun left {parts()}")
    return scene


def kill_fit(count: int, rng: random.Random, work: Path) -> Scene:
    """A tiny fit; whole means that a file can be opened and holds what it should."""
    from maturity_model.fitting.command import idata_path
    from maturity_model.population import load_population

    make_log(work / "log", 3, 20)
    out, chains = work / "club.nc", work / "club.nc.chains"
    words = ["fit", "log", "--out", "club.nc", "--draws", "60", "--tune", "60", "--chains", "2",
             "--cores", "1"]  # fmt: skip
    # The checks of so short a fit fail: exit code 5.
    scene = Scene("fit", rng, words, work, work / "log", work, (0, 5))
    draws = load_population(out).n_draws
    while scene.kills < count:
        if scene.kills % 5 == 0:
            shutil.rmtree(chains, ignore_errors=True)
        if rng.random() < 0.5:
            out.unlink(missing_ok=True)
            idata_path(out).unlink(missing_ok=True)
        if not scene.kill(scene.start(), chains if rng.random() < 0.5 else work):
            continue
        scene.writing += bool(leftovers(work))
        scene.unfinished += not out.exists()
        whole = not out.exists() or load_population(out).n_draws == draws
        scene.check(whole, "the population is not whole")
        for path in [*chains.glob("*.nc"), idata_path(out)]:
            scene.check(not path.exists() or _opens(path), f"{path.name} is not whole")
        if scene.kills % 5 == 0 or scene.kills == count:
            scene.rerun()
            whole = load_population(out).n_draws == draws and _opens(idata_path(out))
            scene.check(whole, "a rerun did not finish the fit")
    return scene


def _opens(path: Path) -> bool:
    import numpy as np
    import xarray as xr

    try:
        with xr.open_datatree(path, engine="h5netcdf") as tree:
            posterior = tree["posterior"].to_dataset().load()
            return all(np.isfinite(v).all() for v in posterior.values())
    except (OSError, KeyError, ValueError):
        return False


SCENES: dict[str, Callable[[int, random.Random, Path], Scene]] = {
    f.__name__.removeprefix("kill_"): f
    for f in (kill_weekly, kill_add, kill_pair, kill_pool, kill_fit)
}


def run(name: str, count: int, seed: int) -> Scene:
    """Kill one command ``count`` times, in its own folder."""
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
            print(f"{seen.command}: {seen.kills} kills, {seen.complaints}", flush=True)
            bad += len(seen.complaints)
            if args.out:
                _append(args.out, seed, seen)
            left, seed = left - seen.kills, seed + 1
    return 1 if bad else 0


def _append(out: Path, seed: int, seen: Scene) -> None:
    row = {
        "command": seen.command, "seed": seed, "kills": seen.kills, "while_writing": seen.writing,
        "before_anything_new": seen.unfinished, "ended_before_the_kill": seen.too_late,
        "reruns": seen.reruns, "broken": len(seen.complaints),
    }  # fmt: skip
    pd.DataFrame([row]).to_csv(out, mode="a", header=not out.exists(), index=False)


if __name__ == "__main__":
    sys.exit(main())
