"""Framing: COBS( type u8, sequence u16, payload, CRC-32 ) then one 0x00.

COBS after Cheshire and Baker (1999); CRC-32/ISO-HDLC of the CRC catalogue,
over type, sequence and payload, sent little endian.  MAX_DATA keeps the
Hamming distance at 5 (tests/protocol checks it by exhausting the syndromes).
Runs in CPython and MicroPython.
"""

import struct
from binascii import crc32

MAX_DATA = 368  # type + sequence + payload, bytes
MAX_PAYLOAD = MAX_DATA - 3
MAX_BODY = MAX_DATA + 4  # with CRC
MAX_WIRE = MAX_BODY + 3  # two COBS code bytes and the delimiter


class Framer:
    """Builds frames in a buffer of its own; `payload` is where to write.

    Frames with a payload of `often` bytes (246 at most) are made without taking from the heap.
    """

    def __init__(self, often=0):
        self._body = bytearray(MAX_BODY)
        self._wire = bytearray(MAX_WIRE)
        self.payload = memoryview(self._body)[3 : 3 + MAX_PAYLOAD]
        self._body_view = memoryview(self._body)
        self._wire_view = memoryview(self._wire)
        # (size of the data, its view, the view of the wire bytes)
        self._often = (3 + often, self._body_view[: 3 + often], self._wire_view[: 9 + often])

    def finish(self, kind, sequence, payload_size):
        """Close the frame around `payload[:payload_size]`; return its wire bytes.

        The memoryview returned is valid until the next call.  Raises
        ValueError for more than MAX_PAYLOAD bytes.
        """
        if payload_size > MAX_PAYLOAD:
            raise ValueError("payload of %d bytes; a frame holds %d" % (payload_size, MAX_PAYLOAD))
        body = self._body
        struct.pack_into("<BH", body, 0, kind, sequence)
        end = 3 + payload_size
        often = end == self._often[0]
        struct.pack_into("<I", body, end, crc32(self._often[1] if often else self._body_view[:end]))
        end += 4
        # The stuffed frame is the body, moved on by one, with each zero replaced
        # by the distance to the next; only a run of 254 bytes costs a byte more.
        wire = self._wire
        if often:
            for i in range(end):
                wire[i + 1] = body[i]
        else:
            wire[1 : end + 1] = self._body_view[:end]
        at = shift = 0
        while True:
            zero = body.find(b"\x00", at, end)
            stop = end if zero < 0 else zero
            while stop - at >= 254:
                wire[at + shift] = 255
                at += 254
                if at == end:
                    break
                shift += 1
                wire[at + shift + 1 : end + shift + 1] = self._body_view[at:end]
            else:
                wire[at + shift] = stop - at + 1
                at = stop + 1
            if zero < 0:
                wire[end + shift + 1] = 0
                return self._often[2] if often else self._wire_view[: end + shift + 2]


def unstuff(wire, size, out):
    """Undo COBS of `wire[:size]` (no delimiter) into `out`; return the length.

    Returns -1 when the bytes are not a COBS encoding or do not fit in `out`.
    `wire` is spoiled: the zeros are put back there, then copied over.
    """
    if size == 0:
        return 0
    n = at = 0
    begin = 1
    code = wire[0]
    while code:
        after = at + code
        if after >= size:
            if after > size or n + size - begin > len(out):
                return -1
            if size - begin > 16:
                out[n : n + size - begin] = wire[begin:size]
            else:  # a slice takes from the heap
                for i in range(begin, size):
                    out[n + i - begin] = wire[i]
            return n + size - begin
        at = after
        if code < 255:
            code = wire[at]
            wire[at] = 0
        else:
            if n + at - begin > len(out):
                return -1
            out[n : n + at - begin] = wire[begin:at]
            n += at - begin
            begin = at + 1
            code = wire[at]
    return -1


class Unframer:
    """Collects bytes; hands out whole, checked frames.

    `bad` counts damaged or overlong frames; `kind`, `sequence`: of the newest whole one.  Memory is bounded
    by MAX_WIRE.  A frame without a payload that comes by `put` takes nothing from the heap.
    """

    def __init__(self):
        self._wire = bytearray(MAX_WIRE)
        self._wire_view = memoryview(self._wire)
        self._body = bytearray(MAX_BODY)
        self._body_view = memoryview(self._body)
        self._fill = 0
        self._overlong = False
        self._bare = (self._body_view[:7], self._body_view[3:3])  # a frame without a payload; its payload
        self.kind = self.sequence = 0
        self.bad = 0

    def put(self, byte):
        """Take one byte; return the payload's view when it has ended a good frame, else None."""
        if byte:
            if self._fill >= MAX_WIRE - 1:
                self._overlong = True
                self._fill = 0
            elif not self._overlong:
                self._wire[self._fill] = byte
                self._fill += 1
            return None
        payload = None
        if self._overlong:
            self.bad += 1
            self._overlong = False
        elif self._fill:
            payload = self._finish()
        self._fill = 0
        return payload

    def feed(self, data, handler):
        """Take bytes; call `handler(type, sequence, payload view)` per good frame.

        The payload view is valid only during the call.
        """
        view = memoryview(data)
        at = 0
        size = len(data)
        while at < size:
            stop = data.find(b"\x00", at)
            end = size if stop < 0 else stop
            n = end - at
            if self._fill + n > MAX_WIRE - 1:
                self._overlong = True
                self._fill = 0
            elif not self._overlong:
                self._wire[self._fill : self._fill + n] = view[at:end]
                self._fill += n
            if stop < 0:
                return
            at = stop + 1
            payload = self.put(0)
            if payload is not None:
                handler(self.kind, self.sequence, payload)

    def _finish(self):
        """The payload's view of the frame collected, None when it is damaged."""
        body = self._body
        n = unstuff(self._wire_view, self._fill, body)
        # 0x2144DF1C: the CRC of what has its own CRC behind it (same catalogue)
        if n < 7 or crc32(self._bare[0] if n == 7 else self._body_view[:n]) != 0x2144DF1C:
            self.bad += 1
            return None
        self.kind = body[0]
        self.sequence = body[1] | body[2] << 8
        return self._bare[1] if n == 7 else self._body_view[3 : n - 4]
