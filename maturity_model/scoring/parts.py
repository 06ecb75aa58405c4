"""Scores as a folder of Parquet files, each whole or not there, and what is known of them."""

from __future__ import annotations

import contextlib
import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.assessment.filtering import HORIZONS
from maturity_model.scoring.job import Job, Opened, Part, ScoringError, opened, some_tanks
from maturity_model.scoring.state import Store
from maturity_model.scoring.tanks import TankScores, score_tanks
from maturity_model.whole_files import new_file, remove_leftovers, write_file

#: Readers of Parquet folders pass over names that begin so.
MANIFEST, JOURNAL, LOCK = "_manifest.json", "_progress.jsonl", ".lock"
#: Tanks whose tables are in memory together.
BATCH = 32
_MAX_TEXT = 256 * 2**20


@dataclass(frozen=True)
class Done:
    """A finished file: its number, name and digest, and the rows that went in."""

    number: int
    file: str
    sha256: str
    tanks: int
    weeks: int
    read: dict[str, int]


def score_part(job: Job, part: Part, threads: int = 1) -> Done:
    """Score the tanks of one part and write its file; the same bytes each time.

    Parameters
    ----------
    job : Job
    part : Part
    threads : int
        The kernels release the GIL; the result does not hang on it.
    """
    work = opened(job)
    book, read = work.source.read(part.tanks)
    store = Store(Path(job.state), work.settings["model_sha256"]) if job.state else None
    names = list(book.tanks)
    batches = [set(names[i : i + BATCH]) for i in range(0, len(names), BATCH)]

    def one(batch: set[str]) -> list[TankScores]:
        mine = some_tanks(book, batch)
        return list(score_tanks(mine, work.population, work.evidence_weight, work.ends, store))

    if threads > 1 and len(batches) > 1:
        with ThreadPoolExecutor(threads) as pool:
            found = [s for batch in pool.map(one, batches) for s in batch]
    else:
        found = [s for batch in batches for s in one(batch)]
    return _done(job, part, found, work, read)


def _done(
    job: Job, part: Part, found: list[TankScores], work: Opened, read: dict[str, int]
) -> Done:
    name = f"part-{part.number:06d}.parquet"
    digest = _write(Path(job.out) / name, found, work)
    weeks = sum(len(s.day) for s in found)
    return Done(part.number, name, digest, len(found), weeks, read)


def _write(path: Path, found: list[TankScores], work: Opened) -> str:
    import pyarrow as pa
    import pyarrow.parquet as pq

    phases = list(work.population.phases)
    names = phases + [f"regression_{h}" for h in HORIZONS] + ["khat", "power", "effective"]
    counts = [len(s.day) for s in found]
    values = np.concatenate([s.values for s in found])
    columns = {
        "tank": pa.array(np.repeat(np.array([s.tank for s in found], dtype=object), counts)),
        "week": pa.array(np.concatenate([np.arange(c, dtype=np.int32) for c in counts])),
        "day": pa.array(np.concatenate([s.day for s in found]).astype(np.int32)),
        "checked": pa.array(np.concatenate([s.checked for s in found])),
    }
    columns |= {name: pa.array(values[:, i]) for i, name in enumerate(names)}
    table = pa.table(columns).replace_schema_metadata({"scores": work.digest})
    with new_file(path, durable=True) as part:
        pq.write_table(table, part, compression="zstd", row_group_size=max(table.num_rows, 1))
        return file_digest(part)


def file_digest(path: Path) -> str:
    """SHA-256 of a file."""
    found = hashlib.sha256()
    with path.open("rb") as handle:
        while chunk := handle.read(2**22):
            found.update(chunk)
    return found.hexdigest()


class Folder:
    """The folder of the scores of one job.

    Parameters
    ----------
    path : Path
    work : Opened
    force : bool
        Replace scores made with other settings.

    Raises
    ------
    ScoringError
        When it holds something else.
    """

    def __init__(self, path: Path, work: Opened, *, force: bool = False):
        self.path, self.work = Path(path), work
        self._begin(force)

    def _begin(self, force: bool) -> None:
        remove_leftovers(self.path)
        inside = sorted(p.name for p in self.path.iterdir() if p.name != LOCK)
        strange = [n for n in inside if n not in (MANIFEST, JOURNAL) and not _is_part(n)]
        if strange:
            raise ScoringError(
                f"{self.path} holds {strange[0][:80]!r}, which is no score; choose another folder"
            )
        manifest = _json(self.path / MANIFEST)
        if inside and manifest is None and any(_is_part(n) for n in inside) and not force:
            raise ScoringError(f"{self.path} holds parts without a manifest; --force replaces them")
        if manifest is not None and manifest.get("digest") != self.work.digest:
            if not force:
                raise ScoringError(
                    f"{self.path} holds scores of another pool, population or setting"
                    f"{_difference(manifest.get('settings'), self.work.settings)}; "
                    "choose another folder, or replace them with --force"
                )
            force, manifest = True, None
        if manifest is None:
            for name in inside:
                if name != MANIFEST:
                    (self.path / name).unlink(missing_ok=True)
            self._manifest([], complete=False)

    def kept(self) -> dict[int, Done]:
        """Finished parts, as far as their files are still what they were."""
        told: dict[int, Done] = {}
        manifest = _json(self.path / MANIFEST) or {}
        rows = list(manifest.get("parts") or [])
        with contextlib.suppress(OSError):
            text = (self.path / JOURNAL).read_text("utf-8", "replace")
            for line in text.splitlines():
                with contextlib.suppress(ValueError):  # A kill may have torn the last line.
                    rows.append(json.loads(line))
        for row in rows:
            with contextlib.suppress(TypeError, KeyError, ValueError, OSError):
                done = Done(**row)
                path = self.path / f"part-{int(done.number):06d}.parquet"
                counts = (done.tanks, done.weeks, *dict(done.read).values())
                if not all(type(c) is int for c in counts):
                    continue
                if done.file == path.name and file_digest(path) == done.sha256:
                    told[done.number] = done
        return told

    def add(self, done: Done) -> None:
        """Note a finished part."""
        with (self.path / JOURNAL).open("a", encoding="utf-8") as handle:
            handle.write(json.dumps(asdict(done)) + "\n")

    def finish(self, parts: list[Done]) -> None:
        """Check that every row was read once, and close the folder.

        Raises
        ------
        ScoringError
            When the parts do not add up to the source.
        """
        for table, rows in self.work.source.rows.items():
            read = sum(p.read.get(table, 0) for p in parts)
            if read != rows:
                raise ScoringError(
                    f"{read} rows of {table} were read instead of {rows}: a tank of them is not "
                    "in the table of tanks, or the statistics of the files are wrong"
                )
        self._manifest(sorted(parts, key=lambda p: p.number), complete=True)
        (self.path / JOURNAL).unlink(missing_ok=True)

    def _manifest(self, parts: list[Done], *, complete: bool) -> None:
        content = {
            "complete": complete,
            "tanks": sum(p.tanks for p in parts),
            "tank_weeks": sum(p.weeks for p in parts),
            "settings": self.work.settings,
            "digest": self.work.digest,
            "parts": [asdict(p) for p in parts],
        }
        write_file(self.path / MANIFEST, json.dumps(content, indent=1) + "\n")


def _is_part(name: str) -> bool:
    return name.startswith("part-") and name.endswith(".parquet")


def _json(path: Path) -> dict[str, Any] | None:
    try:
        if path.stat().st_size > _MAX_TEXT:
            return None
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _difference(theirs: Any, ours: dict[str, Any]) -> str:
    if not isinstance(theirs, dict):
        return ""
    other = [key.replace("_", " ") for key, value in ours.items() if theirs.get(key) != value]
    return f" ({', '.join(other)})" if other else ""
