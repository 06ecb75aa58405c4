"""What the pages at home answer: the form, the report, and a file that the form saves."""

from __future__ import annotations

import datetime as dt
import json
import tempfile
import threading
from dataclasses import dataclass, field
from pathlib import Path

from maturity_model.assessment import assess
from maturity_model.logbook import LogbookError
from maturity_model.logbook.add import add_file
from maturity_model.logbook.edit import EditError
from maturity_model.logbook.entries import PHOTOS
from maturity_model.logbook.photos import kept_photos
from maturity_model.logbook.read import Reader
from maturity_model.panel import build_panel
from maturity_model.population import Population
from maturity_model.report import write_reports
from maturity_model.report.pages import form_page, home_page
from maturity_model.report.wording import plural
from maturity_model.serving.access import Access
from maturity_model.whole_files import LockedError

#: Bytes of a file that the form may send.
MOST_SENT = 60_000_000
_COMMAND = "maturity-model serve"
_AT_THE_COMPUTER = "That is decided at the computer with the log, by the command add."


@dataclass(frozen=True)
class Request:
    """What is asked; ``path`` without its query, ``form`` the fields of an entered code."""

    method: str
    path: str
    cookie: str = ""
    body: bytes = b""
    kind: str = ""


@dataclass(frozen=True)
class Answer:
    """What is answered."""

    status: int
    body: str
    kind: str = "text/html; charset=utf-8"
    headers: dict[str, str] = field(default_factory=dict)


class Site:
    """The form and the report of one logbook.

    Parameters
    ----------
    logbook : Path
        A folder of CSV files.
    population : Population
    access : Access
    """

    def __init__(self, logbook: Path, population: Population, access: Access):
        self._logbook, self._population, self._access = logbook, population, access
        self._lock = threading.Lock()
        self._made_of: object = None
        self._pages: dict[str, str] = {}

    def answer(self, request: Request) -> Answer:
        """Answer one request; without a cookie, only the page that asks for the code."""
        if request.method == "POST" and request.path == "/enter":
            return self._enter(request.body)
        if not self.knows(request.cookie):
            return Answer(403, home_page(entered=False))
        if request.method == "POST" and request.path == "/add":
            return self._add(request)
        if request.method != "GET":
            return _plain(405, "Only looking and saving work here.")
        if request.path == "/":
            return Answer(200, home_page(entered=True))
        try:
            page = self._page(request.path)
        except (LogbookError, OSError) as error:
            return _plain(503, f"The log cannot be read: {error}")
        return _plain(404, "No such page.") if page is None else Answer(200, page)

    def knows(self, cookie: str) -> bool:
        """Whether a device with this cookie has entered."""
        return self._access.knows(cookie)

    def _enter(self, body: bytes) -> Answer:
        code = body[:100].decode("ascii", "replace").removeprefix("code=")
        cookie = self._access.enter(code)
        if cookie is None:
            return Answer(403, home_page(entered=False, wrong=True))
        crumb = f"look={cookie}; HttpOnly; SameSite=Strict; Path=/"
        return Answer(303, "", headers={"Location": "/", "Set-Cookie": crumb})

    def _add(self, request: Request) -> Answer:
        # A page from elsewhere cannot send this kind of content without asking first.
        if request.kind.split(";")[0].strip() not in ("text/csv", "application/zip"):
            return _plain(415, "Only a file of the form can be saved.")
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "form"
            file.write_bytes(request.body)
            try:
                added = add_file(file, self._logbook)
            except EditError as error:
                lines = error.lines[:20]
                if any("--replace" in line for line in lines):
                    lines = (*lines, _AT_THE_COMPUTER)
                return _as_json(422, fault="\n".join(lines))
            except (LockedError, LogbookError) as error:
                return _as_json(409, fault=str(error))
            except OSError as error:
                return _as_json(500, fault=f"The log cannot be written: {error.strerror or error}")
        parts = [plural(added.checkins, "look"), plural(added.events, "event")]
        parts += [plural(added.photos, "photo")] if added.photos else []
        already = f"; {added.already} there already" if added.already else ""
        return _as_json(200, words=f"Added to the log: {', '.join(parts)}{already}.")

    def _page(self, path: str) -> str | None:
        """A page by its path; made again when the log or the day has changed."""
        with self._lock:
            state = self._state()
            if state != self._made_of:
                self._pages, self._made_of = self._make(), state
            return self._pages.get(path)

    def _state(self) -> object:
        paths = [*self._logbook.glob("*"), *self._logbook.glob(f"{PHOTOS}/*/*")]
        files = (p.stat() for p in sorted(paths) if p.is_file())
        return dt.date.today(), [(s.st_mtime_ns, s.st_size) for s in files]

    def _make(self) -> dict[str, str]:
        reader = Reader(self._logbook)
        logbook = reader.read()
        panel = build_panel(logbook, as_of=dt.date.today())
        assessment = assess(panel, self._population, questions=True)
        decimal = "," if reader.context.decimal == "comma" else "."
        pages = {"/form": form_page(assessment, logbook, None, decimal, served=True)}
        with tempfile.TemporaryDirectory() as folder:
            photos = kept_photos(self._logbook, (tank.tank.name for tank in assessment.tanks))
            for path in write_reports(assessment, folder, _COMMAND, photos):
                if path.suffix == ".html":
                    pages[f"/report/{path.name}"] = path.read_text("utf-8")
        return pages


def _plain(status: int, words: str) -> Answer:
    return Answer(status, words, "text/plain; charset=utf-8")


def _as_json(status: int, **words: str) -> Answer:
    return Answer(status, json.dumps(words), "application/json")
