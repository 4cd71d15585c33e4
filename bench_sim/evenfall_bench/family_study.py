"""`evenfall-bench families`: real firmware and host on random benches, beside each bench's lower bound."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from .batch import run_one
from .families import W_PER_HP, draw, family_bench
from .image import FIRMWARE
from .physics import RPM
from .scenario import complete

FAMILIES: dict[str, Callable[[int], dict[str, Any]]] = {"all": family_bench, "plain": draw}
COVERAGE = 2.0  # a bin counts as covered within so many of its standard uncertainties

Row = dict[str, Any]


def family_row(task: tuple[str, int, int, Path]) -> Row:
    """One bench of a family: its properties, its lower bound, and what each of its runs was; plain values.

    task: family, seed, number of runs, folder of the board's files.
    """
    family, seed, runs, firmware = task
    from .lower_bound import sweep_lower_bound_percent

    scenario = scenario_of(family, seed)
    row: Row = {"seed": seed, **properties(scenario)}
    try:
        row["lower_bound_percent"] = round(sweep_lower_bound_percent(scenario), 3)
        boot = run_one(scenario, seed, runs, True, False, firmware)
    except Exception as error:  # one bench must not end a study of hundreds
        return {**row, "error": f"{type(error).__name__}: {error}", "runs": []}
    if "error" in boot:
        row["error"] = boot["error"]
    row["runs"] = [_run_row(made) for made in boot["runs"]]
    row["kill_s"] = [
        e["time_s"] for e in boot["board_log"] if (e["what"], e["detail"]) == ("kill line", "low")
    ]
    row["restarts"] = sum(e["what"] in ("boot", "watchdog") for e in boot["board_log"]) - 1
    return row


def scenario_of(family: str, seed: int) -> dict[str, Any]:
    """The complete scenario of one bench of a family."""
    partial = FAMILIES[family](seed)
    free_rpm = max(rpm for rpm, _ in complete(partial)["engine"]["torque_map"])
    # as whoever runs an engine of this speed sets it: three tenths above the last speed of its torque curve
    limit = {"overspeed": min(max(14500, round(1.3 * free_rpm)), 30000)}
    return complete({**partial, "board": {**partial.get("board", {}), **limit}})


def properties(scenario: dict[str, Any]) -> Row:
    """What a bench is, in a few numbers."""
    brake, valve = scenario["brake"], scenario["valve"]
    watts = max(t * n * RPM for n, t in scenario["engine"]["torque_map"])
    turns = 0.0
    lag = 0.0
    if brake["model"] != "affinity":
        turns = 0.5 * (brake["fill_lag_turns"] + brake["drain_lag_turns"])
        lag = 0.5 * (brake["fill_lag_s"] + brake["drain_lag_s"]) + turns * 0.01  # at 6,000 rpm
    return {
        "power_hp": round(watts / W_PER_HP, 1),
        "dead_ms": round(valve["hose_delay_s"] * 1e3),
        "lag_ms": round(lag * 1e3),
        "models": "/".join(
            scenario[table]["model"].replace(" ", "-")
            for table in ("brake", "valve", "supply", "drive", "servo")
        ),
    }


def _run_row(made: dict[str, Any]) -> Row:
    """One run: sweep times, tracking, faults and torque."""
    host, kept, torque = made.get("host", {}), made.get("tracking", {}), made.get("torque_error", {})
    row: Row = {
        "verdict": host.get("verdict"),
        "reason": host.get("reason"),
        "flags": host.get("flags"),
        "recorded": bool(host),
        "fitted_s": kept.get("fitted_sweep_s"),
        "first_passing_s": kept.get("true_sweep_s"),
        "rms_percent": kept.get("rms_percent"),
        "torque_rms_percent": torque.get("rms_percent"),
        "corrected_rms_percent": torque.get("corrected_rms_percent"),
        "air": torque.get("air"),
    }
    covered = []
    for b, mine in _pairs(host.get("bins", []), torque.get("bins", [])):
        u = b.get("torque_u_Nm")
        if u and "true_corrected_Nm" in mine:
            standard = 1.0 + torque["air"]["difference_percent"] / 100.0
            covered.append(abs(b["torque_Nm"] - standard * mine["true_corrected_Nm"]) <= COVERAGE * u)
    row["bins"], row["bins_covered"] = len(covered), sum(covered)
    return row


def _pairs(bins: list[dict[str, Any]], errors: list[dict[str, Any]]) -> Iterable[tuple[Row, Row]]:
    by_speed = {e["speed_rpm"]: e for e in errors}
    return ((b, by_speed[b["speed_rpm"]]) for b in bins if b["speed_rpm"] in by_speed)


def run_family(
    family: str,
    seeds: list[int],
    runs: int = 3,
    jobs: int = 1,
    firmware: Path = FIRMWARE,
    say: Callable[[str], None] = lambda _: None,
) -> list[Row]:
    """Rows by seed; `say` hears of each bench as it is done, with the time that is left."""
    tasks = [(family, seed, runs, firmware) for seed in seeds]
    rows: list[Row] = []
    start = time.monotonic()

    def done(row: Row) -> None:
        rows.append(row)
        left = (time.monotonic() - start) / len(rows) * (len(seeds) - len(rows))
        say(f"{len(rows)}/{len(seeds)}, {left / 60:.0f} min left: {in_a_line(row)}")

    if jobs > 1:
        with ProcessPoolExecutor(jobs) as pool:
            for future in as_completed([pool.submit(family_row, task) for task in tasks]):
                done(future.result())
    else:
        for task in tasks:
            done(family_row(task))
    return sorted(rows, key=lambda r: int(r["seed"]))


def faults(row: Row) -> list[str]:
    """What went wrong on a bench where nothing was broken: faults of its runs, runs without a sweep."""
    out = []
    for number, run in enumerate(row["runs"], 1):
        if run["rms_percent"] is None:
            why = " ".join(str(x) for x in (run["verdict"], run["reason"], run["flags"]) if x)
            out.append(f"run {number}: no sweep {why}".rstrip())
        elif run["flags"]:
            out.append(f"run {number}: {run['flags']}")
    if row.get("error"):
        out.append(row["error"])
    return out


def in_a_line(row: Row) -> str:
    """One bench: properties, times and tracking of each run, lower bound, faults."""
    runs = "  ".join(
        f"{run['fitted_s']:.2f}/{run['first_passing_s'] or 0.0:.2f} s {run['rms_percent']:.2f} %"
        if run["rms_percent"] is not None and run["fitted_s"]
        else "-"
        for run in row["runs"]
    )
    wrong = "; ".join(faults(row))
    return (
        f"{row['seed']:4} {row['power_hp']:5.1f} hp  dead {row['dead_ms']:3} ms  lag {row['lag_ms']:3} ms  "
        f"{row['models']}: {runs}  bound {row.get('lower_bound_percent', 0.0):.2f} %"
        + (f"  ! {wrong}" if wrong else "")
    )


def _share(values: list[bool]) -> str:
    return f"{sum(values)} of {len(values)}" if values else "none"


def _quantiles(values: list[float], digits: int = 2) -> str:
    """Median, 95th percentile, largest."""
    if not values:
        return "no value"
    ordered = sorted(values)
    at = [ordered[min(len(ordered) - 1, int(q * len(ordered)))] for q in (0.5, 0.95)]
    return "median {:.{d}f}, 95 % {:.{d}f}, worst {:.{d}f}".format(*at, ordered[-1], d=digits)


def summary(rows: list[Row], set_s: float = 10.0) -> list[str]:
    """The table: first runs, later runs (from the third on), faults, torque, air standards."""
    lines = [f"{len(rows)} benches, {sum(len(r['runs']) for r in rows)} runs"]
    first = [r["runs"][0] for r in rows if r["runs"]]
    later = [(r, run) for r in rows for run in r["runs"][2:]]
    clean = [not faults(r) for r in rows]
    lines.append(f"without a false fault or a lost sweep: {_share(clean)}")
    for name, runs, within in (
        ("first runs", first, 0.3),
        ("from the third on", [run for _, run in later], 0.1),
    ):
        for key, text in (("fitted_s", "fitted line"), ("first_passing_s", "first passing")):
            off = [abs(run[key] - set_s) if run[key] else float("inf") for run in runs]
            lines.append(f"{name}, {text}: within {within} s {_share([o <= within for o in off])}")
        rms = [run["rms_percent"] for run in runs if run["rms_percent"] is not None]
        lines.append(f"{name}, tracking % rms: {_quantiles(rms)}")
    ratio = [
        run["rms_percent"] / r["lower_bound_percent"] for r, run in later if run["rms_percent"] is not None
    ]
    near = _share([x <= 1.5 for x in ratio])
    lines.append(f"from the third on, times the lower bound: {_quantiles(ratio)}; at most 1.5: {near}")
    every = [run for r in rows for run in r["runs"]]
    for key, text in (("torque_rms_percent", "observed"), ("corrected_rms_percent", "corrected")):
        rms = [r[key] for r in every if r[key] is not None]
        lines.append(f"{text} torque against the truth, % rms of a run: {_quantiles(rms)}")
    bins, covered = sum(r["bins"] for r in every), sum(r["bins_covered"] for r in every)
    if bins:
        lines.append(
            f"bins within {COVERAGE:g} standard uncertainties: {100 * covered / bins:.1f} % of {bins}"
        )
    airs = [r["air"]["all_percent"] for r in every if r["air"]]
    for name in airs[0] if airs else ():
        values = [air[name] for air in airs]
        lines.append(f"{name} against the bench's air law: {min(values):+.2f} to {max(values):+.2f} %")
    return lines
