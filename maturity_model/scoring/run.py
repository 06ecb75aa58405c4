"""Scoring a whole pool: in this process, in several, or on a cluster; the bytes are the same."""

from __future__ import annotations

import importlib
import importlib.util
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from maturity_model.logbook import Logbook
from maturity_model.population.files import default_population_path
from maturity_model.scoring.job import Job, LogbookSource, Part, ScoringError, open_job
from maturity_model.scoring.parts import LOCK, FinishedPart, ScoreFolder, score_part
from maturity_model.whole_files import locked


@dataclass(frozen=True)
class ScoreReport:
    """What was scored: in ``parts`` files, of which an earlier run had finished ``kept``.

    ``logbook`` is what was scored, with its problems, unless it was a pool; ``warning`` is
    :attr:`.Population.warning`.
    """

    tanks: int
    tank_weeks: int
    parts: int
    kept: int
    draws: int
    seconds: float
    logbook: Logbook | None = None
    warning: str = ""


def score(
    source: str | Path,
    out: str | Path,
    *,
    population: str | Path | None = None,
    draws: int | None = None,
    evidence_weight: float | None = None,
    workers: int = 1,
    threads: int | None = None,
    scheduler: str | None = None,
    state: str | Path | None = None,
    part_tanks: int = 512,
    force: bool = False,
    progress: Callable[[str], None] = lambda message: None,
) -> ScoreReport:
    """Score every tank of a pool or a logbook, week by week.

    Parameters
    ----------
    source : str or Path
        A pool, or a logbook.
    out : str or Path
        Folder for the scores. A run that was stopped goes on there.
    population : str or Path, optional
        Default: the one that ships with the package.
    draws : int, optional
        Use this number of its draws, evenly spaced. Default: all.
    evidence_weight : float, optional
        Default: the population's own.
    workers : int
        Processes on this machine.
    threads : int, optional
        In each of them. Default: the machine's cores, shared among the processes.
    scheduler : str, optional
        Address of a Dask scheduler; its workers must see the same files, and do the work.
    state : str or Path, optional
        Folder of saved filters: of a tank with unchanged history, only new weeks are filtered.
    part_tanks : int
        Tanks in one file.
    force : bool
        Replace scores of other settings.
    progress : callable, optional

    Raises
    ------
    ScoringError
        When scores cannot be made.
    PopulationMismatch, PopulationError, PoolMismatch, PoolError, LogbookError
        When source or population cannot be used.
    OSError
        When the scores cannot be written.
    """
    begun = time.monotonic()
    if importlib.util.find_spec("pyarrow") is None:
        raise ScoringError(
            "pyarrow is not installed; scores need the extra: pip install 'maturity-model[pool]'"
        )
    job = Job(
        source=os.path.abspath(source),
        population=os.path.abspath(population or default_population_path()),
        out=os.path.abspath(out),
        draws=draws,
        evidence_weight=evidence_weight,
        part_tanks=part_tanks,
        state=os.path.abspath(state) if state else None,
    )
    inside, outside = Path(os.path.realpath(job.out)), Path(os.path.realpath(job.source))
    if inside == outside or outside in inside.parents or inside in outside.parents:
        raise ScoringError("the scores and their source may not lie in each other")
    progress("checking the files")
    opened = open_job(job)
    job = replace(job, expected=opened.digest)
    names = opened.source.tank_names()
    cuts = range(0, len(names), part_tanks)
    parts = [Part(i, tuple(names[at : at + part_tanks])) for i, at in enumerate(cuts)]
    if not parts:
        raise ScoringError(f"{job.source} holds no tank")
    path = Path(job.out)
    path.mkdir(parents=True, exist_ok=True)
    with locked(path / LOCK, ScoringError(f"another run is writing to {path}")):
        folder = ScoreFolder(path, opened, force=force)
        done = {n: part for n, part in folder.finished().items() if n < len(parts)}
        kept = len(done)
        tanks = sum(part.tanks for part in done.values())
        report_progress = _Progress(progress, len(names), tanks)
        waiting = [part for part in parts if part.number not in done]
        for part in _scored(job, waiting, workers, threads, scheduler):
            folder.add(part)
            done[part.number] = part
            report_progress.add(part.tanks)
        folder.finish(list(done.values()))
    return ScoreReport(
        sum(p.tanks for p in done.values()),
        sum(p.weeks for p in done.values()),
        len(done),
        kept,
        opened.population.n_draws,
        time.monotonic() - begun,
        opened.source.whole if isinstance(opened.source, LogbookSource) else None,
        opened.population.warning,
    )


def _scored(
    job: Job, parts: list[Part], workers: int, threads: int | None, scheduler: str | None
) -> Iterator[FinishedPart]:
    """Score parts, in any order."""
    threads = max(1, threads or (os.cpu_count() or 1) // max(1, workers))
    if scheduler is None and workers <= 1:
        yield from (score_part(job, part, threads) for part in parts)
        return
    with _executor(workers, scheduler) as executor:
        # A cluster's workers have threads already.
        threads = 1 if scheduler else threads
        waiting = [executor.submit(score_part, job, part, threads) for part in parts]
        try:
            for future in as_completed(waiting):
                yield future.result()
        finally:
            for future in waiting:
                future.cancel()


@contextmanager
def _executor(workers: int, scheduler: str | None) -> Iterator[Executor]:
    """Processes on this machine, or a Dask cluster."""
    if scheduler is None:
        context = multiprocessing.get_context("spawn")
        try:
            with ProcessPoolExecutor(workers, mp_context=context) as executor:
                yield executor
        except BrokenProcessPool:
            raise ScoringError(
                "a worker was killed, perhaps for lack of memory; run the same command again to "
                "go on"
            ) from None
        return
    try:
        dask = importlib.import_module("distributed")
    except ImportError:
        raise ScoringError(
            "Dask is not installed; a cluster needs the extra: "
            "pip install 'maturity-model[cluster]'"
        ) from None
    try:
        client = dask.Client(scheduler, timeout="20s", set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise ScoringError(f"no Dask scheduler answers at {scheduler}: {error}") from None
    try:
        with client:
            # Parts that a lost worker had are given to another; each writes whole files.
            yield client.get_executor(pure=False)
    except dask.KilledWorker as error:
        raise ScoringError(f"workers died again and again on one part: {error}") from None


class _Progress:
    """Reports how much is done, and how long the rest will take."""

    def __init__(self, progress: Callable[[str], None], total: int, done: int):
        self.progress, self.total, self.done = progress, total, done
        self.here, self.begun = 0, time.monotonic()
        if done:
            progress(f"{done:,} of {total:,} tanks were scored by an earlier run")

    def add(self, tanks: int) -> None:
        self.here += tanks
        rate = self.here / max(time.monotonic() - self.begun, 1e-9)
        done = self.done + self.here
        self.progress(
            f"{done:,} of {self.total:,} tanks, {rate:,.0f} a second, "
            f"about {(self.total - done) / rate / 60:,.0f} minutes left"
        )
