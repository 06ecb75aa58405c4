"""Photos of a tank: kept as ``photos/TANK/DATE-n.jpg``, where n is the view.

The form saves them with its table in one zip file. Nothing of that file is trusted: its size is
bounded before it is unpacked, no name in it becomes a path, and each picture is drawn again from
its pixels, so that neither a place nor a device stays in it.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from maturity_model.file_names import file_names
from maturity_model.logbook.entries import BACKUPS, PHOTOS
from maturity_model.logbook.problems import shown
from maturity_model.logbook.types import Tank
from maturity_model.whole_files import write_file

#: What the numbers in the names stand for, so that then and now show the same.
VIEWS = {1: "The whole tank", 2: "Rocks, close up", 3: "Sand at the glass"}
TABLE, INDEX = "checkins.csv", "photos.csv"
#: Bounds of what is unpacked, and of a picture: files, bytes altogether, pixels.
MOST_FILES, MOST_BYTES, MOST_PIXELS = 200, 100_000_000, 50_000_000
#: Longest side of a kept photo.
SIDE = 1600
_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})-(\d)\.jpg", re.ASCII)


class PhotoError(ValueError):
    """A photo, or the file that it came in, cannot be used; the text says why and what to do."""


@dataclass(frozen=True)
class Photo:
    """One photo: ``data`` is a JPEG without anything but the picture."""

    tank: str
    date: dt.date
    view: int
    data: bytes


def is_package(data: bytes) -> bool:
    """Whether a file is a table with photos, packed by the form."""
    return data.startswith(b"PK\x03\x04")


def unpack(data: bytes, tanks: Mapping[str, Tank], today: dt.date) -> tuple[bytes, list[Photo]]:
    """Take the table and the photos out of a file of the form.

    Parameters
    ----------
    data : bytes
        A zip file with ``checkins.csv``, ``photos.csv`` (file, tank, date, view) and pictures.
    tanks : mapping of str to Tank
        Of the logbook, by name; a photo of another, or from before its start, is refused.
    today : date

    Raises
    ------
    PhotoError
        When anything in it cannot be used.
    """
    files = _contents(data)
    if TABLE not in files:
        raise PhotoError(f"holds no {TABLE}; give the file as the form saved it")
    photos: list[Photo] = []
    rows = csv.DictReader(io.StringIO(files.get(INDEX, b"").decode("utf-8", "replace")))
    for line, row in enumerate(rows, start=2):
        place = f"{INDEX}, line {line}"
        tank = (row.get("tank") or "").removeprefix("'")
        if tank not in tanks:
            raise PhotoError(f"{place}: {shown(tank)!r} is not a tank of this logbook")
        view = row.get("view") or ""
        if view not in map(str, VIEWS):
            raise PhotoError(f"{place}: the view is one of {', '.join(map(str, VIEWS))}")
        picture = files.get(row.get("file") or "")
        if picture is None:
            raise PhotoError(f"{place}: the picture is missing; save the form again")
        date = _date(row.get("date") or "", tanks[tank].started, today, place)
        if any((p.tank, p.date, p.view) == (tank, date, int(view)) for p in photos):
            raise PhotoError(f"{place}: is a second photo of that view on {date}; keep one")
        try:
            photos.append(Photo(tank, date, int(view), redrawn(picture)))
        except PhotoError as error:
            raise PhotoError(f"{place}: {error}") from None
    return files[TABLE], photos


def _contents(data: bytes) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            entries = package.infolist()
            if len(entries) > MOST_FILES or sum(e.file_size for e in entries) > MOST_BYTES:
                raise PhotoError(f"unpacks to more than {MOST_BYTES // 10**6} MB; save it in parts")
            # What an entry says of its size is checked again while it is read.
            return {e.filename: _bytes(package, e) for e in entries}
    except PhotoError:
        raise
    except Exception as error:  # a damaged file leads the reader to errors of many kinds
        raise PhotoError("is damaged, or not from the form; save the form again") from error


def _bytes(package: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise PhotoError("is packed in a way that the form does not use")
    with package.open(entry) as handle:
        return handle.read(entry.file_size + 1)


def _date(text: str, started: dt.date, today: dt.date, place: str) -> dt.date:
    try:
        date = dt.date.fromisoformat(text)
    except ValueError:
        raise PhotoError(f"{place}: {shown(text)!r} is not a day, YYYY-MM-DD") from None
    if date > today:
        raise PhotoError(f"{place}: {text} has not come yet; check the clock of the device")
    if date < started:
        raise PhotoError(f"{place}: {text} is before the tank was started; check the day")
    return date


def redrawn(data: bytes, side: int = SIDE) -> bytes:
    """The picture as a JPEG of at most ``side`` pixels, upright and with nothing else in it.

    Raises
    ------
    PhotoError
        When it is no JPEG, PNG or WebP, too large, or damaged.
    """
    from PIL import Image, ImageOps

    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as image:
            if image.width * image.height > MOST_PIXELS:
                raise PhotoError(f"the picture has more than {MOST_PIXELS // 10**6} megapixels")
            upright = ImageOps.exif_transpose(image).convert("RGB")
    except PhotoError:
        raise
    except Exception as error:  # Pillow's readers raise whatever a damaged file leads them to
        raise PhotoError("the picture cannot be read; take it again") from error
    upright.thumbnail((side, side))
    plain = Image.new("RGB", upright.size)
    plain.paste(upright)
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=85)
    return out.getvalue()


def conflicts(logbook: Path, photos: Iterable[Photo], tanks: Iterable[str]) -> list[Photo]:
    """Photos in whose place another one lies."""
    names = file_names(tanks)
    paths = ((p, _path(logbook, names, p)) for p in photos)
    return [p for p, path in paths if path.is_file() and path.read_bytes() != p.data]


def keep(logbook: Path, photos: Iterable[Photo], tanks: Iterable[str]) -> int:
    """Write photos to their places; one that lay there goes to the backup. How many are new."""
    names, new = file_names(tanks), 0
    for photo in photos:
        path = _path(logbook, names, photo)
        if path.is_file():
            if path.read_bytes() == photo.data:
                continue
            older = logbook / BACKUPS / PHOTOS / path.parent.name
            older.mkdir(parents=True, exist_ok=True)
            stamp = f"{path.stat().st_mtime_ns}"
            write_file(older / f"{path.stem}-{stamp}.jpg", path.read_bytes())
        path.parent.mkdir(parents=True, exist_ok=True)
        write_file(path, photo.data)
        new += 1
    return new


def _path(logbook: Path, names: Mapping[str, str], photo: Photo) -> Path:
    return logbook / PHOTOS / names[photo.tank] / f"{photo.date.isoformat()}-{photo.view}.jpg"


@dataclass(frozen=True, order=True)
class KeptPhoto:
    """A photo in a logbook."""

    view: int
    date: dt.date
    path: Path


def kept_photos(logbook: Path, tanks: Iterable[str]) -> dict[str, list[KeptPhoto]]:
    """Each tank's photos by view, then by day; tanks without one are left out."""
    out = {}
    for tank, folder in file_names(tanks).items():
        found = []
        for path in (logbook / PHOTOS / folder).glob("*.jpg"):
            match = _NAME.fullmatch(path.name)
            with contextlib.suppress(ValueError):  # a day that no calendar has
                if match and int(match[2]) in VIEWS:
                    day = dt.date.fromisoformat(match[1])
                    found.append(KeptPhoto(int(match[2]), day, path))
        if found:
            out[tank] = sorted(found)
    return out
