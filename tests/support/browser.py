"""Chromium without a window, spoken to over a pipe in its DevTools protocol."""

from __future__ import annotations

import base64
import fcntl
import itertools
import json
import os
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
PATIENCE_S = 60.0


def chromium() -> str | None:
    """Where the browser is; None without one."""
    return next((path for path in map(shutil.which, NAMES) if path), None)


def _high(descriptor: int) -> int:
    copy = fcntl.fcntl(descriptor, fcntl.F_DUPFD_CLOEXEC, 10)
    os.close(descriptor)
    return copy


class Browser:
    """One browser with one page; use as a context manager.

    complaints  what it said to the console as an error or a warning, exceptions, failed loads
    requests    addresses the pages asked for
    """

    def __init__(self, folder: Path) -> None:
        program = chromium()
        assert program is not None, "no chromium: apt-get install chromium (.ci/run does)"
        # The protocol is on descriptors 3 and 4; ours are above, so that neither is in the other's way.
        self._read, to_write = map(_high, os.pipe())
        to_read, self._write = map(_high, os.pipe())
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                "import os, sys; os.dup2(int(sys.argv[1]), 3); os.dup2(int(sys.argv[2]), 4); "
                "os.execv(sys.argv[3], sys.argv[3:])",
                str(to_read),
                str(to_write),
                program,
                "--headless=new",
                "--no-sandbox",  # a container rarely permits it; the page is our own
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--disable-background-networking",
                "--no-first-run",
                f"--user-data-dir={folder}",
                "--remote-debugging-pipe",
            ],
            pass_fds=(to_read, to_write),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"HOME": str(folder)},
        )
        os.close(to_read)
        os.close(to_write)
        self._rest = b""
        self._numbers = itertools.count(1)
        self._session: str | None = None
        self._seen: list[str] = []
        self.complaints: list[str] = []
        self.requests: list[str] = []

    def __enter__(self) -> Browser:
        try:
            target = self.call("Target.createTarget", url="about:blank")["targetId"]
            self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
            for domain in ("Page", "Runtime", "Log", "Network"):
                self.call(f"{domain}.enable")
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
        self._process.kill()
        self._process.wait()
        os.close(self._write)
        os.close(self._read)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """One command of the protocol and its answer; AssertionError if it is refused."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        for answer in self._messages():
            if answer.get("id") == number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                result: dict[str, Any] = answer["result"]
                return result
        raise AssertionError("unreachable")

    def open(self, path: Path, width: int, height: int, *, phone: bool = False) -> None:
        """Open a file in a window of that size [px] and wait until it is drawn."""
        self.resize(width, height, phone=phone)
        self.load(path)
        self.settle()

    def resize(self, width: int, height: int, *, phone: bool = False) -> None:
        """The window's size [px]; a phone has touch and two pixels for one."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=2 if phone else 1,
            mobile=phone,
        )
        self.call("Emulation.setTouchEmulationEnabled", enabled=phone)

    def drawn(self) -> None:
        """Wait until a page of figures has drawn those in view."""
        self.eval(
            "new Promise(go => { const look = () => 'drawn' in document.documentElement.dataset ? go(1)"
            " : setTimeout(look, 5); look(); })"
        )
        self.settle()

    def load(self, path: Path) -> None:
        """Open a file and wait until it is loaded, whether or not its scripts run."""
        self.visit(path.resolve().as_uri())

    def visit(self, address: str) -> None:
        """Open an address and wait until it is loaded."""
        self._seen.clear()
        self.call("Page.navigate", url=address)
        if "Page.loadEventFired" not in self._seen:
            for _ in self._messages():
                if "Page.loadEventFired" in self._seen:
                    break

    def settle(self) -> None:
        """Wait for two frames to be painted: what was begun is drawn."""
        self.eval("new Promise(go => requestAnimationFrame(() => requestAnimationFrame(() => go(1))))")

    def eval(self, script: str) -> Any:
        """Value of a JavaScript expression in the page; promises are awaited."""
        answer = self.call("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def until(self, condition: str, seconds: float = 20.0) -> None:
        """Wait until a JavaScript expression is true; else AssertionError with what the page shows."""
        limit = time.monotonic() + seconds
        while not self.eval(f"Boolean({condition})"):
            assert time.monotonic() < limit, f"{condition}\n{self.eval('document.body.innerText')}"
            time.sleep(0.05)

    def press(self, key: str, code: int) -> None:
        """Press and release a key, e.g. ("Tab", 9)."""
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code)

    def picture(self, path: Path, selector: str = "") -> None:
        """A PNG of the whole page, or of one element."""
        clip = self.eval(
            f"(()=>{{const e=document.querySelector({json.dumps(selector or 'html')})"
            ".getBoundingClientRect();"
            "return {x:e.x+scrollX,y:e.y+scrollY,width:e.width,height:e.height,scale:1}})()"
        )
        shot = self.call("Page.captureScreenshot", captureBeyondViewport=True, clip=clip)
        path.write_bytes(base64.b64decode(shot["data"]))

    def window(self) -> bytes:
        """A PNG of what the window shows."""
        return base64.b64decode(self.call("Page.captureScreenshot")["data"])

    def pdf(self) -> bytes:
        """The page as it would be printed."""
        return base64.b64decode(self.call("Page.printToPDF", printBackground=False)["data"])

    def _messages(self) -> Iterator[dict[str, Any]]:
        until = time.monotonic() + PATIENCE_S
        while True:
            message, end, rest = self._rest.partition(b"\0")
            if not end:
                left = until - time.monotonic()
                ready, _, _ = select.select([self._read], [], [], max(left, 0.0))
                assert ready, "the browser says nothing"
                more = os.read(self._read, 1 << 20)
                assert more, "the browser went away"
                self._rest += more
                continue
            self._rest = rest
            item = json.loads(message)
            self._note(item)
            yield item

    def _note(self, item: dict[str, Any]) -> None:
        method, params = item.get("method", ""), item.get("params", {})
        self._seen.append(method)
        if method == "Runtime.exceptionThrown":
            self.complaints.append(str(params["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.complaints.append(" ".join(str(a.get("value", a)) for a in params["args"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.complaints.append(params["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
