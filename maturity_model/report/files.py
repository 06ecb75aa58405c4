"""File names from untrusted tank names, safe CSV cells, and writing whole files at once."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import stat
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

_SAFE = re.compile(r"[A-Za-z0-9_-](?:[A-Za-z0-9 _.-]*[A-Za-z0-9_-])?", re.ASCII)
_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+", re.ASCII)
#: Device names that some systems refuse or misdirect, whatever the extension.
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{n}" for port in ("com", "lpt") for n in range(10)
}
#: Names of the files that stand for all tanks.
_RESERVED = {"index", "phase", "regression"}
MAX_NAME = 80
#: Seconds after which no run can still be writing a file, or the next one of a report; each
#: takes milliseconds.
STALE_AFTER = 60.0
_PART = re.compile(r"\..+\.[0-9]+\.part", re.DOTALL)


def file_names(tanks: Iterable[str]) -> dict[str, str]:
    """Give each tank a file name (without extension) that cannot leave its folder.

    Parameters
    ----------
    tanks : iterable of str
        Tank names, free text, all different.

    Returns
    -------
    dict of str to str
        Letters, digits, space, ``_ . -`` are kept as they are; a name with anything else,
        too long, reserved, or equal to an earlier one but for case gets a short hash.
    """
    names = list(dict.fromkeys(tanks))
    out: dict[str, str] = {}
    taken = set(_RESERVED)
    # Names that can stand as they are come first, so that no made-up name takes one of them.
    for name in names:
        if _keeps(name) and name.lower() not in taken:
            out[name] = name
            taken.add(name.lower())
    for name in names:
        if name in out:
            continue
        slug = _UNSAFE.sub("_", name)[:40].strip("_-") or "tank"
        count = 0
        while True:
            salted = f"{name}\0{count}".encode("utf-8", "surrogatepass")
            made = f"{slug}-{hashlib.sha256(salted).hexdigest()[:8]}"
            if made.lower() not in taken:
                break
            count += 1
        out[name] = made
        taken.add(made.lower())
    return {name: out[name] for name in names}


def _keeps(name: str) -> bool:
    if len(name) > MAX_NAME or not _SAFE.fullmatch(name):
        return False
    return name.split(".")[0].rstrip().lower() not in _DEVICES


def href(file: str) -> str:
    """A link to a file named by :func:`file_names` (only a space needs care)."""
    return "./" + file.replace(" ", "%20")


def csv_text(text: str) -> str:
    """A text cell of a CSV file that no spreadsheet takes for a formula.

    Cells that begin with ``= + - @``, a tab or a line break get an apostrophe in front
    (OWASP, 'CSV Injection').
    """
    if text[:1] in ("=", "+", "-", "@", "\t", "\r", "\n"):
        text = "'" + text
    if any(c in text for c in ',"\r\n'):
        text = '"' + text.replace('"', '""') + '"'
    return text


def remove_stale(folder: Path, now: float | None = None) -> None:
    """Remove what a killed run left half-written; younger things may be another run's.

    Parameters
    ----------
    folder : Path
    now : float, optional
        Seconds since the epoch; default: the clock's.
    """
    now = time.time() if now is None else now
    for part in folder.glob(".*.part"):
        with contextlib.suppress(OSError):
            info = part.lstat()
            if not _PART.fullmatch(part.name) or now - info.st_mtime <= STALE_AFTER:
                continue
            if stat.S_ISDIR(info.st_mode):
                _remove_folder(part)
            else:
                part.unlink()


def _remove_folder(folder: Path) -> None:
    # Only files lie in it; a folder that somebody put there keeps it.
    for entry in list(os.scandir(folder)):
        if not entry.is_dir(follow_symlinks=False):
            os.unlink(entry.path)
    folder.rmdir()


class Staging:
    """Files written beside their folder's old ones, and put in their place together.

    The context manager :func:`staging` makes one.
    """

    def __init__(self, folder: Path, part: Path):
        self.folder, self.part = folder, part
        self.names: list[str] = []

    def write(self, name: str, text: str | Iterable[str]) -> None:
        """Write a file, in one piece or piece by piece; nobody sees it yet.

        Parameters
        ----------
        name : str
            Without a folder.
        text : str or iterable of str
        """
        with (self.part / name).open("xb") as handle:
            for piece in (text,) if isinstance(text, str) else text:
                handle.write(piece.encode("utf-8", "replace"))
        self.names.append(name)


@contextlib.contextmanager
def staging(folder: Path) -> Iterator[Staging]:
    """Write many files of a folder without holding them in memory.

    They are written into a hidden folder in it. When the block ends, they replace the old
    ones in the order in which they were written, each at once; when it raises, all of them
    are removed and the old ones are untouched. A kill leaves each file old or new.

    Parameters
    ----------
    folder : Path
        Must be there.

    Raises
    ------
    OSError
        If a file cannot be written (then all the old ones are untouched) or put in its place.
    """
    # Each new file renews the time of its folder: what is stale is told by it.
    part = folder / f".report-{time.time_ns()}.{os.getpid()}.part"
    part.mkdir()
    try:
        staged = Staging(folder, part)
        yield staged
        for name in staged.names:
            os.replace(part / name, folder / name)
    finally:
        with contextlib.suppress(OSError):
            _remove_folder(part)


def write_whole(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old one or the new one, never a part.

    Parameters
    ----------
    path : Path
    text : str

    Raises
    ------
    OSError
        If it cannot be written; the old file is then untouched.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as handle:
            handle.write(text.encode("utf-8", "replace"))
            handle.flush()
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
