"""The line to the board: requests and replies, pulls that survive a bad line.

The host speaks first, always.  A request carries the host's sequence and its
reply echoes it; a lost reply is asked for again after a time-out that follows
the measured round trip (Jacobson 1988, with Karn's rule: RFC 6298) and doubles
each time.  Stored frames come back verbatim and carry their place in the run
file, so a lost frame is asked for by its number.  A partial transfer is kept on
disk as the frames received so far and is taken up again later, from another
process too.  A run is acknowledged only with the size and CRC-32 of a copy that
was read back from disk.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import secrets
import time
import uuid
from binascii import crc32
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import serial
from evenfall_wire import codes, messages
from evenfall_wire import settings as setting_table
from evenfall_wire.frames import MAX_WIRE
from serial.tools import list_ports

from evenfall.board import code_texts, run_file
from evenfall.errors import BoardError, DamageError, InputError, LinkError, NotFoundError

REPLY_TO = {
    "hello": "board_info",
    "get_status": "status",
    "list_runs": "run_list",
    "read_run": "read_done",
    "read_next": "read_done",
    "get_settings": "settings",
    "self_test": "self_test_result",
    "get_learned": "learned",
    "get_counters": "counters",
}  # all others: done
# Seconds on top of the round trip for requests that erase flash or wait for something real.
# An erase takes 45-300 ms per sector on common flash parts and a file may need several.
EXTRA_S = {
    "ack_run": 3.0,
    "delete_run": 3.0,
    "set_settings": 3.0,
    "set_clock": 1.0,
    "zero": 5.0,
    "command": 2.0,
    "self_test": 40.0,
    "list_runs": 1.0,
}
FIRST_RTO_S = 0.6
MIN_RTO_S, MAX_RTO_S = 0.15, 4.0
ATTEMPTS = 6
MOST_NOISE = 16384  # bytes in answer to one request without one frame among them: not a board
BLOCK_FRAMES = 128  # frames asked for at once
AHEAD_S = 2.0  # runs that begin so soon are fetched in one go, then kept and acknowledged one by one
QUIET_LIMIT_S = 12.0  # a transfer without one good frame for so long is given up
FRUITLESS_LIMIT = 600  # or after so many requests in a row that brought nothing new


Progress = Callable[[int, int, int], None]  # run number, frames here, frames in all


class PortGoneError(LinkError):
    """The port vanished or cannot be opened any more: worth waiting for."""


class NoAnswerError(LinkError):
    """The board said nothing in time."""


@dataclass
class Counters:
    """What happened on the line so far."""

    bytes_in: int = 0
    bytes_out: int = 0
    frames: int = 0
    bad: int = 0  # damaged frames
    unknown: int = 0  # whole frames of types this host does not know
    stale: int = 0  # whole frames that nobody waited for
    timeouts: int = 0
    retransmitted_bytes: int = 0  # requests sent again, and frames that came more than once
    reconnects: int = 0

    def sentence(self) -> str:
        """One line for the person."""
        return (
            f"{self.bytes_in} bytes in, {self.bytes_out} out, {self.frames} frames, {self.bad} bad, "
            f"{self.unknown} unknown, {self.retransmitted_bytes} bytes sent again, "
            f"{self.timeouts} time-outs, {self.reconnects} reconnects"
        )

    def as_dict(self) -> dict[str, int]:
        """By name, for JSON."""
        return asdict(self)


@dataclass(frozen=True)
class BoardInfo:
    """Who answered."""

    uid: str
    firmware: str
    protocol: str
    boot_count: int


@dataclass(frozen=True)
class RunEntry:
    """One line of the board's list of runs."""

    run_id: int
    size: int
    crc32: int
    frames: int
    flags: list[str]
    verdict: str
    started_unix_s: int


def _session_id(url: str) -> int:
    """The same for every program of one person on one computer, so that commands can follow each other.

    Among those the exclusive open keeps order; over a network port each program is its own session.
    """
    if "://" in url:
        return secrets.randbits(32)
    return crc32(f"{uuid.getnode()} {os.getuid() if hasattr(os, 'getuid') else 0}".encode()) or 1


def find_port() -> str:
    """The one port that looks like a board.

    Raises LinkError when there is none or more than one.
    """
    ports = list(list_ports.comports())
    likely = [p.device for p in ports if p.vid == 0x2E8A or "MicroPython" in (p.description or "")]
    if len(likely) == 1:
        return likely[0]
    if likely:
        raise LinkError(f"several boards are plugged in ({', '.join(likely)}): name one with --port")
    raise LinkError(f"no board found; {_ports_here()}. Plug it in, or name its port with --port")


def _ports_here() -> str:
    names = [p.device for p in list_ports.comports()]
    return f"ports here: {', '.join(names)}" if names else "this computer shows no serial port"


class Link:
    """An open line to one board.  Use as a context manager.

    `url` is a device or a pyserial URL (`/dev/ttyACM0`, `socket://host:port`).
    Raises LinkError with one clear sentence for whatever is wrong with it.
    """

    def __init__(self, url: str, baud: int = 115200, say: Callable[[str], None] = lambda _: None) -> None:
        self.url = url
        self.baud = baud
        self.say = say
        self.counters = Counters()
        self.session = _session_id(url)
        self.info: BoardInfo | None = None
        self._port: Any = None
        self._pending = bytearray()
        self._overlong = False
        self._sequence = secrets.randbits(16)
        self._srtt_s: float | None = None
        self._rttvar_s = 0.0
        self._echoes = 0
        self._knows_1_1 = False  # read_next and get_counters

    def __enter__(self) -> Link:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- port ---

    def open(self) -> BoardInfo:
        """Open the port for us alone and greet the board."""
        self._open_port()
        try:
            return self._greet()
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the port; harmless when it is closed already."""
        if self._port is not None:
            with contextlib.suppress(Exception):
                self._port.close()
            self._port = None

    def _open_port(self) -> None:
        self._pending.clear()
        self._overlong = False
        options: dict[str, Any] = {"baudrate": self.baud, "timeout": 0.05, "write_timeout": 5.0}
        if "://" not in self.url:
            options["exclusive"] = True
        try:
            self._port = serial.serial_for_url(self.url, **options)
            with contextlib.suppress(Exception):
                self._port.reset_input_buffer()
        except ValueError as error:
            raise LinkError(f"'{self.url}' is not a port or a URL of one: {error}") from None
        except (OSError, serial.SerialException) as error:
            raise self._open_error(error) from None

    def _open_error(self, error: Exception) -> LinkError:
        text = str(error)
        number = getattr(error, "errno", None)
        if number in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in text or "Access is denied" in text:
            return LinkError(f"port {self.url} is in use by another program: close that one and try again")
        if number == errno.ENOENT or "No such file" in text or "could not find" in text:
            return PortGoneError(f"there is no port {self.url}; {_ports_here()}")
        if number == errno.EACCES or "Permission denied" in text:
            return LinkError(
                f"no permission to open {self.url}: add yourself to the group that owns it "
                "(often 'dialout'), log in again"
            )
        return PortGoneError(f"port {self.url} cannot be opened: {text}")

    def _greet(self) -> BoardInfo:
        before = self.counters.bytes_in
        frames = self.counters.frames
        greeting = (messages.PROTO_MAJOR, messages.PROTO_MINOR, self.session)
        try:
            head = self.request("hello", greeting, attempts=5, longest_s=1.0).head
        except NoAnswerError:
            got = self.counters.bytes_in - before
            if self._echoes:
                sentence = f"what is on {self.url} only sends our own bytes back: not an evenfall board"
            elif got and self.counters.frames == frames:
                sentence = (
                    f"what is on {self.url} is not an evenfall board, or its firmware is not running: "
                    f"{got} bytes came and none made a frame"
                )
            else:
                sentence = f"no answer from {self.url}: is it the right port, and is the board powered?"
            raise NoAnswerError(sentence) from None
        board = f"{head['proto_major']}.{head['proto_minor']}"
        ours = f"{messages.PROTO_MAJOR}.{messages.PROTO_MINOR}"
        if head["proto_major"] != messages.PROTO_MAJOR:
            older = "evenfall" if head["proto_major"] > messages.PROTO_MAJOR else "the board's firmware"
            raise LinkError(
                f"the board on {self.url} speaks protocol {board}, this evenfall speaks {ours}: "
                f"update {older}"
            )
        self._knows_1_1 = head["proto_minor"] >= 1
        self.info = BoardInfo(
            head["board_uid"].hex(),
            head["firmware"].split(b"\0")[0].decode("ascii", "replace"),
            board,
            head["boot_count"],
        )
        return self.info

    # --- frames ---

    def _send(self, data: bytes) -> None:
        try:
            self._port.write(data)
            self.counters.bytes_out += len(data)
        except (OSError, serial.SerialException, AttributeError, TypeError) as error:
            raise self._gone(error) from None

    def _gone(self, error: Exception) -> PortGoneError:
        self.close()
        return PortGoneError(f"the line to {self.url} broke off ({error}): plug it in again, nothing is lost")

    def _receive(self, wait_s: float) -> Iterator[tuple[run_file.Frame | None, bytes]]:
        """Frames that arrive within one read: (frame or None when damaged, chunk without delimiter)."""
        try:
            self._port.timeout = wait_s
            data = self._port.read(self._port.in_waiting or 1)
            if data:
                data += self._port.read(self._port.in_waiting)
        except (OSError, serial.SerialException, AttributeError, TypeError) as error:
            raise self._gone(error) from None
        self.counters.bytes_in += len(data)
        *whole, rest = data.split(b"\x00")
        for piece in whole:
            chunk = bytes(self._pending) + piece
            self._pending.clear()
            if self._overlong or len(chunk) >= MAX_WIRE:
                self._overlong = False
                self.counters.bad += 1
                yield None, b""
            elif chunk:
                frame = run_file.open_frame(chunk)
                if frame is None:
                    self.counters.bad += 1
                else:
                    self.counters.frames += 1
                yield frame, chunk
        self._pending += rest
        if len(self._pending) >= MAX_WIRE:  # never a frame: keep memory bounded
            self._pending.clear()
            self._overlong = True

    @property
    def _rto_s(self) -> float:
        if self._srtt_s is None:
            return FIRST_RTO_S
        return min(MAX_RTO_S, max(MIN_RTO_S, self._srtt_s + 4 * self._rttvar_s))

    def _measured(self, rtt_s: float) -> None:
        if self._srtt_s is None:
            self._srtt_s, self._rttvar_s = rtt_s, rtt_s / 2
        else:
            self._rttvar_s += (abs(self._srtt_s - rtt_s) - self._rttvar_s) / 4
            self._srtt_s += (rtt_s - self._srtt_s) / 8

    def _next_sequence(self) -> int:
        self._sequence = (self._sequence + 1) & 0xFFFF
        return self._sequence

    def _wanted(
        self, frame: run_file.Frame, sequence: int, request: str, reply: str
    ) -> run_file.Message | None:
        """The reply we wait for, or None.  Raises BoardError when it is a refusal."""
        entry = messages.BY_TYPE.get(frame.kind)
        if entry is None:
            self.counters.unknown += 1
            return None
        if frame.kind < 0x40:
            self._echoes += 1
            return None
        if frame.sequence != sequence or entry[1] not in (reply, "refused"):
            self.counters.stale += 1
            return None
        try:
            message = run_file.decode_message(frame.kind, frame.payload)
        except ValueError:
            self.counters.bad += 1
            return None
        assert message is not None
        asked = run_file.TYPE_OF[request]
        if message.name in ("refused", "done") and message.head["request"] != asked:
            self.counters.stale += 1
            return None
        if message.name == "refused":
            raise refusal(request, message.head)
        return message

    def request(
        self,
        name: str,
        head: Sequence[Any] = (),
        each: Iterable[Sequence[Any]] = (),
        attempts: int = ATTEMPTS,
        longest_s: float = MAX_RTO_S,
    ) -> run_file.Message:
        """Send a request until its reply comes; return the reply.

        Raises BoardError when the board refuses, NoAnswerError when it stays silent,
        PortGoneError when the port does.
        """
        reply = REPLY_TO.get(name, "done")
        sequence = self._next_sequence()
        data = b"\x00" + run_file.frame_bytes(name, sequence, head, each)  # the zero ends any line noise
        extra = EXTRA_S.get(name, 0.0)
        wait_s = self._rto_s + extra
        heard, frames = self.counters.bytes_in, self.counters.frames
        for attempt in range(attempts):
            sent = time.monotonic()
            self._send(data)
            if attempt:
                self.counters.retransmitted_bytes += len(data)
            quiet_until, stop = sent + wait_s, sent + wait_s + 1.0
            while (now := time.monotonic()) < min(quiet_until, stop):
                came = self.counters.bytes_in
                for frame, _ in self._receive(min(quiet_until, stop) - now):
                    message = frame and self._wanted(frame, sequence, name, reply)
                    if message:
                        if attempt == 0 and not extra:
                            self._measured(time.monotonic() - sent)
                        return message
                if self.counters.frames == frames and self.counters.bytes_in - heard > MOST_NOISE:
                    raise NoAnswerError(f"{self.url} sends without end, and nothing of it is a frame")
                if self.counters.bytes_in > came:  # a reply on a slow line: let it finish
                    quiet_until = time.monotonic() + wait_s
            self.counters.timeouts += 1
            wait_s = min(wait_s * 2, longest_s + extra)
        raise NoAnswerError(f"the board on {self.url} does not answer '{name}' ({attempts} attempts)")

    # --- what a board can be asked ---

    def status(self) -> dict[str, Any]:
        """The board's state, scaled, codes as names; `flags` as a list of names."""
        head = self.request("get_status").head
        out = run_file.scaled("status", head)
        out["flags"] = run_file.bit_names(codes.STATUS_BITS, head["flags"])
        return out

    def runs(self) -> list[RunEntry]:
        """All runs stored on the board, in its order."""
        rows: list[RunEntry] = []
        while True:
            reply = self.request("list_runs", (len(rows),))
            total, first = reply.head["total"], reply.head["first"]
            if first == len(rows):
                rows += [
                    RunEntry(
                        run_id, size, crc, frames, run_file.bit_names(codes.RUN_BITS, flags),
                        run_file.code_name("verdict", verdict), started,
                    )
                    for run_id, size, crc, frames, flags, verdict, started in reply.each
                ]  # fmt: skip
            if len(rows) >= total or not reply.each:
                return rows

    def settings(self) -> dict[str, int]:
        """All settings on the board, by name."""
        rows: list[tuple[int, int]] = []
        while True:
            reply = self.request("get_settings", (len(rows),))
            if reply.head["first"] == len(rows):
                rows += reply.each
            if len(rows) >= reply.head["total"] or not reply.each:
                return {run_file.setting_name(n): v for n, v in rows}

    def set_settings(self, values: dict[str, int]) -> None:
        """Write settings; names and bounds are checked here first."""
        each = []
        for name, value in values.items():
            number, _, unit, _, low, high, _ = setting(name)
            if not low <= value <= high:
                raise InputError(f"setting '{name}' must lie from {low} to {high} {unit}; {value} does not")
            each.append((number, value))
        self.request("set_settings", (), each)

    def set_clock(self, unix_s: int | None = None) -> None:
        """Set the board's clock, by default to this computer's."""
        self.request("set_clock", (int(time.time()) if unix_s is None else unix_s,))

    def zero(self) -> int:
        """Take the load cell's zero; return the board's value."""
        return int(self.request("zero").head["value"])

    def command(self, name: str, argument: int = 0) -> int:
        """One of evenfall_wire.codes.COMMANDS."""
        return int(self.request("command", (codes.COMMANDS.index(name), argument)).head["value"])

    def self_test(self) -> list[tuple[str, str, int]]:
        """(item, result, value) of each part."""
        return [
            (run_file.code_name("item", i), run_file.code_name("result", r), v)
            for i, r, v in self.request("self_test", attempts=2).each
        ]

    def learned(self) -> dict[int, int]:
        """What the board has learnt about its bench, by slot."""
        return dict(self.request("get_learned").each)

    def board_counters(self) -> dict[str, int]:
        """The board's counts by name (evenfall_wire.codes.COUNTERS); none of a board older than 1.1."""
        if not self._knows_1_1:
            return {}
        return {run_file.code_name("counter", n): v for n, v in self.request("get_counters").each}

    def acknowledge(self, run_id: int, copy: bytes) -> None:
        """Tell the board that `copy`, read back from disk, is safe with us."""
        self.request("ack_run", (run_id, len(copy), crc32(copy)))

    def delete(self, run_id: int) -> None:
        """Delete an acknowledged run on the board."""
        self.request("delete_run", (run_id,))

    def entry(self, run_id: int) -> RunEntry:
        """The board's list line for one run."""
        for entry in self.runs():
            if entry.run_id == run_id:
                return entry
        raise NotFoundError(f"the board has no run {run_id}")

    def runs_at_rest(self, patience_s: float = 60.0) -> list[RunEntry]:
        """`runs`, once the board has ended the pull or the writing it is busy with."""
        give_up = time.monotonic() + patience_s
        told = False
        while True:
            try:
                return self.runs()
            except BoardError as error:
                if error.refusal != "busy_state" or time.monotonic() > give_up:
                    raise
                if not told:
                    self.say(
                        f"the board is busy: {code_texts.say(code_texts.STATES, self.status()['state'])} ..."
                    )
                    told = True
                time.sleep(0.3)

    # --- pulls ---

    def read_run(
        self, entry: RunEntry, partial: Path, progress: Callable[[int, int], None] = lambda *_: None
    ) -> bytes:
        """`read_runs` of one run; `progress(frames here, frames in all)`."""
        ((_, data),) = self.read_runs([(entry, partial)], lambda _, *frames: progress(*frames))
        return data

    def read_runs(
        self, wanted: Sequence[tuple[RunEntry, Path]], progress: Progress = lambda *_: None
    ) -> list[tuple[RunEntry, bytes]]:
        """Fetch the first of `wanted`, whole and verified against its entry's size and CRC-32.

        The runs after it follow without a pause on the line, as many as begin within AHEAD_S;
        what came whole is returned, in order, and trouble after the first is left to the next
        call.  Each partial path holds the frames received so far; it is taken up when it exists
        and left for the caller to remove.  `progress(run number, frames here, frames in all)`.
        Raises LinkError when the line gives up (what came stays in the partial file),
        DamageError when all frames of the first are here and the whole still does not verify.
        """
        first = wanted[0][0]
        if first.size > run_file.MAX_RUN_BYTES:
            raise DamageError(
                f"run {first.run_id}: the board lists {first.size} bytes; no board holds that much"
            )
        for some in (wanted, wanted[:1]):
            good: list[tuple[RunEntry, bytes]] = []
            for transfer in self._fetch(some, progress):
                data = transfer.data()
                if len(data) != transfer.entry.size or crc32(data) != transfer.entry.crc32:
                    # frames of another run slipped in, or the file changed: start over once
                    transfer.partial.unlink(missing_ok=True)
                    break
                good.append((transfer.entry, data))
            if good:
                return good
            if some is wanted:
                self.say(f"run {first.run_id}: the copy does not verify; fetching it anew")
        raise DamageError(
            f"run {first.run_id}: all {first.frames} frames came, but the whole differs from what the board "
            "lists; not acknowledged, the board keeps it"
        )

    def _fetch(self, wanted: Sequence[tuple[RunEntry, Path]], progress: Progress) -> list[_Transfer]:
        reading = _Reading(wanted, progress)
        try:
            self._fill(reading)
        except (LinkError, BoardError):
            if not reading.whole():
                raise
        finally:
            reading.close()
        return reading.whole()

    def _fill(self, reading: _Reading) -> None:
        fruitless = 0
        last_good = time.monotonic()
        wait_s = self._rto_s
        while reading.asked or self._ask(reading, "read_run", 1 if fruitless > 3 else BLOCK_FRAMES):
            transfer = reading.asked[0].transfer
            new, answered = self._listen(reading, wait_s)
            if new or answered:
                last_good = time.monotonic()
                wait_s = self._rto_s
            else:
                wait_s = min(wait_s * 2, MAX_RTO_S)
            fruitless = 0 if new else fruitless + 1
            if fruitless > FRUITLESS_LIMIT:
                raise LinkError(f"run {transfer.entry.run_id}: the line is too noisy; {transfer.kept()}")
            if time.monotonic() - last_good > QUIET_LIMIT_S:
                raise NoAnswerError(f"run {transfer.entry.run_id}: the board fell silent; {transfer.kept()}")

    def _ask(self, reading: _Reading, name: str, most: int) -> bool:
        """Ask for the next frames that are neither here nor asked for; False when there are none."""
        found = reading.next_span(most)
        if found is None:
            return False
        transfer, first, count = found
        span = _Span(transfer, first, count, self._next_sequence(), name)
        request = b"\x00" + run_file.frame_bytes(name, span.sequence, (transfer.entry.run_id, first, count))
        reading.asked.append(span)
        self._send(request)
        if not transfer.first_request(first):
            self.counters.retransmitted_bytes += len(request)
        return True

    def _listen(self, reading: _Reading, wait_s: float) -> tuple[int, bool]:
        """Take frames in until the answer to the first span asked for ends, or nothing comes for `wait_s`.

        Returns (new frames, whether it ended).  Once it has begun, the next span is asked for;
        after damage it is not known yet what that will be.
        """
        asked = reading.asked
        head = asked[0]
        new = 0
        sent = time.monotonic()
        quiet_until = sent + wait_s
        while asked and asked[0] is head and (now := time.monotonic()) < quiet_until:
            for frame, chunk in self._receive(quiet_until - now):
                quiet_until = time.monotonic() + wait_s
                new += self._take_in(reading, frame, chunk, sent)
            if len(asked) == 1 and self._knows_1_1 and asked[0].heard and not asked[0].broken:
                self._ask(reading, "read_next", BLOCK_FRAMES)
        if not asked or asked[0] is not head:
            return new, True
        self.counters.timeouts += 1
        two_runs = asked[-1].transfer is not head.transfer
        asked.clear()
        if two_runs:  # frames do not name their run: let pass what may still come of the other
            self.request("get_status")
        return new, False

    def _take_in(self, reading: _Reading, frame: run_file.Frame | None, chunk: bytes, sent: float) -> int:
        """One frame of an answer; return how many new frames it brought."""
        asked = reading.asked
        if not asked:
            self.counters.stale += 1
            return 0
        span = asked[0]
        if not span.heard and span.name == "read_run":
            self._measured(time.monotonic() - sent)
        span.heard = True
        if frame is None:
            span.broken.append(chunk)
            return 0
        if frame.kind < 0x80:
            span = next((s for s in asked if s.sequence == frame.sequence), span)
            if not self._wanted(frame, span.sequence, span.name, "read_done"):
                return 0
            while asked.popleft() is not span:
                pass  # the read_done of the one before was lost
            return span.lone_broken()
        number = frame.sequence
        if len(asked) > 1 and number in asked[1] and (number <= span.last or number not in span):
            asked.popleft()  # its read_done was lost
            span = asked[0]
            span.heard = True
        if number not in span:
            self.counters.stale += 1
            return 0
        span.last = number
        if not span.transfer.add(number, chunk):
            self.counters.retransmitted_bytes += len(chunk) + 1
            return 0
        span.new += 1
        entry = span.transfer.entry
        reading.progress(entry.run_id, len(span.transfer.frames), entry.frames)
        return 1

    def read_run_through(
        self,
        entry: RunEntry,
        partial: Path,
        progress: Callable[[int, int], None] = lambda *_: None,
        patience_s: float = 20.0,
    ) -> bytes:
        """`read_runs_through` of one run; `progress(frames here, frames in all)`."""
        ((_, data),) = self.read_runs_through(
            [(entry, partial)], lambda _, *frames: progress(*frames), patience_s
        )
        return data

    def read_runs_through(
        self,
        wanted: Sequence[tuple[RunEntry, Path]],
        progress: Progress = lambda *_: None,
        patience_s: float = 20.0,
    ) -> list[tuple[RunEntry, bytes]]:
        """`read_runs` that waits for an unplugged or restarted board and goes on where it stopped."""
        entry, partial = wanted[0]
        give_up = time.monotonic() + patience_s
        while True:
            size = partial.stat().st_size if partial.exists() else 0
            try:
                if self._port is None:
                    self._reconnect(entry)
                return self.read_runs(wanted, progress)
            except (PortGoneError, NoAnswerError) as error:
                self.close()
                if partial.exists() and partial.stat().st_size > size:
                    give_up = time.monotonic() + patience_s  # it gets on: be patient
                if time.monotonic() > give_up:
                    raise
                self.say(f"{error}; waiting for the board")
                time.sleep(0.2)

    def _reconnect(self, entry: RunEntry) -> None:
        before = self.info
        self._srtt_s = None
        info = self.open()
        self.counters.reconnects += 1
        if before and info.uid != before.uid:
            raise LinkError(
                f"another board answers now on {self.url}: plug the first one in again and repeat"
            )
        if before and info.boot_count != before.boot_count:
            self.say("the board restarted meanwhile; going on where it stopped")
        now = self.entry(entry.run_id)
        if (now.size, now.crc32) != (entry.size, entry.crc32):
            raise DamageError(f"run {entry.run_id} changed on the board meanwhile: list its runs again")


@dataclass
class _Span:
    """Frames asked for by one request, and what came of its answer."""

    transfer: _Transfer
    first: int
    count: int
    sequence: int  # of the request
    name: str
    heard: bool = False
    last: int = -1  # number of the newest frame
    new: int = 0
    broken: list[bytes] = field(default_factory=list)

    def __contains__(self, number: int) -> bool:
        return self.first <= number < self.first + self.count

    def lone_broken(self) -> int:
        """Look at the answer's only frame when it was damaged; frames gained."""
        if self.count == 1 and not self.new and len(self.broken) == 1 and self.broken[0]:
            return self.transfer.broken_on_board(self.first, self.broken[0])
        return 0


class _Reading:
    """Transfers of some runs in order, and the spans asked for and not answered yet."""

    def __init__(self, wanted: Sequence[tuple[RunEntry, Path]], progress: Progress) -> None:
        self.progress = progress
        self.asked: deque[_Span] = deque()
        self._to_come = deque(wanted)
        self._transfers: list[_Transfer] = []
        self._ahead_until = time.monotonic() + AHEAD_S

    def next_span(self, most: int) -> tuple[_Transfer, int, int] | None:
        """(transfer, first, count) of at most `most` frames to ask for next."""
        for transfer in self._transfers:
            span = transfer.next_span(most, [s for s in self.asked if s.transfer is transfer])
            if span:
                return transfer, *span
        if not self._to_come or (self._transfers and time.monotonic() > self._ahead_until):
            return None
        entry, partial = self._to_come.popleft()
        if entry.size > run_file.MAX_RUN_BYTES:
            self._to_come.clear()
            return None
        self._transfers.append(_Transfer(entry, partial))
        return self.next_span(most)

    def whole(self) -> list[_Transfer]:
        """The first transfers, up to one with frames missing."""
        return list(itertools.takewhile(_Transfer.whole, self._transfers))

    def close(self) -> None:
        for transfer in self._transfers:
            transfer.close()


class _Transfer:
    """The frames of one run as they come in, mirrored to a file of appended frames."""

    def __init__(self, entry: RunEntry, partial: Path) -> None:
        self.entry = entry
        self.partial = partial
        self.frames: dict[int, bytes] = {}
        self._broken: dict[bytes, int] = {}
        self._asked: set[int] = set()
        partial.parent.mkdir(parents=True, exist_ok=True)
        if partial.exists():
            for chunk in partial.read_bytes().split(b"\x00")[:-1]:
                frame = run_file.open_frame(chunk)
                if frame and frame.sequence < entry.frames:
                    self.frames.setdefault(frame.sequence, chunk)
        self._file = partial.open("ab")
        if partial.stat().st_size:
            self._file.write(b"\x00")  # ends a frame cut short by a kill

    def add(self, sequence: int, chunk: bytes) -> bool:
        if sequence in self.frames:
            return False
        self.frames[sequence] = chunk
        self._file.write(chunk + b"\x00")
        return True

    def broken_on_board(self, sequence: int, chunk: bytes) -> int:
        """A lone frame that comes back broken and identical each time is broken on the flash.

        It is kept as it is: the copy is bit for bit, and the CRC-32 of the whole decides.
        """
        self._broken[chunk] = self._broken.get(chunk, 0) + 1
        if self._broken[chunk] < 4:
            return 0
        self.frames[sequence] = chunk
        return 1

    def first_request(self, first: int) -> bool:
        fresh = first not in self._asked
        self._asked.add(first)
        return fresh

    def whole(self) -> bool:
        return len(self.frames) >= self.entry.frames

    def next_span(self, most: int, asked: Sequence[_Span] = ()) -> tuple[int, int] | None:
        """(first, count) of frames to ask for next; small islands are fetched again rather than skipped."""
        self._file.flush()
        here = self.frames
        end = self.entry.frames
        first = next((n for n in range(end) if n not in here and not any(n in s for s in asked)), None)
        if first is None:
            return None
        last = first
        for n in range(first, min(first + most, end)):
            if n not in here:
                last = n
            elif n - last > 2:
                break
        return first, last - first + 1

    def data(self) -> bytes:
        return b"".join(self.frames[n] + b"\x00" for n in sorted(self.frames))

    def kept(self) -> str:
        return f"{len(self.frames)} of {self.entry.frames} frames are kept, the next pull goes on from there"

    def close(self) -> None:
        """What is whole goes into the archive now; what is not must outlast a power cut."""
        with contextlib.suppress(OSError):
            self._file.flush()
            if not self.whole():
                os.fsync(self._file.fileno())
        self._file.close()


def setting(name: str) -> tuple[int, str, str, int, int, int, str]:
    """The table's entry; InputError naming near ones when there is none of that name."""
    entry = setting_table.BY_NAME.get(name)
    if entry is None:
        import difflib

        near = difflib.get_close_matches(name, setting_table.BY_NAME, 3)
        hint = f"did you mean {' or '.join(near)}?" if near else "see: evenfall board settings"
        raise InputError(f"there is no setting '{name}'; {hint}")
    return entry


def refusal(request: str, head: dict[str, Any]) -> BoardError:
    """The error for a `refused` reply."""
    name = run_file.code_name("error", head["error"])
    sentence = code_texts.say(code_texts.REFUSALS, name)
    detail = head["detail"]
    if name == "newer_protocol":  # detail: the board's own
        ours = f"{messages.PROTO_MAJOR}.{messages.PROTO_MINOR}"
        return BoardError(
            f"the board speaks protocol {detail}, this evenfall speaks {ours}: update the board's firmware "
            "(evenfall board install)"
        )
    if name in ("no_such_setting", "out_of_bounds"):
        sentence = f"setting '{run_file.setting_name(detail)}': {sentence}"
    elif name in ("busy_state", "moving") and 0 <= detail < len(codes.STATES):
        sentence = f"{sentence} (It is {code_texts.say(code_texts.STATES, codes.STATES[detail])}.)"
    error = BoardError(f"refused '{request}': {sentence}")
    error.refusal = name
    return error
