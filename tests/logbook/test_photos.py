"""Photos: checked by content, redrawn without metadata, kept by tank, day and view."""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
import io
import re
import struct
import zipfile
from pathlib import Path

import pytest
from PIL import ExifTags, Image

from maturity_model.cli.main import main
from maturity_model.logbook.add import add_file
from maturity_model.logbook.edit import EditError
from maturity_model.logbook.photos import SIDE, kept_photos

TODAY = dt.date.today()
STARTED = TODAY - dt.timedelta(days=60)
DAY = dt.timedelta(days=1)
INDEX = "file,tank,date,view\n"


@pytest.fixture
def log(tmp_path: Path) -> Path:
    folder = tmp_path / "log"
    folder.mkdir()
    (folder / "tanks.csv").write_text(f"tank,started\nReef,{STARTED}\n../Nook,{STARTED}\n")
    (folder / "checkins.csv").write_text("tank,date,diatoms\n")
    (folder / "events.csv").write_text("tank,date,event\n")
    return folder


def picture(kind: str = "JPEG", size: tuple[int, int] = (80, 60), colour: str = "red") -> bytes:
    """A picture that says where and with what it was taken, lying on its side."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = "a secret device"
    exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (54.0, 10.0, 7.0)
    out = io.BytesIO()
    Image.new("RGB", size, colour).save(out, kind, exif=exif)
    return out.getvalue()


def package(path: Path, index: str, pictures: dict[str, bytes], table: str = "") -> Path:
    table = table or f"tank,date,diatoms\nReef,{TODAY},y\n"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as files:
        for name, data in {"checkins.csv": table, "photos.csv": INDEX + index, **pictures}.items():
            files.writestr(name, data)
    return path


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_a_photo_is_kept_without_place_or_device(log: Path, tmp_path: Path, kind: str) -> None:
    data = picture(kind, (3 * SIDE, SIDE))
    assert b"a secret device" in data
    file = package(tmp_path / "form.zip", f"1.jpg,Reef,{TODAY},2\n", {"1.jpg": data})
    added = add_file(file, log)
    assert (added.checkins, added.photos) == (1, 1)
    (kept,) = kept_photos(log, ["Reef"])["Reef"]
    assert kept.path == log / "photos" / "Reef" / f"{TODAY}-2.jpg"
    with Image.open(kept.path) as image:
        assert image.format == "JPEG"
        # Upright, and no larger than needed.
        assert image.size == (round(SIDE / 3), SIDE)
        assert dict(image.getexif()) == {}
        assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"secret" not in kept.path.read_bytes()


def test_photos_need_no_rows(log: Path, tmp_path: Path) -> None:
    before = (log / "checkins.csv").read_bytes()
    pictures = {"1.jpg": picture()}
    file = package(tmp_path / "a.zip", f"1.jpg,Reef,{TODAY},1\n", pictures, "tank,date\n")
    added = add_file(file, log)
    assert (added.checkins, added.photos) == (0, 1)
    assert (log / "checkins.csv").read_bytes() == before
    # With neither, nothing was saved.
    with pytest.raises(EditError, match="holds no row"):
        add_file(package(tmp_path / "b.zip", "", {}, "tank,date\n"), log)


def test_a_name_never_becomes_a_path(log: Path, tmp_path: Path) -> None:
    index = f'"/../x","\'../Nook",{TODAY},1\n'
    add_file(package(tmp_path / "form.zip", index, {"/../x": picture()}), log)
    (kept,) = kept_photos(log, ["Reef", "../Nook"])["../Nook"]
    assert kept.path.parent.parent == log / "photos"
    outside = {p.name for p in tmp_path.iterdir()}
    assert outside == {"log", "form.zip"}


def test_twice_is_once_and_another_photo_is_not_lost(log: Path, tmp_path: Path) -> None:
    index = f"1.jpg,Reef,{TODAY},1\n"
    first = package(tmp_path / "one.zip", index, {"1.jpg": picture()})
    assert add_file(first, log).photos == 1
    assert add_file(first, log).photos == 0
    other = package(tmp_path / "two.zip", index, {"1.jpg": picture(colour="blue")})
    before = (log / "photos/Reef" / f"{TODAY}-1.jpg").read_bytes()
    for conflict in ("refuse", "beside"):
        with pytest.raises(EditError, match="another photo"):
            add_file(other, log, conflict=conflict)
    add_file(other, log, conflict="replace")
    assert (log / "photos/Reef" / f"{TODAY}-1.jpg").read_bytes() != before
    (saved,) = (log / "backup/photos/Reef").iterdir()
    assert saved.read_bytes() == before


BAD = {
    "no such tank": (f"1.jpg,Rief,{TODAY},1\n", {"1.jpg": picture()}, "not a tank"),
    "a view": (f"1.jpg,Reef,{TODAY},9\n", {"1.jpg": picture()}, "the view is one of 1, 2, 3"),
    "a day": ("1.jpg,Reef,1 May,1\n", {"1.jpg": picture()}, "YYYY-MM-DD"),
    "tomorrow": (f"1.jpg,Reef,{TODAY + DAY},1\n", {"1.jpg": picture()}, "not come"),
    "before the tank": ("1.jpg,Reef,2001-01-01,1\n", {"1.jpg": picture()}, "before the tank"),
    "twice": (
        f"1.jpg,Reef,{TODAY},1\n2.jpg,Reef,{TODAY},1\n",
        {"1.jpg": picture(), "2.jpg": picture(colour="blue")},
        "a second photo of that view",
    ),
    "missing": (f"2.jpg,Reef,{TODAY},1\n", {"1.jpg": picture()}, "missing"),
    "no picture": (f"1.jpg,Reef,{TODAY},1\n", {"1.jpg": b"<svg/>"}, "cannot be read"),
    "a part": (f"1.jpg,Reef,{TODAY},1\n", {"1.jpg": picture(size=(999, 999))[:900]}, "be read"),
    "many files": ("", {f"{i}": b"" for i in range(201)}, "unpacks to more"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD, ids=str)
def test_what_cannot_be_used_changes_nothing(log: Path, tmp_path: Path, case: str) -> None:
    index, pictures, why = BAD[case]
    before = {p: p.read_bytes() for p in log.rglob("*") if p.is_file() and p.suffix == ".csv"}
    file = package(tmp_path / "form.zip", index, pictures)
    with pytest.raises(EditError, match=why):
        add_file(file, log)
    assert {p: p.read_bytes() for p in log.rglob("*") if p.suffix == ".csv"} == before
    assert not (log / "photos").exists()


def test_a_bomb_is_refused_before_it_is_unpacked(log: Path, tmp_path: Path) -> None:
    # A zip that unpacks to 120 MB, and a PNG of 60,000 x 60,000 pixels.
    file = tmp_path / "bomb.zip"
    with (
        zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as files,
        files.open("checkins.csv", "w", force_zip64=True) as handle,
    ):
        for _ in range(120):
            handle.write(bytes(10**6))
    with pytest.raises(EditError, match="unpacks to more"):
        add_file(file, log)
    header = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + struct.pack(
        ">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0
    )
    bomb = header + b"\0\0\0\0" + b"\0\0\0\0IEND\xaeB`\x82"
    with pytest.raises(EditError, match="picture"):
        add_file(package(file, f"1.jpg,Reef,{TODAY},1\n", {"1.jpg": bomb}), log)


def test_a_damaged_package_is_no_traceback(log: Path, tmp_path: Path) -> None:
    file = package(tmp_path / "form.zip", f"1.jpg,Reef,{TODAY},1\n", {"1.jpg": picture()})
    whole = file.read_bytes()
    for at in range(0, len(whole), 7):
        for broken in (whole[:at], whole[:at] + bytes([whole[at] ^ 255]) + whole[at + 1 :]):
            file.write_bytes(broken)
            with contextlib.suppress(EditError):
                add_file(file, log, conflict="replace")


def test_the_page_shows_then_and_now(log: Path, tmp_path: Path) -> None:
    for days, colour in ((50, "red"), (20, "green"), (0, "blue")):
        day = TODAY - dt.timedelta(days=days)
        table = f"tank,date,diatoms\nReef,{day},y\n"
        file = package(
            tmp_path / f"{days}.zip",
            f"1.jpg,Reef,{day},1\n",
            {"1.jpg": picture(colour=colour)},
            table,
        )
        assert main(["add", str(file), str(log)]) == 0
    assert main(["weekly", str(log), "--out", str(tmp_path / "out")]) == 0
    page = (tmp_path / "out" / "Reef.html").read_text("utf-8")
    links = re.findall(r'<img src="data:image/jpeg;base64,([^"]+)" alt="The whole tank on ', page)
    colours = [Image.open(io.BytesIO(base64.b64decode(x))).getpixel((9, 9)) for x in links]
    assert [max(range(3), key=list(c).__getitem__) for c in colours] == [0, 2]  # type: ignore[arg-type]
    assert "img-src data:" in page
    assert "<img" not in (tmp_path / "out" / "index.html").read_text("utf-8")
