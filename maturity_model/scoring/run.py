"""Scoring a whole pool: here, by processes, or on a cluster; the same bytes each way."""

from __future__ import annotations

import importlib
import importlib.util
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from maturity_model.population.files import default_population_path
from maturity_model.scoring.job import Job, LogbookSource, Part, ScoringError, open_job
from maturity_model.scoring.parts import LOCK, Done, Folder, score_part
from maturity_model.whole_files import locked

#: Seconds between two lines of progress.
_EVERY = 2.0


@dataclass(frozen=True)
class ScoreReport:
    """What was scored.

    Attributes
    ----------
    out : Path
    tanks, tank_weeks, parts : int
    kept : int
        Parts that an earlier run had finished.
    draws : int
    seconds : float
    refused : tuple of str
        Tanks of a logbook that its errors keep from being scored.
    """

    out: Path
    tanks: int
    tank_weeks: int
    parts: int
    kept: int
    draws: int
    seconds: float
    refused: tuple[str, ...] = ()


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
        Use so many draws of it, evenly spaced. Default: all.
    evidence_weight : float, optional
        Default: the population's own.
    workers : int
        Processes on this machine.
    threads : int, optional
        In each of them. Default: the machine's cores, shared among the processes.
    scheduler : str, optional
        Address of a Dask scheduler; its workers must see the same files, and do the work.
    state : str or Path, optional
        Folder of forward messages: tanks whose history is unchanged cost their new weeks
        alone.
    part_tanks : int
        Tanks in one file.
    force : bool
        Replace scores of other settings.
    progress : callable, optional

    Returns
    -------
    ScoreReport

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
    work = open_job(job)
    job = replace(job, expected=work.digest)
    todo = [Part(i, r) for i, r in enumerate(work.source.ranges(part_tanks))]
    if not todo:
        raise ScoringError(f"{job.source} holds no tank")
    out = Path(job.out)
    out.mkdir(parents=True, exist_ok=True)
    with locked(out / LOCK, ScoringError(f"another run is writing to {out}")):
        folder = Folder(out, work, force=force)
        done = {n: d for n, d in folder.kept().items() if n < len(todo)}
        kept = len(done)
        waiting = [part for part in todo if part.number not in done]
        tell = _Progress(progress, sum(p.tanks.tanks for p in todo), done)
        cores = max(1, threads or (os.cpu_count() or 1) // max(1, workers))
        if not waiting:
            found: Iterator[Done] = iter(())
        elif scheduler is not None:
            found = _on_cluster(job, waiting, scheduler)
        elif workers > 1:
            found = _by_processes(job, waiting, workers, cores)
        else:
            found = (score_part(job, part, cores) for part in waiting)
        for part in found:
            folder.add(part)
            done[part.number] = part
            tell(part)
        folder.finish(list(done.values()))
    parts = list(done.values())
    return ScoreReport(
        Path(out),
        sum(p.tanks for p in parts),
        sum(p.weeks for p in parts),
        len(parts),
        kept,
        work.population.n_draws,
        time.monotonic() - begun,
        work.source.refused if isinstance(work.source, LogbookSource) else (),
    )


class _Progress:
    """Says now and then how far it is, and how long the rest will take."""

    def __init__(self, progress: Callable[[str], None], total: int, done: dict[int, Done]):
        self.progress, self.total = progress, total
        self.tanks = sum(d.tanks for d in done.values())
        self.here, self.begun, self.told = 0, time.monotonic(), float("-inf")
        if self.tanks:
            progress(f"{self.tanks:,} of {total:,} tanks were scored by an earlier run")

    def __call__(self, part: Done) -> None:
        self.tanks += part.tanks
        self.here += part.tanks
        now = time.monotonic()
        if now - self.told < _EVERY and self.tanks < self.total:
            return
        self.told = now
        rate = self.here / max(now - self.begun, 1e-9)
        left = (self.total - self.tanks) / rate
        self.progress(
            f"{self.tanks:,} of {self.total:,} tanks, {rate:,.0f} a second, "
            f"about {left / 60:,.0f} minutes left"
        )


def _by_processes(job: Job, parts: list[Part], workers: int, threads: int) -> Iterator[Done]:
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from concurrent.futures.process import BrokenProcessPool

    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(min(workers, len(parts)), mp_context=context)
    try:
        waiting = [pool.submit(score_part, job, part, threads) for part in parts]
        for future in as_completed(waiting):
            yield future.result()
    except BrokenProcessPool:
        raise ScoringError(
            "a worker was killed, perhaps for lack of memory; run the same command again to go on"
        ) from None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _on_cluster(job: Job, parts: list[Part], address: str) -> Iterator[Done]:
    try:
        dask = importlib.import_module("distributed")
    except ImportError:
        raise ScoringError(
            "Dask is not installed; a cluster needs the extra: "
            "pip install 'maturity-model[cluster]'"
        ) from None
    try:
        client = dask.Client(address, timeout="20s", set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise ScoringError(f"no Dask scheduler answers at {address}: {error}") from None
    with client:
        # Parts that a lost worker had are given to another; each writes whole files.
        waiting = client.map(score_part, [job] * len(parts), parts, pure=False)
        try:
            for future in dask.as_completed(waiting, loop=client.loop):
                yield future.result()
                future.release()
        except dask.KilledWorker as error:
            raise ScoringError(f"workers died again and again on one part: {error}") from None
        finally:
            client.cancel(waiting)
