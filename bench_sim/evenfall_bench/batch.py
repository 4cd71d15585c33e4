"""Full sweeps in batches, for studies: real firmware, real port, the host as a program, truth beside it.

The truth comes from the physics alone.  The host's figures come from the host program's
own JSON output.  SWEEP_JSON.md names every field.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from . import host_runner
from .chip.parts import Parts
from .image import FIRMWARE
from .physics import TRUTH_FIELDS
from .session import Session
from .truth import bins, find_fall


def run_seeds(
    scenario: dict[str, Any],
    seeds: list[int],
    runs: int = 1,
    jobs: int = 1,
    host: bool = True,
    truth: bool = False,
    firmware: Path = FIRMWARE,
    say: Callable[[str], None] = lambda _: None,
    chip: Parts | None = None,
) -> dict[str, Any]:
    """One session per seed; see SWEEP_JSON.md for what comes back.  `say` hears of each run made.

    chip: run the firmware on an emulated chip (chip.parts.find), compiled, instead of the interpreter.
    """
    tasks = [(scenario, seed, runs, host, truth, firmware, chip) for seed in seeds]
    if jobs > 1 and len(tasks) > 1:
        with ProcessPoolExecutor(jobs) as pool:
            made = _collect(pool.map(_task, tasks), say)
    else:
        made = _collect(map(_task, tasks), say)
    # "runs" is the name that "boots" had in version 0.1
    return {"format": 1, "title": scenario["bench"]["title"], "boots": made, "runs": made}


def _collect(made: Iterable[dict[str, Any]], say: Callable[[str], None]) -> list[dict[str, Any]]:
    boots = []
    for boot in made:
        boots.append(boot)
        say(f"seed {boot['seed']}: {boot.get('error') or '; '.join(map(_in_a_line, boot['runs']))}")
    return boots


def _in_a_line(run: dict[str, Any]) -> str:
    """What became of one run; what the host could not reduce is said in its own words."""
    parts = []
    host = run.get("host", {})
    for key in ("verdict", "error"):
        if host.get(key):
            parts.append(str(host[key]))
    if "tracking" in run:
        parts.append(
            f"sweep {run['tracking']['sweep_s']:.2f} s, off by {run['tracking']['rms_percent']:.2f} % rms"
        )
    elif run.get("true_fall"):
        parts.append(f"true fall {run['true_fall']['seconds']:.2f} s")
    error = run.get("torque_error", {}).get("rms_percent")
    if error is not None:
        parts.append(f"torque off by {error:.2f} % rms")
    return ", ".join(parts) or "no sweep"


def _task(task: tuple[dict[str, Any], int, int, bool, bool, Path, Parts | None]) -> dict[str, Any]:
    return run_one(*task)


def run_one(
    scenario: dict[str, Any],
    seed: int,
    runs: int,
    host: bool,
    truth: bool,
    firmware: Path,
    chip: Parts | None = None,
) -> dict[str, Any]:
    """One boot of the board, `runs` sweeps, then the host fetches and reduces them."""
    result: dict[str, Any] = {"seed": seed}
    with Session(scenario, seed, runs, firmware=firmware, chip=chip) as session:
        told = host_runner.tell_set_up(session) if host else None
        cpu_before = time.process_time()
        session.run_script()
        cpu_s = time.process_time() - cpu_before + session.board.interpreter_cpu_s
        result["script_simulated_s"] = round(session.board.time_s, 3)
        result["script_wall_s"] = round(session.wall_s, 3)
        result["script_simulated_per_wall"] = round(session.board.time_s / session.wall_s, 2)
        result["script_simulated_per_cpu"] = round(session.board.time_s / cpu_s, 2)
        result["runs"] = [_run_truth(session, i, truth) for i in range(len(session.operator.closed_s))]
        if told is not None:
            host_runner.fetch_and_reduce(session, result, told)
        result["pulls"] = result["runs"]  # the name of version 0.1, for those who read it
        result["board_log"] = [
            {"time_s": round(t, 4), "what": what, "detail": detail} for t, what, detail in session.board.log
        ]
        result["console"] = (
            bytes(session.board.console[-2000:]).decode(errors="replace") if session.board.stopped else ""
        )
        result["simulated_s"] = round(session.board.time_s, 3)
        result["wall_s"] = round(session.wall_s, 3)
        result["simulated_per_wall"] = round(result["simulated_s"] / result["wall_s"], 2)
    return result


def _run_truth(session: Session, index: int, with_records: bool) -> dict[str, Any]:
    """Truth of one run: when the speed fell, and what the engine made in each bin."""
    operator, bench = session.operator, session.bench
    opened, closed = operator.opened_s[index], operator.closed_s[index]
    records = [r for r in bench.truth if opened <= r[0] <= closed]
    state = operator.engine_states[index]
    fall = find_fall(records, session.scenario["operator"]["end_rpm"])
    out: dict[str, Any] = {
        "opened_s": round(opened, 4),
        "closed_s": round(closed, 4),
        "engine": state,
        "true_fall": fall,
        "true_bins": bins(bench, records, state, fall["start_s"], fall["end_s"]) if fall else [],
    }
    if with_records:
        out["truth"] = {"fields": list(TRUTH_FIELDS), "records": [list(r) for r in records]}
    return out
