"""Replacing a whole folder at once: a kill leaves the old one or the new one."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import importlib.util
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

#: Windows has no such locks.
_LOCKS = importlib.util.find_spec("fcntl") is not None
#: linux/fcntl.h and linux/fs.h; sys/stdio.h of macOS.
_AT_FDCWD, _RENAME_EXCHANGE, _RENAME_SWAP = -100, 2, 2


@contextlib.contextmanager
def new_folder(target: Path) -> Iterator[Path]:
    """Make a folder beside ``target`` that takes its place when the block ends well.

    Parameters
    ----------
    target : Path
        A folder, or nothing yet.

    Yields
    ------
    Path
        Empty, on the same file system. It is removed when the block raises.

    Raises
    ------
    OSError
        When it cannot be made or moved; the old folder is then as it was.
    """
    recover(target)
    _clear(target)
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir()
    try:
        with _held(part):
            yield part
            for path in part.iterdir():
                _sync(path)
            _sync(part)
            _place(part, target)
    finally:
        # By now the part is the old folder, or what an error left.
        shutil.rmtree(part, ignore_errors=True)


def recover(target: Path) -> None:
    """Bring back the old folder where a kill fell between two renames."""
    old = _old(target)
    if not old.is_dir():
        return
    if target.exists():
        shutil.rmtree(old, ignore_errors=True)
    else:
        os.rename(old, target)


def _old(target: Path) -> Path:
    return target.with_name(f".{target.name}.old")


def _place(part: Path, target: Path) -> None:
    if not target.exists():
        os.rename(part, target)
    elif not _exchange(part, target):
        old = _old(target)
        os.rename(target, old)
        os.rename(part, target)
        shutil.rmtree(old, ignore_errors=True)
    _sync(target.parent)


def _exchange(a: Path, b: Path) -> bool:
    """Swap two folders in one step; False where the system has no such step."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        first, second = os.fsencode(a), os.fsencode(b)
        if sys.platform == "darwin":
            failed = libc.renamex_np(first, second, _RENAME_SWAP)
        else:
            failed = libc.renameat2(_AT_FDCWD, first, _AT_FDCWD, second, _RENAME_EXCHANGE)
    except (OSError, AttributeError, TypeError):
        return False
    if not failed:
        return True
    code = ctypes.get_errno()
    if code in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP):
        return False
    raise OSError(code, os.strerror(code), str(b))


def _sync(path: Path) -> None:
    """Have the disk hold it, where the system can be asked to."""
    with contextlib.suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def _held(part: Path) -> Iterator[None]:
    """Lock a folder as long as this process lives."""
    if not _LOCKS:
        yield
        return
    import fcntl

    handle = os.open(part, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield
    finally:
        os.close(handle)


def _clear(target: Path) -> None:
    """Remove what killed runs left; a run that lives holds its lock."""
    if not _LOCKS:
        return
    import fcntl

    for part in target.parent.glob(f".{_plain(target.name)}.*.part"):
        with contextlib.suppress(OSError):
            handle = os.open(part, os.O_RDONLY | os.O_DIRECTORY)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                shutil.rmtree(part, ignore_errors=True)
            finally:
                os.close(handle)


def _plain(name: str) -> str:
    """Escape what a glob takes for a pattern."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)
