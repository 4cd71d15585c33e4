"""A board on a pty that injects line faults: noise, lost bytes, unplugging, resets, refusals.

It answers from the message table and the board's own framing code, so it says
nothing about the firmware; the firmware itself is driven by tests through
evenfall-bench.
"""

from __future__ import annotations

import os
import random
import select
import threading
import time
import tty
from binascii import crc32
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from evenfall.board import run_file
from evenfall_wire import codes, messages, settings
from evenfall_wire.frames import Framer, Unframer
from evenfall_wire.table_hash import TABLE_HASH
from sample_runs import UID

CHALLENGE = 0xC0FFEE01
DONE = [("done", (0,))]


@dataclass
class Faults:
    """What the line and the board do wrong; probabilities per bit or byte."""

    seed: int = 0
    flip: float = 0.0  # per bit
    drop: float = 0.0  # per byte
    double: float = 0.0
    insert: float = 0.0
    latency_s: float = 0.0
    bytes_per_s: float = 0.0  # 0: as fast as it goes
    unplug_after: int = 0  # bytes sent, then the cable is out for `out_s`
    unplug_when: Callable[[], bool] | None = None  # asked before each frame
    out_s: float = 0.3
    unplug_times: int = 1
    reset_on_unplug: bool = False
    refuse: dict[str, str] = field(default_factory=dict)  # request -> refusal
    major: int = messages.PROTO_MAJOR
    minor: int = messages.PROTO_MINOR
    table_hash: int = TABLE_HASH
    firmware: bytes = b"test"
    lose_done: int = 0  # so many read_done are not sent
    silent: bool = False
    state: str = "rest"
    garbage: bytes = b""  # sent instead of any answer
    alien_frames: bool = False  # a frame of an unknown type before each answer


class RefusedError(Exception):
    """The board refuses; the request's handler raises it."""

    def __init__(self, name: str, detail: int = 0) -> None:
        super().__init__(name)
        self.name, self.detail = name, detail


class FaultyBoard:
    """Context manager; `url` is a path that follows the pty over replugging."""

    def __init__(self, folder: Path, runs: dict[int, bytes], faults: Faults | None = None) -> None:
        self.url = str(folder / "board-port")
        self.runs = dict(runs)
        self.acknowledged: dict[int, tuple[int, int]] = {}
        self.deleted: list[int] = []
        self.faults = faults or Faults()
        self.values = {s[0]: s[3] for s in settings.SETTINGS}
        self.clock = 0
        self.commands: list[str] = []
        self.boot_count = 1
        self.requests: list[str] = []
        self._rng = random.Random(self.faults.seed)
        self._sent = 0
        self._framer = Framer()
        self._stop = False
        self._fds: tuple[int, int] | None = None
        self._plug()
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> FaultyBoard:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop = True
        self._thread.join(5)
        self._unplug()

    def _plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._fds = (master, slave)
        self._unframer = Unframer()
        spare = self.url + ".new"
        os.symlink(os.ttyname(slave), spare)
        os.replace(spare, self.url)

    def _unplug(self) -> None:
        if self._fds:
            Path(self.url).unlink(missing_ok=True)
            for fd in self._fds:
                os.close(fd)
            self._fds = None

    def _work(self) -> None:
        while not self._stop:
            assert self._fds
            master = self._fds[0]
            if not select.select([master], [], [], 0.02)[0]:
                continue
            try:
                data = os.read(master, 4096)
            except BlockingIOError:
                continue
            out: list[bytes] = []
            self._unframer.feed(
                self._noisy(data), lambda k, s, p, out=out: out.extend(self._answer(k, s, bytes(p)))
            )
            if out:
                time.sleep(self.faults.latency_s)
            self._transmit(out)

    def _transmit(self, frames: list[bytes]) -> None:
        faults = self.faults
        for frame in frames:
            data = self._noisy(frame)
            if faults.bytes_per_s:
                time.sleep(len(data) / faults.bytes_per_s)
            limit = faults.unplug_after
            now = faults.unplug_when is not None and faults.unplug_when()
            if faults.unplug_times and (now or (limit and self._sent + len(data) >= limit)):
                self._write(b"" if now else data[: limit - self._sent])
                self._sent = 0
                faults.unplug_times -= 1
                self._unplug()
                back = time.monotonic() + faults.out_s
                while time.monotonic() < back and not self._stop:
                    time.sleep(0.02)
                if faults.reset_on_unplug:
                    self.boot_count += 1
                self._plug()
                return
            self._write(data)
            self._sent += len(data)

    def _write(self, data: bytes) -> None:
        assert self._fds
        until = time.monotonic() + 1.0
        while data and time.monotonic() < until and not self._stop:
            if select.select([], [self._fds[0]], [], 0.05)[1]:
                try:
                    data = data[os.write(self._fds[0], data) :]
                except BlockingIOError:
                    time.sleep(0.001)

    def _noisy(self, data: bytes) -> bytes:
        faults, rng = self.faults, self._rng
        if not (faults.flip or faults.drop or faults.double or faults.insert):
            return data
        out = bytearray()
        for byte in data:
            for bit in range(8):
                if rng.random() < faults.flip:
                    byte ^= 1 << bit
            if rng.random() < faults.drop:
                continue
            out.append(byte)
            if rng.random() < faults.double:
                out.append(byte)
            if rng.random() < faults.insert:
                out.append(rng.randrange(256))
        return bytes(out)

    def _frame(self, name: str, sequence: int, head: tuple = (), each: list = ()) -> bytes:
        size = messages.pack_into(name, self._framer.payload, 0, head, each)
        return bytes(self._framer.finish(messages.BY_NAME[name][0], sequence, size))

    def _answer(self, kind: int, sequence: int, payload: bytes) -> list[bytes]:
        faults = self.faults
        if faults.silent:
            return []
        if faults.garbage:
            return [faults.garbage]
        name = messages.BY_TYPE[kind][1]
        self.requests.append(name)
        head, each = messages.unpack(name, payload)
        if run_file.has_session(name):
            head = head[1:]
        out = []
        if faults.alien_frames:
            size = messages.pack_into("done", self._framer.payload, 0, (0, 0))
            out.append(bytes(self._framer.finish(0x7E, sequence, size)))
        try:
            if name in faults.refuse:
                raise RefusedError(faults.refuse[name])
            handler = getattr(self, f"_{name}", None)
            if handler is None:
                raise RefusedError("unknown_request", kind)
            answers = handler(head, each)
        except RefusedError as why:
            answers = [("refused", (kind, codes.REFUSALS.index(why.name), why.detail))]
        for answer in answers:
            answer = answer if answer[0] != "done" else ("done", (kind, *answer[1]))
            out.append(self._frame(answer[0], sequence, *answer[1:]))
        return out

    # --- what it answers: (message, its head, its lines); of `done` the value ---

    def _hello(self, head: tuple, each: list) -> list[tuple]:
        f = self.faults
        return [
            ("board_info", (f.major, f.minor, UID, f.firmware, self.boot_count, 372, f.table_hash)),
        ]

    def _get_status(self, head: tuple, each: list) -> list[tuple]:
        values = dict.fromkeys([f[0] for f in messages.BY_NAME["status"][2]], 0)
        values.update(
            state=codes.STATES.index(self.faults.state),
            flags=0b10,
            runs_unacked=len(set(self.runs) - set(self.acknowledged)),
            last_run_id=max(self.runs, default=0),
        )
        return [("status", tuple(values.values()))]

    def _list_runs(self, head: tuple, each: list) -> list[tuple]:
        rows = [
            (n, len(d), crc32(d), d.count(b"\0"), 1 | (n in self.acknowledged) << 1, 1, 1_700_000_000)
            for n, d in sorted(self.runs.items())
        ]
        (first,) = head
        return [("run_list", (len(rows), first), rows[first : first + 18])]

    def _read_run(self, head: tuple, each: list) -> list[tuple]:
        run_id, offset, length = head
        data = self._run(run_id)[offset : offset + length]
        out: list[tuple] = [
            ("run_data", (offset + at,), [(b,) for b in data[at : at + 361]])
            for at in range(0, len(data), 361)
        ]
        if self.faults.lose_done and length:
            self.faults.lose_done -= 1
            return out
        return [*out, ("read_done", (run_id, offset, len(data), crc32(data), CHALLENGE))]

    _read_next = _read_run

    def _run(self, run_id: int) -> bytes:
        if run_id not in self.runs:
            raise RefusedError("no_such_run", run_id)
        return self.runs[run_id]

    def _ack_run(self, head: tuple, each: list) -> list[tuple]:
        run_id, size, crc, given = head
        data = self.runs[run_id]
        if (size, crc, given) != (len(data), crc32(data), run_file.proof(CHALLENGE, data)):
            raise RefusedError("copy_differs", run_id)
        self.acknowledged[run_id] = (size, crc)
        return DONE

    def _delete_run(self, head: tuple, each: list) -> list[tuple]:
        if head[0] not in self.acknowledged:
            raise RefusedError("not_acknowledged", head[0])
        self.deleted.append(head[0])
        return DONE

    def _get_settings(self, head: tuple, each: list) -> list[tuple]:
        rows = sorted(self.values.items())[head[0] : head[0] + 20]
        return [("settings", (len(self.values), head[0]), rows)]

    def _set_settings(self, head: tuple, each: list) -> list[tuple]:
        self.values.update(each)
        return DONE

    def _set_clock(self, head: tuple, each: list) -> list[tuple]:
        self.clock = head[0]
        return DONE

    def _command(self, head: tuple, each: list) -> list[tuple]:
        self.commands.append(codes.COMMANDS[head[0]])
        return DONE

    def _zero(self, head: tuple, each: list) -> list[tuple]:
        return [("done", (51234,))]

    def _self_test(self, head: tuple, each: list) -> list[tuple]:
        rows = [(i, 0 if i else 1, i * 10) for i in range(len(codes.SELF_TEST_ITEMS))]
        return [("self_test_result", (), rows)]

    def _get_learned(self, head: tuple, each: list) -> list[tuple]:
        return [("learned", (2, head[0]), [(0, 7), (1, -7)][head[0] :])]

    def _get_counters(self, head: tuple, each: list) -> list[tuple]:
        return [("counters", (), list(enumerate([0] * len(codes.COUNTERS))))]
