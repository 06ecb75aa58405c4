"""File names from untrusted names."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable

from maturity_model.identity import fold

_SAFE = re.compile(r"[A-Za-z0-9_-](?:[A-Za-z0-9 _.-]*[A-Za-z0-9_-])?", re.ASCII)
_UNSAFE = re.compile(r"[^A-Za-z0-9_-]+", re.ASCII)
#: Device names that some systems refuse or misdirect, whatever the extension.
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$"} | {
    f"{port}{n}" for port in ("com", "lpt") for n in range(10)
}
#: Names of the files that stand for all tanks.
_RESERVED = {"index", "phase", "regression"}
MAX_NAME = 80


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
