"""hall_timer, instruction by instruction: each word is the true interval within one tick."""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Callable

import pytest
from pio_rig import CYCLES_PER_TICK, State, pio_asm, programs, run

CONFIRM = programs.HALL_CONFIRM * CYCLES_PER_TICK  # cycles


def time_edges(
    lows: list[tuple[int, int]],
    drain: Callable[[State], int] = lambda state: 8,
    program=programs.HALL_TIMER,
    until: int = 0,
) -> list[tuple[int, int]]:
    """(cycle at which a word came, word) for a line that is low in the given spans."""
    changes = [c for span in lows for c in span]
    out = []
    end = until or changes[-1] + 2000

    def source(state: State) -> int:
        return 1 - bisect_right(changes, state.clock) % 2

    for state, taken in run(program, source, drain):
        out += [(state.clock, w) for w in taken]
        if state.clock > end:
            break
    return out


def ticks(word: int) -> int:
    return programs.HALL_TIMEOUT_TICKS - word + programs.HALL_OVERHEAD_TICKS


def test_intervals_and_no_drift():
    rng = random.Random(3)
    at, lows = 3000, []
    for _ in range(40):
        lows.append((at, at + rng.randrange(400, 900)))
        at += rng.randrange(1500, 4000)
    words = time_edges(lows)
    assert len(words) == 40
    for (a, _), (b, _), (_, word) in zip(lows, lows[1:], words[1:], strict=False):
        assert abs(ticks(word) - (b - a) / CYCLES_PER_TICK) <= 1
    total = sum(ticks(w) for _, w in words[1:])
    assert abs(total - (lows[-1][0] - lows[0][0]) / CYCLES_PER_TICK) <= 1
    # the first word counts from the start of the program, less the constant confirm time
    assert abs(ticks(words[0][1]) - programs.HALL_CONFIRM - lows[0][0] / CYCLES_PER_TICK) <= 4


def test_bursts_shorter_than_the_filter_neither_count_nor_cost_time():
    rng = random.Random(5)
    edges = [(6000, 7000), (14000, 15000), (22000, 23000)]
    lows = []
    for start, end in edges:
        # sparks before the edge, and the line lifted for moments while it is low
        at = start - 3000
        while at < start - 400:
            width = rng.randrange(1, CONFIRM - 8)
            lows.append((at, at + width))
            at += width + rng.randrange(1, 300)
        lows.append((start, start + 400))
        lows.append((start + 400 + rng.randrange(1, CONFIRM - 8), end))
    words = time_edges(lows)
    assert len(words) == 3
    for (a, _), (b, _), (_, word) in zip(edges, edges[1:], words[1:], strict=False):
        assert abs(ticks(word) - (b - a) / CYCLES_PER_TICK) <= 1


@pytest.mark.parametrize("width, counted", [(CONFIRM - 6, 0), (CONFIRM + 6, 1)])
def test_the_filters_length_is_8_us(width, counted):
    assert programs.HALL_CONFIRM / 4 == 8.0  # us
    words = time_edges([(3000, 3000 + width)], until=6000)
    assert len(words) == counted


def test_one_edge_when_the_line_bounces():
    words = time_edges([(3000, 3400), (3440, 3900), (3950, 4600)], until=6000)
    assert len(words) == 1


def test_line_stuck_low_gives_no_edge():
    words = time_edges([(10, 100000)], until=60000)
    assert words == []


def test_silence_is_worded_and_costs_no_time():
    """With the time-out shortened in the opcode, for the emulation's sake: 2**9 ticks."""
    short = type("Short", (), dict(vars(programs.HALL_TIMER)))()
    short.opcodes = programs.HALL_TIMER.opcodes[:]
    place = list(short.opcodes).index(0x4074)  # in_(null, 20)
    short.opcodes[place] = 0x4069  # in_(null, 9)
    timeout = 1 << 9
    lows = [(1000, 1300), (12345, 12700)]
    words = time_edges(lows, program=short)
    spans = [timeout - w + programs.HALL_OVERHEAD_TICKS for _, w in words]
    places = [i for i, (_, w) in enumerate(words) if w]
    assert len(places) == 2 and all(w == 0 for _, w in words[places[0] + 1 : places[1]])
    assert places[1] - places[0] > 3
    between = sum(spans[places[0] + 1 : places[1] + 1])
    assert abs(between - (lows[1][0] - lows[0][0]) / CYCLES_PER_TICK) <= 1
    # a line that is stuck low over a time-out does not turn into an edge
    words = time_edges([(1000, 9000)], program=short, until=11000)
    assert sum(1 for _, w in words if w) == 1


def test_full_fifo_holds_the_ninth_word_and_starts_anew():
    lows = [(2000 + 1500 * i, 2400 + 1500 * i) for i in range(14)]
    release = lows[11][0] + 700

    def drain(state):
        return 8 if state.clock >= release else 0

    words = time_edges(lows, drain)
    assert len(words) == 8 + 1 + 2  # eight kept, the ninth held, 10 to 12 lost, 13 and 14
    for i in range(1, 9):
        assert abs(ticks(words[i][1]) - 1500 / CYCLES_PER_TICK) <= 1
    # the tenth counts from the release, less the constant confirm time
    expected = (lows[12][0] - release) / CYCLES_PER_TICK + programs.HALL_CONFIRM
    assert abs(ticks(words[9][1]) - expected) <= 4
    assert abs(ticks(words[10][1]) - 1500 / CYCLES_PER_TICK) <= 1


def test_fastest_edges_of_the_settings_range():
    # 16 magnets at 25,000 rpm: 150 us apart, a third of it low
    period = round(60 / 25000 / 16 * programs.PIO_HZ)
    lows = [(2000 + period * i, 2000 + period * i + period // 3) for i in range(30)]
    words = time_edges(lows)
    assert len(words) == 30
    assert all(abs(ticks(w) - period / CYCLES_PER_TICK) <= 1 for _, w in words[1:])


def test_joined_for_receiving():
    assert programs.HALL_TIMER.fifo_join == pio_asm.PIO.JOIN_RX
