"""A bench screen for tests: the server in this process on a free port, the page in the system's Chromium."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chromium import CHROMIUM, need_chromium
from evenfall.archive.archive import Archive
from evenfall.board.link import Link, PortGoneError
from evenfall.screen.access import AccessKeys
from evenfall.screen.port_worker import PortWorker
from evenfall.screen.practice import practising
from evenfall.screen.server import Context, listen, make_server

ENGINE = "post auger"  # invented
EVENFALL = Path(sys.executable).with_name("evenfall")
PICTURES = os.environ.get("EVENFALL_PICTURES")  # folder to keep pictures of the page in
PATIENCE_MS = 120_000  # a busy computer is no failure: only what never comes is
FLAGS = ["--no-sandbox", "--disable-gpu"]


@dataclass
class Served:
    """A server that runs."""

    port: int
    keys: AccessKeys
    context: Context

    @property
    def root(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@contextmanager
def serving(context: Context, port: int = 0) -> Iterator[Served]:
    """Serve until the block ends; the worker's thread too."""
    with closing(listen(port)) as sock:
        keys = AccessKeys(sock.getsockname()[1])
        server = make_server(context, keys)
        thread = threading.Thread(target=server.run, args=([sock],), daemon=True)
        context.worker.start()
        thread.start()
        until = time.monotonic() + 120
        while not server.started:
            assert time.monotonic() < until, "the server did not start"
            time.sleep(0.01)
        try:
            yield Served(keys.port, keys, context)
        finally:
            server.should_exit = True
            thread.join(60)
            context.worker.close()


@contextmanager
def practice_screen(folder: Path) -> Iterator[Served]:
    """A screen at a simulated bench that runs in real time."""
    with practising(folder, lambda _: None) as practice:
        worker = PortWorker(lambda: Link(str(practice.port)), folder)
        with serving(Context(worker, folder, hands=practice.hands)) as served:
            yield served


@contextmanager
def window(width: int = 1280, height: int = 800) -> Iterator[Any]:
    """A tab of a fresh browser; what its console says is in `tab.said`."""
    from playwright.sync_api import sync_playwright

    need_chromium("screen")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        try:
            yield opened(browser, width, height)
        finally:
            with suppress(Exception):
                browser.close()


def opened(browser: Any, width: int = 1280, height: int = 800) -> Any:
    """A new tab in a context of its own."""
    tab = browser.new_context(viewport={"width": width, "height": height}).new_page()
    tab.set_default_timeout(PATIENCE_MS)
    tab.said = []
    tab.on("console", lambda m: tab.said.append(m.text))
    tab.on("pageerror", lambda e: tab.said.append(str(e)))
    return tab


def no_board() -> Link:
    raise PortGoneError("no board found; this computer shows no serial port. Plug it in")


def expect(what: Any) -> Any:
    """Playwright's own waiting assertion, imported where it is used: the driver is not there everywhere."""
    from playwright.sync_api import expect as wait

    wait.set_options(timeout=PATIENCE_MS)
    return wait(what)


def hand(tab: Any, name: str) -> None:
    """Press a button by its name."""
    tab.get_by_role("button", name=name, exact=True).click()


def picture(tab: Any, name: str, **options: Any) -> None:
    """Keep a picture where EVENFALL_PICTURES names a folder."""
    if PICTURES:
        tab.screenshot(path=str(Path(PICTURES) / f"{name}.png"), **options)


def until(what: Callable[[], Any], seconds: float = 60.0, say: str = "it did not come about") -> Any:
    """Wait until `what` is true; its value."""
    give_up = time.monotonic() + seconds
    while not (value := what()):
        assert time.monotonic() < give_up, say
        time.sleep(0.05)
    return value


def filled(folder: Path, count: int = 6) -> list[int]:
    """An archive of invented runs of one engine in two builds, reduced; the numbers of the runs."""
    from evenfall.workflow.reduce_service import reduce_stored
    from sample_runs import sample_run

    numbers = []
    with Archive(folder) as archive, archive.change():
        archive.add_engine(ENGINE, remark="invented")
        builds = [archive.add_build(ENGINE, name) for name in ("stock", "cut pipe")]
        for n in range(1, count + 1):
            later = n > count // 2
            data = sample_run(
                n,
                started_unix_s=1_700_000_000 + 600 * n,
                seed=3,
                flow=(1.04 if later else 1.0) + 0.001 * (n % 3),
            )
            number = archive.store_run(data, build_id=builds[later])
            reduce_stored(archive, number)
            numbers.append(number)
    return numbers


def filled_sessions(folder: Path, sessions: int, runs: int = 3) -> None:
    """Sessions of one invented reference engine, some days apart; in the last one it is 6 % weaker."""
    from evenfall.workflow.reduce_service import reduce_stored
    from sample_runs import sample_run

    with Archive(folder) as archive, archive.change():
        archive.add_engine(ENGINE, remark="invented")
        build = archive.add_build(ENGINE, "reference")
        for day in range(sessions):
            began = 1_700_000_000 + 3 * 86_400 * day
            session = archive.add_session(began)
            for n in range(runs):
                flow = (0.94 if day == sessions - 1 else 1.0) + 0.002 * ((7 * day + 3 * n) % 5 - 2)
                data = sample_run(runs * day + n + 1, started_unix_s=began + 600 * n, seed=3, flow=flow)
                reduce_stored(archive, archive.store_run(data, build_id=build, session_id=session))


@contextmanager
def program(folder: Path, port: Path, http_port: int) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """`evenfall screen` as its user starts it; the process and the address it printed."""
    command = [str(EVENFALL), "screen", "--port", str(port), "--archive", str(folder)]
    process = subprocess.Popen(
        [*command, "--http-port", str(http_port), "--no-browser"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout
    try:
        line = process.stdout.readline()
        found = re.search(r"http\S+", line)
        assert found, line
        yield process, found.group(0)
    finally:
        process.kill()
        process.wait()
