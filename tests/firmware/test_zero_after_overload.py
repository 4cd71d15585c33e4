"""The zero after an overload at standstill: an end code is none, and the next quiet block is one."""

import random
import sys

import pytest
from firmware_rig import PROJECT

sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import sensing

LIMIT = 400 * 42000  # 400 N at the default span


def block(zero, make):
    """How many zeros 64 samples gave."""
    return sum(zero.take(i, make(i)) for i in range(64))


def noise(at, spread, seed=1):
    rng = random.Random(seed)
    return lambda i: at + (rng.randrange(spread) if i % 7 else (spread if i % 2 else 0))


@pytest.mark.parametrize("code", [0x7FFFFF, -0x800000])
def test_an_end_code_is_never_a_zero(code):
    zero = sensing.Zero(LIMIT)
    assert block(zero, lambda i: code) == 0
    assert block(zero, lambda i: code if i == 40 else 1000 + i % 5) == 0, "nor is a block with one end code"
    assert zero.samples == 0


@pytest.mark.parametrize("spread", [600, 2000, 6000])
def test_after_an_overload_the_next_steady_blocks_count(spread):
    """A clamped block spread over nothing and made every later zero look unsteady until a restart."""
    zero = sensing.Zero(LIMIT)
    for _ in range(3):
        block(zero, lambda i: 0x7FFFFF)
    taken = sum(block(zero, noise(52_000, spread, seed)) for seed in range(40))
    assert taken > 5
    assert abs(zero.mean_x16 / 16 - 52_000) < spread


def test_a_block_without_any_spread_does_not_stop_the_zero():
    """A constant code, as of an amplifier that averages much, once set the least spread to 1 for good."""
    zero = sensing.Zero(LIMIT)
    assert block(zero, lambda i: 777) == 1
    assert sum(block(zero, noise(52_000, 2500, seed)) for seed in range(60)) > 5
