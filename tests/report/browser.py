"""One tab of a headless Chromium."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from playwright.sync_api import BrowserType

CHROMIUM = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")


class Browser:
    """A browser with one tab; ``context`` as for Playwright's ``new_context``."""

    def __init__(self, chromium: BrowserType, program: str, **context: Any) -> None:
        self._browser = chromium.launch(executable_path=program, args=["--no-sandbox"])
        self.tab = self._browser.new_context(no_viewport=True, **context).new_page()
        self._session = self.tab.context.new_cdp_session(self.tab)

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self._browser.close()

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a DevTools method and wait for its result."""
        return dict(self._session.send(method, params))

    def open(
        self,
        path: Path,
        *,
        width: int = 800,
        dark: bool = False,
        media: Any = "null",
        height: int = 844,
    ) -> None:
        """Load a page at a width in CSS pixels, in light or dark."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        self.tab.goto(path.resolve().as_uri())
        # Loading a page of another site would undo it.
        self.tab.emulate_media(media=media, color_scheme="dark" if dark else "light")

    def value(self, expression: str) -> Any:
        """Value of an expression, or of its promise (asked from outside; no script runs)."""
        answer = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"]))
        return answer["result"].get("value")
