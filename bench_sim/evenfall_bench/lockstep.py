"""Virtual time shared by the physics and the real firmware in the real MicroPython.

`Board` runs shims/start.py in the interpreter and answers its exchanges
(shims/exchange.py holds the other end and the same layout).  Time passes only when
the board sleeps or its flash is busy; then physics, the operator, faults, the serial line
and the PIO machines move on by the same amount.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import math
import os
import select
import signal
import socket
import struct
import subprocess
import termios
import time
from pathlib import Path
from typing import Any, Protocol

from .chip_costs import COSTS_US
from .fifo import HallTimer, LoadReader
from .i2c_devices import I2cBus
from .image import FIRMWARE, SHIMS, BenchError, micropython
from .operator import Operator
from .physics import Bench
from .port import CDC_IN_BYTES, STDIN_BYTES, Lane
from .scenario import FAULTS

# operations; the same numbers stand in shims/exchange.py
SLEEP, STOP, SM_SET, SM_RUN, I2C, WATCHDOG, NOTE, PROMPT = range(8)

REQUEST = struct.Struct("<7I")
REPLY = struct.Struct("<25I")
CHUNK_US = 5000  # people, faults and the line are looked at this often
BUSY_CHUNK_US = 1000  # ... and so often while a host has the port open: the frames of USB
# The line takes bytes by itself, as a USB peripheral does.  Here it can only be given some at an exchange:
# so it is given enough for the longest time between two (SPIN_US of exchange.py and a pass).
AHEAD_US = 6000
OUTPUT_US = 10000  # what the line sends in so long fills the board's output buffer: its poll says "not now"
BOOT_US = 150000  # from reset to the first line of _boot.py (common practice, no source)
BROWN_OUT_V = 2.7  # board supply below which the chip resets (common practice, no source)
CONSOLE_BYTES = 4000
PROMPT_US = 2000  # board time that passes at a time while the board waits at its prompt
HANG_S = 30.0  # wall seconds without a word from the interpreter

PWRON_RESET, WDT_RESET = 1, 3  # as `machine.reset_cause` of the RP2 port gives them
FORCED_RESET = 103  # machine.reset(): the port reports WDT_RESET, the chip's register tells it from a bite
REASON = {PWRON_RESET: 0, WDT_RESET: 1, FORCED_RESET: 2}  # the watchdog's REASON register

# The bench is wired by the default pin table of the board's settings.
PINS = {"servo": 6, "button": 8, "led": 9, "kill": 10}


class HostPort(Protocol):
    """What `Board` needs of a port (port.PtyPort, or a test's own)."""

    room: int

    def exchange(self, wait_ms: int = 0) -> tuple[bytes, bool]: ...
    def write(self, data: bytes) -> bool: ...
    def drop(self) -> None: ...
    def plug(self) -> None: ...
    def unplug(self) -> None: ...
    @property
    def full(self) -> bool: ...


class Board:
    """One board on one bench.

    `run_until(time_s)` runs the firmware; `log` holds what happened to the board
    (time s, what, detail); `led` the LED's changes; `servo` the pulses asked for.
    """

    def __init__(
        self,
        scenario: dict[str, Any],
        bench: Bench,
        operator: Operator,
        image: Path,
        port: HostPort | None = None,
        firmware: Path = FIRMWARE,
        heap_kib: int = 512,
    ) -> None:
        self.scenario, self.bench, self.operator, self.port = scenario, bench, operator, port
        self.image, self.firmware, self.heap_kib = image, firmware, heap_kib
        self.now_us = 0  # board clock since the bench was switched on
        self.boots = 0
        self.log: list[tuple[float, str, str]] = []
        self.led: list[tuple[float, int]] = []
        self.console = bytearray()  # the last of what the board wrote
        self.flash_cut_at = 0
        self.realtime = False
        self.paced = False  # no faster than real time unless bytes move
        self.host_open = False
        self.stopped = False  # the program on the board came to an end
        self.at_prompt = False  # the interpreter waits for lines and asks for no time
        self._pass_us = round(scenario["bench"]["loop_cost_us"])
        self._sample_us = round(scenario["bench"]["sample_cost_us"])
        fast = scenario["amplifier"]["second_rate_Hz"] > 160.0
        self._bus_sample_us = round(scenario["bench"]["bus_sample_cost_us"]) if fast else self._sample_us
        self._idle_us = round(scenario["bench"]["idle_pass_us"])
        self._scale = 1e-6 / (1.0 + scenario["bench"]["crystal_ppm"] * 1e-6)  # true s per board us
        self._ticks_per_s = 4.0 / self._scale
        self._to_board = Lane(scenario["link"], f"{bench.seed}/to board")
        self._to_host = Lane(scenario["link"], f"{bench.seed}/to host")
        self._i2c = I2cBus(scenario, bench)
        self._machines: list[LoadReader | HallTimer | None] = [None, None]
        self._conversions: list[tuple[int, int]] = []
        self._edges: list[int] = []
        self._in_buffer = b""
        self._supply_mV = 5000
        self._wdt_us = 0
        self._fed_us = 0
        self._chunk_at = 0
        self._pins = 0
        self._duty = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._wall_from = time.monotonic()
        self._virtual_from = 0
        self._faults: list[dict[str, Any]] = [dict(f) for f in scenario["faults"]]
        self._ends: list[tuple[float, str, float]] = []
        self._held_button = False
        self._boot(PWRON_RESET)

    # --- life of the interpreter -------------------------------------------

    @property
    def time_s(self) -> float:
        """True time since the bench was switched on."""
        return self.now_us * self._scale

    @property
    def interpreter_cpu_s(self) -> float:
        """Processor time that the running interpreter has used; 0 where /proc does not say."""
        if self._process is None:
            return 0.0
        try:
            text = Path(f"/proc/{self._process.pid}/stat").read_text()
        except OSError:
            return 0.0
        fields = text.rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    @property
    def true_s_per_us(self) -> float:
        """True seconds per microsecond of the board's crystal."""
        return self._scale

    @property
    def tick_offset(self) -> int:
        """What the board's tick (0.25 us) was when the bench was switched on, modulo 2**30."""
        return (self._clock_offset_us * 4) % (1 << 30)

    def _note(self, what: str, detail: str = "") -> None:
        self.log.append((self.time_s, what, detail))

    def _boot(self, cause: int) -> None:
        self.boots += 1
        self._pass(BOOT_US)
        boot = self.firmware / "_boot.py"
        if not boot.exists():
            raise BenchError(f"{self.firmware} holds no _boot.py; give the folder of the firmware")
        self._clock_offset_us = round(self.scenario["bench"]["clock_start_ms"] * 1000) - self.now_us
        self._start_interpreter(self._boot_config(boot, cause))
        self._machines = [None, None]
        self._wdt_us = 0
        self._in_buffer = b""
        self.stopped = False
        self.at_prompt = False
        self._note(
            "boot",
            {PWRON_RESET: "power-on", WDT_RESET: "reset", FORCED_RESET: "reset"}.get(cause, str(cause)),
        )

    def _boot_config(self, boot: Path, cause: int) -> dict[str, Any]:
        """What shims/start.py has to know."""
        flash = self.scenario["flash"]
        return {
            "image": str(self.image),
            "blocks": flash["blocks"],
            "erase_us": round(flash["erase_ms"] * 1000),
            "page_us": round(flash["page_ms"] * 1000),
            "bad_blocks": flash["bad_blocks"],
            "cut_at": self.flash_cut_at,
            "boot": str(boot),
            "cause": min(cause, WDT_RESET),
            "reason": REASON[cause],
            "port_costs": COSTS_US if self.scenario["bench"]["port_costs"] else {},
            "collect_us": round(self.scenario["bench"]["collect_cost_us"]),
            "uid": "e66058388300" + f"{self.bench.seed & 0xFFFF:04x}",
            "servo_pin": PINS["servo"],
            "clock_offset_us": self._clock_offset_us,
        }

    def _start_interpreter(self, config: dict[str, Any]) -> None:
        """A MicroPython with pipes for exchanges and a socket as its serial line."""
        up_read, up_write = os.pipe()
        down_read, down_write = os.pipe()
        self._output, board_end = socket.socketpair()
        # Linux counts about 768 bytes for each small write and calls a socket writable up to a quarter
        # of its buffer; it doubles what is asked for
        pieces = max(4, self._to_host.bytes_in(OUTPUT_US) // 64)
        board_end.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 2 * 768 * pieces)
        self._process = subprocess.Popen(
            [
                micropython(),
                "-X",
                f"heapsize={self.heap_kib}k",
                str(SHIMS / "start.py"),
                str(up_write),
                str(down_read),
            ],
            stdin=subprocess.PIPE,
            stdout=board_end.fileno(),
            stderr=subprocess.PIPE,
            bufsize=0,
            pass_fds=(up_write, down_read),
        )
        os.close(up_write)
        os.close(down_read)
        self._up, self._down = up_read, down_write
        set_up = json.dumps(config).encode()
        os.write(down_write, b"%8d" % len(set_up) + set_up)
        board_end.close()
        assert self._process.stdin and self._process.stderr
        self._stdin = self._process.stdin.fileno()
        self._stdout = self._output.fileno()
        self._stderr = self._process.stderr.fileno()
        os.set_blocking(self._stdin, False)
        os.set_blocking(self._stdout, False)
        os.set_blocking(self._stderr, False)
        self._poll = select.poll()
        self._line_full = False
        for fd in (self._up, self._stdout, self._stderr):
            self._poll.register(fd, select.POLLIN)

    def _halt(self) -> None:
        """Stop the interpreter; pins fall to inputs, pulses end, the kill line drops."""
        if self._process is None:
            return
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self._drain_output(all_of_it=True)
        for stream in (self._process.stdin, self._process.stderr, self._output):
            assert stream
            stream.close()
        os.close(self._up)
        os.close(self._down)
        self._process = None
        self._machines = [None, None]
        self._outputs(0, 0)
        self._wdt_us = 0
        self._to_board.clear()

    def restart(self, cause: int = WDT_RESET, off_s: float = 0.0) -> None:
        """Reset the board with the same flash."""
        self._halt()
        if off_s:
            self._pass(round(off_s * 1e6))
        self._boot(cause)

    def close(self) -> None:
        """End the interpreter; the image stays."""
        self._halt()

    # --- the outside world moves on ------------------------------------------

    def _pass(self, us: int) -> None:
        """Let `us` of board time pass."""
        target = self.now_us + us
        while True:
            if self.now_us >= self._chunk_at:
                self._chunk_at = self.now_us + (BUSY_CHUNK_US if self.host_open else CHUNK_US)
                self._housekeeping()
            step_to = min(target, self._chunk_at)
            self.now_us = step_to
            bench = self.bench
            bench.run_until(step_to * self._scale)
            if bench.samples:
                scale = self._ticks_per_s
                self._conversions += [(int(t * scale), code) for t, code in bench.take_samples()]
            if bench.edges:
                scale = self._ticks_per_s
                self._edges += [int(t * scale) for t in bench.take_edges()]
            if step_to >= target:
                return

    def _machines_on(self, now_tick: int) -> None:
        load, hall = self._machines
        if self._conversions:
            conversions = self._conversions
            while conversions and conversions[0][0] <= now_tick:
                ready, code = conversions.pop(0)
                if isinstance(load, LoadReader):
                    load.advance(ready)
                    load.feed(ready, code)
        if load is not None:
            load.advance(now_tick)
        if self._edges:
            edges = self._edges
            while edges and edges[0] <= now_tick:
                edge = edges.pop(0)
                if isinstance(hall, HallTimer):
                    hall.feed(edge)
        if hall is not None:
            hall.advance(now_tick)

    def _housekeeping(self) -> None:
        """Every few milliseconds: the operator, faults, the serial line, the pace."""
        now = self.time_s
        self.operator.act(now)
        if self._faults or self._ends:
            self._do_faults(now)
        port = self.port
        if port is None:
            return
        wait_ms = 0
        ahead_s = (self.now_us - self._virtual_from) * 1e-6 - (time.monotonic() - self._wall_from)
        stuck = port.full  # the host has the port open and does not read
        quiet = stuck or not (self._to_board.busy or self._to_host.busy)
        if self.realtime or (self.paced and quiet):
            if ahead_s > 0.002:
                wait_ms = min(50, int(ahead_s * 1000))
        else:
            self._virtual_from, self._wall_from = self.now_us, time.monotonic()
        self._hear(port, wait_ms)
        due = b"" if stuck else self._to_host.take(self.now_us)
        if (due or stuck) and self.host_open:
            until = time.monotonic() + (0.0 if stuck else 2.0)  # a slow computer is waited for, once
            while not port.write(due) and time.monotonic() < until:
                due = b""
                self._hear(port, 1)
                if not self.host_open:
                    port.drop()
                    break
        due = self._to_board.take(self.now_us)
        if due or self._in_buffer:
            self._in_buffer += due
            self._feed()

    def _hear(self, port: HostPort, wait_ms: int) -> None:
        """Bytes from the host go onto the line: as over USB, as many as the board's buffers have room for."""
        port.room = max(0, CDC_IN_BYTES - self._to_board.waiting - len(self._in_buffer))
        data, self.host_open = port.exchange(wait_ms)
        if data:
            self._to_board.put(data, self.now_us)

    def _feed(self) -> None:
        """Hand the board what the line brought it."""
        if self._process is not None:
            with contextlib.suppress(BlockingIOError, BrokenPipeError):
                unread = struct.unpack("i", fcntl.ioctl(self._stdin, termios.FIONREAD, bytes(4)))[0]
                n = os.write(self._stdin, self._in_buffer[: max(0, STDIN_BYTES - unread)])
                self._in_buffer = self._in_buffer[n:]
        else:
            self._in_buffer = b""

    def _do_faults(self, now: float) -> None:
        start = {
            "power_on": [0.0],
            "throttle": self.operator.opened_s,
            "press": self.operator.pressed_s,
        }
        for fault in list(self._faults):
            since = start[fault["from"]]
            which = 0 if fault["from"] == "power_on" else fault["run"] - 1
            if which < len(since) and now >= since[which] + fault["at_s"]:
                self._faults.remove(fault)
                self.fault(fault["name"], fault["value"], fault["for_s"])
        for end in list(self._ends):
            at_s, target, over = end
            if now >= at_s:
                self._ends.remove(end)
                self._apply(target, over, 0.0)

    def fault(self, name: str, value: float = 0.0, for_s: float = 0.0) -> None:
        """Let a fault of scenario.FAULTS begin now."""
        target, on, over, _ = FAULTS[name]
        self._note("fault", f"{name} {value:g}" if on is None else name)
        if for_s and target not in ("reset", "power_cut", "press", "power_cut_at_flash_op"):
            self._ends.append((self.time_s + for_s, target, over))
        self._apply(target, value if on is None else on, for_s)

    def end_fault(self, name: str) -> None:
        """Let a fault of scenario.FAULTS be over now."""
        self._note("fault over", name)
        self._ends = [e for e in self._ends if e[1] != FAULTS[name].target]
        self._apply(FAULTS[name].target, FAULTS[name].over, 0.0)

    def _apply(self, target: str, value: float, for_s: float) -> None:
        if target == "button":
            self._held_button = value > 0.5
        elif target == "press":
            self.operator.press(self.time_s)
        elif target == "reset":
            self._pending_restart = (WDT_RESET, 0.0)
        elif target == "supply_V":
            self._supply_mV = round(value * 1000)
            if value < BROWN_OUT_V:
                self._pending_restart = (PWRON_RESET, for_s)
        elif target == "power_cut":
            self._pending_restart = (PWRON_RESET, max(for_s, 1.0))
        elif target == "power_cut_at_flash_op":
            self._cut_in = int(value)
        elif target == "unplug":
            if self.port is not None:
                if value > 0.5:
                    self.port.unplug()
                    self._to_board.clear()
                    self._to_host.clear()
                else:
                    self.port.plug()
        else:
            self.bench.set(target, value)

    _pending_restart: tuple[int, float] | None = None
    _cut_in = 0  # to tell the flash: power goes in this many operations

    def _outputs(self, levels: int, duty_ns: int) -> None:
        """Pins that the board drives high, and the servo's pulse."""
        if duty_ns != self._duty:
            self._duty = duty_ns
            self.bench.set_servo_us(duty_ns / 1000.0)
        if levels != self._pins:
            changed = levels ^ self._pins
            self._pins = levels
            if changed >> PINS["kill"] & 1:
                self.bench.set("ignition", levels >> PINS["kill"] & 1)
                self._note("kill line", "high" if levels >> PINS["kill"] & 1 else "low")
            if changed >> PINS["led"] & 1:
                self.led.append((self.time_s, levels >> PINS["led"] & 1))

    # --- exchanges -----------------------------------------------------------

    def _us_at(self, time_s: float) -> int:
        """The board's microsecond at which `self.time_s` has reached `time_s`."""
        target_us = math.ceil(time_s / self._scale)
        if time_s > self.time_s:  # a fraction of a microsecond counts, so that callers' loops end
            target_us = max(target_us, self.now_us + 1)
        return target_us

    def run_until(self, time_s: float) -> None:
        """Run firmware and bench until the true time `time_s`."""
        target_us = self._us_at(time_s)
        while self.now_us < target_us:
            if self._process is None or self.stopped:
                self._pass(min(CHUNK_US, target_us - self.now_us))
                self._look_after_stopped()
            else:
                self._serve()
            if self._pending_restart:
                (cause, off_s), self._pending_restart = self._pending_restart, None
                self.restart(cause, off_s)

    def _look_after_stopped(self) -> None:
        if self._wdt_us and self.now_us - self._fed_us > self._wdt_us:
            self._note("watchdog", "the program had stopped")
            self._pending_restart = (WDT_RESET, 0.0)

    def _line_is_full(self) -> bool:
        if not self.host_open or self.port is None:
            return False
        return self.port.full or self._to_host.backlog_us(self.now_us) > AHEAD_US

    def _drain_output(self, all_of_it: bool = False) -> None:
        """Give the line what the board wrote, as much as it soon sends."""
        while True:
            if self._line_is_full() and not all_of_it:
                break
            try:
                data = os.read(self._stdout, self._to_host.bytes_in(AHEAD_US))
            except (BlockingIOError, OSError):
                break
            if not data:
                break
            self.console += data
            if self.host_open:
                self._to_host.put(data, self.now_us)
        del self.console[:-CONSOLE_BYTES]
        with contextlib.suppress(BlockingIOError, OSError):
            while data := os.read(self._stderr, 65536):
                self.console += data
                if self.host_open:
                    self._to_host.put(data, self.now_us)

    def _wait_for_exchange(self) -> bool:
        """Wait until the board asks; False when it waits in a write, hangs or has ended."""
        full = self._line_is_full()
        if full != self._line_full:
            self._line_full = full
            self._poll.modify(self._stdout, 0 if full else select.POLLIN)
        ready = self._poll.poll(PROMPT_US // 1000 if self.at_prompt else 200 if full else int(HANG_S * 1000))
        if not ready and self.at_prompt:  # it waits for a person: time goes on without it
            self._pass(PROMPT_US)
            return False
        if not ready and full:  # the board waits in a write
            self._pass(CHUNK_US)
            self._watch()
            return False
        if not ready:
            self._note("hang", f"no exchange for {HANG_S:.0f} s of real time")
            self._pending_restart = (WDT_RESET, 0.0) if self._wdt_us else (PWRON_RESET, 0.0)
            return False
        if len(ready) > 1 or ready[0][0] != self._up:
            self._drain_output()
            if all(fd != self._up for fd, _ in ready):
                if any(mask & select.POLLHUP for _, mask in ready):
                    self._ended()
                return False
        return True

    def _serve(self) -> None:
        """Answer one exchange of the board."""
        if not self._wait_for_exchange():
            return
        head = os.read(self._up, REQUEST.size)
        if len(head) < REQUEST.size:
            self._ended()
            return
        word, us, pins_out, pins_dir, duty_ns, size, work_us = REQUEST.unpack(head)
        op = word & 0xFF
        extra = os.read(self._up, size) if size else b""
        load, hall = self._machines
        tick = self.now_us * 4
        if word & 0xFF00 and load is not None:
            load.pop(word >> 8 & 0xFF, tick)
        if word & 0xFF0000 and hall is not None:
            hall.pop(word >> 16 & 0xFF, tick)
        if word >> 24:
            self._fed_us = self.now_us
        if work_us:
            self._pass(work_us)
        levels = pins_out & pins_dir
        if levels != self._pins or duty_ns != self._duty:
            self._outputs(levels, duty_ns)
        self._pass(us)
        if self._line_full:
            self._drain_output()
        now_tick = self.now_us * 4
        self._machines_on(now_tick)
        self._watch()
        if self._pending_restart:
            return
        answer = b""
        if op != SLEEP:
            answer = self._operation(op, us, extra)
            if self._pending_restart:
                return
        self._answer(answer)

    def _answer(self, answer: bytes) -> None:
        """Tell the board time, pins, what lies in its FIFOs, and what it asked for."""
        counts = self._supply_mV << 16
        words = [0] * 18
        load, hall = self._machines
        if load is not None and (load.words or load.held is not None):
            have = list(load.words)
            if load.held is not None:
                have.append(load.held)
            counts |= len(have)
            words[: len(have)] = have
        if hall is not None and (hall.words or hall.held is not None):
            have = list(hall.words)
            if hall.held is not None:
                have.append(hall.held)
            counts |= len(have) << 4
            words[9 : 9 + len(have)] = have
        pins = 0x3FFFFFFF
        if self.operator.button or self._held_button:
            pins &= ~(1 << PINS["button"])
        now = self.now_us
        os.write(
            self._down,
            REPLY.pack(
                now & 0xFFFFFFFF,
                now >> 32,
                pins,
                counts,
                *words,
                len(answer),
                self._cut_in,
                self._costs_us(),
            )
            + answer,
        )
        self._cut_in = 0

    def _costs_us(self) -> int:
        """Pass and sample << 16."""
        if (
            self._idle_us
            and self.bench.now["brake_speed_rpm"] == 0.0
            and not self._to_board.busy
            and not self._to_host.busy
        ):
            return self._idle_us
        return self._pass_us | self._sample_us << 16

    def _watch(self) -> None:
        if self._wdt_us and self.now_us - self._fed_us > self._wdt_us:
            self._note("watchdog", "not fed in time")
            self._pending_restart = (WDT_RESET, 0.0)

    def _ended(self) -> None:
        """The board's program came to its end (a real board would sit at its prompt)."""
        assert self._process is not None
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(timeout=5)
        self._drain_output(all_of_it=True)
        last = bytes(self.console).decode(errors="replace").strip().splitlines()
        self._note("program ended", last[-1] if last else f"exit code {self._process.returncode}")
        wdt, fed = self._wdt_us, self._fed_us
        self._halt()
        self._wdt_us, self._fed_us = wdt, fed
        self.stopped = True

    def _operation(self, op: int, us: int, extra: bytes) -> bytes:
        tick = self.now_us * 4
        if op == SM_SET:
            kind, *numbers = extra.decode().split()
            values = [int(n) for n in numbers]
            if kind == "load":
                self._machines[0] = LoadReader(*values)
            elif kind == "hall":
                self._machines[1] = HallTimer(*values)
            else:
                self.bench.set("servo_hz", values[0])
        elif op == SM_RUN:
            machine = self._machines[extra[0]]
            if machine is not None:
                if extra[1]:
                    machine.start(tick)
                else:
                    machine.running = False
        elif op == WATCHDOG:
            self._wdt_us = int(extra) * 1000
            self._fed_us = self.now_us
        elif op == I2C:
            fetched = self._i2c.fetched
            answer = self._i2c.transfer(extra[0], extra[2:], extra[1], self.time_s)
            if self._i2c.fetched != fetched:
                self._pass(self._bus_sample_us)
                self._machines_on(self.now_us * 4)
            return answer
        elif op == STOP:
            if us == 4:
                self._note("power cut", "in a flash operation")
                self.flash_cut_at = 0
                self._pending_restart = (PWRON_RESET, 1.0)
            else:
                self._note("reset", "asked for by the program")
                self._pending_restart = (FORCED_RESET, 0.0)
        elif op == PROMPT:
            self.at_prompt = True
            self._note("prompt", "no program runs; its prompt answers on the port")
        elif op == NOTE:
            self._note("note", extra.decode(errors="replace"))
        return b""
