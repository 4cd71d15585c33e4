"""Requests and replies over the USB serial port; the host speaks first, always.

Nothing here waits: a pass reads what has come, or sends what the port takes,
or does one step of a longer answer.  Requests are read between two frames of an
answer.  During a sweep only status, commands and hello are answered, byte by byte,
because a host that does not read must not hold up the control.
"""

import io
import select
import struct
import sys
import time
from array import array
from binascii import crc32

from evenfall_wire import codes
from evenfall_wire.frames import MAX_BODY, MAX_PAYLOAD, Framer, Unframer
from evenfall_wire.messages import (
    BY_TYPE,
    EACH,
    HEAD,
    PROTO_MAJOR,
    PROTO_MINOR,
    pack_into,
    type_of,
    unpack,
)
from evenfall_wire.messages import NAME as MESSAGE_NAME
from evenfall_wire.settings import SETTINGS
from evenfall_wire.table_hash import TABLE_HASH

from . import FIRMWARE
from .native import const
from .store import ACKNOWLEDGED, UNREADABLE

SESSION_MS = 3000  # a session not heard for so long has ended
GIVE_UP_MS = 3000  # a host that takes no byte for so long is gone
HOST_STALLED_MS = 100  # after so long without a byte taken, requests are read in the middle of a frame too
_ZEROING_MS = const(3000)  # a block of samples takes 0.8 s: three tries
READ_BYTES = 48  # per pass
_PIECE = const(64)  # bytes per write
_LONG_PASS_MS = const(20)  # at rest a long answer may take so much of a pass; the amplifier's FIFO holds 50
_FULL_MS = const(1)  # a port with a small buffer is looked at again for so long before the pass goes on
_LIST_RUNS = const(17)  # entries of 20 bytes in a run_list
_PAIRS = const(60)  # settings pairs in a message
_ANSWER_BYTES = const(96)  # the longest reply that is kept to be said again: self_test_result
FIRST_UNIX_S = 1735689600  # 2025-01-01: no board was built before
TYPE, SEQUENCE, PAYLOAD_CRC, CHALLENGE = range(4)  # places of Link._last
LAST_UNIX_S = 2145916800  # 2038-01-01: a clock beyond is a mistake

HELLO = type_of("hello")
GET_STATUS = type_of("get_status")
COMMAND = type_of("command")
READ_NEXT = type_of("read_next")
RUN_DATA = type_of("run_data")
STOP = codes.COMMANDS.index("stop")
LONG = (type_of("list_runs"), type_of("read_run"), READ_NEXT)  # broken off by the next request
# done once, however often asked: the reply is kept and said again
ONCE = [
    type_of(name)
    for name in ("ack_run", "delete_run", "set_settings", "set_clock", "zero", "command", "self_test")
]
ALWAYS_ANSWERED = (HELLO, GET_STATUS, COMMAND)  # answered in every state
CHANGES_FLASH = [type_of(name) for name in ("ack_run", "delete_run", "set_settings")]


class Ready(io.IOBase):
    """A stream on which every event has happened."""

    def ioctl(self, request, events):
        return events


def poller(stream, event):
    """A poll object for one event of a stream.

    It makes the tuple it answers with at its first event and keeps it: that comes now, since later the tuple
    would lie in the middle of the heap's largest free block.
    """
    poll, ready = select.poll(), Ready()
    poll.register(ready, event)
    for _ in poll.ipoll(0):
        pass
    poll.unregister(ready)
    poll.register(stream, event)
    return poll


class Link:
    def __init__(self, board, source=None, sink=None):
        self._board = board
        self._in = source or sys.stdin.buffer
        self._out = sink or sys.stdout.buffer
        self._poll_in = poller(source or sys.stdin, select.POLLIN)
        self._poll_out = poller(sink or sys.stdout, select.POLLOUT)
        # the status is asked ten times a second, in a sweep too: what each took would be collected there
        self._framer = Framer(struct.calcsize(HEAD["status"]))
        self._data_view = self._framer.payload[4:]  # where run_data has its bytes
        self._unframer = Unframer()
        self._byte = bytearray(1)  # a longer read would block
        self._send = None  # memoryview being sent
        self._sent = 0
        self._waited_ms = 0
        self._cut_short = False
        self._job = None
        self._job_request = 0
        self._job_sequence = 0
        self._percent = 0  # of the job done
        self._next = None  # (sequence, payload) of a read_next that waits for the answer under way
        self._session = 0  # none
        self._heard_ms = 0
        self._ms = 0
        self._request = 0  # type and sequence of what is being answered
        self._sequence = 0
        # of the newest request of ONCE; the challenge is made when first needed, another one at each start.
        # As objects of their own they would be made anew and split the heap's largest free block.
        self._last = array("I", (0, 0, 0, 0))
        self._answer = bytearray(_ANSWER_BYTES)
        self._answer_size = 0  # 0: it is still being done
        self.unknown = 0

    @property
    def bad(self):
        return self._unframer.bad

    # --- the pass ---

    def poll(self, passed_ms):
        self._ms = (self._ms + passed_ms) & 0x1FFFFFFF
        if self._session and self._silence() >= SESSION_MS:
            self._session = 0
        quiet = self._board.busy()
        if self._job and quiet:
            self._request, self._sequence = self._job_request, self._job_sequence
            self.drop()
            self.refuse(self._request, "busy_state", self._board.state_number())
        start = time.ticks_ms()
        while True:
            if self._send is None or self._waited_ms >= HOST_STALLED_MS:
                self._receive()
            if self._send is None:
                self._step()
            if self._send is None:
                return  # nothing to say, or it waits for time to pass
            self._push(quiet, passed_ms, start)
            if self._send is not None or quiet:
                return  # the port is full, or time is up

    def _silence(self):
        return (self._ms - self._heard_ms) & 0x1FFFFFFF

    def _receive(self):
        """Take in one frame at most: while it is answered the rest waits in the port."""
        unframer = self._unframer
        for _ in range(READ_BYTES):
            if not (self._ready(self._poll_in, select.POLLIN) and self._in.readinto(self._byte)):
                return
            payload = unframer.put(self._byte[0])
            if payload is not None:
                self._take_request(unframer.kind, unframer.sequence, payload)
            if not self._byte[0]:
                return

    def _step(self):
        """Do one step of the long answer under way, or begin the one that waits."""
        if self._next and not self._job:
            sequence, payload = self._next
            self._next = None
            self._answer_request(READ_NEXT, sequence, payload)
            return
        if not self._job:
            return
        self._request, self._sequence = self._job_request, self._job_sequence
        self._heard_ms = self._ms
        try:
            next(self._job)
        except StopIteration:
            self._job = None
        except OSError:
            self._job = None
            self.refuse(self._request, "store_unreadable")

    def _ready(self, poller, bit):
        for _, events in poller.ipoll(0):
            return events & bit
        return 0

    def _push(self, quiet, passed_ms, start):
        """Write while the port takes it: 24 bytes a pass during a sweep, else until the pass is long."""
        if self._cut_short and self._ready(self._poll_out, select.POLLOUT):
            self._out.write(b"\x00")  # ends what was broken off, so that it costs no other frame
            self._cut_short = False
        send = self._send
        moved = start
        for _ in range(24 if quiet else 10000):
            now = time.ticks_ms()
            if time.ticks_diff(now, start) >= _LONG_PASS_MS:
                return
            if not self._ready(self._poll_out, select.POLLOUT):
                if not quiet and time.ticks_diff(now, moved) < _FULL_MS:
                    continue
                self._waited_ms += passed_ms
                if self._waited_ms > GIVE_UP_MS:
                    self.drop()
                return
            if quiet:
                self._byte[0] = send[self._sent]  # a slice for each byte would allocate
                n = self._out.write(self._byte)
            else:
                n = self._out.write(send[self._sent : self._sent + _PIECE])
            moved = now
            self._waited_ms = 0
            self._sent += n or 0
            if self._sent >= len(send):
                self._send = None
                return

    def drop(self):
        """Break off an answer."""
        self._cut_short = self._cut_short or self._send is not None
        self._send = self._next = None
        if self._job:
            self._job.close()
            self._job = None

    # --- sending ---

    def send(self, view):
        self._send = view
        self._sent = 0
        self._waited_ms = 0

    def reply(self, name, head=(), each=()):
        size = pack_into(name, self._framer.payload, 0, head, each)
        self._finish(type_of(name), size)
        last = self._last
        if (
            last[TYPE] == self._request
            and last[SEQUENCE] == self._sequence
            and len(self._send) <= _ANSWER_BYTES
        ):
            self._answer_size = len(self._send)
            self._answer[: self._answer_size] = self._send

    def _finish(self, kind, size):
        self.send(self._framer.finish(kind, self._sequence, size))

    def done(self, request, value=0):
        self.reply("done", (request, value))

    def refuse(self, request, error, detail=0):
        self.reply("refused", (request, codes.REFUSALS.index(error), detail))

    # --- requests ---

    def _take_request(self, kind, sequence, payload):
        """One whole frame came from the host."""
        if kind >= 0x40:
            self.unknown += 1  # an answer is never answered: two such devices would go on for ever
            return
        if self._job and kind == self._job_request and sequence == self._job_sequence:
            return  # it is being answered
        if self._send is not None:
            # the host has stopped reading: what it wants now counts more than the rest of the frame
            self._cut_short = True
            self._send = None
        if kind in ONCE and self._is_last(kind, sequence, payload):
            if self._answer_size:  # the reply was lost: say it again, do not do it again
                self.send(memoryview(self._answer)[: self._answer_size])
            return
        self._answer_request(kind, sequence, payload)

    def _is_last(self, kind, sequence, payload):
        last = self._last
        return last[TYPE] == kind and last[SEQUENCE] == sequence and last[PAYLOAD_CRC] == crc32(payload)

    def _answer_request(self, kind, sequence, payload):
        """Answer a request, or begin to."""
        self._request, self._sequence = kind, sequence
        if kind == GET_STATUS:
            self._board.status(self._framer.payload)
            self._finish(type_of("status"), struct.calcsize(HEAD["status"]))
            return
        entry = BY_TYPE.get(kind)
        if entry is None:
            self.unknown += 1
            self.refuse(kind, "unknown_request")
            return
        name = entry[MESSAGE_NAME]
        try:
            head, each = unpack(name, payload)
        except ValueError:
            self.refuse(kind, "bad_payload")
            return
        size = struct.calcsize(EACH[name])
        if size and (len(payload) - struct.calcsize(HEAD[name])) % size:
            self.refuse(kind, "bad_payload")  # cut inside a record
            return
        if kind == HELLO:
            self._hello(kind, head)
            return
        board = self._board
        stop = kind == COMMAND and head[1] == STOP
        if not stop:
            if not self._session or head[0] != self._session:
                self.refuse(kind, "no_session")
                return
            self._heard_ms = self._ms
            if board.busy() and kind not in ALWAYS_ANSWERED:
                self.refuse(kind, "busy_state", board.state_number())
                return
            if kind in CHANGES_FLASH and board.turning():
                self.refuse(kind, "moving")  # an erase stops the chip, and with it the guard, for tens of ms
                return
            if self._job and not self._gives_way(kind, sequence, payload):
                return
            if kind in ONCE:
                last = self._last
                last[TYPE], last[SEQUENCE], last[PAYLOAD_CRC] = kind, sequence, crc32(payload)
                self._answer_size = 0
        answer = getattr(self, "_" + name)(kind, head, each)
        if answer is not None:
            self._job = answer
            self._job_request, self._job_sequence = kind, sequence
            self._percent = 0

    def _gives_way(self, kind, sequence, payload):
        """A request came while another is answered; True when that one was broken off for it."""
        if self._job_request not in LONG:
            self.refuse(kind, "busy_request", self._percent)
            return False
        if kind == READ_NEXT:
            self._next = (sequence, bytes(payload))
            return False
        self.drop()
        return True

    def _hello(self, kind, head):
        major, minor, session = head
        if major > PROTO_MAJOR:
            self.refuse(kind, "newer_protocol", PROTO_MAJOR)
            return
        if session and self._session and session != self._session:
            self.refuse(kind, "other_session", SESSION_MS - self._silence())
            return
        if session:
            self._session = session
            self._heard_ms = self._ms
        board = self._board
        uid = (board.uid + bytes(8))[:8]
        name = (FIRMWARE + bytes(16))[:16]
        self.reply(
            "board_info", (PROTO_MAJOR, PROTO_MINOR, uid, name, board.starts.count, MAX_BODY, TABLE_HASH)
        )

    def _list_runs(self, kind, head, each):
        _, first = head
        return self._listing(kind, first)

    def _listing(self, kind, first):
        store = self._board.store
        rows = []
        for entry in store.entries(first, _LIST_RUNS):
            if entry.crc is None and entry.readable:
                try:
                    for _ in store.checksum(entry):
                        yield
                except OSError:
                    entry.readable = False
                    store.keep(entry)
            flags = entry.flags()
            rows.append(
                (entry.run_id, entry.size, entry.crc or 0, entry.frames, flags, entry.verdict, entry.started)
            )
        self.reply("run_list", (store.count, first), rows)

    def _find(self, kind, run_id):
        entry = self._board.store.entry(run_id)
        if entry is None:
            self.refuse(kind, "no_such_run", run_id & 0x7FFFFFFF)
        return entry

    def _read_run(self, kind, head, each):
        _, run_id, offset, length = head
        entry = self._find(kind, run_id)
        if entry is not None:
            return self._reading(kind, entry, offset, length)

    _read_next = _read_run

    def _reading(self, kind, entry, offset, length):
        """Send the file's bytes in run_data, then read_done with the CRC of the bytes sent."""
        at = offset
        left = min(length, max(entry.size - offset, 0))
        crc = 0
        payload, data = self._framer.payload, self._data_view
        f = None
        try:
            if left:
                f = self._board.store.open_run(entry)
                f.seek(at)
            while left:
                n = f.readinto(data[: min(left, MAX_PAYLOAD - 4)])
                if not n:
                    break
                crc = crc32(data[:n], crc)
                self._finish(RUN_DATA, pack_into("run_data", payload, 0, (at,)) + n)
                at += n
                left -= n
                yield
        except OSError:
            self.refuse(kind, "store_unreadable", at)
            return
        finally:
            if f:
                f.close()
        if not self._last[CHALLENGE]:
            start = struct.pack("<II", self._board.starts.count, time.ticks_us())
            self._last[CHALLENGE] = crc32(start, crc32(self._board.uid))
        self.reply("read_done", (entry.run_id, offset, at - offset, crc, self._last[CHALLENGE]))

    def _ack_run(self, kind, head, each):
        _, run_id, size, crc, proof = head
        entry = self._find(kind, run_id)
        if entry is not None:
            return self._acknowledging(kind, entry, size, crc, proof)

    def _acknowledging(self, kind, entry, size, crc, proof):
        """Only who has the bytes knows the first four of SHA-256(challenge, file)."""
        board = self._board
        digest = None
        if size == entry.size:
            import hashlib

            digest = hashlib.sha256(struct.pack("<I", self._last[CHALLENGE]))
            for _ in board.store.checksum(entry, digest):
                yield
            digest = digest.digest()
        if not digest or crc != entry.crc or struct.unpack("<I", digest[:4])[0] != proof:
            self.refuse(kind, "copy_differs", entry.size)
            return
        board.store.acknowledge(entry)
        board.room_changed()
        self.done(kind)

    def _delete_run(self, kind, head, each):
        _, run_id, damaged = head
        entry = self._find(kind, run_id)
        if entry is not None:
            return self._deleting(kind, entry, damaged)

    def _deleting(self, kind, entry, damaged):
        """A run that was not acknowledged goes only when `damaged` is set and it really cannot be read."""
        store = self._board.store
        if not entry.flags() & ACKNOWLEDGED and damaged:
            try:
                for _ in store.checksum(entry):
                    yield
                entry.readable = True
            except OSError:
                entry.readable = False
            store.keep(entry)
        if not entry.flags() & (ACKNOWLEDGED | UNREADABLE if damaged else ACKNOWLEDGED):
            self.refuse(kind, "not_acknowledged", entry.run_id & 0x7FFFFFFF)
            return
        store.remove(entry, damaged)
        self._board.room_changed()
        self.done(kind)

    def _get_settings(self, kind, head, each):
        values = self._board.settings.values
        _, first = head
        rows = [(number, values[name]) for number, name, _, _, _, _, _ in SETTINGS[first : first + _PAIRS]]
        self.reply("settings", (len(SETTINGS), first), rows)

    def _set_settings(self, kind, head, each):
        error, number = "store_unreadable", 0
        try:
            error, number = self._board.change_settings(each)
        except OSError:
            pass
        if error == "none":
            self.done(kind, number)
        else:
            self.refuse(kind, error, number)

    def _set_clock(self, kind, head, each):
        _, unix_s = head
        if FIRST_UNIX_S <= unix_s < LAST_UNIX_S:
            self._board.set_clock(unix_s)
            self.done(kind)
        else:
            self.refuse(kind, "out_of_bounds")

    def _zero(self, kind, head, each):
        board = self._board
        missing = board.amplifier_missing()
        if missing:
            self.refuse(kind, "part_missing", missing)
        elif board.turning():
            self.refuse(kind, "moving")
        else:
            return self._zeroing(kind)

    def _zeroing(self, kind):
        board = self._board
        board.ask_zero()
        end = board.clock.uptime_ms + _ZEROING_MS
        while board.clock.uptime_ms < end:
            if board.zero_taken():
                self.done(kind, board.zero_count())
                return
            if board.turning():
                self.refuse(kind, "moving")
                return
            self._percent = 100 - (end - board.clock.uptime_ms) * 100 // _ZEROING_MS
            yield
        fault = board.load_fault()
        if fault:
            self.refuse(kind, "fault_stands", fault)
        else:
            self.refuse(kind, "unsteady")

    def _command(self, kind, head, each):
        _, command, argument = head
        if command >= len(codes.COMMANDS):
            self.refuse(kind, "unknown_request", command)
            return
        error, detail = self._board.command(codes.COMMANDS[command], argument)
        if error == "none":
            self.done(kind, detail)
        else:
            self.refuse(kind, error, detail)

    def _self_test(self, kind, head, each):
        board = self._board
        if board.turning():
            self.refuse(kind, "moving")
        elif not board.idle():
            self.refuse(kind, "busy_state", board.state_number())
        else:
            return self._testing()

    def _testing(self):
        rows = []
        for row in self._board.self_test():
            if row is None:
                yield
            else:
                rows.append(row)
                self._percent = len(rows) * 100 // len(codes.SELF_TEST_ITEMS)
        self.reply("self_test_result", (), rows)

    def _get_learned(self, kind, head, each):
        values = self._board.learned.values
        _, first = head
        rows = [(slot, values[slot]) for slot in sorted(values)[first : first + _PAIRS]]
        self.reply("learned", (len(values), first), rows)

    def _get_counters(self, kind, head, each):
        self.reply("counters", (), enumerate(self._board.counters()))
