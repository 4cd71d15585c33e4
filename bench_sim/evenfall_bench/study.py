"""Full pulls for studies: real firmware, real port, the host as a program, truth beside it.

The truth comes from the physics alone.  The host's figures come from the host program's
own JSON output.  PULL_JSON.md names every field.
"""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

from . import hosting
from .image import PROJECT
from .physics import RPM, TRUTH_FIELDS, Bench
from .session import Session

BIN_RPM = 250.0
FIELD = {name: i for i, name in enumerate(TRUTH_FIELDS)}


def run_seeds(
    scenario: dict[str, Any],
    seeds: list[int],
    pulls: int = 1,
    jobs: int = 1,
    host: bool = True,
    truth: bool = False,
    firmware: Path = PROJECT / "firmware",
) -> dict[str, Any]:
    """One session per seed; see PULL_JSON.md for what comes back."""
    tasks = [(scenario, seed, pulls, host, truth, firmware) for seed in seeds]
    if jobs > 1 and len(tasks) > 1:
        with ProcessPoolExecutor(jobs) as pool:
            runs = list(pool.map(_task, tasks))
    else:
        runs = [_task(task) for task in tasks]
    return {"format": 1, "title": scenario["bench"]["title"], "runs": runs}


def _task(task: tuple[dict[str, Any], int, int, bool, bool, Path]) -> dict[str, Any]:
    return run_one(*task)


def run_one(
    scenario: dict[str, Any], seed: int, pulls: int, host: bool, truth: bool, firmware: Path
) -> dict[str, Any]:
    """One boot of the board, `pulls` pulls, then the host fetches and reduces them."""
    result: dict[str, Any] = {"seed": seed}
    with Session(scenario, seed, pulls, firmware=firmware) as session:
        told = hosting.tell_set_up(session) if host else None
        session.run_script()
        result["simulated_s"] = session.board.time_s
        result["script_wall_s"] = session.wall_s
        result["pulls"] = [_pull_truth(session, i, truth) for i in range(len(session.person.closed_s))]
        if told is not None:
            hosting.fetch_and_reduce(session, result, told)
        result["board_log"] = [
            {"time_s": round(t, 4), "what": what, "detail": detail} for t, what, detail in session.board.log
        ]
        result["console"] = (
            bytes(session.board.console[-2000:]).decode(errors="replace") if session.board.stopped else ""
        )
        result["simulated_s"] = round(session.board.time_s, 3)
        result["wall_s"] = round(session.wall_s, 3)
        result["simulated_per_wall"] = round(result["simulated_s"] / result["wall_s"], 2)
        script_s = session.person.closed_s[-1] if session.person.closed_s else 0.0
        result["script_wall_s"] = round(result["script_wall_s"], 3)
        result["script_simulated_per_wall"] = round(
            (script_s + scenario["operator"]["rest_s"]) / result["script_wall_s"], 2
        )
    return result


def _pull_truth(session: Session, index: int, with_records: bool) -> dict[str, Any]:
    """Truth of one pull: when the speed fell, and what the engine made in each bin."""
    person, bench = session.person, session.bench
    opened, closed = person.opened_s[index], person.closed_s[index]
    records = [r for r in bench.truth if opened <= r[0] <= closed]
    state = person.engine_states[index]
    fall = find_fall(records, session.scenario["operator"]["end_rpm"])
    out: dict[str, Any] = {
        "opened_s": round(opened, 4),
        "closed_s": round(closed, 4),
        "engine": state,
        "true_fall": fall,
        "true_bins": bins(bench, records, state, fall) if fall else [],
    }
    if with_records:
        out["truth"] = {"fields": list(TRUTH_FIELDS), "records": [list(r) for r in records]}
    return out


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
    bench: Bench, records: list[tuple[float, ...]], state: dict[str, float], fall: dict[str, float]
) -> list[dict[str, float]]:
    """True engine torque on 250 rpm bins over the fall.

    `torque_Nm`: mean over the crank angle turned in the bin, as it was, cycle scatter and
    all; `expected_Nm`: torque map at the centre in this air; `reference_Nm`: the same at
    99 kPa dry and 298.15 K.
    """
    work: dict[int, float] = {}
    angle: dict[int, float] = {}
    time, speed, torque = FIELD["time_s"], FIELD["speed_rpm"], FIELD["engine_torque_Nm"]
    for a, b in pairwise(records):
        if not fall["start_s"] <= b[time] <= fall["end_s"]:
            continue
        mean = 0.5 * (a[speed] + b[speed])
        number = round(mean / BIN_RPM)
        turned = mean * RPM * (b[time] - a[time])
        work[number] = work.get(number, 0.0) + b[torque] * turned
        angle[number] = angle.get(number, 0.0) + turned
    out = []
    for number in sorted(work):
        rpm = number * BIN_RPM
        expected = bench.map_torque_Nm(rpm, state)
        real = work[number] / angle[number]
        out.append(
            {
                "speed_rpm": rpm,
                "torque_Nm": round(real, 5),
                "power_W": round(real * rpm * RPM, 2),
                "expected_Nm": round(expected, 5),
                "expected_W": round(expected * rpm * RPM, 2),
                "reference_Nm": round(expected / state["air_factor"], 5),
                "turns": round(angle[number] / (2.0 * math.pi), 2),
            }
        )
    return out
