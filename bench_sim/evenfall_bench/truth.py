"""Truth of a run from the bench's records: the fall of speed, and torque on bins."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

from .physics import RPM, TRUTH_FIELDS, Bench

BIN_RPM = 250.0
HOLD_S = 0.9
PAST_S = 0.5
MAP_STEPS = 50  # of a bin, for the mean of the torque map over it
FIELD = {name: i for i, name in enumerate(TRUTH_FIELDS)}


def find_fall(records: list[tuple[float, ...]], end_rpm: float) -> dict[str, float] | None:
    """The fall that leads through `end_rpm`: where it began and ended, from the true speed alone.

    It begins where the speed was last within 0.5 % of the speed held before it (the median
    of the second before the last maximum).  None when the speed never fell through the end.
    """
    at, speed = FIELD["time_s"], FIELD["speed_rpm"]
    top = 0
    end = None
    for i, r in enumerate(records):
        if r[speed] >= records[top][speed]:
            top = i
        if r[speed] <= end_rpm and records[top][speed] > 1.2 * end_rpm:
            end = i
            break
    if end is None:
        return None
    before, after = records[end - 1], records[end]
    share = (before[speed] - end_rpm) / max(before[speed] - after[speed], 1e-9)
    end_s = before[at] + share * (after[at] - before[at])
    held = records[top][speed]
    start = end
    while start > top and records[start][speed] < 0.995 * held:
        start -= 1
    return {
        "start_s": round(records[start][at], 4),
        "end_s": round(end_s, 4),
        "start_rpm": round(records[start][speed], 1),
        "end_rpm": end_rpm,
        "seconds": round(end_s - records[start][at], 4),
    }


def around_sweep(
    records: list[tuple[float, ...]], sweep_start_s: float, sweep_end_s: float
) -> tuple[float, float]:
    """(start, end) of what may be used of a judged sweep to tell the engine's torque.

    From `HOLD_S` before it (the hold at full throttle and the ramp entry) to `PAST_S` after its
    end, or to where the throttle closes before that.
    """
    time, throttle = FIELD["time_s"], FIELD["throttle"]
    end_s = sweep_end_s + PAST_S
    closed = (r[time] for r in records if sweep_end_s <= r[time] < end_s and r[throttle] < 1.0)
    return sweep_start_s - HOLD_S, next(closed, end_s)


def over_turns(records: list[tuple[float, ...]]) -> Iterator[tuple[float, float, float, float, float]]:
    """Per record (time_s, rpm, N.m, rad turned, throttle x firing), meaned over the turn around it.

    Work and angle are summed over the records and interpolated half a turn before and after the
    middle of each.  Records of 1 ms leave 0.02 % of uncertainty in a bin, records of 5 ms 0.12 %: the
    torque within a turn swings, and a turn of a fast engine lasts 4 ms.
    """
    time, speed, torque = FIELD["time_s"], FIELD["speed_rpm"], FIELD["engine_torque_Nm"]
    throttle, firing = FIELD["throttle"], FIELD["firing"]
    at: list[float] = []
    angle: list[float] = []
    work: list[float] = []
    turned = done = 0.0
    for a, b in pairwise(records):
        if not at:
            at, angle, work = [a[time]], [0.0], [0.0]
        step = 0.5 * (a[speed] + b[speed]) * RPM * (b[time] - a[time])
        turned += step
        done += b[torque] * step
        at.append(b[time])
        angle.append(turned)
        work.append(done)
    back = ahead = 0
    for k in range(1, len(at)):
        middle = 0.5 * (angle[k - 1] + angle[k])
        if middle < math.pi or middle + math.pi > turned:
            continue
        while angle[back + 1] < middle - math.pi:
            back += 1
        while angle[ahead + 1] < middle + math.pi:
            ahead += 1
        t0, w0 = _between(angle, at, work, back, middle - math.pi)
        t1, w1 = _between(angle, at, work, ahead, middle + math.pi)
        last = records[k]
        yield (
            0.5 * (at[k - 1] + at[k]),
            60.0 / (t1 - t0),
            (w1 - w0) / (2.0 * math.pi),
            angle[k] - angle[k - 1],
            last[throttle] * last[firing],
        )


def _between(
    angle: list[float], at: list[float], work: list[float], k: int, place: float
) -> tuple[float, float]:
    """(time, work) at an angle between records k and k + 1."""
    share = (place - angle[k]) / max(angle[k + 1] - angle[k], 1e-12)
    return at[k] + share * (at[k + 1] - at[k]), work[k] + share * (work[k + 1] - work[k])


def bins(
    bench: Bench, records: list[tuple[float, ...]], state: dict[str, float], start_s: float, end_s: float
) -> list[dict[str, float]]:
    """True engine torque on 250 rpm bins between two times, at full throttle and firing only.

    Torque and speed are means over the whole crank turn around each instant, as an engine's
    torque is understood: where a bin begins within a turn does not matter.
    A bin's torque is the mean over its whole width, every speed in it counting alike.
    `expected_Nm`: that of the torque map in this air; `reference_Nm`: the same at 99 kPa dry
    and 298.15 K; `torque_Nm`: expected_Nm times (work done) / (work expected over the same
    turns), so that it does not matter which part of the bin the turns filled; `mean_Nm`: mean
    over the crank angle turned in the bin, as it was, cycle scatter and all.  Powers: torque
    times the speed at the centre.
    """
    work: dict[int, float] = {}
    map_work: dict[int, float] = {}
    angle: dict[int, float] = {}
    near = [r for r in records if start_s - 0.1 <= r[FIELD["time_s"]] <= end_s + 0.1]
    for time_s, speed, torque, turned, open_and_firing in over_turns(near):
        if not start_s <= time_s <= end_s or open_and_firing < 1.0:
            continue
        number = round(speed / BIN_RPM)
        work[number] = work.get(number, 0.0) + torque * turned
        map_work[number] = map_work.get(number, 0.0) + bench.map_torque_Nm(speed, state) * turned
        angle[number] = angle.get(number, 0.0) + turned
    out = []
    for number in sorted(work):
        rpm = number * BIN_RPM
        places = (rpm + BIN_RPM * ((k + 0.5) / MAP_STEPS - 0.5) for k in range(MAP_STEPS))
        expected = sum(bench.map_torque_Nm(place, state) for place in places) / MAP_STEPS
        real = expected * work[number] / map_work[number]
        out.append(
            {
                "speed_rpm": rpm,
                "torque_Nm": round(real, 5),
                "power_W": round(real * rpm * RPM, 2),
                "mean_Nm": round(work[number] / angle[number], 5),
                "expected_Nm": round(expected, 5),
                "expected_W": round(expected * rpm * RPM, 2),
                "reference_Nm": round(expected / state["air_factor"], 5),
                "turns": round(angle[number] / (2.0 * math.pi), 2),
            }
        )
    return out
