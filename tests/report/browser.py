"""A headless Chromium over its debugging pipe: no driver, no socket, nothing to install beside it.

Messages are JSON ended by a zero byte, in on file descriptor 3, out on 4 (Chrome DevTools Protocol,
`--remote-debugging-pipe`).
"""

from __future__ import annotations

import base64
import contextlib
import fcntl
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from chromium import CHROMIUM

FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --hide-scrollbars --remote-debugging-pipe"
).split()
WAIT_S = 60.0


class Browser:
    """One tab; `events` holds everything that the browser told without being asked."""

    def __init__(self, profile: str) -> None:
        into_r, self._into = os.pipe()
        self._out, out_w = os.pipe()
        # first away from 3 and 4, so that neither is overwritten before it is copied there
        high = [fcntl.fcntl(fd, fcntl.F_DUPFD, 50) for fd in (into_r, out_w)]

        def place() -> None:
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        self._process = subprocess.Popen(
            [str(CHROMIUM), *FLAGS, f"--user-data-dir={profile}", "about:blank"],
            preexec_fn=place,
            pass_fds=(3, 4),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for fd in (into_r, out_w, *high):
            os.close(fd)
        self._buffer = b""
        self._number = 0
        self._session: str | None = None
        self.events: list[dict[str, Any]] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network", "Accessibility", "DOM"):
            self.call(f"{domain}.enable")

    def close(self) -> None:
        with contextlib.suppress(OSError, AssertionError):
            self._session = None
            self.call("Browser.close")
        self._process.terminate()
        self._process.wait(120)
        os.close(self._into)
        os.close(self._out)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Ask, and wait for the answer; events that come meanwhile are kept."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._into, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + WAIT_S
        while True:
            answer = self._next(until)
            if answer.get("id") == self._number:
                assert "error" not in answer, f"{method}: {answer['error']}"
                return answer["result"]
            self.events.append(answer)

    def wait_for(self, method: str, since: int = 0) -> dict[str, Any]:
        """The first event of that name after place `since` of `events`."""
        until = time.monotonic() + WAIT_S
        while True:
            for event in self.events[since:]:
                if event.get("method") == method:
                    return event
            self.events.append(self._next(until))

    def _next(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._out], [], [], max(0.0, until - time.monotonic()))
            assert ready, "the browser did not answer in time"
            piece = os.read(self._out, 1 << 20)
            assert piece, "the browser ended"
            self._buffer += piece
        message, self._buffer = self._buffer.split(b"\0", 1)
        return json.loads(message)

    # --- what the tests do with it ---

    def open(self, path: Path, width: int = 1180, height: int = 1500) -> None:
        self.events.clear()
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )
        self.call("Page.navigate", url=path.as_uri())
        self.wait_for("Page.loadEventFired")

    def script(self, expression: str) -> Any:
        return self.call("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def complaints(self) -> list[str]:
        """Console messages, log entries and exceptions since the page was opened."""
        self.script("0")
        names = ("Runtime.consoleAPICalled", "Log.entryAdded", "Runtime.exceptionThrown")
        return [json.dumps(e["params"]) for e in self.events if e.get("method") in names]

    def requests(self) -> list[str]:
        """URLs asked for since the page was opened."""
        return [
            e["params"]["request"]["url"]
            for e in self.events
            if e.get("method") == "Network.requestWillBeSent"
        ]

    def pdf(self, width_in: float, height_in: float) -> bytes:
        answer = self.call(
            "Page.printToPDF",
            paperWidth=width_in,
            paperHeight=height_in,
            preferCSSPageSize=False,
            printBackground=True,
        )
        return base64.b64decode(answer["data"])

    def screenshot(self, path: Path) -> None:
        answer = self.call("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(answer["data"]))

    def press(self, key: str) -> None:
        for kind in ("rawKeyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode={"Tab": 9}[key]
            )

    def spoken(self) -> list[tuple[str, str]]:
        """(role, name) of everything in the accessibility tree."""
        nodes = self.call("Accessibility.getFullAXTree")["nodes"]
        return [
            (n["role"]["value"], n.get("name", {}).get("value", ""))
            for n in nodes
            if not n["ignored"] and "role" in n
        ]


@contextlib.contextmanager
def running() -> Iterator[Browser]:
    profile = tempfile.mkdtemp(prefix="evenfall-chromium-")
    browser = Browser(profile)
    try:
        yield browser
    finally:
        browser.close()
        shutil.rmtree(profile, ignore_errors=True)
