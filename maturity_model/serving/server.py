"""A small web server for a few devices at home, on the standard library's.

Sizes, times and the number of requests at once are bounded before anything is read.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
from collections.abc import Callable
from http.cookies import CookieError, SimpleCookie
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import unquote, urlsplit

from maturity_model.serving.site import MOST_SENT, Answer, Request

#: Seconds that a device may keep its line open without saying anything, and altogether.
PATIENCE, LONGEST = 10, 60
#: Requests that are answered at the same time.
AT_ONCE = 8
#: Bytes that a device without a cookie may send: enough for a code.
MOST_OF_A_STRANGER = 1000


class Server(ThreadingHTTPServer):
    """Answers requests by a function; others than its own names are refused.

    ``knows`` says whether a cookie is good: without one, a request is short.
    """

    daemon_threads = True

    def __init__(
        self,
        host: str,
        port: int,
        answer: Callable[[Request], Answer],
        knows: Callable[[str], bool],
    ):
        super().__init__((host, port), _Handler)
        self.answer, self.knows = answer, knows
        self.lines = threading.BoundedSemaphore(AT_ONCE)

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing of a line that broke off."""

    def process_request(self, request: Any, client_address: Any) -> None:
        """Answer in a thread, or hang up where too many are waiting."""
        if self.lines.acquire(timeout=PATIENCE):
            super().process_request(request, client_address)
        else:
            self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """Answer one line, then make room for the next."""
        # A device that sends a byte now and then would never be silent for long.
        end = threading.Timer(LONGEST, _hang_up, (request,))
        end.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            end.cancel()
            self.lines.release()


def _hang_up(line: socket.socket) -> None:
    with contextlib.suppress(OSError):
        line.shutdown(socket.SHUT_RDWR)


class _Handler(BaseHTTPRequestHandler):
    server: Server
    timeout = PATIENCE
    server_version, sys_version = "home", ""

    def do_GET(self) -> None:
        self._answer(b"")

    def do_POST(self) -> None:
        length = self.headers.get("Content-Length", "")
        # Who has no cookie has nothing to send but a code.
        most = MOST_SENT if self.server.knows(self._cookie()) else MOST_OF_A_STRANGER
        if not re.fullmatch("[0-9]{1,9}", length) or int(length) > most:
            self._send(Answer(413, "Too large.", "text/plain; charset=utf-8"))
            return
        self._answer(self.rfile.read(int(length)))

    def _answer(self, body: bytes) -> None:
        # Another name in front of this address may be a stranger's page in the same browser.
        names = {f"{host}:{self.server.server_port}" for host in ("localhost", "127.0.0.1")}
        names.add(f"{self.connection.getsockname()[0]}:{self.server.server_port}")
        if self.headers.get("Host", "") not in names:
            self._send(Answer(421, "Not here.", "text/plain; charset=utf-8"))
            return
        request = Request(
            method=self.command,
            path=unquote(urlsplit(self.path).path),
            cookie=self._cookie(),
            body=body,
            kind=self.headers.get("Content-Type", ""),
        )
        self._send(self.server.answer(request))

    def _cookie(self) -> str:
        try:
            cookie = SimpleCookie(self.headers.get("Cookie", "")).get("look")
        except CookieError:
            return ""
        return cookie.value if cookie else ""

    def _send(self, answer: Answer) -> None:
        body = answer.body.encode()
        self.send_response(answer.status)
        for name, value in {
            "Content-Type": answer.kind,
            "Content-Length": str(len(body)),
            "Cache-Control": "no-store",
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "no-referrer",
            "X-Frame-Options": "DENY",
            "Connection": "close",
            **answer.headers,
        }.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)
        self.close_connection = True

    def log_message(self, format: str, *args: object) -> None:
        """Keep quiet: the terminal shows the code."""
