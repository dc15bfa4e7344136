"""Chromium without a window, driven by Playwright; the browser is the system's own."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from playwright.sync_api import ConsoleMessage, Error, Playwright, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
PATIENCE_MS = 60_000.0
PHONE_DOTS = 2

_driver: list[Playwright] = []  # one a process, ended with its last browser
_browsers: set[Browser] = set()


def chromium() -> str | None:
    """Where the browser is; None without one."""
    return next((path for path in map(shutil.which, NAMES) if path), None)


class Browser:
    """One browser with one page; use as a context manager. No event loop may run in its thread.

    complaints  what it said to the console as an error or a warning, exceptions, failed loads
    requests    addresses the pages asked for
    """

    def __init__(self, folder: Path) -> None:
        """With its profile in that folder."""
        self._folder = folder
        self.complaints: list[str] = []
        self.requests: list[str] = []

    def __enter__(self) -> Browser:
        program = chromium()
        assert program is not None, "no chromium: apt-get install chromium (.ci/run does)"
        if not _driver:
            _driver.append(sync_playwright().start())
        _browsers.add(self)
        try:
            self._context = _driver[0].chromium.launch_persistent_context(
                self._folder,
                executable_path=program,
                chromium_sandbox=False,  # a container rarely permits it; the page is our own
                args=["--disable-gpu", "--disable-background-networking"],
                no_viewport=True,
                env={"HOME": str(self._folder)},
            )
            self._context.set_default_timeout(PATIENCE_MS)
            self._page = self._context.pages[0]
            self._page.on("console", self._console)
            self._page.on("pageerror", lambda error: self.complaints.append(str(error)))
            self._page.on("request", lambda request: self.requests.append(request.url))
            self._devtools = self._context.new_cdp_session(self._page)
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End it and wait until it has."""
        if hasattr(self, "_context"):
            self._context.close()
        _browsers.discard(self)
        if not _browsers:
            _driver.pop().stop()

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the browser's own protocol and its answer, for what Playwright has no word for."""
        answer: dict[str, Any] = self._devtools.send(method, params)
        return answer

    def open(self, path: Path, width: int, height: int, *, phone: bool = False) -> None:
        """Open a file in a window of that size [px] and wait until it is drawn."""
        self.resize(width, height, phone=phone)
        self.load(path)
        self.settle()

    def resize(self, width: int, height: int, *, phone: bool = False) -> None:
        """The window's size [px]; a phone has touch and two pixels for one."""
        dots = PHONE_DOTS if phone else 1
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=dots,
            mobile=phone,
        )
        self.call("Emulation.setTouchEmulationEnabled", enabled=phone)

    def drawn(self) -> None:
        """Wait until a page of figures has drawn those in view."""
        self.until("'drawn' in document.documentElement.dataset", 1e-3 * PATIENCE_MS)
        self.settle()

    def load(self, path: Path) -> None:
        """Open a file and wait until it is loaded, whether or not its scripts run."""
        self.visit(path.resolve().as_uri())

    def visit(self, address: str) -> None:
        """Open an address and wait until it is loaded."""
        self._page.goto(address)

    def settle(self) -> None:
        """Wait for two frames to be painted: what was begun is drawn."""
        self.eval("new Promise(go => requestAnimationFrame(() => requestAnimationFrame(() => go(1))))")

    def eval(self, script: str) -> Any:
        """Value of a JavaScript expression in the page; promises are awaited."""
        return self._page.evaluate(script)

    def until(self, condition: str, seconds: float = 20.0) -> None:
        """Wait until a JavaScript expression is true; else AssertionError with what the page shows.

        Asked again and again from here: a page that permits no `eval` permits no waiting by Playwright.
        """
        limit = time.monotonic() + seconds
        while True:
            try:
                if self.eval(f"Boolean({condition})"):
                    return
            except Error as error:  # asked just when another page was opened
                if "navigation" not in str(error):
                    raise
                self._page.wait_for_load_state()
            assert time.monotonic() < limit, f"{condition}\n{self.eval('document.body.innerText')}"
            time.sleep(0.01)

    def press(self, key: str) -> None:
        """Press and release a key, by its name."""
        self._page.keyboard.press(key)

    def type(self, text: str) -> None:
        """Write where the cursor is."""
        self._page.keyboard.insert_text(text)

    def picture(self, path: Path, selector: str = "html") -> None:
        """A PNG of the whole page, or of one element."""
        self._page.locator(selector).first.screenshot(path=path)

    def window(self) -> bytes:
        """A PNG of what the window shows."""
        return self._page.screenshot()

    def pdf(self) -> bytes:
        """The page as it would be printed."""
        return self._page.pdf()

    def _console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning", "assert"):
            self.complaints.append(message.text)
