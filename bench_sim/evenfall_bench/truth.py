"""Truth of a pull from the bench's records: the fall of speed, and torque on bins."""

from __future__ import annotations

import math
from itertools import pairwise

from .physics import RPM, TRUTH_FIELDS, Bench

BIN_RPM = 250.0
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


def bins(
    bench: Bench, records: list[tuple[float, ...]], state: dict[str, float], start_s: float, end_s: float
) -> list[dict[str, float]]:
    """True engine torque on 250 rpm bins between two times, at full throttle and firing only.

    `expected_Nm`: torque map at the centre in this air; `reference_Nm`: the same at 99 kPa
    dry and 298.15 K; `mean_Nm`: mean over the crank angle turned in the bin, as it was,
    cycle scatter and all; `torque_Nm`: the same brought to the centre of the bin, that is
    expected_Nm times (work done) / (work expected over the same turns).
    """
    work: dict[int, float] = {}
    map_work: dict[int, float] = {}
    angle: dict[int, float] = {}
    time, speed, torque = FIELD["time_s"], FIELD["speed_rpm"], FIELD["engine_torque_Nm"]
    throttle, firing = FIELD["throttle"], FIELD["firing"]
    for a, b in pairwise(records):
        if not start_s <= b[time] <= end_s or b[throttle] * b[firing] < 1.0:
            continue
        mean = 0.5 * (a[speed] + b[speed])
        number = round(mean / BIN_RPM)
        turned = mean * RPM * (b[time] - a[time])
        work[number] = work.get(number, 0.0) + b[torque] * turned
        map_work[number] = map_work.get(number, 0.0) + bench.map_torque_Nm(mean, state) * turned
        angle[number] = angle.get(number, 0.0) + turned
    out = []
    for number in sorted(work):
        rpm = number * BIN_RPM
        expected = bench.map_torque_Nm(rpm, state)
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
