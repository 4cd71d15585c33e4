"""The CRC's Hamming distance at our frame length, by exhausting every pattern; not by sampling.

An error pattern goes unnoticed when the syndromes of its bits add up (xor) to zero.  With s_i the syndrome of
one wrong bit at place i: weight 1 needs some s_i = 0, weight 2 two equal ones, weight 3 a pair whose xor is a
single, weight 4 two different pairs with the same xor.  So all of them are excluded by: every xor of at most
two syndromes is distinct.

Outside figure, from memory, of P. Koopman's published tables for 0x04C11DB7 (there written 0x82608EDB):
distance 5 up to 2,974 bits of data, 6 up to 268.  The exhaustion below finds the same limits by itself.
"""

from __future__ import annotations

import zlib

import numpy as np
import pytest
from evenfall_wire import frames
from wire_references import PROTOCOL, build_frame

CRC_BITS = 32


def syndromes(bits: int) -> np.ndarray:
    """(bits,) xor that one wrong bit, i places before the end of data and CRC, makes in the check."""
    size = -(-bits // 8)
    still = zlib.crc32(bytes(size))
    out = np.empty(8 * size, dtype=np.uint32)
    for byte in range(size):
        for bit in range(8):
            wrong = bytearray(size)
            wrong[byte] = 1 << bit
            # least significant bit first is the order of the reflected CRC
            out[byte * 8 + bit] = zlib.crc32(wrong) ^ still
    return out[-bits:]


def all_syndromes(data_bits: int) -> np.ndarray:
    """Of the data bits by zlib, of the 32 bits of the CRC itself as they are."""
    own = np.uint32(1) << np.arange(CRC_BITS, dtype=np.uint32)
    return np.concatenate([syndromes(data_bits), own])


def unnoticed(s: np.ndarray) -> bool:
    """Whether any pattern of 1 to 4 wrong bits among these syndromes goes unnoticed."""
    first, second = np.triu_indices(len(s), k=1)
    sums = np.concatenate([np.zeros(1, np.uint32), s, s[first] ^ s[second]])
    sums.sort()
    return bool((sums[1:] == sums[:-1]).any())


def test_distance_is_five_at_the_longest_frame():
    assert not unnoticed(all_syndromes(8 * frames.MAX_DATA))


@pytest.mark.outside(
    "P. Koopman's tables of CRC distances: 0x82608EDB, distance 5 up to 2,974 bits (from memory)"
)
def test_distance_is_five_up_to_2974_bits_of_data_and_no_further():
    assert not unnoticed(all_syndromes(2974))
    assert unnoticed(all_syndromes(2975))
    assert 8 * frames.MAX_DATA <= 2974
    assert "2,974 bits" in (PROTOCOL / "SPEC.md").read_text()


def test_the_syndromes_are_those_of_real_frames():
    """Wrong bits in a whole body change its check by the xor of their syndromes."""
    random = np.random.default_rng(5)
    data = random.integers(0, 256, frames.MAX_DATA, dtype=np.uint8)
    s = syndromes(8 * frames.MAX_DATA)
    for _ in range(50):
        places = random.choice(8 * frames.MAX_DATA, size=4, replace=False)
        wrong = data.copy()
        for p in places:
            wrong[p // 8] ^= 1 << (p % 8)
        change = zlib.crc32(wrong.tobytes()) ^ zlib.crc32(data.tobytes())
        assert change == np.bitwise_xor.reduce(s[places])
        assert change != 0


def accepted(wire: bytes) -> list[tuple[int, int, bytes]]:
    got: list[tuple[int, int, bytes]] = []
    frames.Unframer().feed(wire + b"\x00", lambda k, q, p: got.append((k, q, bytes(p))))
    return got


def test_no_single_wrong_bit_of_a_wire_frame_is_accepted():
    """Of the stuffed frame, code bytes and delimiter included, where the distance does not hold by itself."""
    random = np.random.default_rng(6)
    for payload in (
        bytes(frames.MAX_PAYLOAD),
        b"\x01" * frames.MAX_PAYLOAD,
        random.integers(0, 256, frames.MAX_PAYLOAD, dtype=np.uint8).tobytes(),
        random.integers(0, 3, 100, dtype=np.uint8).tobytes(),
        b"",
    ):
        wire = build_frame(0x82, 0x1234, payload)
        for bit in range(8 * len(wire)):
            wrong = bytearray(wire)
            wrong[bit // 8] ^= 1 << (bit % 8)
            assert all(got == (0x82, 0x1234, payload) for got in accepted(bytes(wrong))), bit


def test_no_pair_of_wrong_bits_of_a_wire_frame_is_accepted():
    payload = bytes([7, 0, 0, 1, 0, 255, 3])
    wire = build_frame(0x45, 3, payload)
    for first in range(8 * len(wire)):
        for second in range(first):
            wrong = bytearray(wire)
            wrong[first // 8] ^= 1 << (first % 8)
            wrong[second // 8] ^= 1 << (second % 8)
            assert all(got == (0x45, 3, payload) for got in accepted(bytes(wrong))), (first, second)
