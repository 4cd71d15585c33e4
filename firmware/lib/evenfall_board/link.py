"""Requests and replies over the USB serial port; the host speaks first, always.

Nothing here waits: a pass reads what has come, or sends what the port takes,
or does one step of a longer answer.  During a sweep only status, commands and hello
are answered, byte by byte, because a host that does not read must not hold up
the control.
"""

import select
import sys
import time
from binascii import crc32

from evenfall_wire import codes
from evenfall_wire.frames import MAX_BODY, Framer, Unframer
from evenfall_wire.messages import BY_NAME, BY_TYPE, PROTO_MAJOR, PROTO_MINOR, pack_into, unpack
from evenfall_wire.settings import SETTINGS

from . import FIRMWARE
from .store import ACKNOWLEDGED

SESSION_MS = 3000  # a session not heard for so long may be replaced
GIVE_UP_MS = 3000  # a host that takes no byte for so long is gone
ZEROING_MS = 3000  # a block of samples takes 0.8 s: three tries
READ_BYTES = 48  # per pass
PIECE = 64  # bytes per write
LONG_PASS_MS = 20  # at rest a long answer may take so much of a pass; the amplifier's FIFO holds 50 ms
FULL_MS = 1  # a port with a small buffer is looked at again for so long before the pass goes on
LIST_RUNS = 17  # entries of 20 bytes in a run_list
PAIRS = 60  # settings pairs in a message

REFUSED = {name: i for i, name in enumerate(codes.REFUSALS)}
READ_NEXT = BY_NAME["read_next"][0]
READS = (BY_NAME["read_run"][0], READ_NEXT)
AFRESH = (BY_NAME["hello"][0],) + READS  # done again when asked again
LONG = (BY_NAME["list_runs"][0],) + READS  # broken off by the next request
QUIET = ("hello", "get_status", "command")  # answered in every state


class Link:
    def __init__(self, board, source=None, sink=None):
        self._board = board
        self._in = source or sys.stdin.buffer
        self._out = sink or sys.stdout.buffer
        self._poll_in = select.poll()
        self._poll_in.register(source or sys.stdin, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(sink or sys.stdout, select.POLLOUT)
        self._framer = Framer()
        self._unframer = Unframer()
        self._byte = bytearray(1)  # a longer read would block
        self._received = bytearray(READ_BYTES)
        self._chunk = bytearray(512)
        self._chunk_view = memoryview(self._chunk)
        self._send = None  # memoryview being sent
        self._sent = 0
        self._waited_ms = 0
        self._cut_short = False
        self._job = None
        self._job_request = 0
        self._next = None  # (sequence, payload) of a read_next that waits for the answer under way
        self._session = 0
        self._heard_ms = -SESSION_MS
        self._ms = 0
        self._sequence = 0
        self._last = None  # (type, sequence) of the request answered last
        self._answer = None  # its reply, still in the framer
        self._read_end = (0, 0, 0)  # run, frame, byte offset of where the last read ended
        self.unknown = 0

    @property
    def bad(self):
        return self._unframer.bad

    # --- the pass ---

    def poll(self, passed_ms):
        self._ms = (self._ms + passed_ms) & 0x1FFFFFFF
        quiet = self._board.busy()
        if self._job and quiet and self._job_request not in (0x02, 0x0B, 0x01):
            self.drop()
            self.refuse(self._job_request, "busy_state")
        # one frame at most: while it is answered the rest waits in the port
        n = 0
        received = self._received
        while n < READ_BYTES and self._ready(self._poll_in, select.POLLIN) and self._in.readinto(self._byte):
            received[n] = self._byte[0]
            n += 1
            if received[n - 1] == 0:
                break
        if n:
            self._unframer.feed(received if n == READ_BYTES else received[:n], self._request)
        if self._send is not None or self._job:
            self._continue(self._board.busy(), passed_ms)

    def _continue(self, quiet, passed_ms):
        """Send on; at rest a long answer takes several blocks in one pass, to fill the line."""
        start = time.ticks_ms()
        while True:
            if self._send is not None:
                self._push(quiet, passed_ms, start)
                if self._send is not None:
                    return  # the port is full, or time is up
            if self._next and not self._job:
                sequence, payload = self._next
                self._next = None
                self._answer_request(READ_NEXT, sequence, payload)
            if not self._job:
                return
            try:
                next(self._job)
            except StopIteration:
                self._job = None
            except OSError:
                self._job = None
                self.refuse(self._job_request, "store_unreadable")
            if quiet or self._send is None:
                return  # it waits for time to pass

    def _ready(self, poller, bit):
        for event in poller.ipoll(0):
            return event[1] & bit
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
            if time.ticks_diff(now, start) >= LONG_PASS_MS:
                return
            if not self._ready(self._poll_out, select.POLLOUT):
                if not quiet and time.ticks_diff(now, moved) < FULL_MS:
                    continue
                self._waited_ms += passed_ms
                if self._waited_ms > GIVE_UP_MS:
                    self.drop()
                return
            if quiet:
                self._byte[0] = send[self._sent]  # a slice for each byte would allocate
                n = self._out.write(self._byte)
            else:
                n = self._out.write(send[self._sent : self._sent + PIECE])
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
        self._answer = self._framer.finish(BY_NAME[name][0], self._sequence, size)
        self.send(self._answer)

    def done(self, request, value=0):
        self.reply("done", (request, value))

    def refuse(self, request, error, detail=0):
        self.reply("refused", (request, REFUSED[error], detail))

    # --- requests ---

    def _request(self, kind, sequence, payload):
        if self._send is not None or self._job:
            # what is being answered is not begun anew; else the host gave up on it, or is another
            if self._last == (kind, sequence) or self._job and self._job_request not in LONG:
                return
            if kind == READ_NEXT:
                self._heard_ms = self._ms
                self._next = (sequence, bytes(payload))
                return
            self.drop()
        if self._answer and self._last == (kind, sequence) and kind not in AFRESH:
            self.send(self._answer)  # the reply was lost: say it again, do not do it again
            return
        self._answer_request(kind, sequence, payload)

    def _answer_request(self, kind, sequence, payload):
        """Answer a request, or begin to."""
        self._last = (kind, sequence)
        self._answer = None
        self._sequence = sequence
        entry = BY_TYPE.get(kind)
        if entry is None or kind >= 0x40:
            self.unknown += 1
            self.refuse(kind, "unknown_request")
            return
        name = entry[1]
        try:
            head, each = unpack(name, payload)
        except ValueError:
            self.refuse(kind, "bad_payload")
            return
        if name == "hello":
            self._hello(kind, head)
            return
        self._heard_ms = self._ms
        board = self._board
        if board.busy() and name not in QUIET:
            self.refuse(kind, "busy_state", board.state_number())
            return
        answer = getattr(self, "_" + name)(kind, head, each)
        if answer is not None:
            self._job = answer
            self._job_request = kind

    def _hello(self, kind, head):
        major, minor, session = head
        if major > PROTO_MAJOR:
            self.refuse(kind, "newer_protocol", PROTO_MAJOR)
            return
        heard = (self._ms - self._heard_ms) & 0x1FFFFFFF
        if self._session and session != self._session and heard < SESSION_MS:
            self.refuse(kind, "other_session", SESSION_MS - heard)
            return
        self._session = session
        self._heard_ms = self._ms
        board = self._board
        uid = (board.uid + bytes(8))[:8]
        name = (FIRMWARE + bytes(16))[:16]
        self.reply("board_info", (PROTO_MAJOR, PROTO_MINOR, uid, name, board.starts.count, MAX_BODY))

    def _get_status(self, kind, head, each):
        self.reply("status", self._board.status())

    def _list_runs(self, kind, head, each):
        return self._listing(kind, head[0])

    def _listing(self, kind, first):
        store = self._board.store
        rows = []
        for entry in store.entries[first : first + LIST_RUNS]:
            if entry.crc is None and entry.readable:
                for _ in store.checksum(entry):
                    yield
            flags = entry.flags()
            rows.append(
                (entry.run_id, entry.size, entry.crc or 0, entry.frames, flags, entry.verdict, entry.started)
            )
        self.reply("run_list", (len(store.entries), first), rows)

    def _find(self, kind, run_id):
        entry = self._board.store.entry(run_id)
        if entry is None:
            self.refuse(kind, "no_such_run", run_id & 0x7FFFFFFF)
        elif not entry.readable:
            self.refuse(kind, "store_unreadable", run_id & 0x7FFFFFFF)
            return None
        return entry

    def _read_run(self, kind, head, each):
        entry = self._find(kind, head[0])
        if entry is not None:
            return self._reading(entry, head[1], head[2])

    _read_next = _read_run

    def _reading(self, entry, first, count):
        """Send stored frames as they are, then read_done with the CRC of the bytes sent."""
        run_id = entry.run_id
        frame = at = 0
        if self._read_end[0] == run_id and self._read_end[1] <= first:
            _, frame, at = self._read_end
        last = min(first + count, entry.frames)
        chunk, view = self._chunk, self._chunk_view
        crc = 0
        sent_frames = 0
        f = self._board.store.open_run(entry)
        try:
            f.seek(at)
            steps = 0
            while frame < last and at < entry.size:
                n = f.readinto(chunk)
                if not n:
                    break
                n = min(n, entry.size - at)
                begin = 0 if frame >= first else -1
                look = 0
                while frame < last:
                    stop = chunk.find(b"\x00", look, n)
                    if stop < 0:
                        look = n
                        break
                    look = stop + 1
                    if frame >= first:
                        sent_frames += 1
                    frame += 1
                    if frame == first:
                        begin = look
                at += look
                if begin >= 0 and look > begin:
                    piece = view[begin:look]
                    crc = crc32(piece, crc)
                    self.send(piece)
                    yield
                else:
                    steps += 1
                    if steps % 8 == 0:
                        yield
        finally:
            f.close()
        self._read_end = (run_id, frame, at)
        self.reply("read_done", (run_id, first, sent_frames, crc))

    def _ack_run(self, kind, head, each):
        entry = self._find(kind, head[0])
        if entry is not None:
            return self._acknowledging(kind, entry, head[1], head[2])

    def _acknowledging(self, kind, entry, size, crc):
        board = self._board
        if entry.crc is None:
            for _ in board.store.checksum(entry):
                yield
        if size != entry.size or crc != entry.crc:
            self.refuse(kind, "copy_differs", entry.size)
            return
        board.store.acknowledge(entry)
        board.room_changed()
        self.done(kind)
        yield

    def _delete_run(self, kind, head, each):
        entry = self._find(kind, head[0])
        if entry is None:
            return
        if not entry.flags() & ACKNOWLEDGED:
            self.refuse(kind, "not_acknowledged", head[0] & 0x7FFFFFFF)
            return
        try:
            self._board.store.remove(entry)
        except OSError:
            self.refuse(kind, "store_unreadable", head[0] & 0x7FFFFFFF)
            return
        self._board.room_changed()
        self.done(kind)

    def _get_settings(self, kind, head, each):
        values = self._board.settings.values
        rows = [(s[0], values[s[1]]) for s in SETTINGS[head[0] : head[0] + PAIRS]]
        self.reply("settings", (len(SETTINGS), head[0]), rows)

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
        self._board.set_clock(head[0])
        self.done(kind)

    def _zero(self, kind, head, each):
        if self._board.turning():
            self.refuse(kind, "moving")
            return None
        return self._zeroing(kind)

    def _zeroing(self, kind):
        board = self._board
        board.ask_zero()
        end = board.uptime_ms + ZEROING_MS
        while board.uptime_ms < end:
            if board.zero_taken():
                self.done(kind, board.torque.zero)
                return
            if board.turning():
                self.refuse(kind, "moving")
                return
            yield
        self.refuse(kind, "unsteady")

    def _command(self, kind, head, each):
        if head[0] >= len(codes.COMMANDS):
            self.refuse(kind, "unknown_request", head[0])
            return
        error, detail = self._board.command(codes.COMMANDS[head[0]], head[1])
        if error == "none":
            self.done(kind, detail)
        else:
            self.refuse(kind, error, detail)

    def _self_test(self, kind, head, each):
        if self._board.turning() or self._board.state not in ("rest", "safe"):
            self.refuse(kind, "moving")
            return None
        return self._testing()

    def _testing(self):
        rows = []
        for row in self._board.self_test():
            if row is None:
                yield
            else:
                rows.append(row)
        self.reply("self_test_result", (), rows)

    def _get_learned(self, kind, head, each):
        values = self._board.learned.values
        self.reply("learned", (), [(slot, values[slot]) for slot in sorted(values)])

    def _get_counters(self, kind, head, each):
        self.reply("counters", (), enumerate(self._board.counters))
