"""The line to the board: requests and replies, runs that survive a bad line.

The host speaks first, always.  A request carries the host's sequence and its
reply echoes it; a lost reply is asked for again after a time-out that follows
the measured round trip (Jacobson 1988, with Karn's rule: RFC 6298) and doubles
each time.  Stored runs are read by byte offset (board/transfer.py); a lost piece
is asked for by its place.  A run is acknowledged only with a proof made from a
copy that was read back from disk.  What a board says is bounded in time and in
bytes: one that lies ends in one sentence.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import time
import uuid
from binascii import crc32
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import serial
from evenfall_wire import codes, messages
from evenfall_wire.frames import MAX_WIRE
from evenfall_wire.table_hash import TABLE_HASH
from serial.tools import list_ports

from evenfall.board import code_texts, link_v1, run_file
from evenfall.board.settings import setting
from evenfall.board.transfer import SLOWEST_BYTES_PER_S, Progress, Reading, RunEntry, Span, Transfer
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
MAX_NOISE_BYTES = 16384  # bytes in answer to one request without one frame among them: not a board
BLOCK_BYTES = 46_000  # asked for at once
QUIET_LIMIT_S = 12.0  # a transfer that gets nothing new for so long is given up
UNPRODUCTIVE_LIMIT = 600  # or after so many requests in a row that brought nothing new
LIST_S = 30.0  # longest time for a list of many pages


class PortGoneError(LinkError):
    """The port vanished or cannot be opened any more: worth waiting for."""


class PortInUseError(LinkError):
    """Another program holds the port: the board may be there all the same."""


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
        raise LinkError(f"several boards are plugged in ({', '.join(likely)})", ": name one with --port")
    raise PortGoneError(f"no board found; {_ports_here()}. Plug it in", ", or name its port with --port")


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
        self.listener: Callable[[bytes], object] = lambda _: None  # hears all bytes that come
        self._port: Any = None
        self._pending = bytearray()
        self._overlong = False
        self._sequence = secrets.randbits(16)
        self._srtt_s: float | None = None
        self._rttvar_s = 0.0
        self._echoes = 0
        self.old: link_v1.Dialect | None = None  # how to speak to a board of protocol 1

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
            return PortInUseError(
                f"port {self.url} is in use by another program: close that one and try again"
            )
        if number == errno.ENOENT or "No such file" in text or "could not find" in text:
            return PortGoneError(f"there is no port {self.url}; {_ports_here()}")
        if number == errno.EACCES or "Permission denied" in text:
            return LinkError(
                f"no permission to open {self.url}: add yourself to the group that owns it "
                "(often 'dialout'), log in again"
            )
        if number == errno.ENOTTY or "Inappropriate ioctl" in text:
            return LinkError(f"{self.url} is no serial port; {_ports_here()}")
        return PortGoneError(f"port {self.url} cannot be opened: {text}")

    def _greet(self) -> BoardInfo:
        before = self.counters.bytes_in
        frames = self.counters.frames
        try:
            head = self._hello()
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
        if head["proto_major"] != messages.PROTO_MAJOR and not self.old:
            older = "evenfall" if head["proto_major"] > messages.PROTO_MAJOR else "the board's firmware"
            raise LinkError(
                f"the board on {self.url} speaks protocol {board}, this evenfall speaks {ours}: "
                f"update {older}"
            )
        if self.old:
            self.say(
                f"the board speaks protocol {board}, this evenfall {ours}: its runs can be fetched; "
                "for all else install this release's firmware (evenfall board install)"
            )
        elif board == ours and head["table_hash"] != TABLE_HASH:
            self.say(
                f"caution: the board and this evenfall both speak protocol {board}, but their tables of "
                "messages and codes differ: install firmware and host of the same release"
            )
        self.info = BoardInfo(
            head["board_uid"].hex(),
            run_file.text(head["firmware"]),
            board,
            head["boot_count"],
        )
        return self.info

    def _hello(self) -> dict[str, Any]:
        """Greet in our protocol, or in the one before; the fields of board_info."""
        self.old = None
        ours = (messages.PROTO_MAJOR, messages.PROTO_MINOR, self.session)
        try:
            return self.request("hello", ours, attempts=5, longest_s=1.0).head
        except BoardError as error:
            if error.refusal != "newer_protocol" or error.detail != link_v1.MAJOR:
                raise
        self.old = link_v1.Dialect(self)
        theirs = (link_v1.MAJOR, link_v1.MINOR, self.session)
        return self.request("hello", theirs, attempts=5, longest_s=1.0).head

    # --- frames ---

    def send(self, data: bytes) -> None:
        """Write bytes to the port as they are.  Raises PortGoneError."""
        try:
            self._port.write(data)
            self.counters.bytes_out += len(data)
        except (OSError, serial.SerialException, AttributeError, TypeError) as error:
            raise self._gone(error) from None

    def _gone(self, error: Exception) -> PortGoneError:
        self.close()
        # pyserial's words for a port that vanished are of no use to a person
        why = "" if "readiness to read" in str(error) else f" ({error})"
        return PortGoneError(f"the line to {self.url} broke off{why}: plug it in again, nothing is lost")

    def receive(self, wait_s: float) -> Iterator[tuple[run_file.Frame | None, bytes]]:
        """Frames that arrive within one read: (frame or None when damaged, chunk without delimiter)."""
        try:
            self._port.timeout = wait_s
            data = self._port.read(self._port.in_waiting or 1)
            if data:
                data += self._port.read(self._port.in_waiting)
        except (OSError, serial.SerialException, AttributeError, TypeError) as error:
            raise self._gone(error) from None
        self.counters.bytes_in += len(data)
        self.listener(data)
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

    def next_sequence(self) -> int:
        """The number for the next request, 16 bits, wrapping."""
        self._sequence = (self._sequence + 1) & 0xFFFF
        return self._sequence

    def is_reply(
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
        if frame.sequence != sequence or entry[messages.NAME] not in (reply, "refused"):
            self.counters.stale += 1
            return None
        try:
            decode = self.old.decode_message if self.old else run_file.decode_message
            message = decode(frame.kind, frame.payload)
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

        A session that lapsed on the board is begun anew, once.  Raises BoardError when the
        board refuses, NoAnswerError when it stays silent, PortGoneError when the port does.
        """
        each = list(each)
        try:
            return self._ask_until_answered(name, head, each, attempts, longest_s)
        except BoardError as error:
            if error.refusal != "no_session":
                raise
        self._hello()
        return self._ask_until_answered(name, head, each, attempts, longest_s)

    def request_bytes(
        self, name: str, sequence: int, head: Sequence[Any] = (), each: Iterable[Sequence[Any]] = ()
    ) -> bytes:
        """The frame of a request, after a zero that ends any line noise."""
        if self.old:
            return b"\x00" + self.old.frame_bytes(name, sequence, head, each)
        if run_file.has_session(name):
            head = (self.session, *head)
        return b"\x00" + run_file.frame_bytes(name, sequence, head, each)

    def _ask_until_answered(
        self, name: str, head: Sequence[Any], each: list[Sequence[Any]], attempts: int, longest_s: float
    ) -> run_file.Message:
        reply = REPLY_TO.get(name, "done")
        sequence = self.next_sequence()
        data = self.request_bytes(name, sequence, head, each)
        extra = EXTRA_S.get(name, 0.0)
        wait_s = self._rto_s + extra
        heard, frames = self.counters.bytes_in, self.counters.frames
        for attempt in range(attempts):
            sent = time.monotonic()
            self.send(data)
            if attempt:
                self.counters.retransmitted_bytes += len(data)
            quiet_until, stop = sent + wait_s, sent + wait_s + 1.0
            while (now := time.monotonic()) < min(quiet_until, stop):
                came = self.counters.bytes_in
                for frame, _ in self.receive(min(quiet_until, stop) - now):
                    message = frame and self.is_reply(frame, sequence, name, reply)
                    if message:
                        if attempt == 0 and not extra:
                            self._measured(time.monotonic() - sent)
                        return message
                if self.counters.frames == frames and self.counters.bytes_in - heard > MAX_NOISE_BYTES:
                    raise NoAnswerError(f"{self.url} sends without end, and nothing of it is a frame")
                if self.counters.bytes_in > came:  # a reply on a slow line: let it finish
                    quiet_until = time.monotonic() + wait_s
            self.counters.timeouts += 1
            wait_s = min(wait_s * 2, longest_s + extra)
        raise NoAnswerError(f"the board on {self.url} does not answer '{name}' ({attempts} attempts)")

    def _paged(self, name: str) -> list[tuple[Any, ...]]:
        """The rows of a list that comes in pages; bounded, whatever the board says."""
        rows: list[tuple[Any, ...]] = []
        give_up = time.monotonic() + LIST_S
        mismatched = 0
        while True:
            reply = self.request(name, (len(rows),))
            total = reply.head["total"]
            if reply.head["first"] == len(rows):
                rows += reply.each[: max(0, total - len(rows))]
                if len(rows) >= total or not reply.each:
                    return rows
            else:
                mismatched += 1
            if mismatched >= 3 or time.monotonic() > give_up:
                raise LinkError(
                    f"the board's answers to '{name}' do not fit the question: restart it, or install "
                    "its firmware again"
                )

    # --- what a board can be asked ---

    def status(self) -> dict[str, Any]:
        """The board's state, scaled, codes as names; `flags` as a list of names."""
        head = self.request("get_status").head
        out = run_file.scaled("status", head)
        out["flags"] = run_file.bit_names(codes.STATUS_BITS, head["flags"])
        return out

    def runs(self) -> list[RunEntry]:
        """All runs stored on the board, in its order."""
        entries: dict[int, RunEntry] = {}
        for run_id, size, crc, frames, flags, verdict, started in self._paged("list_runs"):
            names = run_file.bit_names(codes.RUN_BITS, flags)
            verdict = run_file.code_name("verdict", verdict)
            # runs may come and go between two pages: each is listed once
            entries.setdefault(run_id, RunEntry(run_id, size, crc, frames, names, verdict, started))
        return list(entries.values())

    def settings(self) -> dict[str, int]:
        """All settings on the board, by name."""
        return {run_file.setting_name(n): v for n, v in self._paged("get_settings")}

    def set_settings(self, values: dict[str, int]) -> None:
        """Write settings; names and bounds are checked here first."""
        each = []
        for name, value in values.items():
            row = setting(name)
            if not row.low <= value <= row.high:
                raise InputError(
                    f"setting '{name}' must lie from {row.low} to {row.high} {row.unit}; {value} does not"
                )
            each.append((row.number, value))
        self.request("set_settings", (), each)

    def set_clock(self, unix_s: int | None = None) -> None:
        """Set the board's clock, by default to this computer's."""
        self.request("set_clock", (int(time.time()) if unix_s is None else unix_s,))

    def zero(self) -> int:
        """Take the load cell's zero; return the board's value."""
        return int(self.request("zero").head["value"])

    def command(self, name: str, argument: int = 0) -> int:
        """One of evenfall_wire.codes.COMMANDS."""
        try:
            return int(self.request("command", (codes.COMMANDS.index(name), argument)).head["value"])
        except BoardError as error:
            if error.refusal not in codes.REFUSALS:
                raise
            head = {"error": codes.REFUSALS.index(error.refusal), "detail": error.detail}
            raise refusal("command", head, name) from None

    def self_test(self) -> list[tuple[str, str, int]]:
        """(item, result, value) of each part."""
        return [
            (run_file.code_name("item", i), run_file.code_name("result", r), v)
            for i, r, v in self.request("self_test", attempts=2).each
        ]

    def learned(self) -> dict[int, int]:
        """What the board has learned about its bench, by slot."""
        if self.old:
            return dict(self.request("get_learned").each)
        return dict(self._paged("get_learned"))

    def board_counters(self) -> dict[str, int]:
        """The board's counts by name (evenfall_wire.codes.COUNTERS)."""
        return {run_file.code_name("counter", n): v for n, v in self.request("get_counters").each}

    def acknowledge(self, run_id: int, copy: bytes) -> None:
        """Prove to the board that `copy`, read back from disk, is safe with us."""
        if self.old:
            self.request("ack_run", (run_id, len(copy), crc32(copy)))
            return
        challenge = self.request("read_run", (run_id, len(copy), 0)).head["challenge"]
        self.request("ack_run", (run_id, len(copy), crc32(copy), run_file.proof(challenge, copy)))

    def delete(self, run_id: int, damaged: bool = False) -> None:
        """Delete an acknowledged run on the board; with `damaged`, one that it cannot read whole."""
        self.request("delete_run", (run_id,) if self.old else (run_id, int(damaged)))

    def entry(self, run_id: int) -> RunEntry:
        """The board's list line for one run."""
        for entry in self.runs():
            if entry.run_id == run_id:
                return entry
        raise NotFoundError(f"the board has no run {run_id}")

    def runs_at_rest(self, patience_s: float = 60.0) -> list[RunEntry]:
        """`runs`, once the board has ended the sweep or the writing it is busy with."""
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

    # --- runs ---

    def read_run(
        self, entry: RunEntry, partial: Path, progress: Callable[[int, int], None] = lambda *_: None
    ) -> bytes:
        """`read_runs` of one run; `progress(bytes here, bytes in all)`."""
        ((_, data),) = self.read_runs([(entry, partial)], lambda _, *here: progress(*here))
        return data

    def read_runs(
        self, wanted: Sequence[tuple[RunEntry, Path]], progress: Progress = lambda *_: None
    ) -> list[tuple[RunEntry, bytes]]:
        """Fetch the first of `wanted`, whole and verified against its entry's size and CRC-32.

        The runs after it follow without a pause on the line, as many as begin within
        transfer.AHEAD_S; what came whole is returned, in order, and trouble after the first is
        left to the next call.  Where the board cannot read its own flash the entry that is
        returned names the `damage`, and the data is what could be read.  Each partial path holds
        what came so far; it is taken up when it exists and left for the caller to remove.
        `progress(run number, bytes here, bytes in all)`.  Raises LinkError when the line gives up
        (what came stays in the partial file), DamageError when all bytes of the first are here
        and the whole still does not verify.
        """
        first = wanted[0][0]
        if first.size > run_file.MAX_RUN_BYTES:
            raise DamageError(
                f"run {first.run_id}: the board lists {first.size} bytes; no board holds that much"
            )
        if self.old:
            return [(first, self.old.read_run(first, wanted[0][1], progress))]
        for some in (wanted, wanted[:1]):
            good: list[tuple[RunEntry, bytes]] = []
            for transfer in self._fetch(some, progress):
                entry, data, damage = transfer.entry, transfer.data(), transfer.damage()
                if "unreadable" in entry.flags and not damage:
                    damage = ("the board could not read its flash when it listed the run",)
                if not damage and (len(data), crc32(data)) != (entry.size, entry.crc32):
                    # the file changed, or the partial file was of another run: start over once
                    transfer.partial.unlink(missing_ok=True)
                    break
                good.append((replace(entry, damage=damage), data))
            if good:
                return good
            if some is wanted:
                self.say(f"run {first.run_id}: the copy does not verify; fetching it anew")
        raise DamageError(
            f"run {first.run_id}: all {first.size} bytes came, but the whole differs from what the board "
            "lists; not acknowledged, the board keeps it"
        )

    def _fetch(self, wanted: Sequence[tuple[RunEntry, Path]], progress: Progress) -> list[Transfer]:
        reading = Reading(wanted, progress)
        try:
            self._fill(reading)
        except (LinkError, BoardError):
            if not reading.whole():
                raise
        finally:
            reading.close()
        return reading.whole()

    def _fill(self, reading: Reading) -> None:
        unproductive = 0
        last_good = time.monotonic()
        wait_s = self._rto_s
        while reading.asked or self._ask(reading, "read_run", 1 if unproductive > 3 else BLOCK_BYTES):
            transfer = reading.asked[0].transfer
            new, answered = self._listen(reading, wait_s)
            now = time.monotonic()
            if new or answered:
                last_good = now
                wait_s = self._rto_s
            else:
                wait_s = min(wait_s * 2, MAX_RTO_S)
            unproductive = 0 if new else unproductive + 1
            run = f"run {transfer.entry.run_id}"
            if unproductive > UNPRODUCTIVE_LIMIT:
                raise LinkError(f"{run}: the line is too noisy; {transfer.kept()}")
            if now - last_good > QUIET_LIMIT_S:
                raise NoAnswerError(f"{run}: the board fell silent; {transfer.kept()}")
            if reading.too_slow():
                raise LinkError(
                    f"{run}: the line brings fewer than {SLOWEST_BYTES_PER_S:.0f} bytes a second; "
                    f"{transfer.kept()}"
                )

    def _ask(self, reading: Reading, name: str, most: int) -> bool:
        """Ask for the next bytes that are neither here nor asked for; False when there are none."""
        found = reading.next_span(most)
        if found is None:
            return False
        transfer, offset, length = found
        span = Span(transfer, offset, length, self.next_sequence(), name)
        head = (transfer.entry.run_id, offset, length)
        reading.asked.append(span)
        self.send(self.request_bytes(name, span.sequence, head))
        return True

    def _listen(self, reading: Reading, wait_s: float) -> tuple[int, bool]:
        """Take bytes in until the answer to the first span asked for ends, or none comes for `wait_s`.

        Returns (new bytes, whether it ended).  Once it has begun, the next span is asked for.
        Only bytes that are new keep the waiting alive, so it ends whatever the board sends.
        """
        asked = reading.asked
        head = asked[0]
        new = 0
        sent = time.monotonic()
        quiet_until = sent + wait_s
        while asked and asked[0] is head and (now := time.monotonic()) < quiet_until:
            if reading.too_slow():
                return new, False
            for frame, chunk in self.receive(quiet_until - now):
                if frame is None:
                    continue
                got = self._take_in(reading, frame, chunk, sent)
                if got:
                    new += got
                    quiet_until = time.monotonic() + wait_s
            if len(asked) == 1 and asked[0].heard:
                self._ask(reading, "read_next", BLOCK_BYTES)
        if not asked or asked[0] is not head:
            return new, True
        self.counters.timeouts += 1
        asked.clear()
        return new, False

    def _take_in(self, reading: Reading, frame: run_file.Frame, chunk: bytes, sent: float) -> int:
        """One frame of an answer; return how many new bytes it brought."""
        asked = reading.asked
        span = next((s for s in asked if s.sequence == frame.sequence), None)
        if span is None:
            self.counters.stale += 1
            return 0
        if not span.heard and span.name == "read_run":
            self._measured(time.monotonic() - sent)
        span.heard = True
        if frame.kind != run_file.RUN_DATA:
            return self._end_of_answer(reading, span, frame)
        if not span.holds(frame.payload):
            self.counters.stale += 1
            return 0
        while asked[0] is not span:
            asked.popleft()  # the read_done of the one before was lost
        new = reading.add(span, frame.payload, chunk)
        if not new:
            self.counters.retransmitted_bytes += len(chunk) + 1
        return new

    def _end_of_answer(self, reading: Reading, span: Span, frame: run_file.Frame) -> int:
        """read_done, or a refusal: where the board cannot read its flash the transfer goes on behind."""
        try:
            if not self.is_reply(frame, span.sequence, span.name, "read_done"):
                return 0
        except BoardError as error:
            if error.refusal == "no_session":
                self._hello()
            elif error.refusal == "store_unreadable" and span.offset <= error.detail:
                span.transfer.pass_over(error.detail)
            else:
                raise
        while reading.asked and reading.asked.popleft() is not span:
            pass  # the read_done of the one before was lost
        return 0

    def read_runs_through(
        self,
        wanted: Sequence[tuple[RunEntry, Path]],
        progress: Progress = lambda *_: None,
        patience_s: float = 20.0,
    ) -> list[tuple[RunEntry, bytes]]:
        """`read_runs` that waits for an unplugged or restarted board and goes on where it stopped."""
        entry, partial = wanted[0]
        give_up = time.monotonic() + patience_s
        said = False  # once for each time that the board goes, not for each try
        while True:
            size = partial.stat().st_size if partial.exists() else 0
            try:
                if self._port is None:
                    self._reconnect(entry)
                    said = False
                return self.read_runs(wanted, progress)
            except (PortGoneError, NoAnswerError) as error:
                self.close()
                if partial.exists() and partial.stat().st_size > size:
                    give_up = time.monotonic() + patience_s  # it gets on: be patient
                if time.monotonic() > give_up:
                    raise
                if not said:
                    self.say(f"{error}; waiting for the board")
                said = True
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


def refusal(request: str, head: dict[str, Any], command: str = "") -> BoardError:
    """The error for a `refused` reply; `command`: which one was asked for, if it was one."""
    name = run_file.code_name("error", head["error"])
    sentence = code_texts.say(code_texts.REFUSALS, name)
    detail = head["detail"]
    if name == "newer_protocol":  # detail: the board's own
        ours = f"{messages.PROTO_MAJOR}.{messages.PROTO_MINOR}"
        error = BoardError(
            f"the board speaks protocol {detail}, this evenfall speaks {ours}: update the board's firmware",
            " (evenfall board install)",
        )
        error.refusal, error.detail = name, detail
        return error
    if name in ("no_such_setting", "out_of_bounds", "part_missing"):
        sentence = f"setting '{run_file.setting_name(detail)}': {sentence}"
    elif name == "busy_state" and 0 <= detail < len(codes.STATES):
        state = codes.STATES[detail]
        sentence = code_texts.BUSY_COMMANDS.get((command, state)) or code_texts.BUSY[state]
    elif name == "fault_stands":
        fault = run_file.code_name("fault", detail)
        sentence = f"{code_texts.say(code_texts.FAULTS, fault)} {sentence.partition('. ')[2]}"
    elif name == "busy_request":
        sentence = f"{sentence} ({detail} % done.)"
    asked = (command or request).replace("_", "-")
    said, colon, command_line = sentence.partition(": evenfall ")
    error = BoardError(f"refused '{asked}': {said}", colon + command_line)
    error.refusal, error.detail = name, detail
    return error
