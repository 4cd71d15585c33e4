"""load_cell_reader, instruction by instruction, against an amplifier that keeps the data sheet.

Limits (data sheet of the 24-bit bridge amplifier, timing table): clock high 0.2-50 us, low at
least 0.2 us, first pulse at least 0.1 us after data-ready, power-down above 60 us high; the
clock's rising edge shifts a bit out, the 25th to 27th pulse put the data line high.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from pio_rig import CLOCK_PIN, CYCLE_S, CYCLES_PER_TICK, State, programs, run


@dataclass
class Amplifier:
    """Conversions `(cycle, code)`; watches its clock and answers on its data line."""

    conversions: list[tuple[int, int]]
    glitches: list[tuple[int, int]] = field(default_factory=list)  # low pulses [from, to)
    highs: list[int] = field(default_factory=list)  # cycles
    lows: list[int] = field(default_factory=list)
    pulses: list[int] = field(default_factory=list)  # pulses of each read-out
    starts: list[int] = field(default_factory=list)  # first rising edge of each read-out
    _next: int = 0
    _code: int = 0
    _bit: int = -1  # -1: nothing to read, 0: ready, n: n pulses seen
    _clock: int = 0
    _changed: int = 0

    def pin(self, state: State) -> int:
        now = state.clock
        clock = (state.pin_values >> CLOCK_PIN) & 1
        while self._next < len(self.conversions) and self.conversions[self._next][0] <= now:
            # a conversion that ends inside a read-out tears it: the worst a part may do
            self._code = self.conversions[self._next][1] & 0xFFFFFF
            self._close()
            self._bit = 0
            self._next += 1
        if clock != self._clock:
            (self.highs if self._clock else self.lows).append(now - self._changed)
            self._clock, self._changed = clock, now
            if clock and self._bit >= 0:
                if self._bit == 0:
                    self.starts.append(now)
                self._bit += 1
        if any(a <= now < b for a, b in self.glitches):
            return 0
        if self._bit == 0:
            return 0
        if 0 < self._bit <= 24:
            return (self._code >> (24 - self._bit)) & 1
        return 1

    def _close(self) -> None:
        if self._bit > 0:
            self.pulses.append(self._bit)
        self._bit = -1


def read(
    k: int,
    conversions: list[tuple[int, int]],
    drain: Callable[[State], int] = lambda state: 8,
    glitches: list[tuple[int, int]] | None = None,
    until: int = 0,
) -> tuple[Amplifier, list[int]]:
    amplifier = Amplifier(conversions, glitches or [])
    end = until or conversions[-1][0] + 3000
    words: list[int] = []

    def source(state: State) -> int:
        return amplifier.pin(state)

    for state, taken in run(programs.load_cell_reader(k), source, drain):
        words += taken
        if state.clock > end:
            break
    amplifier._close()
    return amplifier, words


def decode(k: int, words: list[int]) -> list[tuple[int, int, int]]:
    """(wait, signed code, check) of each pair."""
    out = []
    for wait, word in zip(words[::2], words[1::2], strict=True):
        code = word >> k
        out.append((wait, code - (1 << 24) if code & 0x800000 else code, word & ((1 << k) - 1)))
    return out


CODES = [0, -1, 1, 0x7FFFFF, -0x800000, 0x555555, -0x555556, 123456, -123456]
PERIOD = 4800  # cycles: 0.3 ms keeps the emulation short; the part's own is 12.5 ms


@pytest.mark.parametrize("k", [1, 2, 3])
def test_codes_times_and_pulses(k):
    # every phase of the program's loop against the data line: odd steps
    at, conversions = 1000, []
    for i, code in enumerate(CODES):
        conversions.append((at, code))
        at += PERIOD + 7 * i + 1
    amplifier, words = read(k, conversions)
    got = decode(k, words)
    assert [g[1] for g in got] == CODES  # sign, a true zero, both clamp codes
    assert all(g[2] == (1 << k) - 1 for g in got)
    assert amplifier.pulses == [24 + k] * len(CODES)
    total = 0
    for (a, _), (b, _), (wait, _, _) in zip(conversions, conversions[1:], got[1:], strict=False):
        ticks = wait + programs.LOAD_OVERHEAD_TICKS[k]
        assert abs(ticks - (b - a) / CYCLES_PER_TICK) <= 1
        total += ticks
    assert abs(total - (conversions[-1][0] - conversions[0][0]) / CYCLES_PER_TICK) <= 1  # no drift


@pytest.mark.parametrize("system_hz", [125_000_000, 133_000_000, 150_000_000, 200_000_000])
def test_clock_times_at_the_boards_clock(system_hz):
    divider_256 = system_hz * 256 // programs.PIO_HZ  # as the port computes it
    assert divider_256 * programs.PIO_HZ == system_hz * 256  # 0.25 us ticks without error
    cycle_s = divider_256 / 256 / system_hz
    uneven_s = 1 / system_hz  # data sheet 3.5.5: a fractional divider moves an edge by one system clock
    amplifier, _ = read(1, [(1000, 0x5A5A5A), (1000 + PERIOD, -3)])
    assert len(amplifier.highs) == 50
    for cycles in amplifier.highs:
        assert 0.2e-6 <= cycles * cycle_s - uneven_s and cycles * cycle_s + uneven_s <= 50e-6
    for cycles in amplifier.lows:
        assert cycles * cycle_s - uneven_s >= 0.2e-6
    for start, (ready, _) in zip(amplifier.starts, amplifier.conversions, strict=True):
        assert (start - ready) * cycle_s - uneven_s >= 0.1e-6


def test_full_fifo_stalls_with_the_clock_low():
    conversions = [(1000 + PERIOD * i, 1000 + i) for i in range(8)]
    release = conversions[7][0] + 900  # long after the sixth to eighth were lost

    def drain(state):
        return 8 if state.clock >= release else 0

    amplifier, words = read(1, [*conversions, (release + PERIOD, 77)], drain)
    assert max(amplifier.highs) * CYCLE_S <= 50e-6
    got = decode(1, words)
    # four pairs from before the stall, then the newest code, then in step again
    assert [g[1] for g in got] == [1000, 1001, 1002, 1003, 1007, 77]
    assert all(g[2] == 1 for g in got)
    # the held-up read-out began when a word was taken: time from there on is good
    began = next(s for s in amplifier.starts if s >= release)
    assert began - release < 40
    ticks = got[5][0] + programs.LOAD_OVERHEAD_TICKS[1]
    assert abs(ticks - PERIOD / CYCLES_PER_TICK) <= 10


@pytest.mark.parametrize("drained", range(0, 9))
def test_clock_is_never_left_high_whatever_the_fifo_holds(drained):
    """The processor stops for good after taking `drained` words."""
    taken = 0

    def drain(state):
        nonlocal taken
        n = min(1, drained - taken)
        taken += n
        return n

    amplifier, _ = read(3, [(1000 + PERIOD * i, i) for i in range(10)], drain)
    assert max(amplifier.highs) * CYCLE_S <= 50e-6
    assert amplifier._clock == 0


@pytest.mark.parametrize("phase", range(16))
def test_data_ready_at_any_phase_of_the_loop_is_taken_once(phase):
    conversions = [(2000 + phase, 0x123456), (2000 + PERIOD, -2)]
    _, words = read(1, conversions)
    assert [g[1] for g in decode(1, words)] == [0x123456, -2]


def test_noise_on_the_data_line_starts_no_read_out():
    # shorter than the 2 us of LOAD_CONFIRM looks
    glitches = [(c, c + 1 + c % 26) for c in range(1500, 5500, 333)]
    amplifier, words = read(1, [(1000, 5), (1000 + PERIOD, 6)], glitches=glitches)
    got = decode(1, words)
    assert [g[1] for g in got] == [5, 6]
    assert len(amplifier.pulses) == 2
    assert abs(got[1][0] + programs.LOAD_OVERHEAD_TICKS[1] - PERIOD / CYCLES_PER_TICK) <= 1


@pytest.mark.parametrize("length, code", [(42, -1), (100, (1 << 22) - 1)])
def test_a_long_low_out_of_step_shows_in_the_words(length, code):
    """A false data-ready reads 2**n - 1 with good check bits, but after a wait no part can have."""
    _, words = read(1, [(1000, 5), (1000 + 5 * PERIOD, 6)], glitches=[(3000, 3000 + length)])
    got = decode(1, words)
    assert [g[1] for g in got] == [5, code, 6]
    assert got[1][0] < 4000  # the driver drops what comes within 1 ms of a read-out


def test_a_read_out_of_two_conversions_only_happens_to_a_held_up_one():
    """A conversion ends while a held-up read-out runs: the word, of the fifth pair, may mix two of them."""
    conversions = [(1000 + PERIOD * i, 0x700000 + i) for i in range(7)]
    release = conversions[6][0] - 400

    def drain(state):
        return 8 if state.clock >= release else 0

    _, words = read(1, conversions, drain)
    got = decode(1, words)
    assert [g[1] for g in got[:4]] == [0x700000, 0x700001, 0x700002, 0x700003]
    assert got[4][1] not in (0x700004, 0x700005, 0x700006)  # mixed: the driver drops the pair after a stall


def test_absent_amplifier_gives_no_words():
    _, words = read(1, [(10**9, 0)], until=40000)
    assert words == []
