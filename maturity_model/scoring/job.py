"""A scoring job: names of files and settings that a worker on another machine can open."""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import json
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from maturity_model import __version__
from maturity_model.assessment.filtering import HORIZONS, PACE_NODES, SKILL_NODES
from maturity_model.logbook import Logbook, read_logbook
from maturity_model.panel import last_day, water_known_from
from maturity_model.pooling import is_pool
from maturity_model.pooling.as_logbook import LAST_DAY
from maturity_model.pooling.read import PoolReader
from maturity_model.population import Population, load_population
from maturity_model.population.tables import fit_to_catalogue
from maturity_model.population.types import DIMS, take_draws

#: Version of the layout of scores.
FORMAT = 1


class ScoringError(ValueError):
    """Scores cannot be made; the message says why."""


@dataclass(frozen=True)
class Job:
    """Everything a worker needs, as in :func:`.score`; it opens the files itself.

    ``expected`` is the digest of the settings, where they are known: a worker refuses if its
    files give another.
    """

    source: str
    population: str
    out: str
    draws: int | None = None
    evidence_weight: float | None = None
    part_tanks: int = 512
    state: str | None = None
    expected: str = ""


class Part(NamedTuple):
    """One file of scores: its number from 0, and the tanks in it."""

    number: int
    tanks: tuple[str, ...]


class LogbookSource:
    """A logbook, some tanks at a time, as :class:`.PoolReader` is a pool."""

    def __init__(self, path: Path):
        book = read_logbook(path)
        self.catalogue, self.sha256, self.ends = book.catalogue, book.sha256, last_day(book)
        # From the whole log, because a keeper's first water change may be in another tank.
        self.whole = replace(book, water_known_from=water_known_from(book))
        self.rows = _rows(book)

    def tank_names(self) -> list[str]:
        """Tanks of the logbook, in order."""
        return list(self.whole.tanks)

    def read(self, tanks: Sequence[str]) -> tuple[Logbook, dict[str, int]]:
        """Read some tanks; also how many rows of each table they have."""
        book = self.whole.only(set(tanks))
        return book, _rows(book)


def _rows(book: Logbook) -> dict[str, int]:
    sizes = {"tanks": book.tanks, "checkins": book.checkins, "events": book.events}
    return {name: len(rows) for name, rows in sizes.items()}


class OpenJob(NamedTuple):
    """A job with its files open.

    ``population`` is thinned, its signs in the order of the source's catalogue; ``ends`` is the
    last day of the source's calendar; the scores depend on ``settings`` and nothing else, and
    ``digest`` is their SHA-256.
    """

    source: PoolReader | LogbookSource
    population: Population
    evidence_weight: float
    ends: dt.date
    settings: dict[str, Any]
    digest: str


def open_job(job: Job, *, check: bool = True) -> OpenJob:
    """Open the files of a job; ``check`` compares a pool's with their digests."""
    path = Path(job.source)
    pool = is_pool(path)
    source = PoolReader(path, check=check) if pool else LogbookSource(path)
    loaded = load_population(job.population)
    population = fit_to_catalogue(loaded, source.catalogue)
    if job.draws is not None:
        if job.draws > loaded.n_draws:
            raise ScoringError(
                f"the population {loaded.name!r} has {loaded.n_draws} draws, not {job.draws}"
            )
        every = np.arange(job.draws, dtype=np.int64) * loaded.n_draws // job.draws
        population = take_draws(population, every)
    weight = population.evidence_weight if job.evidence_weight is None else job.evidence_weight
    settings = {
        "format": FORMAT,
        "maturity_model": __version__,
        "source": "pool" if pool else "logbook",
        "source_sha256": source.sha256,
        "population": loaded.name,
        "population_sha256": loaded.sha256,
        "population_standing": loaded.standing,
        "population_warning": loaded.warning,
        "draws": population.n_draws,
        "draws_in_file": loaded.n_draws,
        "evidence_weight": weight,
        "quadrature": [PACE_NODES, SKILL_NODES],
        "horizons_weeks": list(HORIZONS),
        "phases": list(population.phases),
        "model_sha256": model_digest(population, weight),
        "part_tanks": job.part_tanks,
    }
    digest = hashlib.sha256(json.dumps(settings, sort_keys=True).encode()).hexdigest()
    if job.expected and digest != job.expected:
        raise ScoringError(
            "a worker sees another pool, population or version of the program than the one "
            "who sent it"
        )
    ends = LAST_DAY if isinstance(source, PoolReader) else source.ends
    return OpenJob(source, population, weight, ends, settings, digest)


@functools.lru_cache(maxsize=1)
def open_once(job: Job) -> OpenJob:
    """Open a job once in this process; its files were checked when it was made."""
    with warnings.catch_warnings():
        # The process that made the job has shown them.
        warnings.simplefilter("ignore")
        return open_job(job, check=False)


def model_digest(population: Population, evidence_weight: float) -> str:
    """SHA-256 of everything in the model that a tank's probabilities depend on."""
    labels = [
        __version__, evidence_weight, PACE_NODES, SKILL_NODES, HORIZONS, population.n_stages,
        population.phases, population.signs, population.analytes, population.events,
        population.covariates, population.looks, population.rocks,
    ]  # fmt: skip
    digest = hashlib.sha256(json.dumps(labels).encode())
    for name in DIMS:
        values = np.ascontiguousarray(getattr(population, name), dtype="<f8")
        digest.update(f"{name}{values.shape}".encode() + values.tobytes())
    return digest.hexdigest()
