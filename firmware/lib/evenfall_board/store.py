"""Runs on flash: one file each under /runs, made of wire frames.

Names say what a file is; each change of a run is one rename, which littlefs
does whole or not at all:

    0000002a.tmp       being written; on start it becomes .trunc, or .run when nothing is missing
    0000002a.run       stored whole
    0000002a.trunc     power failed while it was written: whole up to its last whole frame
    0000002a.run.ok    the host has acknowledged a verified copy (likewise .trunc.ok)

Firmware before 0.2 wrote .torn for .trunc; such files are read as they are.

Nothing here ever removes a run that was not acknowledged.  Files with other
names are left alone.

Flash life, measured on a file system of 352 blocks (1.4 MB) with runs of 32 kB
that are stored, acknowledged and removed (tests/firmware, test_flash_life):
13 erases a run.  Blocks are usually rated for 100,000 erases (serial NOR flash,
from memory; the part's data sheet counts): spread evenly that is 2.6 million
runs.  The worst block is one of the directory's, which littlefs moves every 100
erases: under 0.25 erases a run, so 400,000 runs, or 50 runs a day for 20 years.
"""

import os
from binascii import crc32
from struct import calcsize, unpack_from
from struct import pack_into as pack_row

from evenfall_wire.codes import RUN_BITS, VERDICTS
from evenfall_wire.frames import MAX_PAYLOAD, MAX_WIRE, Framer, Unframer
from evenfall_wire.messages import pack_into, type_of, unpack

from .drivers import ticks
from .native import const

_FORMAT = const(1)
_SYNC_FRAMES = const(24)  # frames between synchronisations: what a power cut can cost
CHUNK = 512  # bytes read at a time
MAX_RUNS = 72  # of which the list is kept in RAM; 1.4 MB of flash hold 40 whole ones, or so many small ones
COMPLETE = 1 << RUN_BITS.index("complete")
ACKNOWLEDGED = 1 << RUN_BITS.index("acknowledged")
TRUNCATED = 1 << RUN_BITS.index("truncated")
ABORTED = 1 << RUN_BITS.index("aborted")
UNREADABLE = 1 << RUN_BITS.index("unreadable")
ENDINGS = (".run", ".trunc", ".torn", ".run.ok", ".trunc.ok", ".torn.ok", ".tmp")
# a row of the list: run number, size, CRC-32, start, frames, verdict, bits: place in ENDINGS and those below
ROW = "<IIIIHBB"
ROW_BYTES = calcsize(ROW)
BITS = ROW_BYTES - 1  # place of the bits in a row
WHOLE, READABLE, CRC_KNOWN = 8, 16, 32


def parse_name(name):
    """(run number, ending) of a file name, or (None, None) when it is not ours."""
    ending = name[8:]
    if ending not in ENDINGS:
        return None, None
    for c in name[:8]:
        if c not in "0123456789abcdef":
            return None, None
    return int(name[:8], 16), ending


class Entry:
    """What the run list says of one run; `size` is the file's; `crc` is None until it is first asked for.

    Made when somebody asks and dropped again: what is kept is a row of bytes in the store, because an object
    made after the start and kept would lie in the middle of the heap's largest free block.
    """

    def __init__(self, run_id, ending):
        self.run_id = run_id
        self.ending = ending
        self.size = self.frames = self.verdict = self.started = 0
        self.crc = None
        self.complete = False
        self.readable = True

    def truncated(self):
        return self.ending[:6] == ".trunc" or self.ending[:5] == ".torn"

    def flags(self):
        flags = COMPLETE if self.complete else 0
        if self.ending.endswith(".ok"):
            flags |= ACKNOWLEDGED
        if self.truncated():
            flags |= TRUNCATED
        if self.verdict == VERDICTS.index("aborted"):
            flags |= ABORTED
        if not self.readable:
            flags |= UNREADABLE
        return flags


def _entry(rows, at):
    """The entry whose row begins at byte `at`."""
    run_id, size, crc, started, frames, verdict, bits = unpack_from(ROW, rows, at)
    entry = Entry(run_id, ENDINGS[bits & 7])
    entry.size, entry.started, entry.frames, entry.verdict = size, started, frames, verdict
    entry.crc = crc if bits & CRC_KNOWN else None
    entry.complete, entry.readable = bool(bits & WHOLE), bool(bits & READABLE)
    return entry


class Store:
    """The runs on flash, oldest first (`count` of them); `ok` false when flash cannot be used."""

    def __init__(self, starts, folder="/runs"):
        self._starts = starts
        self._folder = folder
        self._framer = Framer()
        self._buffer = bytearray(CHUNK)
        self.count = 0
        self._rows = bytearray(ROW_BYTES * (MAX_RUNS + 1))
        self.ok = False
        self.free = 0
        self.fits = 0  # so many more runs are sure to fit, as of the last look for room,
        self.small = 0  # and the next one only as a small record
        self.feed_watchdog = None  # called between long steps

    def _path(self, run_id, ending):
        return "%s/%08x%s" % (self._folder, run_id, ending)

    def _between_steps(self):
        if self.feed_watchdog:
            self.feed_watchdog()

    # --- start ---

    def open(self):
        """Read what is there, recover what a power cut left; sets `ok`."""
        try:
            try:
                os.mkdir(self._folder)
            except OSError:
                pass
            found = {}
            names = os.listdir(self._folder)
            for name in names:
                run_id, ending = parse_name(name)
                if ending and ending != ".tmp":
                    found[run_id] = ending
            for name in names:
                run_id, ending = parse_name(name)
                if ending == ".tmp":
                    self._recover(run_id, found)
            self.count = 0
            for run_id in sorted(found):
                self._add(self._inspect(Entry(run_id, found[run_id])))
                self._between_steps()
            self.ok = True
            self.measure()
        except OSError:
            self.ok = False

    def _recover(self, run_id, found):
        """A file that was being written: keep its whole frames as a truncated run."""
        path = self._path(run_id, ".tmp")
        entry = Entry(run_id, ".tmp")
        self._scan(entry)
        if run_id in found or entry.size == 0:
            os.remove(path)  # nothing in it, or already there whole
            return
        found[run_id] = ".run" if entry.complete else ".trunc"
        os.rename(path, self._path(run_id, found[run_id]))

    def _inspect(self, entry):
        """Fill in an entry from its file."""
        try:
            path = self._path(entry.run_id, entry.ending)
            if entry.truncated():
                self._scan_fields(entry, path)
                return entry
            entry.size = os.stat(path)[6]
            unframer = Unframer()

            def take(kind, sequence, payload):
                self._take_fields(entry, kind, payload)

            with open(path, "rb") as f:
                unframer.feed(f.read(160), take)
                f.seek(max(0, entry.size - 200))
                tail = f.read(200)
            # the first piece of the tail is part of a frame: begin after a delimiter
            cut = tail.find(b"\x00") + 1 if entry.size > 200 else 0
            Unframer().feed(tail[cut:], take)
            if entry.frames == 0:
                self._scan_fields(entry, path)  # no run_end where it should be
        except OSError:
            entry.readable = False
        return entry

    def _scan_fields(self, entry, path):
        """Walk the frames for what the list shows; size and CRC are those of the whole file."""
        self._scan(entry)
        entry.size = os.stat(path)[6]
        entry.crc = None

    def _take_fields(self, entry, kind, payload):
        """Take from a frame what the run list shows."""
        try:
            if kind == type_of("run_header"):
                _, _, _, _, _, entry.started, _, _ = unpack("run_header", payload)[0]
            elif kind == type_of("verdict"):
                entry.verdict = payload[0]
            elif kind == type_of("run_end"):
                entry.frames, _, _, complete = unpack("run_end", payload)[0]
                entry.complete = complete == 1
        except ValueError:
            pass

    def _scan(self, entry):
        """Walk all frames; `size`, `frames`, `crc` up to the last whole one in order."""
        entry.size = entry.frames = 0
        entry.crc = 0
        frames = 0  # whole and in order
        in_order = True

        def take(kind, sequence, payload):
            nonlocal frames, in_order
            in_order = in_order and sequence == frames
            if in_order:
                frames += 1
                self._take_fields(entry, kind, payload)

        unframer = Unframer()
        pending = bytearray(MAX_WIRE)
        fill = 0
        with open(self._path(entry.run_id, entry.ending), "rb") as f:
            while in_order:
                n = f.readinto(self._buffer)
                if not n:
                    break
                at = 0
                while in_order:
                    stop = self._buffer.find(b"\x00", at, n)
                    end = n if stop < 0 else stop + 1
                    if fill + end - at > MAX_WIRE:
                        in_order = False
                        break
                    pending[fill : fill + end - at] = self._buffer[at:end]
                    fill += end - at
                    if stop < 0:
                        break
                    at = end
                    before = frames
                    whole = bytes(pending[:fill])
                    unframer.feed(whole, take)
                    if frames == before:
                        in_order = False
                        break
                    entry.size += fill
                    entry.crc = crc32(whole, entry.crc)
                    fill = 0
        entry.frames = frames
        return entry

    # --- room ---

    def measure(self):
        """Bytes free in the file system.

        littlefs may count a block twice, so on a full one `used` can exceed the
        whole and the number of free blocks wraps round.
        """
        s = os.statvfs(self._folder)
        blocks = s[3] if 0 <= s[3] <= s[2] else 0
        self.free = s[1] * blocks

    def make_room(self, need, small=0, few=0):
        """Remove the oldest acknowledged runs until a run and a place are free; True when they are.

        A run takes `need` bytes; once fewer than `few` fit, it is recorded small and takes `small`.
        """
        self.measure()
        while self.free < need or self.count >= MAX_RUNS:
            at = 0
            while at < self.count and not self._acknowledged(at):
                at += 1
            if at == self.count:
                if few and self.free >= small and self.count < MAX_RUNS:
                    break
                self.fits = self.small = 0
                return False
            self.remove(_entry(self._rows, at * ROW_BYTES))
            self._between_steps()
            self.measure()
        self._count_fits(need, small, few)
        return True

    def _count_fits(self, need, small, few):
        """How many more runs there is room for, acknowledged ones making way."""
        room = self.free
        places = MAX_RUNS
        for at in range(self.count):
            if self._acknowledged(at):
                room += unpack_from("<I", self._rows, at * ROW_BYTES + 4)[0]
            else:
                places -= 1
        whole = room // need
        self.small = 1 if whole < few else 0
        if few:
            whole = max(0, whole - few + 1)
            whole += (room - whole * need) // small
        self.fits = min(places, whole)

    # --- finding and changing runs ---

    def entries(self, first=0, most=1000):
        """The list from place `first` on, at most `most` of it."""
        last = min(self.count, first + most)
        return [_entry(self._rows, at * ROW_BYTES) for at in range(first, last)]

    def entry(self, run_id):
        at = self._place(run_id)
        return None if at < 0 else _entry(self._rows, at)

    def _place(self, run_id):
        """First byte of the run's row, or -1."""
        for at in range(0, self.count * ROW_BYTES, ROW_BYTES):
            if unpack_from("<I", self._rows, at)[0] == run_id:
                return at
        return -1

    def _acknowledged(self, at):
        """True when the run at that place of the list is, by its ending."""
        return 3 <= self._rows[at * ROW_BYTES + BITS] & 7 <= 5

    def keep(self, entry):
        """Take what is new of an entry into the list, if it is still there."""
        at = self._place(entry.run_id)
        if at >= 0:
            self._put_row(at, entry)

    def _put_row(self, at, entry):
        bits = ENDINGS.index(entry.ending)
        bits |= (WHOLE if entry.complete else 0) | (READABLE if entry.readable else 0)
        bits |= 0 if entry.crc is None else CRC_KNOWN
        crc = entry.crc or 0
        numbers = (entry.run_id, entry.size, crc, entry.started, entry.frames, entry.verdict, bits)
        pack_row(ROW, self._rows, at, *numbers)

    def _add(self, entry):
        """Put an entry at the end; flash filled by other firmware may hold more than there are places."""
        if len(self._rows) < (self.count + 1) * ROW_BYTES:
            self._rows += bytes(8 * ROW_BYTES)
        self._put_row(self.count * ROW_BYTES, entry)
        self.count += 1

    def unacknowledged(self):
        n = 0
        for at in range(self.count):
            if not self._acknowledged(at):
                n += 1
        return n

    def last_run(self):
        """The highest run number ever given out."""
        last = self._starts.last_run
        if self.count:
            rows, at = self._rows, (self.count - 1) * ROW_BYTES
            # byte by byte: a tuple would take from the heap at each status
            last = max(last, rows[at] | rows[at + 1] << 8 | rows[at + 2] << 16 | rows[at + 3] << 24)
        return last

    def open_run(self, entry):
        return open(self._path(entry.run_id, entry.ending), "rb")

    def checksum(self, entry, digest=None):
        """Generator: works out `entry.crc`, a few blocks per step; `digest` is fed the same bytes."""
        crc = 0
        left = entry.size
        with self.open_run(entry) as f:
            while left:
                for _ in range(8):
                    n = f.readinto(self._buffer)
                    n = min(n, left)
                    if not n:
                        break
                    piece = memoryview(self._buffer)[:n]
                    crc = crc32(piece, crc)
                    if digest:
                        digest.update(piece)
                    left -= n
                if not n:
                    break
                yield
        entry.crc = crc
        self.keep(entry)

    def acknowledge(self, entry):
        if not entry.ending.endswith(".ok"):
            new = entry.ending + ".ok"
            os.rename(self._path(entry.run_id, entry.ending), self._path(entry.run_id, new))
            entry.ending = new
            self.keep(entry)

    def remove(self, entry, damaged=0):
        """Remove an acknowledged run, or with `damaged` one that cannot be read; its number is not given out
        again."""
        if not entry.flags() & (ACKNOWLEDGED | UNREADABLE if damaged else ACKNOWLEDGED):
            raise ValueError("run %d is not acknowledged" % entry.run_id)
        self._starts.keep_run_number(entry.run_id)
        os.remove(self._path(entry.run_id, entry.ending))
        at = self._place(entry.run_id)
        self.count -= 1
        rows = self._rows
        for at in range(at, self.count * ROW_BYTES):
            rows[at] = rows[at + ROW_BYTES]

    # --- writing ---

    def write(self, run):
        """Generator: writes a finished run, one frame per step; then it is in the list.

        Over 60 lines: its matter is the order of the file, seen in one place.

        `run` is a dict: board_uid, firmware, boot_count, started_unix_s, trigger,
        settings (pairs), learned (pairs), recorder, verdict (whole head), complete.
        """
        recorder = run["recorder"]
        run_id = self.last_run() + 1
        framer = self._framer
        rings = (recorder.loads, recorder.edges, recorder.trace)
        head = (
            _FORMAT,
            run_id,
            run["board_uid"],
            run["firmware"],
            run["boot_count"],
            run["started_unix_s"],
            recorder.start_tick,
            run["trigger"],
        )
        f = open(self._path(run_id, ".tmp"), "wb")
        entry = Entry(run_id, ".tmp")
        entry.crc = 0
        entry.started = run["started_unix_s"]
        try:

            def put(name, size):
                wire = framer.finish(type_of(name), entry.frames, size)
                f.write(wire)
                entry.frames += 1
                entry.size += len(wire)
                entry.crc = crc32(wire, entry.crc)
                if entry.frames % _SYNC_FRAMES == 0:
                    f.flush()

            put("run_header", pack_into("run_header", framer.payload, 0, head))
            for name in ("settings", "learned"):
                pairs = run[name]
                for at in range(0, len(pairs), 60):
                    put("run_" + name, pack_into("run_" + name, framer.payload, 0, (), pairs[at : at + 60]))
                    yield
            self._put_ring(recorder.zeros, 0, recorder.zeros.used, put)
            # the three long rings side by side in time, so that a truncated file has all of them
            done = [0, 0, 0]
            first = 0
            while True:
                best = -1
                for i in range(3):
                    if done[i] < rings[i].used:
                        tick = rings[i].tick(done[i])
                        if best < 0 or ticks.diff(tick, first) < 0:
                            best = i
                            first = tick
                if best < 0:
                    break
                ring = rings[best]
                n = min(MAX_PAYLOAD // ring.size, ring.used - done[best])
                self._put_ring(ring, done[best], n, put)
                done[best] += n
                yield
            for ring in (recorder.events, recorder.air):
                self._put_ring(ring, 0, ring.used, put)
                yield
            put("verdict", pack_into("verdict", framer.payload, 0, run["verdict"]))
            entry.verdict = run["verdict"][0]
            entry.complete = bool(run["complete"])
            end = (entry.frames + 1, recorder.loads.used, recorder.edges.used, 1 if entry.complete else 0)
            put("run_end", pack_into("run_end", framer.payload, 0, end))
        finally:
            f.close()
        yield
        os.rename(self._path(run_id, ".tmp"), self._path(run_id, ".run"))
        entry.ending = ".run"
        self._add(entry)

    def _put_ring(self, ring, start, count, put):
        room = MAX_PAYLOAD // ring.size
        while count:
            n = min(room, count)
            put(ring.name, ring.copy(start, n, self._framer.payload))
            start += n
            count -= n
