"""Who may look: codes that work once, and the cookies that they buy."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable

#: Wrong tries after which a code is no longer good.
TRIES = 5
#: Seconds that each wrong try costs, so that nobody runs through the codes.
PAUSE = 1.0
#: Devices that may look at the same time.
MOST = 20
_DIGITS = 8


class Access:
    """Codes and cookies of one run of the server.

    Parameters
    ----------
    announce : callable
        Gets each new code, to show it on the terminal.
    pause : callable
        Waits that many seconds after a wrong try.
    """

    def __init__(
        self, announce: Callable[[str], None], pause: Callable[[float], None] = time.sleep
    ):
        self._announce, self._pause = announce, pause
        self._lock = threading.Lock()
        self._cookies: list[str] = []
        self._new_code()

    def enter(self, code: str) -> str | None:
        """Trade a code for a cookie; None for a wrong code."""
        with self._lock:
            given = "".join(c for c in code if c.isascii() and c.isdigit())
            if not secrets.compare_digest(given, self._code):
                self._wrong += 1
                # Held while others wait: tries from many places count as one.
                self._pause(PAUSE)
                if self._wrong >= TRIES:
                    self._new_code()
                return None
            self._new_code()
            cookie = secrets.token_urlsafe(32)
            self._cookies = [*self._cookies[1 - MOST :], cookie]
            return cookie

    def knows(self, cookie: str) -> bool:
        """Whether a cookie was bought here."""
        given = cookie.encode("ascii", "replace")
        return any(secrets.compare_digest(given, c.encode()) for c in self._cookies)

    def _new_code(self) -> None:
        self._wrong = 0
        self._code = f"{secrets.randbelow(10**_DIGITS):0{_DIGITS}}"
        self._announce(f"{self._code[:4]} {self._code[4:]}")
