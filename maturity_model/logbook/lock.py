"""One writer at a time on a logbook, and files that are whole at any moment."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import IO

#: Held by the system for the process, so one that was killed leaves no lock behind.
LOCK_NAME = ".maturity-model.lock"


class LockedError(RuntimeError):
    """Another process has been writing to the logbook all the while."""


def _try_lock(handle: IO[bytes]) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    return True


@contextlib.contextmanager
def locked(folder: Path, patience: float = 30.0) -> Iterator[None]:
    """Hold the logbook's lock.

    Parameters
    ----------
    folder : Path
    patience : float
        Seconds to wait for another process.

    Raises
    ------
    LockedError
        When the wait was in vain.
    OSError
        If the lock file cannot be made.
    """
    with (folder / LOCK_NAME).open("ab") as handle:
        deadline = time.monotonic() + patience
        while not _try_lock(handle):
            if time.monotonic() >= deadline:
                raise LockedError("another program is adding to this logbook; try again later")
            time.sleep(0.02)
        # Closing the file lets go of the lock; the file itself stays, because removing it
        # would let two processes hold locks on two files of one name.
        yield


def replace_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is the old one or the new one at any moment, power cuts included.

    Raises
    ------
    OSError
        If it cannot be written; the old file is then untouched.
    """
    path = path.resolve()
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as handle:
            handle.write(data)
            handle.flush()
            os.fsync(handle.fileno())
        if path.exists():
            with contextlib.suppress(OSError):
                part.chmod(path.stat().st_mode)
        os.replace(part, path)
    except BaseException:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make sure that a renaming is on disk; where a system cannot, it is left out."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def remove_parts(folder: Path, name: str) -> None:
    """Remove what a killed process left of ``name``; only while the lock is held."""
    for part in folder.glob(f".{name}.*.part"):
        if part.name[len(name) + 2 : -5].isdigit():
            with contextlib.suppress(OSError):
                part.unlink()
