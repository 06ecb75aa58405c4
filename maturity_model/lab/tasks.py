"""Run the tasks of a study; each result is kept in a file, so that a rerun goes on.

A result is a data frame of numbers and words.
"""

from __future__ import annotations

import hashlib
import io
import multiprocessing
import time
import zipfile
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from maturity_model import __version__
from maturity_model.whole_files import write_file

#: Called with one line of text per finished step.
Say = Callable[[str], None]


def silent(line: str) -> None:
    """Report nothing."""


def digest(*parts: object) -> str:
    """A name for a result, from everything that it depends on besides this version."""
    return hashlib.sha256(repr((__version__, parts)).encode()).hexdigest()[:24]


def read_kept(path: Path) -> pd.DataFrame | None:
    """The frame in a file; None where it is missing or damaged."""
    try:
        # NumPy would leave a damaged file open.
        with path.open("rb") as handle, np.load(handle, allow_pickle=False) as columns:
            return pd.DataFrame(dict(columns))
    except (FileNotFoundError, ValueError, EOFError, zipfile.BadZipFile):
        return None


def _save(path: Path, frame: pd.DataFrame) -> None:
    # CSV would round, or take an empty word for a missing one.
    columns = {
        name: frame[name].to_numpy(None if pd.api.types.is_numeric_dtype(kind) else str)
        for name, kind in frame.dtypes.items()
    }
    written = io.BytesIO()
    np.savez(written, **columns)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_file(path, written.getvalue())


def keep(path: Path, make: Callable[[], pd.DataFrame]) -> pd.DataFrame:
    """The frame in a file; made, and written there, where it is missing.

    Parameters
    ----------
    path : Path
        Its name depends on all that the result depends on, for example by :func:`digest`.
    make : callable
    """
    if (frame := read_kept(path)) is None:
        frame = make()
        _save(path, frame)
    return frame


def _done(
    work: Callable[..., pd.DataFrame], tasks: Mapping[str, tuple[Any, ...]], processes: int
) -> Iterator[tuple[str, pd.DataFrame]]:
    # As they finish.
    if processes == 1:
        yield from ((name, work(*given)) for name, given in tasks.items())
        return
    # A forked child would inherit locks of threads that it does not have.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, context) as pool:
        names = {pool.submit(work, *given): name for name, given in tasks.items()}
        try:
            yield from ((names[f], f.result()) for f in as_completed(names))
        finally:
            pool.shutdown(cancel_futures=True)


def run_tasks(
    work: Callable[..., pd.DataFrame],
    tasks: Mapping[str, tuple[Any, ...]],
    *,
    folder: Path | None = None,
    key: str = "",
    processes: int = 1,
    say: Say = silent,
) -> dict[str, pd.DataFrame]:
    """Run all tasks that are not in the folder yet.

    Parameters
    ----------
    work : callable
        Makes the frame of one task. With several processes, a function of a module.
    tasks : mapping of str to tuple
        Arguments for ``work``, by the task's name.
    folder : Path, optional
        Keeps each result as soon as it is there; default: nothing is kept.
    key : str
        Digest of what all tasks depend on besides their arguments.
    processes : int
        Tasks that run at the same time.
    say : callable
        Called with one line of text per finished task.

    Returns
    -------
    dict of str to DataFrame
        In the order of ``tasks``.
    """
    path = {}
    if folder:
        path = {n: folder / f"{digest(key, n, given)}.npz" for n, given in tasks.items()}
    found = {n: frame for n in path if (frame := read_kept(path[n])) is not None}
    if found:
        say(f"{len(found)} of {len(tasks)} results are kept already")
    left = {name: given for name, given in tasks.items() if name not in found}
    begun = time.perf_counter()
    for name, frame in _done(work, left, processes):
        found[name] = frame
        if folder:
            _save(path[name], frame)
        say(f"{name}: {len(found)} of {len(tasks)}, {time.perf_counter() - begun:.0f} s")
    return {name: found[name] for name in tasks}
