"""The board as an emulated chip: the other end of main.mjs.

Physics and chip move on in slices of SLICE_US.  The bench is one slice ahead, so that edges and
conversions reach the chip's pins at their own times; what the chip's pins do reaches the bench at
the next slice.  While the chip runs a slice the bench works out the next one.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
from pathlib import Path
from typing import Any

from ..image import BenchError
from ..lockstep import CONSOLE_BYTES, PINS, PWRON_RESET, WDT_RESET, Board
from .parts import Parts

SLICE_US = 1000
FILES_BYTES = 352 * 4096  # the file system's part of the flash, at its end (RPI_PICO of MicroPython)
BLOCK_ERASE_FACTOR = 150.0 / 45.0  # 64 KiB against 4 KiB, typical times (W25Q16JV data sheet)
CHIP_PINS = {**PINS, "load_data": 2, "load_clock": 3, "hall": 4}
NO_PULSE_US = 100_000  # so long without a pulse on the servo's wire: the servo has no signal
HALL_LOW_SHARE = 0.2  # part of the time between edges that the pickup's output is low (invented)
HALL_LOW_US = (12.0, 2000.0)  # and its bounds


class ChipBoard(Board):
    """One emulated chip on one bench; used as `Board` is.

    `busy_s` is the time its processor has worked, `flash_operations` counts erases and pages.
    """

    def __init__(self, *args: Any, parts: Parts, xip_model: bool = False, **more: Any) -> None:
        self.parts, self.xip_model = parts, xip_model
        self.busy_s = 0.0
        self.flash_operations = 0
        self.servo_pulses = 0
        self._owed = False  # a slice has been ordered and not answered
        self._edge_us = 0.0
        self._button_level = 1
        self._told_supply = 5000
        self._kill_driven = 0
        self._pulse_at_us = 0
        self._devices: dict[int, Any] = {}
        super().__init__(*args, **more)

    # --- the emulator ---------------------------------------------------------

    def _boot(self, cause: int) -> None:
        self.boots += 1
        if self._process is None:
            self._start_emulator()
        self._answered(self._ask({"do": "power_on", "ns": self.now_us * 1000}))
        self._booted_us = self.now_us
        self._clock_offset_us = -self.now_us
        self._button_level = 1
        self._note("boot", "power-on" if cause == PWRON_RESET else "reset")

    def _start_emulator(self) -> None:
        flash = self.scenario["flash"]
        erase_ns = flash["erase_ms"] * 1e6
        set_up = {
            "rp2040js": str(self.parts.emulator),
            "bootrom": self.parts.boot_rom,
            "image": str(self.parts.image),
            "files": str(self.image),
            "files_bytes": FILES_BYTES,
            "flash": {
                "eraseNs": erase_ns,
                "pageNs": flash["page_ms"] * 1e6,
                "blockNs": erase_ns * BLOCK_ERASE_FACTOR,
            },
            "uid": f"e66058388300{self.bench.seed & 0xFFFF:04x}",
            "i2c": list(self._i2c.devices),
            "pins": CHIP_PINS,
            "xip": self.xip_model,
        }
        if self.image.stat().st_size != FILES_BYTES:
            raise BenchError(
                f"{self.image} is no flash image of {FILES_BYTES // 4096} blocks, as the chip has"
            )
        self._process = subprocess.Popen(
            [self.parts.node, str(Path(__file__).with_name("main.mjs"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self._ask(set_up)

    def _ask(self, order: dict[str, Any]) -> dict[str, Any]:
        self._order(order)
        return self._reply()

    def _order(self, order: dict[str, Any]) -> None:
        assert self._process and self._process.stdin
        try:
            self._process.stdin.write(json.dumps(order).encode() + b"\n")
            self._process.stdin.flush()
        except BrokenPipeError:
            raise BenchError("the chip's emulator has ended; see its message above") from None

    def _reply(self) -> dict[str, Any]:
        """The answer to the last order; devices on I2C are served before it comes."""
        assert self._process and self._process.stdout
        while True:
            line = self._process.stdout.readline()
            if not line:
                raise BenchError("the chip's emulator has ended; see its message above")
            message: dict[str, Any] = json.loads(line)
            if "error" in message:
                raise BenchError(f"the chip cannot run {self.parts.image}: {message['error']}")
            if "i2c" not in message:
                return message
            now = message["ns"] * 1e-3 * self._scale
            if message["i2c"] == "write":
                self._i2c.transfer(message["address"], bytes.fromhex(message["data"]), 0, now)
            else:
                answer = self._i2c.transfer(message["address"], b"", 1, now)
                self._order({"byte": answer[1] if len(answer) > 1 else 255})

    def heap(self) -> dict[str, int] | None:
        """{bytes, free, hole, now} of MicroPython's heap, read in the chip's RAM; None when there is none.

        free, hole (the largest free piece): as a collection would leave them; now: bytes free as it lies,
        with garbage counted as used.
        """
        self._collect()
        found: dict[str, int] | None = self._ask({"do": "heap"})["heap"]
        return found

    def passes(self) -> dict[str, Any]:
        """Passes of the firmware's loop since the last call, by kind: idle, sample (with a load
        sample), flash (with an erase or a program).

        count; busy, worst: processor time in all and in the worst, ns; longest: from feed to feed, ns;
        worstAt: when the worst ended, ns.  Also long: [{at, busy}] of those over 20 ms without flash.
        """
        self._collect()
        return self._ask({"do": "passes"})

    def _collect(self) -> None:
        """Take the answer to the slice that runs."""
        if self._owed:
            self._owed = False
            self._answered(self._reply())

    def _answered(self, reply: dict[str, Any]) -> None:
        """What the chip's pins and its line did."""
        for ns, width_us in reply["servo"]:
            self._pulse_at_us = ns // 1000
            if width_us != self._duty:
                if not self._duty:
                    self.log.append((ns * 1e-3 * self._scale, "valve", "driven"))
                self._duty = width_us
                self.bench.set_servo_us(width_us)
            self.servo_pulses += width_us > 0
        if self._duty and self.now_us - self._pulse_at_us > NO_PULSE_US:
            self._duty = 0
            self.bench.set_servo_us(0.0)
        for ns, pin, level, driven in reply["pins"]:
            if pin == PINS["kill"] and driven != self._kill_driven:
                self._kill_driven = driven
                self.log.append((ns * 1e-3 * self._scale, "kill output", "driven" if driven else "floats"))
            before = self._pins >> pin & 1
            if level == before:
                continue
            self._pins ^= 1 << pin
            at_s = ns * 1e-3 * self._scale
            if pin == PINS["kill"]:
                self.bench.set("ignition", level)
                self.log.append((at_s, "kill line", "high" if level else "low"))
            elif pin == PINS["led"]:
                self.led.append((at_s, level))
        data = bytes.fromhex(reply["usb"])
        if data:
            self.console += data
            del self.console[:-CONSOLE_BYTES]
            if self.host_open:
                self._to_host.put(data, self.now_us)
        self.busy_s = reply["busy"] * 1e-9
        self.flash_operations = reply["operations"]
        for ns, what, detail in reply["resets"]:
            self.log.append((ns * 1e-3 * self._scale, what, detail))
            if what == "power cut":
                self._pending_restart = (PWRON_RESET, 1.0)
            elif what != "fault":
                self.boots += 1
                self._clock_offset_us = -(reply["booted"] // 1000)

    def _halt(self) -> None:
        if self._process is None:
            return
        with contextlib.suppress(BenchError):
            self._collect()
            self._ask({"do": "power_off"})
            self._ask({"do": "save", "file": str(self.image)})
        assert self._process.stdin and self._process.stdout
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()
        self._process = None

    def restart(self, cause: int = WDT_RESET, off_s: float = 0.0) -> None:
        """Reset the chip, or take its power for `off_s`; the flash stays."""
        self._collect()
        self._to_board.clear()
        if cause == PWRON_RESET:
            reply = self._ask({"do": "power_off"})
            if reply["cut"]:
                self._note("power cut", f"in a flash {reply['cut']}")
            self._answered(reply)
            self._pass(round(off_s * 1e6))
            self._boot(cause)
        else:
            self._answered(self._ask({"do": "reset", "watchdog": True}))
            self.boots += 1
            self._clock_offset_us = -self.now_us
            self._note("boot", "reset")

    # --- time -------------------------------------------------------------------

    def run_until(self, time_s: float) -> None:
        """Run chip and bench until the true time `time_s`."""
        target_us = self._us_at(time_s)
        while self.now_us < target_us:
            self._slice(min(target_us, self.now_us + SLICE_US))
            if self._pending_restart:
                (cause, off_s), self._pending_restart = self._pending_restart, None
                self.restart(cause, off_s)
        self._collect()

    def _slice(self, to_us: int) -> None:
        """Bench to `to_us` while the chip finishes its last slice; then the chip is sent after it."""
        self.bench.run_until(to_us * self._scale)
        self._collect()
        self._housekeeping()
        if self._told_supply != self._supply_mV:
            self._told_supply = self._supply_mV
            self._ask({"do": "supply", "mV": self._supply_mV})
        order = {
            "do": "step",
            "to": to_us * 1000,
            "pins": self._pin_events(),
            "samples": [[round(t / self._scale * 1000), code] for t, code in self.bench.take_samples()],
            "usb": self._in_buffer.hex(),
            "open": self.host_open or self._to_board.busy,
            "reading": not self._line_is_full(),
            "cut_in": self._cut_in,
        }
        self._in_buffer = b""
        self._cut_in = 0
        self.now_us = to_us
        self._order(order)
        self._owed = True

    def _pin_events(self) -> list[list[int]]:
        """[ns, pin, level] of the button and of the Hall pickup."""
        events = []
        level = 0 if self.operator.button or self._held_button else 1
        if level != self._button_level:
            self._button_level = level
            events.append([self.now_us * 1000, PINS["button"], level])
        for edge_s in self.bench.take_edges():
            edge_us = edge_s / self._scale
            low_us = min(max((edge_us - self._edge_us) * HALL_LOW_SHARE, HALL_LOW_US[0]), HALL_LOW_US[1])
            self._edge_us = edge_us
            events.append([round(edge_us * 1000), CHIP_PINS["hall"], 0])
            events.append([round((edge_us + low_us) * 1000), CHIP_PINS["hall"], 1])
        return events

    def _feed(self) -> None:
        """The line's bytes wait in `_in_buffer` for the next slice."""
