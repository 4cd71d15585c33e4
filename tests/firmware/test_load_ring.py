"""Load samples in six bytes: what comes out is what went in, the newest of it."""

from __future__ import annotations

import struct
import sys

from firmware_rig import PROJECT
from hypothesis import given
from hypothesis import strategies as st

sys.path.append(str(PROJECT / "firmware/lib"))
from evenfall_board.recorder import PAGE, LoadRing

WRAP = 1 << 30  # of ticks
FAR = 1 << 24  # ticks: farther from the first of its page a sample begins a new history
CAPACITY = 3 * PAGE

steps = st.lists(
    st.tuples(
        st.one_of(st.integers(1, 60_000), st.sampled_from((50_000, FAR - 1, FAR, 5 * FAR))),
        st.integers(-(1 << 23), (1 << 23) - 1),
    ),
    max_size=12 * PAGE,
)


def records(ring: LoadRing) -> list[tuple[int, int]]:
    """All that the ring keeps, as it goes onto the wire."""
    out = memoryview(bytearray(8 * ring.used))
    assert ring.copy(0, ring.used, out) == len(out)
    return list(struct.iter_unpack("<Ii", out))


@given(start=st.integers(0, WRAP - 1), steps=steps, repeat=st.integers(1, 9))
def test_the_newest_samples_are_kept_as_they_were(start, steps, repeat):
    ring, put, tick = LoadRing("load_samples", CAPACITY), [], start
    for step, count in steps * repeat:
        tick = (tick + step) % WRAP
        ring.put2(tick, count)
        put.append((tick, count))
    kept = records(ring)
    assert kept == put[len(put) - len(kept) :]
    assert [ring.tick(i) for i in range(ring.used)] == [tick for tick, _ in kept]
    assert ring.lost == min(len(put) - len(kept), 65535)
    if all(step < FAR // PAGE for step, _ in steps):
        assert len(kept) >= min(CAPACITY, len(put))


@given(steps=st.lists(st.integers(1, 60_000), min_size=1, max_size=5 * PAGE), data=st.data())
def test_a_record_is_cut_at_both_ends(steps, data):
    """Before the trigger and, in a small record, after the sweep; the ring goes on after it."""
    ring, put, tick = LoadRing("load_samples", CAPACITY), [], 7
    for n, step in enumerate(steps):
        tick += step
        ring.put2(tick, n)
        put.append((tick, n))
    whole = records(ring)
    first, last = sorted(data.draw(st.integers(0, tick)) for _ in range(2))
    ring.keep_from(first)
    ring.keep_until(last)
    assert records(ring) == [r for r in whole if first <= r[0] < last]
    ring.clear()
    for n in range(2 * CAPACITY):
        ring.put2(tick + n, -n)
    assert records(ring)[-1] == (tick + 2 * CAPACITY - 1, 1 - 2 * CAPACITY)
    assert ring.used >= CAPACITY
