"""The pages at home: nothing without the code, nothing outside the log, whatever is sent."""

from __future__ import annotations

import contextlib
import datetime as dt
import http.client
import io
import os
import random
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import tracemalloc
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from maturity_model.logbook import read_logbook
from maturity_model.population import load_population
from maturity_model.serving import server as serving
from maturity_model.serving.access import TRIES, Access
from maturity_model.serving.server import Server
from maturity_model.serving.site import MOST_SENT, Answer, Request, Site

TODAY = dt.date.today()
CSV = "text/csv;charset=utf-8"


def some_log(folder: Path) -> Path:
    folder.mkdir()
    started = TODAY - dt.timedelta(days=40)
    (folder / "tanks.csv").write_text(f"tank,started,rock\nReef,{started},dry\n")
    (folder / "checkins.csv").write_text("tank,date,diatoms\n")
    (folder / "events.csv").write_text("tank,date,event\n")
    return folder


class Codes(list[str]):
    """What the terminal shows."""

    def access(self) -> Access:
        return Access(self.append, pause=lambda seconds: None)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return some_log(tmp_path / "log")


@pytest.fixture
def site(log: Path) -> tuple[Site, str]:
    """A site, and the cookie of a device that has entered the code."""
    codes = Codes()
    site = Site(log, load_population(), codes.access())
    answer = site.answer(Request("POST", "/enter", body=f"code={codes[0]}".encode()))
    cookie = re.match("look=([^;]*); HttpOnly; SameSite=Strict", answer.headers["Set-Cookie"])
    assert cookie
    return site, cookie[1]


# -- the code -------------------------------------------------------------------------------


def test_a_code_works_once() -> None:
    codes = Codes()
    access = codes.access()
    cookie = access.enter(codes[0])
    assert cookie
    assert access.knows(cookie)
    assert access.enter(codes[0]) is None
    assert len(codes) == 2
    assert access.enter(codes[1])
    assert not access.knows("")
    assert not access.knows(cookie[:-1])


def test_a_code_that_is_guessed_at_is_changed() -> None:
    waited: list[float] = []
    codes = Codes()
    access = Access(codes.append, pause=waited.append)
    for _ in range(TRIES):
        assert access.enter("1234567é") is None
    assert len(codes) == 2
    assert access.enter(codes[0]) is None
    assert len(waited) == TRIES + 1


@pytest.mark.parametrize("path", ["/", "/form", "/report/index.html", "/add", "/../tanks.csv"])
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_nothing_is_shown_without_the_code(site: tuple[Site, str], method: str, path: str) -> None:
    for cookie in ("", "x", site[1] + "x"):
        answer = site[0].answer(Request(method, path, cookie, b"tank,date\n", CSV))
        assert answer.status == 403
        assert "Reef" not in answer.body


# -- pages and saving -------------------------------------------------------------------------


def test_what_the_form_sends_is_in_the_log_and_the_report(
    site: tuple[Site, str], log: Path
) -> None:
    home, cookie = site

    def get(path: str) -> Answer:
        return home.answer(Request("GET", path, cookie))

    assert 'data-tank="Reef"' in get("/form").body
    assert "connect-src 'self'" in get("/form").body
    # Nobody has to hand on a file.
    assert "To the report" in get("/form").body
    assert "maturity-model add" not in get("/form").body
    assert "No answer yet" in get("/report/Reef.html").body
    body = f"tank,date,diatoms\nReef,{TODAY},y\n".encode()
    answer = home.answer(Request("POST", "/add", cookie, body, CSV))
    assert (answer.status, "1 look, 0 events" in answer.body) == (200, True)
    assert read_logbook(log).checkins[0].signs == {"diatoms": True}
    assert "No answer yet" not in get("/report/Reef.html").body
    # Twice is the same as once, and what cannot be used is not.
    text = (log / "checkins.csv").read_bytes()
    assert home.answer(Request("POST", "/add", cookie, body, CSV)).status == 200
    bad = home.answer(
        Request("POST", "/add", cookie, b"tank,date,diatoms\nRief,2020-01-01,y\n", CSV)
    )
    assert (bad.status, "Rief" in bad.body) == (422, True)
    against = home.answer(Request("POST", "/add", cookie, body.replace(b",y", b",n"), CSV))
    assert (against.status, "at the computer with the log" in against.body) == (422, True)
    assert (log / "checkins.csv").read_bytes() == text


def test_a_photo_alone_is_on_the_next_page(site: tuple[Site, str], log: Path) -> None:
    home, cookie = site
    page = Request("GET", "/report/Reef.html", cookie)
    assert "Then and now" not in home.answer(page).body
    picture, package = io.BytesIO(), io.BytesIO()
    Image.new("RGB", (40, 20), "green").save(picture, "PNG")
    with zipfile.ZipFile(package, "w") as files:
        files.writestr("checkins.csv", "tank,date\n")
        files.writestr("photos.csv", f"file,tank,date,view\n1.jpg,Reef,{TODAY},1\n")
        files.writestr("1.jpg", picture.getvalue())
    sent = Request("POST", "/add", cookie, package.getvalue(), "application/zip")
    assert "1 photo" in home.answer(sent).body
    assert "Then and now" in home.answer(page).body


def test_a_page_from_elsewhere_cannot_send(site: tuple[Site, str]) -> None:
    # What an HTML form can send without the browser asking first: Fetch standard, 2.2.2.
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""):
        assert site[0].answer(Request("POST", "/add", site[1], b"tank,date\n", kind)).status == 415


OTHER_PATHS = [
    "/report/../log/tanks.csv", "/report/%2e%2e/tanks.csv", "/form/", "//form", "/tanks.csv",
    "/report/index.html/", "/report\\index.html", "/report/Reef.json", "\0", "/" * 9000,
]  # fmt: skip


@pytest.mark.parametrize("path", OTHER_PATHS)
def test_only_known_pages_are_there(site: tuple[Site, str], path: str) -> None:
    assert site[0].answer(Request("GET", path, site[1])).status == 404


def test_a_log_that_cannot_be_read_is_no_traceback(site: tuple[Site, str], log: Path) -> None:
    (log / "tanks.csv").write_text("no,table\n")
    answer = site[0].answer(Request("GET", "/form", site[1]))
    assert (answer.status, "tanks.csv" in answer.body) == (503, True)


# -- the line ---------------------------------------------------------------------------------


@pytest.fixture
def running(
    site: tuple[Site, str], monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Server, str]]:
    monkeypatch.setattr(serving._Handler, "timeout", 0.3)
    monkeypatch.setattr(serving, "LONGEST", 1)
    with Server("127.0.0.1", 0, site[0].answer, site[0].knows) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        yield server, site[1]
        server.shutdown()
        thread.join()


def ask(server: Server, method: str, path: str, body: bytes = b"", **headers: str) -> int:
    line = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=20)
    names = {name.replace("_", "-"): value for name, value in headers.items()}
    with contextlib.closing(line):
        line.request(method, path, body or None, names)
        return line.getresponse().status


def test_other_names_of_this_computer_are_refused(running: tuple[Server, str]) -> None:
    server, cookie = running
    assert ask(server, "GET", "/", Cookie=f"look={cookie}") == 200
    assert ask(server, "GET", "/", Cookie=f"look={cookie}", Host="evil.example") == 421
    assert ask(server, "GET", "/", Cookie='look="\\') == 403
    assert ask(server, "PUT", "/form", Cookie=f"look={cookie}") == 501


def test_a_body_too_large_is_not_read(running: tuple[Server, str]) -> None:
    server, cookie = running
    lengths = [(cookie, x) for x in (str(MOST_SENT + 1), "9" * 5000, "-1", "٣", "")]
    # Nobody fills the memory without the code.
    for known, length in (*lengths, ("", "1001"), ("x", str(MOST_SENT))):
        head = f"POST /add HTTP/1.1\r\nHost: localhost:{server.server_port}\r\n"
        head += f"Cookie: look={known}\r\nContent-Length: {length}\r\n\r\n"
        with socket.create_connection(("127.0.0.1", server.server_port), timeout=20) as line:
            line.sendall(head.encode())
            assert line.recv(100).split(b" ")[1] == b"413", length


def test_slow_and_silent_devices_lose_their_line(running: tuple[Server, str]) -> None:
    server, cookie = running
    lines = [socket.create_connection(("127.0.0.1", server.server_port)) for _ in range(20)]
    for line in lines:
        line.sendall(b"GET / HTTP/1.1\r\nX: ")
    assert ask(server, "GET", "/form", Cookie=f"look={cookie}") == 200
    assert threading.active_count() < 40
    for line in lines:
        line.close()


def test_whatever_is_sent_nothing_is_written_outside_the_log(
    running: tuple[Server, str], log: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    server, cookie = running
    before = sorted(p for p in log.parent.rglob("*") if log not in p.parents)
    table = {p.name: p.read_bytes() for p in log.glob("*.csv")}
    numbers = random.Random(5)
    tracemalloc.start()
    head = f"Host: localhost:{server.server_port}\r\nCookie: look={cookie}\r\n"
    for _ in range(150):
        junk = numbers.randbytes(numbers.randrange(400))
        path = numbers.choice(["/add", "/form", "/enter", "/../../etc/passwd", "/%00", "*", "x:y"])
        start = f"{numbers.choice(['GET', 'POST', 'HEAD', 'X'])} {path} HTTP/1.1\r\n{head}"
        length = numbers.choice([len(junk), 0, 7, -7, 10**12, "x"])
        sent = f"{start}Content-Type: {CSV}\r\nContent-Length: {length}\r\n\r\n".encode()
        # A server may hang up before it has heard everything.
        with (
            contextlib.suppress(OSError),
            socket.create_connection(("127.0.0.1", server.server_port), timeout=20) as line,
        ):
            line.sendall(sent + (junk if numbers.random() < 0.8 else b""))
            line.shutdown(socket.SHUT_WR)
            while line.recv(1 << 16):
                pass
    assert ask(server, "GET", "/form", Cookie=f"look={cookie}") == 200
    assert sorted(p for p in log.parent.rglob("*") if log not in p.parents) == before
    assert {p.name: p.read_bytes() for p in log.glob("*.csv")} == table
    assert "Traceback" not in capfd.readouterr().err
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 100_000_000


# -- the command ------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals of POSIX")
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGKILL])
def test_the_command_ends_cleanly_and_a_kill_leaves_the_log_whole(
    log: Path, end: signal.Signals
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = subprocess.Popen(
        [sys.executable, "-m", "maturity_model", "serve", str(log), "--port", str(port)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout
    assert f"http://127.0.0.1:{port}/" in process.stdout.readline()
    code = process.stdout.readline().removeprefix("Code for the next device: ").strip()
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as line:
        line.request("POST", "/enter", f"code={code.replace(' ', '+')}")
        cookie = line.getresponse().getheader("Set-Cookie", "").split(";")[0]
    assert cookie.startswith("look=")
    rows = "".join(f"Reef,{TODAY - dt.timedelta(days=n)},y\n" for n in range(30))
    kind = {"Cookie": cookie, "Content-Type": CSV}
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as line:
        line.request("POST", "/add", f"tank,date,diatoms\n{rows}", kind)
        if end == signal.SIGINT:
            assert line.getresponse().status == 200
        process.send_signal(end)
        if end == signal.SIGINT:
            # Somebody impatient presses twice.
            process.send_signal(end)
        _, said = process.communicate(timeout=20)
    assert "Traceback" not in said
    assert len(read_logbook(log).checkins) in (0, 30)
    assert read_logbook(log).problems == ()
    if end == signal.SIGINT:
        assert process.returncode == 0
        assert len(read_logbook(log).checkins) == 30
    shutil.rmtree(log)
