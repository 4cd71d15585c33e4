"""Speed, torque, zero and guard with integers that refuse to leave 31 bits."""

from __future__ import annotations

import sys

import pytest
from evenfall_wire.settings import BY_NAME, SETTINGS
from firmware_rig import PROJECT
from hypothesis import example, given, settings
from hypothesis import strategies as st
from small_ints import Small, harden

sys.path.insert(0, str(PROJECT / "firmware" / "lib"))

from evenfall_board import guard, sensing, valve_map
from evenfall_board.drivers import ticks


def setting(name):
    _, _, _, _, low, high, _ = BY_NAME[name]
    return st.integers(low, high)


DEFAULTS = {s[1]: s[3] for s in SETTINGS}


def make_speed(values):
    speed = sensing.Speed({**DEFAULTS, **values})
    harden(speed)
    return speed


def run_speed(values, start, intervals, wait):
    speed = make_speed(values)
    tick = start
    seen = []
    for interval in intervals:
        tick = (tick + interval) & ticks.MASK
        speed.edge(Small(tick))
        harden(speed)
        seen.append(speed.update(Small((tick + wait) & ticks.MASK)))
    return speed, seen


drive = st.fixed_dictionaries(
    {name: setting(name) for name in ("engine_teeth", "brake_teeth", "magnets", "hall_timeout")}
)


@settings(max_examples=300, deadline=None)
@given(
    drive,
    st.integers(0, ticks.MASK),
    st.lists(
        st.one_of(st.integers(1, 200), st.integers(200, 60000), st.integers(60000, 1 << 29)), max_size=90
    ),
    st.integers(0, 1 << 29),
)
def test_speed_stays_small(values, start, intervals, wait):
    _, seen = run_speed(values, start, intervals, wait)
    assert all(0 <= s <= sensing.TOP_SPEED for s in seen)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(1500, 15000),
    st.integers(1, 16),
    st.integers(1, 40),
    st.integers(1, 40),
    st.integers(0, 1 << 30),
)
def test_speed_is_right(rpm, magnets, engine_teeth, brake_teeth, start):
    """60 / (turns per minute) seconds a turn: the definition, in floats."""
    brake_rpm = rpm * engine_teeth / brake_teeth
    interval = 4e6 * 60 / brake_rpm / magnets
    if interval < 100 or interval > 600000:
        return
    values = {"engine_teeth": engine_teeth, "brake_teeth": brake_teeth, "magnets": magnets}
    times = [round(i * interval) for i in range(1, 70)]
    intervals = [b - a for a, b in zip([0, *times], times, strict=False)]
    speed, seen = run_speed(values, start & ticks.MASK, intervals, 0)
    assert speed.missed == speed.extra == 0
    # a tick at each end of the window of at least one turn, and one half rpm of rounding
    window = max(interval * magnets, 1)
    assert abs(seen[-1] - 2 * rpm) <= 2 + 2 * rpm * (2 / window + 2e-4)


def disturbed(rpm, count, drop=(), extra=()):
    """Edge times of one magnet with some missing and some false ones."""
    interval = 240e6 / rpm
    times = []
    for i in range(count):
        if i not in drop:
            times.append(round((i + 1) * interval))
        if i in extra:
            times.append(round((i + 1 + extra[i]) * interval))
    return times


@pytest.mark.parametrize("rpm", [3000, 5000, 9000, 14000])
def test_missed_and_extra_edges_are_healed_and_counted(rpm):
    extra = {20: 0.1, 33: 0.5, 47: 0.9, 60: 0.3}
    times = disturbed(rpm, 80, drop=(12, 28, 29, 55), extra=extra)
    speed = make_speed({})
    worst = 0
    for n, tick in enumerate(times):
        speed.edge(Small(tick))
        harden(speed)
        if n > 4:
            worst = max(worst, abs(speed.update(Small(tick)) - 2 * rpm) / (2 * rpm))
    assert speed.missed == 4
    assert 3 <= speed.extra <= 5
    assert worst < 0.112  # an extra edge just before a true one is believed for one window
    assert abs(speed.update(Small(times[-1])) - 2 * rpm) < 0.002 * 2 * rpm


def test_speed_locks_again_after_a_jump():
    """When the shaft really turns at half or twice the speed the edge repair must let go."""
    for factor in (0.5, 2.0, 3.0, 0.34):
        speed = make_speed({})
        tick = 0
        for _ in range(30):
            tick += 24000
            speed.edge(Small(tick))
            harden(speed)
        for _ in range(12):
            tick += round(24000 / factor)
            speed.edge(Small(tick))
            harden(speed)
        assert abs(speed.update(Small(tick)) - 20000 * factor) < 0.01 * 20000 * factor, factor


def test_speed_is_held_over_a_gap_and_says_so():
    speed = make_speed({})
    tick = 0
    for _ in range(30):
        tick += 24000
        speed.edge(Small(tick))
        harden(speed)
    seen = []
    for ms in (1, 11, 13, 60, 149, 151):
        seen.append((speed.update(Small(tick + ms * 4000)), speed.held_over))
    assert seen == [(20000, False)] * 2 + [(20000, True)] * 3 + [(0, True)]  # 12 ms are two turns


@settings(max_examples=500, deadline=None)
@given(
    st.fixed_dictionaries(
        {
            "arm_length": setting("arm_length"),
            "span": setting("span").filter(lambda v: abs(v) >= 1000),
            "load_limit": setting("load_limit"),
        }
    ),
    st.integers(-0x800000, 0x7FFFFF),
    st.integers(-0x800000, 0x7FFFFF),
)
def test_torque_stays_small_and_right(values, zero, count):
    torque = sensing.Torque({**DEFAULTS, **values})
    torque.zero = zero
    harden(torque)
    got = torque.mNm(Small(count))
    true = (count - zero) / (values["span"] / 1000) * values["arm_length"] * 1e-6 * 1000  # N.m -> mN.m
    if abs(true) < 2**27:
        one_count = values["arm_length"] / abs(values["span"])
        assert abs(got - true) <= 2 + one_count + abs(true) / 20000
    else:
        assert got * true > 0


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-0x800000, 0x7FFFFF), min_size=64, max_size=200), st.booleans())
def test_zero_stays_small_and_is_the_mean(counts, near):
    if near:
        counts = [100000 + c // 4096 for c in counts]
    zero = sensing.Zero(1 << 24)
    harden(zero)
    taken = []
    for i, count in enumerate(counts):
        if zero.take(Small(i), Small(count)):
            taken.append((i, zero.mean_x16, zero.spread))
        harden(zero)
    if near:
        i, mean_x16, spread = taken[0]
        block = counts[:64]
        assert i == 63
        assert abs(mean_x16 - 16 * sum(block) / 64) <= 1
        assert spread == max(block) - min(block)


def blocks(zero, spread, n, at=0):
    """Blocks of 64 samples that spread so far: how many were taken."""
    return sum(zero.take(i, at + (spread if i & 1 else 0)) for i in range(64 * n))


def test_an_unsteady_block_is_no_zero():
    limit = 400 * 42000  # 400 N at the default span
    zero = sensing.Zero(limit)
    assert blocks(zero, limit // 512 + 2, 3) == 0 and zero.refused >= 3 and zero.samples == 0
    assert blocks(zero, limit // 512, 1) == 1 and zero.refused == 0  # a rough bench: the share of the limit
    assert blocks(zero, 1000, 1, at=7) == 1 and zero.mean_x16 == 16 * 507
    # once it was quiet, four times as far is not at rest, and the old zero stands
    assert blocks(zero, 4100, 1, at=5000) == 0 and zero.refused == 1 and zero.mean_x16 == 16 * 507
    assert blocks(zero, 4000, 1) == 1
    # ... but not for ever: a bench that stays rougher is believed after a while
    assert 8 <= 20 - blocks(zero, 12000, 20) <= 16
    # a dead quiet amplifier does not make its own noise unsteady
    zero = sensing.Zero(limit)
    assert blocks(zero, 0, 1) == blocks(zero, 500, 1) == 1
    # nor does a tiny load limit
    assert blocks(sensing.Zero(40), 300, 1) == 1


passes = st.tuples(
    st.integers(0, 65535),  # speed, half rpm
    st.integers(-65536, 70000),  # set speed: where the ramp runs on it may leave what the trace can carry
    st.integers(-0x0FFFFFFF, 0x0FFFFFFF),
    st.integers(500, 2500),
    st.sampled_from(["steady", "sweep", "release"]),
    st.one_of(st.integers(0, 40), st.integers(0, 4000)),  # ms since the pass before
    st.booleans(),
)
guarded = st.fixed_dictionaries(
    {
        name: setting(name)
        for name in ("overspeed", "start_speed", "end_speed", "hall_timeout", "servo_shut", "servo_open")
    }
    | {"upward": st.integers(0, 1)}
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(passes, max_size=200),
    st.integers(-0x800000, 0x7FFFFF),
    guarded,
    st.sampled_from([10, 80, 93, 320, 400]),
    st.integers(0, valve_map.MAX_DELAY * 125 >> 12),
    st.one_of(st.just(0), st.integers(valve_map.MIN_INERTIA, valve_map.MAX_INERTIA)),
)
@example([(0, 0, 0, 500, "sweep", 16, False)], 0, {}, 80, 0, 0)  # at standstill, and a set speed of nothing
@example(
    [(60000, 60000, 4000, 1500, "sweep", 0, False)] * 9 + [(0, 0, 0, 1500, "sweep", 0, False)],
    0,
    {},
    80,
    50,
    262143,
)
def test_guard_stays_small(rounds, count, values, load_hz, delay_ms, inertia):
    watch = guard.Guard({**DEFAULTS, **values}, load_hz)
    watch.delay_ms = delay_ms
    watch.inertia = inertia
    edges = 0
    for speed, set_speed, torque, us, phase, passed_ms, held_over in rounds:
        harden(watch)
        sweeping, releasing = phase == "sweep", phase == "release"
        watch.control_step(
            Small(speed), Small(set_speed), Small(torque), Small(us), phase == "steady", sweeping
        )
        harden(watch)
        edges = (edges + 1) & 0x3FFFFFFF
        watch.every_pass(
            Small(speed), Small(edges), Small(us * passed_ms), passed_ms, True, Small(torque), releasing
        )
        watch.breakdown(
            Small(speed),
            Small(0 if releasing else set_speed),
            Small(passed_ms),
            Small(torque),
            Small(0 if phase == "steady" else inertia),
            held_over,
        )
        watch.steady(Small(passed_ms))
        watch.supply(Small(us), Small(passed_ms))
        watch.load(Small(count), Small(min(count, 1 << 24)), Small(1 << 24), sweeping)
