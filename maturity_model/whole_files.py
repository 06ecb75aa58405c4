"""Files and folders that are whole at any moment, and one lock. It knows nothing of the package.

Everything is written under a hidden name that ends in ``.part``, in the same folder, and then
renamed. A process that is killed leaves the old content or the new, and perhaps such a part,
which a later run removes.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

_LEFTOVER = re.compile(r"\.(.+)\.[0-9a-f]+\.part", re.DOTALL)
#: linux/fcntl.h and linux/fs.h; sys/stdio.h of macOS.
_AT_FDCWD, _RENAME_EXCHANGE, _RENAME_SWAP = -100, 2, 2


class LockedError(OSError):
    """Another process holds the lock."""


# One file -------------------------------------------------------------------------------


def write_file(
    path: Path, data: bytes | str, *, private: bool = False, durable: bool = False
) -> None:
    """Write a file, as :func:`new_file` does; a reader sees the old one or the new one.

    A symbolic link is replaced, not followed. Text becomes UTF-8, with ``?`` for what UTF-8
    cannot hold.
    """
    with new_file(path, private=private, durable=durable) as part:
        part.write_bytes(_encoded(data))


@contextlib.contextmanager
def new_file(path: Path, *, private: bool = False, durable: bool = False) -> Iterator[Path]:
    """Yield an empty file beside ``path`` that takes its place when the block ends well.

    Parameters
    ----------
    path : Path
    private : bool
        Only the owner may read it. Otherwise it gets the permissions of the file it replaces.
    durable : bool
        Wait until the disk holds it, so that a power cut loses nothing either.

    Yields
    ------
    Path
        To write to. It is removed when the block raises.

    Raises
    ------
    OSError
        If it cannot be made or renamed; the old file is then untouched.
    """
    if path.exists() and not path.is_file():
        # A device would be replaced too.
        raise FileExistsError(errno.EEXIST, "is there and is not a file", str(path))
    part = _create_part(path, private)
    try:
        yield part
        if durable:
            _sync(part)
        if not private:
            _copy_mode(path, part)
        os.replace(part, path)
    finally:
        _remove(part)
    if durable:
        _sync_folder(path.parent)


def create_file(
    path: Path, data: bytes | str, *, private: bool = False, durable: bool = False
) -> bool:
    """Write a file where there is none, as :func:`write_file` does.

    False if there was one already, even if another process made it meanwhile; it stays.
    """
    if os.path.lexists(path):
        return False
    part = _create_part(path, private)
    try:
        part.write_bytes(_encoded(data))
        if durable:
            _sync(part)
        try:
            os.link(part, path)
        except FileExistsError:
            return False
        except OSError:  # a file system without hard links
            if os.path.lexists(path):
                return False
            os.replace(part, path)
    finally:
        _remove(part)
    if durable:
        _sync_folder(path.parent)
    return True


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal."""
    import hashlib

    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


# Many files -----------------------------------------------------------------------------


class StagedFiles:
    """Files of a folder that are written but not in their places yet; see :func:`staged_files`."""

    def __init__(self, part: Path):
        self.part = part
        self.names: list[str] = []

    def write(self, name: str, text: str | Iterable[str]) -> None:
        """Write a file, in one piece or piece by piece; ``name`` is without a folder."""
        with (self.part / name).open("xb") as handle:
            for piece in (text,) if isinstance(text, str) else text:
                handle.write(_encoded(piece))
        self.names.append(name)


@contextlib.contextmanager
def staged_files(folder: Path) -> Iterator[StagedFiles]:
    """Write many files of a folder without holding them in memory.

    They are written into a hidden folder in it. When the block ends, they replace the old
    ones in the order in which they were written. A kill leaves each file old or new.

    Raises
    ------
    OSError
        If a file cannot be written (then all the old ones are untouched) or renamed.
    """
    part = _part(folder / "staged")
    part.mkdir()
    try:
        staged = StagedFiles(part)
        yield staged
        for name in staged.names:
            os.replace(part / name, folder / name)
    finally:
        _remove(part)


@contextlib.contextmanager
def new_folder(target: Path, wait: float = 30.0) -> Iterator[Path]:
    """Make a folder of files beside ``target`` that takes its place when the block ends well.

    Parameters
    ----------
    target : Path
        A folder that holds files only, or the place for one.
    wait : float
        Seconds to wait for another process that is replacing the same folder.

    Yields
    ------
    Path
        Empty. It is removed when the block raises.

    Raises
    ------
    OSError
        When it cannot be made or moved; the old folder is then as it was.
    """
    busy = LockedError("another run is writing to it")
    with locked(target.with_name(f".{target.name}.lock"), busy, wait):
        recover_folder(target)
        remove_leftovers(target.parent, target.name)
        part = _part(target)
        part.mkdir()
        try:
            yield part
            for path in part.iterdir():
                _sync(path)
            _sync_folder(part)
            _exchange_or_rename(part, target)
        finally:
            # After an exchange, this is the old folder.
            _remove(part)


def recover_folder(target: Path) -> None:
    """Bring back the old folder if :func:`new_folder` was killed between its two renames."""
    old = _old(target)
    if not old.is_dir():
        return
    if target.exists():
        _remove(old)
    else:
        os.rename(old, target)


def _old(target: Path) -> Path:
    return target.with_name(f".{target.name}.old")


def _exchange_or_rename(part: Path, target: Path) -> None:
    if not target.exists():
        os.rename(part, target)
    elif not target.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "is there and is not a folder", str(target))
    elif not _exchange(part, target):
        old = _old(target)
        os.rename(target, old)
        os.rename(part, target)
        _remove(old)
    _sync_folder(target.parent)


def _exchange(a: Path, b: Path) -> bool:
    """Exchange two folders in one step; False where the system has no such step."""
    import ctypes

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


# What killed processes leave ------------------------------------------------------------


def remove_leftovers(folder: Path, name: str | None = None, older_than: float = 0.0) -> None:
    """Remove parts that killed processes left in a folder, of any name or of one.

    Only those without a change for ``older_than`` seconds: without a lock, younger ones may be
    a running process's (each new file renews the time of a folder).
    """
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            match = _LEFTOVER.fullmatch(entry.name)
            if not match or name not in (None, match[1]):
                continue
            with contextlib.suppress(OSError):
                age = time.time() - entry.stat(follow_symlinks=False).st_mtime
                if not older_than or age > older_than:
                    _remove(Path(entry.path))


# The lock -------------------------------------------------------------------------------


@contextlib.contextmanager
def locked(path: Path, busy: Exception, wait: float = 0.0) -> Iterator[None]:
    """Hold a lock that ends with the process, even if it is killed.

    ``busy`` is raised when another process holds it for ``wait`` seconds. The lock's file may
    stay: removing it could let two processes hold the lock.
    """
    from filelock import FileLock, Timeout  # 35 ms, and most commands lock nothing

    lock = FileLock(path)
    try:
        lock.acquire(timeout=wait, poll_interval=0.02)
    except Timeout:
        raise busy from None
    try:
        yield
    finally:
        lock.release()


# Small parts ----------------------------------------------------------------------------


def _part(path: Path) -> Path:
    # Random, not the process's number: machines that share a folder have equal numbers.
    return path.with_name(f".{path.name}.{os.urandom(8).hex()}.part")


def _create_part(path: Path, private: bool) -> Path:
    part = _part(path)
    os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600 if private else 0o666))
    return part


def _encoded(data: bytes | str) -> bytes:
    return data.encode("utf-8", "replace") if isinstance(data, str) else data


def _copy_mode(old: Path, part: Path) -> None:
    with contextlib.suppress(OSError):
        mode = old.lstat().st_mode
        if stat.S_ISREG(mode):
            part.chmod(stat.S_IMODE(mode))


def _remove(path: Path) -> None:
    """Remove a file, or a folder of files; one that holds folders is somebody's own."""
    with contextlib.suppress(OSError):
        if not path.is_dir() or path.is_symlink():
            path.unlink(missing_ok=True)
            return
        for entry in list(os.scandir(path)):
            if not entry.is_dir(follow_symlinks=False):
                os.unlink(entry.path)
        path.rmdir()


def _sync(path: Path) -> None:
    """Wait until the disk holds a file."""
    with path.open("r+b") as handle:  # Windows flushes only what may be written to.
        os.fsync(handle.fileno())


def _sync_folder(folder: Path) -> None:
    """Wait until the disk holds a folder's names, where the system can do that."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
