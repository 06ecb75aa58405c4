"""Run the tasks of a study; each result is kept in a file, so that a rerun goes on.

A result is a data frame of numbers and words.
"""

from __future__ import annotations

import hashlib
import multiprocessing
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from maturity_model import __version__
from maturity_model.whole_files import new_file

#: Called with one line of text per finished step.
Say = Callable[[str], None]


def silent(line: str) -> None:
    """Report nothing."""


def digest(*parts: object) -> str:
    """A name for a result, from everything that it depends on besides this version."""
    return hashlib.sha256(repr((__version__, parts)).encode()).hexdigest()[:24]


def load_frames(path: Path) -> dict[str, pd.DataFrame] | None:
    """The frames that :func:`save_frames` wrote; None where the file is missing or damaged."""
    frames: dict[str, dict[str, Any]] = {}
    try:
        # NumPy would leave a damaged file open.
        with path.open("rb") as handle, np.load(handle, allow_pickle=False) as arrays:
            for key, values in arrays.items():
                name, _, column = key.partition(".")
                frames.setdefault(name, {})[column] = values
    except (OSError, EOFError, ValueError, zipfile.BadZipFile, zlib.error):
        return None
    return {name: pd.DataFrame(columns) for name, columns in frames.items()}


def save_frames(path: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    """Write frames, by name, to one file; a reader sees all of them or none."""
    # CSV would round, or take an empty word for a missing one.
    arrays = {
        f"{name}.{column}": values.to_numpy()
        if pd.api.types.is_numeric_dtype(values)
        else values.fillna("").to_numpy(dtype=str)
        for name, frame in frames.items()
        for column, values in frame.items()
    }
    path.parent.mkdir(parents=True, exist_ok=True)
    with new_file(path) as part, part.open("wb") as file:
        np.savez_compressed(file, **arrays)


def keep(path: Path, make: Callable[[], pd.DataFrame]) -> pd.DataFrame:
    """The frame in a file; made, and written there, where it is missing.

    The file's name depends on all that the result depends on, for example by :func:`digest`.
    """
    if (frame := _kept(path)) is None:
        frame = make()
        save_frames(path, {"": frame})
    return frame


def _kept(path: Path) -> pd.DataFrame | None:
    return (load_frames(path) or {}).get("")


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
    """
    path = {}
    if folder:
        path = {n: folder / f"{digest(key, n, given)}.npz" for n, given in tasks.items()}
    found = {n: frame for n in path if (frame := _kept(path[n])) is not None}
    if found:
        say(f"{len(found)} of {len(tasks)} results are kept already")
    left = {name: given for name, given in tasks.items() if name not in found}
    begun = time.perf_counter()
    for name, frame in _done(work, left, processes):
        found[name] = frame
        if folder:
            save_frames(path[name], {"": frame})
        say(f"{name}: {len(found)} of {len(tasks)}, {time.perf_counter() - begun:.0f} s")
    return {name: found[name] for name in tasks}
