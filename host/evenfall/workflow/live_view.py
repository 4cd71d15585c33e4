"""The bench on the laptop's screen while it runs.

Only `get_status` is ever sent while anything turns, at a gentle rate (a status reply is about a
hundred bytes; the board answers between its samples).  The tooth counts are read once, at rest, and
stored runs are fetched at rest only, if that is asked for.
When the board vanishes the view says so and looks for it again until it is back.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from rich.align import Align
from rich.console import Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from evenfall.board import code_texts
from evenfall.board.link import NoAnswerError, PortGoneError, PortInUseError
from evenfall.errors import EvenfallError, LinkError
from evenfall.model import DEFAULT_STANDARD, Air
from evenfall.output.text import US, Units
from evenfall.printable import printable
from evenfall.reduction.air import correction
from evenfall.units import RPM

REST_S = 0.25  # between two questions when nothing turns
RUN_S = 0.5  # and during a run
MAX_RUNS = 4  # of the archive that are shown
AGAIN_S = 1.0  # between two looks for a lost board
TRACE = 48  # readings in the traces: with name and top they fit 80 columns
BARS = "▁▂▃▄▅▆▇█"


class Board(Protocol):
    """The part of evenfall.board.link.Link that the view uses."""

    def open(self) -> Any: ...
    def close(self) -> None: ...
    def status(self) -> dict[str, Any]: ...
    def settings(self) -> dict[str, int]: ...


@dataclass(frozen=True)
class View:
    """What is known at one moment; everything the screen shows."""

    connected: bool
    sentence: str  # why there is no board, or empty
    status: dict[str, Any] | None = None  # the last one; kept while the board is away
    age_s: float = 0.0  # of the status
    teeth: tuple[int, int] | None = None  # engine, brake
    trace: tuple[tuple[float, float], ...] = ()  # (rpm, N.m) of the last readings
    reconnects: int = 0
    fetched: str = ""  # what the last fetch of stored runs came to
    cause: str = ""  # why there is no board, as one of CAUSES; empty when there is one


CAUSES = ("in_use", "no_board", "silent", "other")


def cause_of(error: EvenfallError) -> str:
    """Which of CAUSES an error of the line is: a port that is taken is not a board that is missing."""
    if isinstance(error, PortInUseError):
        return "in_use"
    if isinstance(error, PortGoneError):
        return "no_board"
    return "silent" if isinstance(error, NoAnswerError) else "other"


@dataclass
class Watcher:
    """Asks the board, one question per `step`, and keeps looking for it when it is gone."""

    find: Callable[[], Board]
    now: Callable[[], float] = time.monotonic
    fetch: Callable[[Any], str] | None = None  # takes stored runs from the open line; says what came
    _line: Board | None = None
    _status: dict[str, Any] | None = None
    _at: float = 0.0
    _teeth: tuple[int, int] | None = None
    _trace: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=TRACE))
    _connected_before: bool = False
    _reconnects: int = 0
    _fetched: str = ""
    _fetch_tried: tuple[int, int] | None = None  # (last run, runs waiting) of the last attempt
    _cause: str = ""

    @property
    def line(self) -> Board | None:
        """The open line; None while there is no board."""
        return self._line

    def step(self) -> View:
        """One question or one attempt to find the board; never raises for a board that is not there."""
        try:
            if self._line is None:
                self._connect()
            assert self._line is not None
            self._status = self._line.status()
            self._at = self.now()
            self._trace.append((float(self._status["speed"]), float(self._status["torque"])))
            if self._teeth is None and self._status["state"] in ("rest", "ready"):
                settings = self._line.settings()
                self._teeth = (settings["engine_teeth"], settings["brake_teeth"])
            self._fetch_at_rest()
        except EvenfallError as error:
            self._drop()
            self._cause = cause_of(error)
            return self._view(str(error))
        return self._view("")

    def _fetch_at_rest(self) -> None:
        """Fetch what waits on the board, once for each new run; a failure is said, not raised."""
        s = self._status
        if self.fetch is None or not s or s["state"] != "rest" or s["speed"] or not s["runs_unacked"]:
            return
        waiting = (s["last_run_id"], s["runs_unacked"])
        if waiting != self._fetch_tried:
            self._fetch_tried = waiting
            try:
                self._fetched = self.fetch(self._line)
            except LinkError:
                raise
            except EvenfallError as error:
                self._fetched = str(error)

    @property
    def pause_s(self) -> float:
        """How long to wait before the next step."""
        if self._line is None:
            return AGAIN_S
        return RUN_S if self._status and self._status["state"] in code_texts.BUSY_STATES else REST_S

    def close(self) -> None:
        self._drop()

    def _connect(self) -> None:
        line = self.find()
        try:
            line.open()
        except BaseException:
            line.close()
            raise
        self._line = line
        self._teeth = None  # it may be another board, or have been set anew
        if self._connected_before:
            self._reconnects += 1
        self._connected_before = True

    def _drop(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None

    def _view(self, sentence: str) -> View:
        return View(
            connected=self._line is not None,
            sentence=sentence,
            status=self._status,
            age_s=self.now() - self._at if self._status else 0.0,
            teeth=self._teeth,
            trace=tuple(self._trace),
            reconnects=self._reconnects,
            fetched=self._fetched,
            cause=self._cause if self._line is None else "",
        )


@dataclass(frozen=True)
class LastRun:
    """One line of the list of last runs."""

    name: str
    when: str
    verdict: str
    peak_power_W: float | None
    peak_power_rpm: float | None


def watch(
    watcher: Watcher,
    runs: Callable[[], Sequence[LastRun]],
    units: Units = US,
    standard: str = DEFAULT_STANDARD,
    typed_air: Air | None = None,
    seconds: float | None = None,
    live: Live | None = None,
) -> None:
    """Show the view until interrupted (or for `seconds`)."""
    until = None if seconds is None else time.monotonic() + seconds
    shown = live if live is not None else Live(screen=True, auto_refresh=False)
    last_seen: tuple[int, str] | None = None
    recent: Sequence[LastRun] = runs()
    with shown:
        try:
            while until is None or time.monotonic() < until:
                view = watcher.step()
                seen = (view.status["last_run_id"], view.fetched) if view.status else None
                if seen != last_seen:
                    last_seen = seen
                    recent = runs()
                shown.update(render(view, recent, units, standard, typed_air), refresh=True)
                time.sleep(watcher.pause_s)
        finally:
            watcher.close()


# --- drawing -------------------------------------------------------------------------------------


def render(
    view: View,
    runs: Sequence[LastRun],
    units: Units = US,
    standard: str = DEFAULT_STANDARD,
    typed_air: Air | None = None,
) -> RenderableType:
    """The whole screen: 24 rows of 80 columns hold it, with four runs."""
    parts: list[RenderableType] = [_heading(view)]
    s = view.status
    if s is not None:
        parts += [_gauges(view, s, units), _traces(view, units), _facts(view, s, standard, typed_air)]
    fault = s is not None and s["fault"] != "none"  # its sentence needs the room of the older runs
    parts += [Text(), _runs(runs[: 1 if fault else MAX_RUNS], units)]
    parts.append(
        Text("Torque and power as read, nothing corrected. Ctrl-C leaves; the bench goes on.", style="dim")
    )
    return Group(*parts)


def _heading(view: View) -> RenderableType:
    if not view.connected:
        text = f"NO BOARD: {view.sentence or 'looking for it'}; looking again"
        if view.status:
            text += f"; values below are {view.age_s:.0f} s old"
        return Panel(Text(printable(text), style="bold"), border_style="bold red")
    assert view.status
    state, fault = view.status["state"], view.status["fault"]
    said = printable(code_texts.say(code_texts.STATES, state))
    if fault != "none":
        why = printable(f"FAULT: {code_texts.say(code_texts.FAULTS, fault)}")
        return Panel(Text(f"{why}\n{said}", style="bold"), border_style="bold red")
    return Panel(Text(said, style="bold"), border_style="bold" if state in code_texts.BUSY_STATES else "dim")


def power_W(status: dict[str, Any], teeth: tuple[int, int] | None) -> float | None:
    """Power at the brake right now: its torque times its own speed (the crank's by the sprockets)."""
    if teeth is None:
        return None
    engine_teeth, brake_teeth = teeth
    return float(status["torque"] * status["speed"] * RPM * engine_teeth / brake_teeth)


def _gauges(view: View, s: dict[str, Any], units: Units) -> RenderableType:
    watts = power_W(s, view.teeth)
    values = [
        ("crank speed", f"{s['speed']:,.0f}", "rpm"),
        ("set speed", f"{s['set_speed']:,.0f}" if s["set_speed"] else "–", "rpm"),
        ("brake torque", f"{float(units.torque(s['torque'])):z.2f}", units.torque_name),
        (
            "brake power",
            "–" if watts is None else f"{float(units.power(watts)):z.2f}",
            units.power_name,
        ),
    ]
    style = "bold" if view.connected else "dim"
    row = Table.grid(expand=True)
    for _ in values:
        row.add_column(ratio=1)
    row.add_row(
        *(
            Panel(
                Align.center(Text.assemble((value, style), " ", (unit, "dim"))),
                title=Text(name),
                title_align="left",
                border_style="dim",
            )
            for name, value, unit in values
        )
    )
    return row


def _traces(view: View, units: Units) -> RenderableType:
    """The last readings of speed and torque as bars, each from zero to the greatest seen."""
    speed = [rpm for rpm, _ in view.trace]
    torque = [float(units.torque(max(torque_Nm, 0.0))) for _, torque_Nm in view.trace]
    table = Table.grid(padding=(0, 2, 0, 0))
    table.add_row(Text("speed", style="dim"), _bars(speed), f"top {max(speed, default=0.0):,.0f} rpm")
    table.add_row(
        Text("torque", style="dim"), _bars(torque), f"top {max(torque, default=0.0):.2f} {units.torque_name}"
    )
    return table


def _bars(values: Sequence[float]) -> Text:
    top = max([*values, 1e-9])
    return Text("".join(BARS[min(len(BARS) - 1, int(v / top * len(BARS)))] for v in values).ljust(TRACE))


def air_line(status: dict[str, Any], standard: str, typed_air: Air | None) -> str:
    """Air and factor that a run made now would be corrected with: as typed, else by the board's sensor."""
    if typed_air is not None:
        air = typed_air
    elif "air_ok" in status["flags"]:
        air = Air(
            status["pressure"], status["temperature"] + 273.15, status["humidity"] / 100, source="board"
        )
    else:
        return "no air reading: type one with evenfall air set"
    try:
        day = correction(air, standard)
    except EvenfallError as error:
        return str(error)
    remark = "" if day.in_range else ", outside the standard's range"
    return (
        f"factor {day.factor:.4f} ({day.standard.title}{remark}); {air.pressure_Pa / 100:.0f} hPa, "
        f"{air.temperature_K - 273.15:.1f} °C, {100 * air.relative_humidity:.0f} %, {air.source}"
    )


def _facts(view: View, s: dict[str, Any], standard: str, typed_air: Air | None) -> RenderableType:
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column(style="dim")
    table.add_column()
    missing = [
        text
        for bit, text in (
            ("load_ok", "load cell silent"),
            ("speed_ok", "speed pickup silent"),
            ("clock_set", "clock not set"),
            ("kill_ready", "kill output not ready"),
            ("store_ok", "run store damaged"),
            ("settings_ok", "a setting is out of bounds"),
        )
        if bit not in s["flags"]
    ]
    table.add_row("air", Text(printable(air_line(s, standard, typed_air))))
    table.add_row("button", Text(printable(code_texts.say(code_texts.BUTTON, s["state"]))))
    table.add_row("valve", f"{s['valve']} µs")
    room = f"{s['runs_unacked']} runs wait to be pulled, {s['flash_free']} KiB free"
    table.add_row("board", Text(room))
    lost = s["load_overruns"] + s["load_bad_words"] + s["edge_overruns"]
    if lost:
        table.add_row("lost samples", str(lost))
    if view.fetched:
        table.add_row("fetched", Text(printable(view.fetched)))
    if view.reconnects:
        table.add_row("reconnected", f"{view.reconnects} times")
    table.add_row(
        "look at", Text(", ".join(missing) if missing else "nothing", style="bold" if missing else "")
    )
    return table


def _runs(runs: Sequence[LastRun], units: Units) -> RenderableType:
    table = Table(
        title="Last runs in the archive",
        title_justify="left",
        title_style="bold",
        header_style="dim",
        box=None,
        padding=(0, 2, 0, 0),
    )
    for name, justify in (
        ("run", "left"),
        ("when", "left"),
        ("verdict", "left"),
        ("peak power", "right"),
        ("at", "right"),
    ):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]
    for p in runs:
        power = at = "–"  # none, or of a run that failed as a measurement
        if p.peak_power_W is not None and p.peak_power_rpm is not None and p.peak_power_W > 0:
            power = f"{float(units.power(p.peak_power_W)):.2f} {units.power_name}"
            at = f"{p.peak_power_rpm:,.0f} rpm"
        table.add_row(Text(printable(p.name)), p.when, p.verdict, power, at)
    if not runs:
        table.add_row("none yet", "", "", "", "")
    return table
