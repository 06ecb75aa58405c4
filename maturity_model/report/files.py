"""What stands in a folder of reports, links to it, and safe CSV cells."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from maturity_model.logbook.formulas import without_formula

#: How a tank's record begins.
RECORD_START = b'{"schema_version":'


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
