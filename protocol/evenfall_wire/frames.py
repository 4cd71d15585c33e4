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
    """Builds frames in a buffer of its own; `payload` is where to write."""

    def __init__(self):
        self._body = bytearray(MAX_BODY)
        self._wire = bytearray(MAX_WIRE)
        self.payload = memoryview(self._body)[3 : 3 + MAX_PAYLOAD]
        self._body_view = memoryview(self._body)
        self._wire_view = memoryview(self._wire)

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
        struct.pack_into("<I", body, end, crc32(self._body_view[:end]))
        end += 4
        # The stuffed frame is the body, moved on by one, with each zero replaced
        # by the distance to the next; only a run of 254 bytes costs a byte more.
        wire = self._wire
        wire[1 : end + 1] = self._body_view[:end]
        find = body.find
        at = shift = 0
        while True:
            zero = find(b"\x00", at, end)
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
                return self._wire_view[: end + shift + 2]


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
            out[n : n + size - begin] = wire[begin:size]
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

    `bad` counts damaged or overlong frames.  Memory is bounded by MAX_WIRE.
    """

    def __init__(self):
        self._wire = bytearray(MAX_WIRE)
        self._wire_view = memoryview(self._wire)
        self._body = bytearray(MAX_BODY)
        self._body_view = memoryview(self._body)
        self._fill = 0
        self._overlong = False
        self.bad = 0

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
            if self._overlong:
                self.bad += 1
                self._overlong = False
            elif self._fill:
                self._finish(handler)
            self._fill = 0

    def _finish(self, handler):
        n = unstuff(self._wire_view, self._fill, self._body)
        if n < 7:
            self.bad += 1
            return
        (crc,) = struct.unpack_from("<I", self._body, n - 4)
        if crc != crc32(self._body_view[: n - 4]):
            self.bad += 1
            return
        kind, sequence = struct.unpack_from("<BH", self._body, 0)
        handler(kind, sequence, self._body_view[3 : n - 4])
