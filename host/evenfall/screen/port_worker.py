"""The worker thread that holds the serial port: it reads the board, runs queued jobs and fetches runs.

Pages come and go.  What they show is `PortWorker.snapshot`; what they want done is a job in one priority
queue, the stop first.  Runs are fetched by this thread, so closing a page loses nothing.
"""

from __future__ import annotations

import contextlib
import itertools
import queue
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar, cast

from evenfall.board.code_texts import BUSY_STATES
from evenfall.board.link import BoardInfo, Link
from evenfall.errors import EvenfallError, LinkError
from evenfall.model import Air
from evenfall.screen import readings
from evenfall.workflow.fetch_service import Fetched, active_standard, fetch_waiting
from evenfall.workflow.live_view import View, Watcher

T = TypeVar("T")
PERIOD_S = 0.1  # between two readings of the board
RETRY_S = 0.7  # between two tries to find a lost board
SETTINGS_S = 60.0  # at rest, how old what is known of the board's settings may get
FILING_S = 5.0  # how soon a change that another program made in the archive is noticed
PROXY_CALL_S = 600.0  # the same for the guided session: runs are read, too
ANSWER_S = 60.0  # longest a page waits for what it asked; a self-test takes 40 s
STOP, COMMON = 0, 1  # priorities of jobs


class _StoppedError(EvenfallError):
    """A fetch gave way to a stop."""


@dataclass(order=True)
class _Job:
    priority: int
    number: int
    name: str = field(compare=False)
    function: Callable[[Link], Any] = field(compare=False)
    result: Future[Any] = field(compare=False)


class _LineProxy:
    """A `Link` whose calls run in the worker thread; what a generator yields comes back as a list."""

    def __init__(self, worker: PortWorker) -> None:
        self._worker = worker

    @property
    def info(self) -> BoardInfo | None:
        return self._worker.call("info", lambda line: line.info)

    def __getattr__(self, name: str) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            def do(line: Link) -> Any:
                result = getattr(line, name)(*given, **named)
                return list(result) if isinstance(result, Iterator) else result

            return self._worker.call(name.replace("_", " "), do, longest_s=PROXY_CALL_S)

        return call


class PortWorker:
    """Holds the line to the board from `start` to `close`; all methods but those are safe in any thread."""

    def __init__(self, find: Callable[[], Link], folder: Path, fetching: bool = True) -> None:
        self.folder = folder
        self.valve_next = False  # the armed board was told to measure its valve in place of the sweep
        self.fetching = fetching  # fetch by itself whenever the board rests
        self._watcher = Watcher(find, fetch=self._fetch_by_itself)
        self._jobs: queue.PriorityQueue[_Job] = queue.PriorityQueue()
        self._numbers = itertools.count()
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._loop, name="port worker", daemon=True)
        self._lock = threading.Lock()
        self._view = View(connected=False, sentence="")
        self._read_at = time.monotonic()
        self._settings: dict[str, int] = {}
        self._settings_at = 0.0
        self._runs_fit: int | None = None  # so many more runs are sure to fit; None: the board does not say
        self._runs_fit_for: tuple[int, int] | None = None  # (last run, runs waiting) when it was asked
        self._board: dict[str, Any] = {}
        self._task: dict[str, Any] | None = None
        self._newest: int | None = None  # number in the archive of the run that came last
        self._messages: list[dict[str, Any]] = []
        self._phase = readings.Phase()
        self._filing: tuple[str, Air | None] = ("", None)
        self._filing_at = 0.0
        self.version = 0  # grows whenever something is seen

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        """End the thread and close the port."""
        self._closing.set()
        self._thread.join(5)
        self._watcher.close()

    # --- for pages ---

    def snapshot(self, points_from: int = 0) -> dict[str, Any]:
        """All that is known now, SI, ready for JSON; points of the sweep from place `points_from` on."""
        with self._lock:
            age_s = time.monotonic() - self._read_at
            return {
                **readings.of_view(self._view, self._settings, *self._filing),
                "age_s": round(age_s, 1),
                "board": self._board,
                "sweep": self._phase.snapshot(self._settings, points_from),
                "task": self._task,
                "newest_run": self._newest,
                "messages": self._messages[-3:],
                "fetching": self.fetching,
                "runs_fit": self._runs_fit,
                "valve_next": self.valve_next,
            }

    def changed(self) -> None:
        """Something that pages show is new: they are told at once."""
        with self._lock:
            self.version += 1

    def call(
        self, name: str, function: Callable[[Link], T], priority: int = COMMON, longest_s: float = ANSWER_S
    ) -> T:
        """Run `function` with the open line in the worker thread; its result, or what it raised."""
        if not self._view.connected:
            raise LinkError(self._view.sentence or "there is no board yet")
        job = _Job(priority, next(self._numbers), name, function, Future())
        self._jobs.put(job)
        try:
            return cast(T, job.result.result(longest_s))
        except TimeoutError:
            job.result.cancel()
            raise LinkError(f"the board was busy for {longest_s:.0f} s; try '{name}' again") from None

    def stop(self) -> None:
        """Stop the sweep and release the load; goes before everything else that waits."""
        self.call("stop", lambda line: line.command("stop"), STOP)

    @contextlib.contextmanager
    def line_proxy(self) -> Iterator[Link]:
        """The open line for code of another thread: each call waits its turn in the queue."""
        if not self._view.connected:
            raise LinkError(self._view.sentence or "there is no board yet")
        yield cast(Link, _LineProxy(self))

    def fetch(self) -> Fetched:
        """Fetch what waits on the board now."""
        return self.call("fetch", self._fetch, longest_s=600.0)

    def settings(self, fresh: bool = False) -> dict[str, int]:
        """The board's settings; `fresh`: asked now."""
        if fresh or not self._settings:
            self.call("settings", self._read_settings)
        return dict(self._settings)

    def known_teeth(self) -> tuple[int, int] | None:
        """(engine, brake) on the board as last read; None while they are not known."""
        s = self._settings
        return (s["engine_teeth"], s["brake_teeth"]) if "engine_teeth" in s else None

    def notify(self, text: str, bad: bool = False) -> None:
        """A sentence for every page."""
        with self._lock:
            self._messages.append({"number": next(self._numbers), "text": text, "bad": bad})
            del self._messages[:-20]
            self.version += 1

    def filing_changed(self) -> None:
        """Read again from the archive what new runs are filed under."""
        self._filing_at = 0.0

    # --- the thread ---

    def _loop(self) -> None:
        while not self._closing.is_set():
            began = time.monotonic()
            view = self._watcher.step()
            self._update(view)
            pause = PERIOD_S if view.connected else RETRY_S
            self._run_jobs_until(began + pause)

    def _update(self, view: View) -> None:
        now = time.monotonic()
        if now - self._filing_at > FILING_S and (not view.status or view.status["state"] not in BUSY_STATES):
            self._filing_at = now
            try:
                self._filing = active_standard(self.folder)
            except EvenfallError as error:
                self.notify(str(error), bad=True)
        with self._lock:
            self._view = view
            if view.connected:
                self._read_at = now
                line = self._line()
                board = {} if line.info is None else {**vars(line.info), "port": line.url}
                if board.get("uid") != self._board.get("uid"):
                    self._settings = {}  # another board
                self._board = board
                assert view.status
                self.valve_next = self.valve_next and view.status["state"] == "ready"
                self._phase.follow(now, view.status, readings.power_W(view, self._settings))
            self.version += 1
        if view.connected and view.status and view.status["state"] in ("rest", "ready"):
            if now - self._settings_at > SETTINGS_S or view.reconnects != self._phase.reconnects:
                self._phase.reconnects = view.reconnects
                self._runs_fit_for = None
                self._read_or_retry(self._read_settings)
            kept = (view.status["last_run_id"], view.status["runs_unacked"])
            if kept != self._runs_fit_for:
                self._runs_fit_for = kept
                self._read_or_retry(self._read_runs_fit)

    def _read_or_retry(self, read: Callable[[Link], None]) -> None:
        try:
            read(self._line())
        except EvenfallError:
            self._settings_at = time.monotonic() - SETTINGS_S + 2  # try again soon

    def _read_runs_fit(self, line: Link) -> None:
        """How many runs still fit; a board that does not count them says nothing."""
        self._runs_fit = None
        self._runs_fit = line.board_counters().get("runs_fit")

    def _read_settings(self, line: Link) -> None:
        values = line.settings()
        with self._lock:
            self._settings = values
            self._settings_at = time.monotonic()

    def _line(self) -> Link:
        line = self._watcher.line
        assert line is not None
        return cast(Link, line)

    def _run_jobs_until(self, until: float) -> None:
        """Run queued jobs; return when it is time to read the board again."""
        while not self._closing.is_set():
            try:
                job = self._jobs.get(timeout=max(0.0, until - time.monotonic()))
            except queue.Empty:
                return
            if not job.result.set_running_or_notify_cancel():
                continue
            if self._watcher.line is None:
                job.result.set_exception(LinkError(self._view.sentence or "there is no board"))
                continue
            self._set_task(job.name)
            try:
                job.result.set_result(job.function(self._line()))
            except BaseException as error:  # whoever asked gets it; the thread lives on
                job.result.set_exception(error)
            finally:
                self._set_task(None)
            if time.monotonic() >= until:
                return

    def _set_task(self, name: str | None) -> None:
        with self._lock:
            self._task = None if name is None else {"name": name}
            self.version += 1

    # --- fetching ---

    def _fetch_by_itself(self, line: Any) -> str:
        if not self.fetching:
            return ""
        self._set_task("fetch")
        try:
            return self._fetch(line).sentence
        finally:
            self._set_task(None)

    def _fetch(self, line: Link) -> Fetched:
        if "clock_set" not in line.status()["flags"]:
            line.set_clock()
        got = fetch_waiting(line, self.folder, self._progress)
        with self._lock:
            if got.numbers:
                self._newest = got.numbers[-1]
            self.version += 1
        for sentence in got.unreduced:
            self.notify(sentence, bad=True)
        return got

    def _progress(self, run: int, done: int, of: int) -> None:
        with self._lock:
            self._task = {"name": "fetch", "run": run, "done": done, "of": of}
            self.version += 1
        if self._closing.is_set() or (self._jobs.queue and self._jobs.queue[0].priority == STOP):
            raise _StoppedError("the fetch was broken off; what came is kept and it goes on where it stopped")
