"""The host's part of a study: its command line, run as a program beside the bench.

Nothing of the host is imported; what it says in its --json output is all that is used.
"""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from typing import Any

from . import air_standards
from .image import BenchError
from .physics import RPM, TRUTH_FIELDS
from .session import Session
from .truth import around_sweep, bins, over_turns

STANDARD_GRAVITY = 9.80665  # m/s2, defined (CGPM 1901)
TICK_WRAP = 1 << 30  # ticks of 0.25 us, as the board's clock counts them
REST_S = 120.0  # simulated time a board may take to store its last run
AT = TRUTH_FIELDS.index("time_s")


def host_program() -> str:
    """Path of the command `evenfall`."""
    beside = Path(sys.executable).parent / "evenfall"
    found = str(beside) if beside.exists() else shutil.which("evenfall")
    if not found:
        raise BenchError("the command evenfall is missing; install the package with its host part")
    return found


def tell_set_up(session: Session) -> subprocess.Popen[str]:
    """Tell the host what its user knows of the bench; runs while the bench makes its sweeps.

    Teeth, magnets, drive efficiency if the scenario tells one, and the inertia: two runs at
    different rates give it; here it is the true one, off by what the scenario's [told] says.
    """
    drive, told = session.scenario["drive"], session.scenario["told"]
    ratio = drive["engine_teeth"] / drive["brake_teeth"]
    inertia = session.scenario["engine"]["inertia_kg_m2"]
    inertia += session.scenario["brake"]["inertia_kg_m2"] * ratio**2
    inertia *= 1.0 + told["inertia_error"]
    efficiency = ["--efficiency", str(told["efficiency"])] if told["efficiency"] else []
    return subprocess.Popen(
        [host_program(), "setup", "add", "bench", "--engine-teeth", str(drive["engine_teeth"]),
         "--brake-teeth", str(drive["brake_teeth"]), "--magnets", str(session.scenario["hall"]["magnets"]),
         "--inertia", f"{inertia:.8f}", "--inertia-u", f"{told['inertia_u'] * inertia:.8f}", *efficiency,
         *_archive(session)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def tell_calibration(session: Session) -> str:
    """Tell the host arm and span with their uncertainty, as a user who hung weights; "" when it took them.

    Only where the scenario's [told] gives an uncertainty; else the host takes the board's settings.
    """
    told, cell = session.scenario["told"], session.scenario["load_cell"]
    if not told["arm_u"] and not told["span_u"]:
        return ""
    arm_m = cell["arm_m"] * (1.0 + told["arm_error"])
    counts = cell["counts_per_N"] * (1.0 + told["span_error"]) * STANDARD_GRAVITY
    readings: list[str] = []
    full_kg = session.scenario["brake"]["full_torque_Nm"] * 0.3 / arm_m / STANDARD_GRAVITY
    for share in (0.0, 0.5, 1.0, 0.5, 0.0):
        kg = round(share * full_kg, 4)
        readings += ["--reading", f"{kg} kg={cell['zero_count'] + counts * kg:.0f}"]
    done = subprocess.run(
        [host_program(), "calibrate", "span", *readings, "--arm", f"{arm_m * 1e3:.4f} mm",
         "--arm-u", f"{told['arm_u'] * arm_m * 1e3:.4f} mm", "--weights-u", f"{told['span_u'] * 100:.4f} %",
         "--angle-u", "0 deg", *_archive(session)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return f"the host refused the calibration: {done.stderr.strip()}" if done.returncode else ""


def _archive(session: Session) -> list[str]:
    return ["--archive", str(session.folder / "archive")]


def fetch_and_reduce(session: Session, result: dict[str, Any], told: subprocess.Popen[str]) -> None:
    """Let the host pull all runs; put its figures beside the truth of each run in `result`.

    Where the board has no barometer the air is typed in, as a user would.
    """
    complaint = told.communicate()[1]
    if told.returncode:
        result["error"] = f"the host refused the set-up: {complaint.strip()}"
        return
    refused = tell_calibration(session)
    if refused:
        result["error"] = refused
        return
    scenario = session.scenario
    command = [host_program(), "pull", "--port", session.port_path, "--json", "--no-plot"]
    command += _archive(session)
    if not scenario["weather"]["sensor"]:
        command += [
            "--pressure", f"{session.bench.pressure_Pa:.0f} Pa",
            "--temperature", f"{session.bench.temperature_K - 273.15:.2f} C",
            "--humidity", f"{session.bench.humidity * 100:.1f} %",
        ]  # fmt: skip
    expected = len(session.operator.opened_s)
    told_runs = _wait_for_runs(session, expected)
    if told_runs:
        result["host_note"] = told_runs
    done = session.run_beside(command, timeout_s=120.0 + 60.0 * len(result["runs"]))
    result["host_exit_code"] = done.returncode
    result["host_messages"] = done.stderr.strip().splitlines()[-12:]
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        last = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        result["error"] = f"the host gave no result: {last}"
        return
    result["link"] = answer.get("link")
    _join(session, result["runs"], answer["runs"])


def _wait_for_runs(session: Session, expected: int) -> str:
    """Let the bench run until the board's LED no longer flickers; "" when it does.

    The LED is what a person would watch: it flickers five times a second while the board
    releases the load and stores the run.
    """
    board = session.board
    end = board.time_s + REST_S
    while board.time_s < end:
        lit = [t for t, on in board.led[-40:] if on and t > board.time_s - 2.5]
        if all(b - a > 0.3 for a, b in pairwise(lit)):
            return ""
        board.run_until(board.time_s + 0.5)
    return f"the board was still busy {REST_S:.0f} s after {expected} runs"


def _join(session: Session, runs: list[dict[str, Any]], reduced: list[dict[str, Any]]) -> None:
    """Put each host result under the run it belongs to."""
    board_rate = 1.0 / session.board.true_s_per_us * 4.0  # ticks per true second
    last_s = session.board.time_s
    offset = session.board.tick_offset
    sweeps = list(runs)
    for run in reduced:
        # the tick wraps every 268 s; runs come in order, so each belongs to a sweep after the one before
        start_s = ((run.get("start_tick", 0) - offset) % TICK_WRAP) / board_rate
        wrap_s = TICK_WRAP / board_rate
        candidates = [start_s + n * wrap_s for n in range(int(last_s / wrap_s) + 1)]
        match = None
        for start in candidates:
            for made in sweeps:
                if made["opened_s"] - 12.0 <= start <= made["closed_s"]:
                    match = (made, start)
                    break
            if match:
                break
        if match is None:
            runs.append({"host": run, "note": "a run outside the operator's sweeps"})
            continue
        made, start = match
        sweeps = sweeps[sweeps.index(made) + 1 :]
        made["host"] = run
        made["run_start_s"] = round(start, 6)
        verdict = run.get("board_verdict")
        if verdict and verdict["sweep_end_tick"] > verdict["sweep_start_tick"]:
            set_s = run.get("sweep_time_set_s")
            kept = tracking(session.bench.truth, start, verdict, set_s, 4.0e6 / board_rate)
            made["tracking"] = kept
            records = session.bench.truth
            span = around_sweep(records, kept["sweep_start_s"], kept["sweep_end_s"])
            made["true_bins"] = bins(session.bench, records, made["engine"], *span)
        made["torque_error"] = torque_error(
            run, made.get("true_bins", []), made["engine"], session.scenario["engine"]["friction_share"]
        )


def tracking(
    truth: list[tuple[float, ...]],
    start_s: float,
    verdict: dict[str, Any],
    set_s: float | None,
    clock: float,
) -> dict[str, Any]:
    """True speed, the mean over the turn around each record, against the line set to the board.

    verdict: the host's scaled verdict (ticks as seconds from the run's start, speeds in rpm).
    set_s: time the line takes from the start speed to the end speed; None: as long as it took.
    clock: true seconds per second of the board's crystal.  Errors in per cent of the set speed.
    """
    first = start_s + verdict["sweep_start_tick"] * clock
    last = start_s + verdict["sweep_end_tick"] * clock
    top, end = verdict["start_speed"], verdict["end_speed"]
    turns = [
        (at, rpm)
        for at, rpm, *_ in over_turns([r for r in truth if first - 0.1 <= r[AT] <= last + 1.1])
        if first <= at <= last + 1.0
    ]
    errors = []
    for at, rpm in turns:
        if at <= last:
            wanted = top + (end - top) * (at - first) / (set_s * clock if set_s else last - first)
            errors.append(100.0 * (rpm - wanted) / wanted)
    crossing = 0.0
    for (at, rpm), (then, later) in pairwise(turns):
        if rpm > end >= later:
            crossing = at + (then - at) * (rpm - end) / (rpm - later)
            break
    fitted = fitted_time_s([t for t in turns if t[0] <= last], top, end)
    return {
        "sweep_start_s": round(first, 4),
        "sweep_end_s": round(last, 4),
        "sweep_s": round(last - first, 4),
        "true_sweep_s": round(crossing - first, 4) if crossing else None,
        "fitted_sweep_s": round(fitted, 4) if fitted else None,
        "rms_percent": round(math.sqrt(sum(e * e for e in errors) / len(errors)), 4) if errors else 0.0,
        "worst_percent": round(max(map(abs, errors)), 4) if errors else 0.0,
    }


def fitted_time_s(turns: list[tuple[float, float]], top: float, end: float) -> float | None:
    """Time from `top` to `end` on the least-squares line through (time, speed); None without a fall."""
    if len(turns) < 3:
        return None
    n = len(turns)
    mean_t, mean_v = (sum(x) / n for x in zip(*turns, strict=True))
    square = sum((t - mean_t) ** 2 for t, _ in turns)
    slope = sum((t - mean_t) * (v - mean_v) for t, v in turns) / square if square else 0.0
    return (end - top) / slope if slope < 0.0 else None


def torque_error(
    run: dict[str, Any], true_bins: list[dict[str, Any]], state: dict[str, float], friction_share: float
) -> dict[str, Any]:
    """Host's torque less the true one, bin by bin, in per cent; worst and RMS: observed and corrected.

    A bin counts when it holds at least two load samples and 20 turns of the truth.  Corrected torque
    is held against the engine's torque at the standard's reference by the bench's own air law; how far the
    standard itself is from that law stands beside it (`air`), and is no error of the host.
    """
    true = {round(b["speed_rpm"]): b for b in true_bins}
    standard = air_standards.STANDARDS.get(run.get("standard", ""))
    law = air_standards.law(standard, state, friction_share) if standard else None
    rows = []
    for b in run.get("bins", []):
        t = true.get(round(b["speed_rpm"]))
        seen = b.get("torque_observed_Nm")
        if t is None or seen is None or seen != seen or b["count"] < 2 or t["turns"] < 20:
            continue
        row = {
            "speed_rpm": b["speed_rpm"],
            "observed_Nm": seen,
            "true_Nm": t["torque_Nm"],
            "error_percent": round(100.0 * (seen - t["torque_Nm"]) / t["torque_Nm"], 4),
            "expected_Nm": t["expected_Nm"],
            "from_expected_percent": round(100.0 * (seen - t["expected_Nm"]) / t["expected_Nm"], 4),
            "corrected_Nm": b["torque_Nm"],
            "reference_Nm": t["reference_Nm"],
            "observed_W": seen * b["speed_rpm"] * RPM,
            "true_W": t["power_W"],
        }
        if law:
            true_corrected = t["torque_Nm"] * law
            row["true_corrected_Nm"] = round(true_corrected, 5)
            row["corrected_error_percent"] = round(100.0 * (b["torque_Nm"] / true_corrected - 1.0), 4)
        rows.append(row)
    out: dict[str, Any] = {"bins": rows, **_spread([r["error_percent"] for r in rows], "")}
    if law:
        out.update(_spread([r["corrected_error_percent"] for r in rows], "corrected_"))
        every = air_standards.differences_percent(state, friction_share)
        out["air"] = {
            "standard": run["standard"],
            "difference_percent": round(every[run["standard"]], 4),
            "all_percent": {name: round(value, 4) for name, value in every.items()},
        }
    return out


def _spread(errors: list[float], which: str) -> dict[str, float | None]:
    rms = round(math.sqrt(sum(e * e for e in errors) / len(errors)), 4) if errors else None
    return {f"{which}worst_percent": max(map(abs, errors)) if errors else None, f"{which}rms_percent": rms}
