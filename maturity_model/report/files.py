"""File names from untrusted tank names, and safe CSV cells."""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Iterable
from pathlib import Path

from maturity_model.identity import fold
from maturity_model.logbook.formulas import without_formula

_SAFE = re.compile(r"[A-Za-z0-9_-](?:[A-Za-z0-9 _.-]*[A-Za-z0-9_-])?", re.ASCII)
_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+", re.ASCII)
#: Device names that some systems refuse or misdirect, whatever the extension.
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{n}" for port in ("com", "lpt") for n in range(10)
}
#: Names of the files that stand for all tanks.
_RESERVED = {"index", "phase", "regression"}
MAX_NAME = 80
#: How a tank's record begins.
RECORD_START = b'{"schema_version":'


def file_names(tanks: Iterable[str]) -> dict[str, str]:
    """Give each tank a file name (without extension) that cannot leave its folder.

    Letters, digits, space, ``_ . -`` are kept as they are; a name with anything else,
    too long, reserved, or equal to an earlier one but for case gets a short hash.
    """
    names = list(dict.fromkeys(tanks))
    out: dict[str, str] = {}
    taken = set(_RESERVED)
    # Names that can stand as they are come first, so that no made-up name takes one of them.
    for name in names:
        if _keeps(name) and fold(name) not in taken:
            out[name] = name
            taken.add(fold(name))
    for name in names:
        if name in out:
            continue
        slug = _UNSAFE.sub("_", name)[:40].strip("_-") or "tank"
        count = 0
        while True:
            salted = f"{name}\0{count}".encode("utf-8", "surrogatepass")
            made = f"{slug}-{hashlib.sha256(salted).hexdigest()[:8]}"
            if fold(made) not in taken:
                break
            count += 1
        out[name] = made
        taken.add(fold(made))
    return {name: out[name] for name in names}


def _keeps(name: str) -> bool:
    if len(name) > MAX_NAME or not _SAFE.fullmatch(name):
        return False
    return name.split(".")[0].rstrip().lower() not in _DEVICES


def remove_stale_pages(folder: Path, names: Iterable[str]) -> None:
    """Remove the page and the record of each tank that is none of ``names``.

    A record made here tells a page from somebody else's file.
    """
    current = {f"{name}.json" for name in names}
    for record in folder.glob("*.json"):
        if record.name in current or not _is_record(record):
            continue
        with contextlib.suppress(OSError):
            record.with_suffix(".html").unlink(missing_ok=True)
            record.unlink()


def _is_record(path: Path) -> bool:
    with contextlib.suppress(OSError), path.open("rb") as handle:
        start = handle.read(4096)
        return start.startswith(RECORD_START) and b'"program":"maturity-model"' in start
    return False


def href(file: str) -> str:
    """A link to a file named by :func:`file_names` (only a space needs care)."""
    return "./" + file.replace(" ", "%20")


def csv_text(text: str) -> str:
    """A text cell of a CSV file, quoted where needed; see :func:`.without_formula`."""
    text = without_formula(text)
    if any(c in text for c in ',"\r\n'):
        text = '"' + text.replace('"', '""') + '"'
    return text
