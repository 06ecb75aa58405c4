"""Populations read before, kept as plain numbers.

Importing the library that reads NetCDF-4 costs a weekly report more than its own reading of
the log. So what :func:`.files.load_population` read and checked is kept in the cache folder
(:func:`maturity_model.hmm.native.cache_folder`), under the SHA-256 of the file that it came
from, and taken from there as long as that file stays the same. Whatever goes wrong here, the
file itself is read.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from maturity_model import __version__
from maturity_model.hmm.native import cache_folder
from maturity_model.population.types import DIMS, OPTIONAL_DIMS, Population

_FORMAT = 1
_DIGEST = 32
#: Larger populations are read from their own file: what is kept shall stay small.
MAX_BYTES = 32 * 2**20
#: So many are kept, the latest.
MOST = 4
_STALE_SECONDS = 3600
_TEXTS = ("name", "kind", "evidence_weight", "n_stages", "provenance")
_LABELS = ("phases", "signs", "analytes", "events", "covariates", "looks", "rocks")


def _path(sha256: str) -> Path:
    return cache_folder() / f"population-{sha256[:16]}.bin"


def _seal(sha256: str, payload: bytes) -> bytes:
    # The numbers lie there as this machine stores them; a cache folder may be shared by several.
    about = _FORMAT, __version__, sys.byteorder, DIMS, OPTIONAL_DIMS, sha256
    return hashlib.sha256(repr(about).encode() + payload).digest()


def keep(population: Population) -> None:
    """Keep a population that was read from a file; nothing where it cannot be kept."""
    if population.members is not None or not population.sha256:
        return
    arrays = {n: getattr(population, n) for n in (*DIMS, *OPTIONAL_DIMS)}
    arrays = {n: np.ascontiguousarray(a, np.float64) for n, a in arrays.items() if a is not None}
    if sum(a.nbytes for a in arrays.values()) > MAX_BYTES:
        return
    head: dict[str, Any] = {n: getattr(population, n) for n in (*_TEXTS, *_LABELS)}
    head["shapes"] = {n: a.shape for n, a in arrays.items()}
    payload = json.dumps(head).encode() + b"\n" + b"".join(a.tobytes() for a in arrays.values())
    # RuntimeError: the user has no home folder.
    with contextlib.suppress(OSError, RuntimeError):
        path = _path(population.sha256)
        temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            with open(temporary, "xb", opener=lambda p, flags: os.open(p, flags, 0o600)) as file:
                file.write(_seal(population.sha256, payload) + payload)
            os.replace(temporary, path)
        finally:
            temporary.unlink(missing_ok=True)
        kept = sorted(path.parent.glob("population-*.bin"), key=lambda p: -p.stat().st_mtime)
        left = path.parent.glob(".population-*.tmp")  # By runs that were killed.
        stale = [p for p in left if time.time() - p.stat().st_mtime > _STALE_SECONDS]
        for old in (*kept[MOST:], *stale):
            old.unlink(missing_ok=True)


def take(sha256: str) -> Population | None:
    """The population of the file with this SHA-256, or None where it is not kept.

    A file that others could have written, that is damaged, or that another version of the
    package kept, is passed over.
    """
    try:
        path = _path(sha256)
        for place in (path, path.parent):
            info = place.stat()
            if hasattr(os, "getuid") and (info.st_uid != os.getuid() or info.st_mode & 0o022):
                return None
        content = path.read_bytes()
        seal, payload = content[:_DIGEST], content[_DIGEST:]
        if seal != _seal(sha256, payload):
            return None
        text, _, numbers = payload.partition(b"\n")
        head = json.loads(text)
        at = 0
        values: dict[str, Any] = {}
        for name, shape in head.pop("shapes").items():
            count = int(np.prod(shape))
            # A copy: arrays of a population may be written to, a file's bytes may not.
            values[name] = np.frombuffer(numbers, np.float64, count, at).reshape(shape).copy()
            at += 8 * count
        values |= {name: tuple(head.pop(name)) for name in _LABELS}
        return Population(sha256=sha256, members=None, **head, **values)
    except Exception:  # Whatever it was, the file itself is the remedy.
        return None
