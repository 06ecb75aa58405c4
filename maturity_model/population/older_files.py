"""Populations of version 0.1, which were HDF5 files without a digest.

The HDF5 library can crash on a damaged file, or claim any amount of memory. So a child process
takes such a file apart, within limits, and hands plain arrays back. This module is also the
script that the child runs; it imports nothing of the package, so that the child starts fast.
"""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import subprocess
import sys
from typing import Any

import numpy as np
from numpy.typing import NDArray

MAGIC = b"\x89HDF\r\n\x1a\n"
LAYOUT = 1
#: Larger files are not read: about five times this is in memory at once.
_MAX_BYTES = 128 * 2**20
#: Of the child: bytes of memory, seconds of the processor, and seconds in all.
_MEMORY, _SECONDS, _PATIENCE = 2**30, 60, 180


class OlderFileError(ValueError):
    """A file of version 0.1 cannot be read; the message says why."""


def read_older(content: bytes) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """Attributes and arrays of a file of version 0.1, named as today's files name them.

    Raises OlderFileError where it is damaged, too large, or not of that version.
    """
    if len(content) > _MAX_BYTES:
        raise OlderFileError(f"it is larger than {_MAX_BYTES >> 20} MiB")
    words = [sys.executable, "-P", __file__]
    # Each thread of NumPy's linear algebra would reserve memory.
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    try:
        child = subprocess.run(
            words, input=content, capture_output=True, timeout=_PATIENCE, env=env
        )
    except subprocess.TimeoutExpired:
        raise OlderFileError("reading it took too long") from None
    if child.returncode:
        reason = child.stderr.decode("utf-8", "replace").strip().rpartition("\n")[2]
        raise OlderFileError(reason or f"the HDF5 library failed with code {child.returncode}")
    with np.load(io.BytesIO(child.stdout), allow_pickle=False) as found:
        arrays = dict(found)
    attributes = json.loads(arrays.pop("attributes").tobytes())
    if attributes.get("layout") != LAYOUT:
        raise OlderFileError(f"its layout is {attributes.get('layout')}, not {LAYOUT}")
    return attributes, arrays


# In the child ---------------------------------------------------------------------------


def _limit() -> None:
    # Not every system has such limits; the sizes are checked beforehand everywhere.
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_CPU, (_SECONDS, _SECONDS))
        resource.setrlimit(resource.RLIMIT_AS, (_MEMORY, _MEMORY))


def _take_apart(content: bytes) -> dict[str, NDArray[Any]]:
    import h5py

    with h5py.File(io.BytesIO(content), "r") as file:
        datasets: dict[str, Any] = {}
        attributes = {name: _plain(value) for name, value in file.attrs.items()}

        def note(name: str, item: Any) -> None:
            if isinstance(item, h5py.Dataset):
                datasets[name] = item
            elif name == "members":
                members = {f"member_{k}": _plain(v) for k, v in item.attrs.items()}
                attributes.update(members)

        # Does not follow links into other files.
        file.visititems(note)
        # Nothing was packed, so the arrays are hardly larger than the file.
        budget = 2 * len(content)

        def spend(name: str, size: int) -> None:
            nonlocal budget
            budget -= size
            if budget < 0:
                raise OlderFileError(f"{name} is too large")

        arrays = {}
        for name, data in datasets.items():
            # Version 0.1 never wrote these, and a chunk unpacks to any size.
            if data.chunks or data.external or data.is_virtual or data.shape is None:
                raise OlderFileError(f"{name} is not stored as version 0.1 stored it")
            if data.dtype.kind not in "fiu" and h5py.check_string_dtype(data.dtype) is None:
                raise OlderFileError(f"{name} holds neither text nor numbers")
            spend(name, math.prod(data.shape) * max(data.dtype.itemsize, 8))
            values = np.asarray(data[()])
            if values.dtype.kind == "O":
                values = values.astype("S")
                spend(name, values.nbytes)
            todays = name.replace("members/", "member_", 1).replace("origin/", "origin_", 1)
            arrays[todays] = values
    arrays["attributes"] = np.frombuffer(json.dumps(attributes).encode(), np.uint8)
    return arrays


def _plain(value: Any) -> str | int | float:
    value = value.item() if isinstance(value, np.generic) else value
    if not isinstance(value, str | int | float):
        raise OlderFileError("an attribute is neither text nor a number")
    return value


def _main() -> int:
    _limit()
    try:
        arrays = _take_apart(sys.stdin.buffer.read())
        np.savez(sys.stdout.buffer, **arrays)  # type: ignore[arg-type]
    except Exception as error:  # h5py raises almost anything on a damaged file
        print(" ".join(str(error).split()) or type(error).__name__, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(_main())
