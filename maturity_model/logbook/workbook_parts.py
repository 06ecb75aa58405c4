"""What the readers of workbooks share: bounds, and the parts of a zip archive."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Iterator
from typing import Any

#: Cells of the rectangles from A1 to the last cell, all sheets together.
MAX_AREA = 10_000_000
#: Text, in problems, of a formula without a result; no log could hold it as a value.
NO_RESULT = "formula without a stored result"
MAX_EXPANDED = 256 * 2**20
#: A part larger than this may not expand more than this many times.
_RATIO_FROM, _MAX_RATIO = 8 * 2**20, 200
_MAX_PARTS = 2_000


#: Title and rows of each sheet; a text says why it cannot be read, None that nobody wants it.
Sheets = list[tuple[str, list[list[Any]] | str | None]]
Wanted = Callable[[str], bool]


class RefusedWorkbook(ValueError):
    """A workbook is not opened; the message says why."""


def zip_parts(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Expand a zip part by part, never beyond the bounds."""
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            infos = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, struct.error, NotImplementedError):
        raise RefusedWorkbook("is not a workbook (not a zip archive)") from None
    if len(infos) > _MAX_PARTS or len({i.filename for i in infos}) < len(infos):
        raise RefusedWorkbook("has too many parts, or one of them twice")
    too_large = f"expands to more than {MAX_EXPANDED >> 20} MB"
    if sum(i.file_size for i in infos) > MAX_EXPANDED:
        raise RefusedWorkbook(too_large)
    left = MAX_EXPANDED
    for info in infos:
        if info.flag_bits & 1 or info.compress_type not in (0, 8):
            raise RefusedWorkbook("is encrypted, or packed in an unusual way")
        # Sizes in the directory may be wrong, so the data itself is expanded, up to the bound.
        head = data[info.header_offset : info.header_offset + 30]
        if len(head) < 30 or head[:4] != b"PK\3\4":
            raise RefusedWorkbook("is a damaged zip archive")
        start = info.header_offset + 30 + sum(struct.unpack("<HH", head[26:30]))
        packed = data[start : start + info.compress_size]
        if info.compress_type == 8:
            engine = zlib.decompressobj(-15)
            try:
                part = engine.decompress(packed, left + 1)
            except zlib.error:
                raise RefusedWorkbook("is a damaged zip archive") from None
        else:
            part = packed
        left -= len(part)
        if left < 0:
            raise RefusedWorkbook(too_large)
        if len(part) != info.file_size:
            raise RefusedWorkbook("declares sizes in its zip archive that are not true")
        if len(part) > _RATIO_FROM and len(part) > _MAX_RATIO * len(packed):
            raise RefusedWorkbook(f"holds a part that expands more than {_MAX_RATIO} times")
        yield info.filename.replace("\\", "/").lstrip("/"), part
