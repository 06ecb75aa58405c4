"""Scores as a folder of Parquet files, with a manifest and a journal of finished parts."""

from __future__ import annotations

import contextlib
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model.assessment.filtering import HORIZONS
from maturity_model.scoring.job import Job, OpenJob, Part, ScoringError, open_once
from maturity_model.scoring.saved_filters import FilterStore
from maturity_model.scoring.tanks import TankScores, score_tanks
from maturity_model.whole_files import file_sha256, new_file, remove_leftovers, write_file

#: Readers of Parquet folders ignore names that begin with an underscore or a dot.
MANIFEST, JOURNAL, LOCK = "_manifest.json", "_progress.jsonl", ".lock"
#: Tanks whose tables are in memory together.
BATCH = 32
_MAX_TEXT = 256 * 2**20


@dataclass(frozen=True)
class FinishedPart:
    """A file of scores: its number, name and digest, and the rows read for it by table."""

    number: int
    file: str
    sha256: str
    tanks: int
    weeks: int
    read: dict[str, int]


def score_part(job: Job, part: Part, threads: int = 1) -> FinishedPart:
    """Score the tanks of one part and write its file; the same bytes with any ``threads``."""
    opened = open_once(job)
    book, read = opened.source.read(part.tanks)
    store = None
    if job.state:
        store = FilterStore(Path(job.state), opened.settings["model_sha256"])
    names = list(book.tanks)
    batches = [set(names[i : i + BATCH]) for i in range(0, len(names), BATCH)]

    def score_batch(batch: set[str]) -> list[TankScores]:
        settings = opened.population, opened.evidence_weight, opened.ends, store
        return list(score_tanks(book.only(batch), *settings))

    # The kernels release the GIL.
    with ThreadPoolExecutor(threads) as pool:
        scores = [tank for batch in pool.map(score_batch, batches) for tank in batch]
    path = Path(job.out) / f"part-{part.number:06d}.parquet"
    digest = _write(path, scores, opened)
    weeks = sum(len(s.day) for s in scores)
    return FinishedPart(part.number, path.name, digest, len(scores), weeks, read)


def _write(path: Path, scores: list[TankScores], job: OpenJob) -> str:
    import pyarrow as pa
    import pyarrow.parquet as pq

    phases = list(job.population.phases)
    names = phases + [f"regression_{h}" for h in HORIZONS] + ["khat", "power", "effective"]
    counts = [len(s.day) for s in scores]
    values = np.concatenate([s.values for s in scores])
    columns = {
        "tank": pa.array(np.repeat(np.array([s.tank for s in scores], dtype=object), counts)),
        "week": pa.array(np.concatenate([np.arange(c, dtype=np.int32) for c in counts])),
        "day": pa.array(np.concatenate([s.day for s in scores]).astype(np.int32)),
        "checked": pa.array(np.concatenate([s.checked for s in scores])),
    }
    columns |= {name: pa.array(values[:, i]) for i, name in enumerate(names)}
    # A table taken out of its folder still says whether its population passed its checks.
    standing = {name: job.settings[f"population_{name}"] for name in ("standing", "warning")}
    columns["population_standing"] = pa.array([standing["standing"]] * len(values))
    table = pa.table(columns).replace_schema_metadata({"scores": job.digest} | standing)
    with new_file(path, durable=True) as part:
        pq.write_table(table, part, compression="zstd", row_group_size=max(table.num_rows, 1))
        return file_sha256(part)


class ScoreFolder:
    """The folder of the scores of one job; ``force`` replaces those of other settings.

    Raises ScoringError where it holds something else.
    """

    def __init__(self, path: Path, job: OpenJob, *, force: bool = False):
        self.path, self.job = path, job
        remove_leftovers(self.path)
        inside = sorted(p.name for p in self.path.iterdir() if p.name != LOCK)
        strange = [n for n in inside if n not in (MANIFEST, JOURNAL) and not _is_part(n)]
        if strange:
            raise ScoringError(
                f"{self.path} holds {strange[0][:80]!r}, which is no score; choose another folder"
            )
        manifest = _json(self.path / MANIFEST)
        if manifest is None and any(map(_is_part, inside)) and not force:
            raise ScoringError(f"{self.path} holds parts without a manifest; --force replaces them")
        if manifest is not None and manifest.get("digest") != self.job.digest:
            if not force:
                raise ScoringError(
                    f"{self.path} holds scores of another pool, population or setting"
                    f"{_difference(manifest.get('settings'), self.job.settings)}; "
                    "choose another folder, or replace them with --force"
                )
            manifest = None
        if manifest is None:
            for name in inside:
                if name != MANIFEST:
                    (self.path / name).unlink(missing_ok=True)
            self._manifest([], complete=False)

    def finished(self) -> dict[int, FinishedPart]:
        """Finished parts by number, as far as their files are unchanged."""
        parts: dict[int, FinishedPart] = {}
        manifest = _json(self.path / MANIFEST) or {}
        rows = list(manifest.get("parts") or [])
        with contextlib.suppress(OSError):
            text = (self.path / JOURNAL).read_text("utf-8", "replace")
            for line in text.splitlines():
                with contextlib.suppress(ValueError):  # A kill may have torn the last line.
                    rows.append(json.loads(line))
        for row in rows:
            with contextlib.suppress(TypeError, KeyError, ValueError, OSError):
                part = FinishedPart(**row)
                path = self.path / f"part-{int(part.number):06d}.parquet"
                if part.file == path.name and file_sha256(path) == part.sha256:
                    parts[part.number] = part
        return parts

    def add(self, part: FinishedPart) -> None:
        """Note a finished part in the journal."""
        with (self.path / JOURNAL).open("a", encoding="utf-8") as handle:
            handle.write(json.dumps(asdict(part)) + "\n")

    def finish(self, parts: list[FinishedPart]) -> None:
        """Check that every row was read once, and close the folder."""
        for table, rows in self.job.source.rows.items():
            read = sum(p.read.get(table, 0) for p in parts)
            if read != rows:
                raise ScoringError(
                    f"{read} rows of {table} were read instead of {rows}: a tank of them is not "
                    "in the table of tanks, or the statistics of the files are wrong"
                )
        self._manifest(sorted(parts, key=lambda p: p.number), complete=True)
        (self.path / JOURNAL).unlink(missing_ok=True)

    def _manifest(self, parts: list[FinishedPart], *, complete: bool) -> None:
        content = {
            "complete": complete,
            "tanks": sum(p.tanks for p in parts),
            "tank_weeks": sum(p.weeks for p in parts),
            "settings": self.job.settings,
            "digest": self.job.digest,
            "parts": [asdict(p) for p in parts],
        }
        write_file(self.path / MANIFEST, json.dumps(content, indent=1) + "\n")


def _is_part(name: str) -> bool:
    return name.startswith("part-") and name.endswith(".parquet")


def _json(path: Path) -> dict[str, Any] | None:
    try:
        if path.stat().st_size > _MAX_TEXT:
            return None
        content = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return content if isinstance(content, dict) else None


def _difference(theirs: Any, ours: dict[str, Any]) -> str:
    if not isinstance(theirs, dict):
        return ""
    other = [key.replace("_", " ") for key, value in ours.items() if theirs.get(key) != value]
    return f" ({', '.join(other)})" if other else ""
