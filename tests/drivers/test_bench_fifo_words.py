"""Ties the two together: the bench's FIFO model gives the words of the real programs on the emulated PIO."""

from __future__ import annotations

import random
from bisect import bisect_right

import pytest
from evenfall_bench.fifo import HallTimer, LoadReader
from pio_rig import CYCLES_PER_TICK, programs, run
from test_pio_load_cell import Amplifier

K = 1


def chip_words(program, source, polls, takes):
    """Words that the emulated program hands over at the given cycles."""
    out = []
    ahead = iter(polls)
    due = next(ahead)
    left = 0

    def drain(state):
        return min(left, 1)

    for state, taken in run(program, source, drain):
        out += taken
        left -= len(taken)
        if left <= 0 and state.clock >= due:
            left = takes(len(state.receive_fifo))
            due = next(ahead, None)
            if due is None:
                return out
    raise AssertionError("the program ended")


def take_all(size):
    return size


def take_pairs(size):
    return size & ~1  # as load_cell.py does


def bench_words(model, feed, polls):
    """The same from the bench's model; `feed` = (tick, *what) in order."""
    out = []
    waiting = list(feed)
    model.start(0)
    for poll in polls:
        now = poll // CYCLES_PER_TICK
        while waiting and waiting[0][0] <= now:
            tick = waiting[0][0]
            model.advance(tick)
            model.feed(*waiting.pop(0))
        model.advance(now)
        words = list(model.words)
        out += words
        model.pop(len(words), now)
    return out


def hall_polls(edges, stall):
    end = edges[-1] + 4000
    polls = list(range(4000, end, 4000))
    if stall:
        polls = [p for p in polls if not 30000 < p < 70000]
    return polls


@pytest.mark.parametrize("stall", [False, True])
def test_hall_words(stall):
    rng = random.Random(9)
    edges, at = [], 6000
    while len(edges) < 40:
        edges.append(at)
        at += 4 * rng.randrange(500, 1000)
    polls = hall_polls(edges, stall)
    changes = [c for e in edges for c in (e, e + 600)]

    def source(state):
        return 1 - bisect_right(changes, state.clock) % 2

    chip = chip_words(programs.HALL_TIMER, source, polls, take_all)
    model = HallTimer(programs.HALL_TIMEOUT_TICKS, programs.HALL_OVERHEAD_TICKS, programs.HALL_CONFIRM)
    bench = bench_words(model, [(e // CYCLES_PER_TICK,) for e in edges], polls)
    n = min(len(chip), len(bench))
    assert abs(len(chip) - len(bench)) <= 1 and n >= (25 if stall else 38)
    # the first counts from the program's start, one after a stall from the moment of the release
    odd = [i for i, (a, b) in enumerate(zip(chip, bench, strict=False)) if abs(a - b) > 1]
    assert all(abs(chip[i] - bench[i]) <= 10 for i in odd)
    assert len(odd) <= (2 if stall else 1)
    assert (model.lost > 0) == stall


@pytest.mark.parametrize("stall", [False, True])
@pytest.mark.parametrize("k", [1, 3])
def test_load_cell_words(k, stall):
    rng = random.Random(4)
    conversions, at = [], 4000
    for _ in range(20):
        conversions.append((at, rng.randrange(-0x800000, 0x800000)))
        at += 4 * rng.randrange(1000, 1500)
    polls = list(range(3000, at + 3000, 3000))
    if stall:
        polls = [p for p in polls if not 24000 < p < 69000]
    amplifier = Amplifier(list(conversions))
    chip = chip_words(programs.load_cell_reader(k), amplifier.pin, polls, take_pairs)
    model = LoadReader(k, programs.LOAD_OVERHEAD_TICKS[k], programs.LOAD_CONFIRM)
    bench = bench_words(model, [(c // CYCLES_PER_TICK, code) for c, code in conversions], polls)
    assert abs(len(chip) - len(bench)) <= 2
    pairs = list(zip(chip[::2], chip[1::2], bench[::2], bench[1::2], strict=False))
    assert len(pairs) >= (14 if stall else 19)
    waits = [abs(a - c) for a, _, c, _ in pairs]
    assert all(b == d for _, b, _, d in pairs)  # code and check bits
    assert max(waits) <= 10 and sum(w > 1 for w in waits) <= (2 if stall else 1)
    assert (model.lost > 0) == stall


def test_time_out_words():
    model = HallTimer(programs.HALL_TIMEOUT_TICKS, programs.HALL_OVERHEAD_TICKS, programs.HALL_CONFIRM)
    whole = programs.HALL_TIMEOUT_TICKS + programs.HALL_OVERHEAD_TICKS
    polls = [CYCLES_PER_TICK * whole * (i + 1) + 400 for i in range(4)]
    edge = 2 * whole + whole // 2
    words = bench_words(model, [(edge,)], polls)
    # test_pio_hall shows the same of the program: zeros, an edge from the last zero, zeros
    assert words[:2] == [0, 0] and words[2] == whole - (edge + programs.HALL_CONFIRM - 2 * whole)
    assert words[3:] == [0]


def test_the_tie_would_notice():
    model = HallTimer(programs.HALL_TIMEOUT_TICKS, programs.HALL_OVERHEAD_TICKS + 2, programs.HALL_CONFIRM)
    right = HallTimer(programs.HALL_TIMEOUT_TICKS, programs.HALL_OVERHEAD_TICKS, programs.HALL_CONFIRM)
    feed = [(e,) for e in range(2000, 12000, 1000)]
    polls = list(range(4000, 50000, 4000))
    off, on = bench_words(model, feed, polls), bench_words(right, feed, polls)
    assert len(on) == 10 and all(a - b == 2 for a, b in zip(off, on, strict=True))
