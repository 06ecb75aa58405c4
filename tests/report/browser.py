"""A small driver for headless Chromium over its DevTools pipe; needs no package."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Any

_NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage", "--hide-scrollbars", "--remote-debugging-pipe",
)  # fmt: skip
#: Virtual key codes of the keys that are no letters.
_KEYS = {
    "Tab": 9, "Enter": 13, "Space": 32, "Escape": 27,
    "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40,
}  # fmt: skip


def find_browser() -> str | None:
    """Path of a Chromium-like browser, or None."""
    return next((path for name in _NAMES if (path := shutil.which(name))), None)


class Browser:
    """One headless browser with one tab.

    The DevTools protocol goes over two pipes (file descriptors 3 and 4), each message
    JSON ended by a zero byte.
    """

    def __init__(self, program: str, **environment: str) -> None:
        self._home = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        down_read, self._down = os.pipe()
        self._up, up_write = os.pipe()
        # The shell moves the pipes to the descriptors that the browser expects.
        self._process = subprocess.Popen(
            [
                "/bin/bash",
                "-c",
                f'exec "$0" "$@" 3<&{down_read} 4>&{up_write}',
                program,
                *_FLAGS,
                f"--user-data-dir={self._home.name}",
                "about:blank",
            ],
            pass_fds=(down_read, up_write),
            env={**os.environ, **environment},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(down_read)
        os.close(up_write)
        self._buffer = b""
        self._count = 0
        self._session: str | None = None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)[
            "sessionId"
        ]
        self.call("Page.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._down)
        try:
            self._process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._up)
        self._home.cleanup()

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a DevTools method and wait for its result."""
        self._count += 1
        message: dict[str, Any] = {"id": self._count, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._down, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("id") == self._count:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                result: dict[str, Any] = answer["result"]
                return result

    def _receive(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            chunk = os.read(self._up, 1 << 16)
            if not chunk:
                raise RuntimeError("the browser ended")
            self._buffer += chunk
        raw, _, self._buffer = self._buffer.partition(b"\0")
        answer: dict[str, Any] = json.loads(raw)
        return answer

    def open(
        self, path: Path, *, width: int, dark: bool = False, media: str = "", height: int = 844
    ) -> None:
        """Show a page at a width in CSS pixels, in light or dark."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        scheme = "dark" if dark else "light"
        self.call(
            "Emulation.setEmulatedMedia",
            media=media,
            features=[{"name": "prefers-color-scheme", "value": scheme}],
        )
        self.call("Page.navigate", url=path.resolve().as_uri())
        while (
            self.value("document.readyState") != "complete"
            or self.value("location.protocol") != "file:"
        ):
            pass

    def value(self, expression: str) -> Any:
        """Value of an expression in the page (asked from outside; the page runs no script)."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def press(self, key: str, *, shift: bool = False) -> None:
        """Press a key named as in the DOM (``Tab``, ``ArrowRight``), or type a letter."""
        code = _KEYS.get(key)
        about: dict[str, Any] = {"key": key, "code": key, "modifiers": 8 if shift else 0}
        if code is None:
            about = {"key": key, "text": key}
        elif key in ("Enter", "Space"):
            about["text"] = "\r" if key == "Enter" else " "
            about["key"] = "Enter" if key == "Enter" else " "
        if code is not None:
            about["windowsVirtualKeyCode"] = code
        self.call("Input.dispatchKeyEvent", type="keyDown", **about)
        about.pop("text", None)
        self.call("Input.dispatchKeyEvent", type="keyUp", **about)

    def type(self, text: str) -> None:
        """Type text into what has the focus."""
        for letter in text:
            self.press(letter)

    def screenshot(self, *, whole: bool = True) -> bytes:
        """PNG of the page, or of its first screen."""
        answer = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        return base64.b64decode(answer["data"])

    def pdf(self) -> bytes:
        """The page as printed on the paper its style sheet asks for."""
        answer = self.call("Page.printToPDF", preferCSSPageSize=True, printBackground=False)
        return base64.b64decode(answer["data"])
