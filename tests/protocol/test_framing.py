"""COBS, CRC and frames against independent libraries, over random data."""

from __future__ import annotations

import zlib

import crccheck
import pytest
from cobs import cobs
from evenfall_wire import frames
from hypothesis import given, settings
from hypothesis import strategies as st
from wire_references import build_frame, parse_frame

# zeros often, and long runs without one: where the stuffing has its corners
pieces = st.one_of(
    st.binary(max_size=40), st.integers(0, 4).map(bytes), st.integers(250, 258).map(b"\x01".__mul__)
)
bodies = st.lists(pieces, max_size=8).map(b"".join).map(lambda b: b[: frames.MAX_BODY])
payloads = bodies.map(lambda b: b[: frames.MAX_PAYLOAD])
kinds = st.integers(0, 255)
sequences = st.integers(0, 65535)


def made(kind: int, sequence: int, payload: bytes) -> bytes:
    framer = frames.Framer()
    framer.payload[: len(payload)] = payload
    return bytes(framer.finish(kind, sequence, len(payload)))


def received(*chunks: bytes) -> tuple[list[tuple[int, int, bytes]], int]:
    got: list[tuple[int, int, bytes]] = []
    parser = frames.Unframer()
    for chunk in chunks:
        parser.feed(chunk, lambda k, s, p: got.append((k, s, bytes(p))))
    return got, parser.bad


def put_bytewise(*chunks: bytes) -> tuple[list[tuple[int, int, bytes]], int]:
    """The same by `put`, as the board reads its line."""
    got = []
    parser = frames.Unframer()
    for byte in b"".join(chunks):
        payload = parser.put(byte)
        if payload is not None:
            got.append((parser.kind, parser.sequence, bytes(payload)))
    return got, parser.bad


def unstuffed(wire: bytes, room: int = 1000) -> bytes | None:
    out = bytearray(room)
    n = frames.unstuff(bytearray(wire), len(wire), out)
    return None if n < 0 else bytes(out[:n])


@pytest.mark.outside(
    "public CRC catalogue, CRC-32/ISO-HDLC: parameters and check value 0xCBF43926, as in crccheck"
)
def test_crc_is_the_one_of_the_catalogue():
    """Parameters and check value: public CRC catalogue, CRC-32/ISO-HDLC, as kept by the crccheck library."""
    reference = crccheck.crc.Crc32IsoHdlc
    assert reference.calc(b"123456789") == 0xCBF43926 == frames.crc32(b"123456789")
    assert (reference._width, reference._poly) == (32, 0x04C11DB7)
    assert (reference._initvalue, reference._xor_output) == (0xFFFFFFFF, 0xFFFFFFFF)
    assert reference._reflect_input and reference._reflect_output


@pytest.mark.outside("crccheck, an independent CRC library, on random bodies")
@given(bodies)
def test_crc_agrees_with_crccheck(data):
    assert frames.crc32(data) == crccheck.crc.Crc32IsoHdlc.calc(data)


@pytest.mark.outside("public CRC catalogue: residue 0xDEBB20E3 (from memory)")
@given(kinds, sequences, payloads)
def test_crc_residue(kind, sequence, payload):
    """A body with its CRC has the catalogue's residue (0xDEBB20E3, before the final xor)."""
    body = cobs.decode(made(kind, sequence, payload)[:-1])
    assert zlib.crc32(body) ^ 0xFFFFFFFF == 0xDEBB20E3


@pytest.mark.outside("the cobs library and zlib: whole frames, byte for byte")
@settings(max_examples=300)
@given(kinds, sequences, payloads)
def test_frames_agree_with_the_cobs_library(kind, sequence, payload):
    wire = made(kind, sequence, payload)
    assert wire == build_frame(kind, sequence, payload)
    assert parse_frame(wire) == (kind, sequence, payload)
    assert received(wire) == ([(kind, sequence, payload)], 0)
    # never longer than the buffers allow, and the stuffing costs what the paper says: 1 in 254
    assert len(wire) <= frames.MAX_WIRE
    body = 3 + len(payload) + 4
    assert len(wire) <= body + body // 254 + 2


@settings(max_examples=300)
@given(bodies)
def test_unstuffing_agrees_with_the_cobs_library(data):
    assert unstuffed(cobs.encode(data)) == data


@pytest.mark.outside("the cobs library: same verdict on any bytes, valid or not")
@settings(max_examples=500)
@given(st.binary(max_size=300).map(lambda b: bytes(x or 1 for x in b)) | bodies)
def test_any_bytes_unstuff_as_in_the_cobs_library_or_not_at_all(wire):
    """Valid or not: the same verdict as the cobs library, for bytes without a zero."""
    wire = wire.replace(b"\x00", b"\x01")
    try:
        wanted = cobs.decode(wire)
    except cobs.DecodeError:
        wanted = None
    assert unstuffed(wire) == wanted


@given(bodies, st.integers(0, frames.MAX_BODY))
def test_unstuffing_never_writes_past_its_buffer(data, room):
    wire = cobs.encode(data)
    got = unstuffed(wire, room)
    assert got == (data if len(data) <= room else None)


@settings(max_examples=200)
@given(st.lists(st.tuples(kinds, sequences, payloads), max_size=6), st.randoms(use_true_random=False))
def test_streams_cut_anywhere_give_the_same_frames(messages, random):
    wire = b"".join(made(*m) for m in messages)
    cuts = sorted(random.randrange(len(wire) + 1) for _ in range(random.randrange(12)))
    chunks = [wire[a:b] for a, b in zip([0, *cuts], [*cuts, len(wire)], strict=True)]
    assert received(*chunks) == (messages, 0)


@given(st.binary(max_size=2000), kinds, sequences, payloads)
def test_after_any_noise_the_next_frame_is_whole(noise, kind, sequence, payload):
    got, _ = received(noise + b"\x00" + made(kind, sequence, payload))
    assert got[-1] == (kind, sequence, payload)
    assert len(got) == 1  # random noise with a right CRC: one in 4e9


@given(st.lists(st.one_of(st.binary(max_size=500), st.builds(made, kinds, sequences, payloads)), max_size=4))
def test_byte_by_byte_or_in_pieces_the_same_frames_come_out(chunks):
    assert put_bytewise(*chunks) == received(*chunks)


@given(kinds, sequences, payloads)
def test_a_frame_byte_by_byte(kind, sequence, payload):
    assert put_bytewise(b"\x07\x00", made(kind, sequence, payload)) == ([(kind, sequence, payload)], 1)


@given(kinds, sequences, payloads.filter(lambda p: len(p) <= 246))
def test_a_frame_of_the_size_that_comes_often_is_the_same_frame(kind, sequence, payload):
    framer = frames.Framer(len(payload))
    framer.payload[:] = b"\x01" * frames.MAX_PAYLOAD  # what an earlier one left there does not matter
    framer.finish(kind, 7, frames.MAX_PAYLOAD)
    framer.payload[: len(payload)] = payload
    assert bytes(framer.finish(kind, sequence, len(payload))) == made(kind, sequence, payload)


@pytest.mark.parametrize("size", [frames.MAX_PAYLOAD + 1, frames.MAX_PAYLOAD + 5, 10_000])
def test_an_overlong_payload_is_refused_not_sent(size):
    with pytest.raises(ValueError, match=str(frames.MAX_PAYLOAD)):
        frames.Framer().finish(0x82, 0, size)


def test_every_payload_size_fits():
    for fill in (b"\x00", b"\x01", b"\xff"):
        for size in range(frames.MAX_PAYLOAD + 1):
            wire = made(0x82, 0x0101, fill * size)
            assert len(wire) <= frames.MAX_WIRE
            assert received(wire) == ([(0x82, 0x0101, fill * size)], 0)


def test_a_parser_holds_no_more_than_one_frame():
    """Memory is bounded whatever comes: the buffers never grow."""
    parser = frames.Unframer()
    before = [len(v) for v in vars(parser).values() if isinstance(v, bytearray)]
    for chunk in (b"\x55" * 5000, b"\x00" * 300, b"\xff" * 377 + b"\x00", bytes(range(256)) * 40):
        parser.feed(chunk, lambda *_: None)
    assert [len(v) for v in vars(parser).values() if isinstance(v, bytearray)] == before
    assert sum(before) < 1000
