"""Study of the sweep controller: tables on the terminal, plots and JSON in out/sweep/.

    .venv/bin/python bench_sim/studies/sweep_study.py [part ...] [--benches 500] [--jobs 2]

Parts: class (engines of the class, the disturbances together), repeat (ten runs and a changed
water supply), random (robustness), repeated (what more learning could still take away), rivals
(fixed-gain PI and a scripted valve, same seeds), times (5 and 20 s, upward), firmware (the real
firmware in MicroPython through evenfall-bench).
All but the last run the firmware's own sweep.py and sensing.py in CPython against the bench's
physics.  Errors are of the bench's true speed against the set speed, in % of set speed; sweep time
is from the start of the ramp to the true speed's crossing of the end speed.
"""

# ruff: noqa: E501  (table rows)
from __future__ import annotations

import argparse
import itertools
import json
import math
import statistics
import subprocess
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import numpy as np
from evenfall_bench.family_study import FAMILIES, scenario_of
from evenfall_bench.lower_bound import sweep_lower_bound_percent
from sweep_loop import PROJECT, RAMP, FixedPI, Loop, Run, Script

OUT = PROJECT / "out" / "sweep"
LOWER_BOUND = (
    "`bound`: least rms that any controller could reach with this engine's scatter and these delays\n"
    "(linear-quadratic optimum that knows the bench; lower_bound.py), play and slew left out."
)
Row = dict[str, Any]


def disturbed(engine: str, seed: int) -> dict[str, Any]:
    """A bundled engine on a bench with all disturbances of the class at once."""
    rng = Random(f"class/{engine}/{seed}")
    return {
        "bench": {"title": f"{engine}, disturbed {seed}"},
        "engine": {"use": engine},
        "valve": {"leak": 0.05},
        "supply": {
            "pressure_bar": 3.0 * rng.choice([0.8, 1.0, 1.2]),
            "ripple": 0.05,
            "ripple_Hz": rng.uniform(1.0, 2.0),
        },
        "servo": {"backlash_us": 10.0, "frame_phase": rng.random()},
        "amplifier": {"rate_error": rng.choice([-0.05, 0.05]), "phase": rng.random()},
    }


def figures(p: Run) -> Row:
    keys = ("done", "sweep_s", "rms_percent", "worst_percent", "top_share")
    return {**{k: getattr(p, k) for k in keys}, "verdict": list(p.verdict[:2])}


def true_peak_hp(engine: dict[str, Any]) -> float:
    return max(r * t for r, t in engine["torque_map"]) * math.pi / 30 / 745.69987


def properties(loop: Loop) -> Row:
    """What makes a bench hard: see `explain`."""
    s = loop.bench.scenario
    torque_map = s["engine"]["torque_map"]
    end = loop.settings["end_speed"]
    torque = max(t for r, t in torque_map if r >= end)
    j = loop.inertia() * loop.ratio
    steep = max(
        (t1 - t0) / (r1 - r0) * 0.5 * (r0 + r1) / (0.5 * (t0 + t1))
        for (r0, t0), (r1, t1) in itertools.pairwise(torque_map)
        if r0 >= end and t1 > 0
    )
    return {
        "hp": true_peak_hp(s["engine"]),
        "agility_rad_s2": torque / j,
        "scatter_percent": s["engine"]["cycle_scatter"] * 100,
        "lower_bound_percent": sweep_lower_bound_percent(s),
        "steepest": steep,
        "delay_ms": s["valve"]["hose_delay_s"] * 1000,
        "slew_us_s": s["servo"]["slew_us_s"],
        "servo_Hz": s["servo"]["rate_Hz"],
    }


def bench_rows(task: tuple[dict[str, Any], int, int, dict[str, int]]) -> Row:
    scenario, seed, count, settings = task
    scenario = {**scenario, "board": {**scenario.get("board", {}), **settings}}
    loop = Loop(scenario, seed)
    runs = loop.runs(count)
    return {
        "title": loop.bench.scenario["bench"]["title"],
        "seed": seed,
        **properties(loop),
        "runs": [figures(p) for p in runs],
    }


def spread(values: list[float], shares: tuple[float, ...] = (0.5, 0.9, 1.0)) -> str:
    v = sorted(values)
    return " / ".join(f"{v[min(len(v) - 1, int(len(v) * q))]:.2f}" for q in shares)


def mapped(pool: ProcessPoolExecutor | None, work: Any, tasks: list[Any]) -> list[Any]:
    return list(pool.map(work, tasks) if pool else map(work, tasks))


# --- engines of the class ----------------------------------------------------


def part_class(pool: ProcessPoolExecutor | None, seeds: int, **_: Any) -> list[Row]:
    from evenfall_bench.scenario import engines

    tasks = [(disturbed(e, k), k, 3, {}) for e in engines() for k in range(1, seeds + 1)]
    quick = {"rate_Hz": 333.0}  # pulses a digital servo takes; the setting servo_rate
    racing = [e for e in engines() if e.startswith("race")]
    for e, k in itertools.product(racing, range(1, seeds + 1)):
        bench = disturbed(e, k)
        bench["servo"].update(quick)
        bench["bench"]["title"] = f"{e} with 333 Hz servo, disturbed {k}"
        tasks.append((bench, k, 3, {}))
    rows = mapped(pool, bench_rows, tasks)
    print("\n## Engines of the class, all disturbances together")
    print(
        "supply +-20 %, ripple 5 % at 1-2 Hz, leak 5 %, backlash 1 %, amplifier clock +-5 %; learning from run to run\n"
    )
    print(
        "| engine | hp | sweep s, run 1 | rms %, run 1 | sweep s, runs 2-3 | rms %, runs 2-3 | worst % | bound % |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for name in [*engines(), *(f"{e} with 333 Hz servo" for e in racing)]:
        mine = [r for r in rows if r["title"].startswith(name + ",")]
        first = [r["runs"][0] for r in mine]
        later = [p for r in mine for p in r["runs"][1:]]
        print(
            f"| {name} | {mine[0]['hp']:.1f} | {span(first, 'sweep_s')} | {span(first, 'rms_percent', 2)} "
            f"| {span(later, 'sweep_s')} | {span(later, 'rms_percent', 2)} | {max(p['worst_percent'] for p in later):.1f} "
            f"| {statistics.fmean(r['lower_bound_percent'] for r in mine):.2f} |"
        )
    print("\n" + LOWER_BOUND)
    usual = [r for r in rows if r["servo_Hz"] == 50]
    first = [r["runs"][0] for r in usual]
    later = [p for r in usual for p in r["runs"][1:]]
    print(
        f"\nAt 50 servo pulses a second: first runs within 10 +-0.2 s: {share(first, 0.2)}; later runs within 10 +-0.05 s: {share(later, 0.05)};"
    )
    print(f"later runs with rms <= 0.5 %: {sum(p['rms_percent'] <= 0.5 for p in later)} of {len(later)}")
    return rows


def span(runs: list[Row], key: str, digits: int = 3) -> str:
    v = [p[key] for p in runs]
    return f"{min(v):.{digits}f}-{max(v):.{digits}f}"


def share(runs: list[Row], within: float) -> str:
    return f"{sum(abs(p['sweep_s'] - 10.0) <= within for p in runs)} of {len(runs)}"


# --- repeatability -----------------------------------------------------------


def peak_power_W(p: Run, loop: Loop) -> tuple[float, float]:
    """(engine power in the strongest bin of 250 rpm as measured, the engine's own in the same time).

    Measured by the balance of energy: brake torque (moved back two samples) times speed, and what
    the rotating masses gained, over the time the speed was in the bin.  The engine's own, from the
    bench's records, holds all that it scattered from turn to turn in that time.  Both are means
    over five stretches a sample apart, so that where in a turn a stretch ends makes no odds.
    """
    half_j = 0.5 * loop.inertia() * loop.ratio
    w = [rpm * math.pi / 30 for rpm in p.true_rpm]
    bins: dict[int, list[int]] = {}
    for i in range(6, len(p.phase) - 6):
        if p.phase[i - 2] == RAMP and p.phase[i + 4] == RAMP:
            bins.setdefault(int(p.true_rpm[i] // 250), []).append(i)
    measured: dict[int, tuple[float, float]] = {}
    for number, inside in bins.items():
        if len(inside) < 10:
            continue
        seen, own = [], []
        for k in range(-2, 3):
            first, last = inside[0] + k, inside[-1] + k
            took = p.time_s[last] - p.time_s[first]
            brake = statistics.fmean(p.torque_Nm[i + 2] * loop.ratio * w[i] for i in range(first, last + 1))
            seen.append(brake + half_j * (w[last] ** 2 - w[first] ** 2) / took)
            span = p.time_s[first], p.time_s[last]
            own += [t * v * math.pi / 30 for s, v, _, t, *_ in loop.bench.truth if span[0] < s <= span[1]]
        measured[number] = statistics.fmean(seen), statistics.fmean(own)
    return max(measured.values())


def repeat_task(engine: str) -> Row:
    loop = Loop(disturbed(engine, 11), 11)
    learned: dict[int, int] = {}
    loop.runs(3, learned)
    row: Row = {"engine": engine}
    for label, factor in (("as it was", 1.0), ("water -20 %", 0.8)):
        loop.bench.set("supply_factor", factor)
        runs = []
        powers = []
        for _ in range(10):
            loop.bench.truth.clear()
            (p,) = loop.runs(1, learned)
            runs.append(p)
            powers.append(peak_power_W(p, loop))
        power = [m for m, _ in powers]
        true = [t for _, t in powers]
        left = [m / t for m, t in powers]
        row[label] = {
            "cv_percent": statistics.stdev(power) / statistics.fmean(power) * 100,
            "own_percent": statistics.stdev(true) / statistics.fmean(true) * 100,
            "beyond_percent": statistics.stdev(left) / statistics.fmean(left) * 100,
            "mean_W": statistics.fmean(left),
            "sweep_s": [p.sweep_s for p in runs],
            "rms_percent": [p.rms_percent for p in runs],
        }
    return row


def part_repeat(pool: ProcessPoolExecutor | None, **_: Any) -> list[Row]:
    from evenfall_bench.scenario import engines

    rows = mapped(pool, repeat_task, list(engines()))
    print("\n## Ten runs of one engine, before and after the water supply drops by 20 %")
    print(
        "coefficient of variation of peak power (250 rpm bins, lag and inertia removed); `beyond`: after each"
    )
    print(
        "run is divided by what the engine really gave in that bin, its scatter from turn to turn included\n"
    )
    print("| engine | water | CV % | engine's own % | beyond % | sweep s | rms % | mean power moved by % |")
    print("|---|---|---|---|---|---|---|---|")
    for r in rows:
        for label in ("as it was", "water -20 %"):
            x = r[label]
            moved = (x["mean_W"] / r["as it was"]["mean_W"] - 1) * 100
            print(
                f"| {r['engine']} | {label} | {x['cv_percent']:.2f} | {x['own_percent']:.2f} | {x['beyond_percent']:.2f} "
                f"| {min(x['sweep_s']):.3f}-{max(x['sweep_s']):.3f} | {statistics.fmean(x['rms_percent']):.2f} | {moved:+.2f} |"
            )
    return rows


# --- random benches ----------------------------------------------------------


def random_task(task: tuple[str, int]) -> Row:
    family, seed = task
    return bench_rows((scenario_of(family, seed), seed, 3, {}))


def broken(p: Row) -> str:
    """What is wrong with a run, in a word; empty when it is sound."""
    if not p["done"]:
        return "never ended"
    if p["top_share"] > 1.05:
        return "ran away upward"
    if p["worst_percent"] > 15.0:
        return "swung by more than 15 %"
    return ""


def part_random(
    pool: ProcessPoolExecutor | None, benches: int, first: int, family: str, **_: Any
) -> list[Row]:
    rows = mapped(pool, random_task, [(family, seed) for seed in range(first, first + benches)])
    print(f"\n## {benches} random benches of the family '{family}', 1.5 to 35 hp, three runs each")
    for k in range(3):
        runs = [r["runs"][k] for r in rows]
        ok = [p for p in runs if not math.isnan(p["sweep_s"])]
        bad: dict[str, int] = {}
        for p in runs:
            if word := broken(p):
                bad[word] = bad.get(word, 0) + 1
        print(
            f"run {k + 1}: rms % median/90 %/max {spread([p['rms_percent'] for p in ok])}; "
            f"|sweep - 10 s| {spread([abs(p['sweep_s'] - 10) for p in ok])} s; {bad or 'none oscillates or runs away'}"
        )
    over = [r["runs"][2]["rms_percent"] / r["lower_bound_percent"] for r in rows]
    print(f"third run, rms over the lower bound of its bench: median/90 %/max {spread(over)}")
    print("\nThe worst ten (third run)\n")
    print(
        "| bench | hp | T/J rad/s2 | scatter % | bound % | steepest n | hose ms | slew us/s | sweep s | rms % | worst % | why |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    ranked = sorted(rows, key=lambda r: -r["runs"][2]["rms_percent"] if r["runs"][2]["done"] else -1e9)
    for r in ranked[:10]:
        p = r["runs"][2]
        print(
            f"| {r['seed']} | {r['hp']:.1f} | {r['agility_rad_s2']:.0f} | {r['scatter_percent']:.1f} | {r['lower_bound_percent']:.2f} "
            f"| {r['steepest']:.1f} | {r['delay_ms']:.0f} | {r['slew_us_s']:.0f} | {p['sweep_s']:.2f} | {p['rms_percent']:.2f} "
            f"| {p['worst_percent']:.1f} | {explain(r)} |"
        )
    print("\n" + LOWER_BOUND)
    print(
        "`steepest n`: largest d ln T / d ln w above the end speed (above 2 the shaft runs away by itself)."
    )
    plot_benches(
        [scenario_of(family, r["seed"]) for r in ranked[:10]], [r["seed"] for r in ranked[:10]], "worst.png"
    )
    return rows


def explain(r: Row) -> str:
    why = []
    if r["lower_bound_percent"] > 0.5 * r["runs"][2]["rms_percent"]:
        why.append("the engine's own scatter")
    if r["steepest"] > 2:
        why.append("torque rises faster than speed squared")
    if r["agility_rad_s2"] > 5000:
        why.append("little inertia for its torque")
    if r["delay_ms"] > 18:
        why.append("long hose")
    return ", ".join(why) or "not one cause"


def repeated_task(task: tuple[str, int]) -> Row:
    """Five more runs with what two have taught: how much of the error is the same in each."""
    family, seed = task
    loop = Loop(scenario_of(family, seed), seed)
    learned: dict[int, int] = {}
    loop.runs(2, learned)
    at = [0.05 * i for i in range(180)]
    errors = []
    for _ in range(5):
        (p,) = loop.runs(1, dict(learned))
        on_ramp = [i for i, phase in enumerate(p.phase) if phase == RAMP]
        if len(on_ramp) > 400:
            time_s = [p.time_s[i] - p.time_s[on_ramp[0]] for i in on_ramp]
            errors.append(np.interp(at, time_s, [100 * (p.true_rpm[i] / p.set_rpm[i] - 1) for i in on_ramp]))
    if len(errors) < 3:
        return {"seed": seed}
    scatter = float(np.var(errors, axis=0, ddof=1).mean())
    whole = float(np.square(errors).mean())
    return {
        "seed": seed,
        "whole": whole**0.5,
        "repeated": max(whole - scatter, 0) ** 0.5,
        "scatter": scatter**0.5,
    }


def part_repeated(
    pool: ProcessPoolExecutor | None, benches: int, first: int, family: str, **_: Any
) -> list[Row]:
    rows = mapped(pool, repeated_task, [(family, seed) for seed in range(first, first + benches)])
    known = [r for r in rows if "whole" in r]
    print(f"\n## What repeats of the error after two runs: {len(known)} of {benches} benches of '{family}'")
    print("five runs that learn nothing more, first nine seconds; % of set speed, rms, median/90 %/max\n")
    for key, text in (("whole", "error"), ("repeated", "the same in each run"), ("scatter", "not the same")):
        print(f"{text}: {spread([r[key] for r in known])}")
    return rows


# --- rivals ------------------------------------------------------------------


def rival_task(task: tuple[str, int]) -> Row:
    family, seed = task
    row: Row = {"seed": seed}
    scenario = scenario_of(family, seed)
    loop = Loop(scenario, seed)
    runs = loop.runs(3)
    row["ours, run 1"], row["ours, run 3"] = figures(runs[0]), figures(runs[2])
    loop = Loop(scenario, seed)
    row["fixed-gain PI"] = figures([loop.run(FixedPI(loop.settings)) for _ in range(3)][2])
    # the script gets the openings of our third run and a bench that never knew another run
    loop = Loop(scenario, seed)
    row["scripted valve"] = figures([loop.run(Script(loop.settings, runs[2])) for _ in range(3)][2])
    return row


def part_rivals(
    pool: ProcessPoolExecutor | None, benches: int, first: int, family: str, **_: Any
) -> list[Row]:
    seeds = list(range(first, first + min(60, benches)))
    rows = mapped(pool, rival_task, [(family, seed) for seed in seeds])
    print(f"\n## Against rivals on the same {len(seeds)} benches of the family '{family}' and seeds")
    print(
        "fixed-gain PI: gains set on the clearing saw; scripted valve: our third run's openings played back\n"
    )
    print(
        "| controller | ended | rms % median / 90 % / max | sweep off by s, median / 90 % / max | swung or ran away |"
    )
    print("|---|---|---|---|---|")
    for name in ("ours, run 1", "ours, run 3", "fixed-gain PI", "scripted valve"):
        runs = [r[name] for r in rows]
        ok = [p for p in runs if p["done"] and not math.isnan(p["sweep_s"])]
        times = spread([abs(p["sweep_s"] - 10) for p in ok]) if ok else "-"
        rms = spread([p["rms_percent"] for p in ok]) if ok else "-"
        print(
            f"| {name} | {len(ok)} of {len(runs)} | {rms} | {times} | {sum(bool(broken(p)) for p in runs)} |"
        )
    return rows


# --- other sweep times, upward -----------------------------------------------


def part_times(pool: ProcessPoolExecutor | None, **_: Any) -> list[Row]:
    cases: list[tuple[str, dict[str, int]]] = [
        ("5 s", {"sweep_time": 5000}),
        ("20 s", {"sweep_time": 20000}),
        ("start at 9,000", {"start_speed": 9000}),
        ("upward 5,000 to 9,000", {"upward": 1, "start_speed": 9000}),
    ]
    names = ("trimmer", "clearing saw", "ported saw", "big race saw")
    tasks = [(disturbed(e, 5), 5, 3, settings) for _, settings in cases for e in names]
    rows = mapped(pool, bench_rows, tasks)
    print("\n## Other sweeps, disturbed benches, runs 1 and 3\n")
    print("| sweep | engine | board's sweep s 1, 3 | rms % 1, 3 | worst % 3 |")
    print("|---|---|---|---|---|")
    for (label, _), chunk in zip(cases, [rows[i : i + 4] for i in range(0, 16, 4)], strict=True):
        for name, r in zip(names, chunk, strict=True):
            a, b = r["runs"][0], r["runs"][2]
            print(
                f"| {label} | {name} | {a['sweep_s']:.3f}, {b['sweep_s']:.3f} | {a['rms_percent']:.2f}, {b['rms_percent']:.2f} "
                f"| {b['worst_percent']:.1f} |"
            )
    return rows


# --- the real firmware -------------------------------------------------------


def firmware_task(task: tuple[str, int]) -> Row:
    engine, seed = task
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "bench.toml")
        lines = []
        for table, keys in disturbed(engine, seed).items():
            lines += [f"[{table}]", *(f"{k} = {json.dumps(v)}" for k, v in keys.items())]
        path.write_text("\n".join(lines))
        out = Path(folder, "out.json")
        command = [
            Path(sys.executable).with_name("evenfall-bench"),
            "sweep",
            "--scenario",
            path,
            "--seed",
            str(seed),
        ]
        subprocess.run([*command, "--runs", "3", "--no-host", "--json", out], check=True, capture_output=True)
        return {"engine": engine, "seed": seed, "run": json.loads(out.read_text())["boots"][0]}


def part_firmware(pool: ProcessPoolExecutor | None, seeds: int, **_: Any) -> list[Row]:
    names = ("trimmer", "post auger", "felling saw", "ported saw", "big race saw")
    rows = mapped(pool, firmware_task, [(e, k) for e in names for k in range(1, min(seeds, 2) + 1)])
    print(
        "\n## The real firmware in MicroPython (evenfall-bench sweep --no-host), disturbed benches, three runs\n"
    )
    print("| engine | seed | sweep s | tracking rms % (true speed) | worst % |")
    print("|---|---|---|---|---|")
    for r in rows:
        t = [p.get("tracking") or {} for p in r["run"]["runs"]]
        cells = [
            ", ".join(f"{x.get(k, math.nan):.{d}f}" for x in t)
            for k, d in (("sweep_s", 3), ("rms_percent", 2), ("worst_percent", 1))
        ]
        print(f"| {r['engine']} | {r['seed']} | {' | '.join(cells)} |")
    return rows


# --- plots -------------------------------------------------------------------


def plot_benches(scenarios: list[dict[str, Any]], seeds: list[int], name: str) -> None:
    """Set and true speed, error and opening of runs 1 and 3."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    fig, axes = plt.subplots(len(scenarios), 3, figsize=(13, 2.1 * len(scenarios)), squeeze=False)
    for row, scenario, seed in zip(axes, scenarios, seeds, strict=True):
        loop = Loop(scenario, seed)
        runs = loop.runs(3)
        for p, style, label in ((runs[0], ":", "run 1"), (runs[2], "-", "run 3")):
            if RAMP not in p.phase:
                continue
            start = p.time_s[p.phase.index(RAMP)]
            t = [x - start for x in p.time_s]
            row[0].plot(t, p.true_rpm, "k" + style, lw=0.8, label=f"true, {label}")
            on_ramp = [i for i, x in enumerate(p.phase) if x == RAMP]
            row[1].plot(
                [t[i] for i in on_ramp],
                [100 * (p.true_rpm[i] / p.set_rpm[i] - 1) for i in on_ramp],
                "k" + style,
                lw=0.7,
            )
            row[2].plot(t, p.servo_us, "k" + style, lw=0.7)
        row[0].plot(t, p.set_rpm, "0.6", lw=2, zorder=0, label="set")
        row[0].set_ylabel("rpm")
        row[1].set_ylabel("error %")
        row[2].set_ylabel("servo us")
        row[0].set_title(
            loop.bench.scenario["bench"]["title"] + f", {properties(loop)['hp']:.1f} hp", fontsize=8
        )
        row[0].set_xlim(-4, 12)
        row[2].set_xlim(-4, 12)
    axes[0][0].legend(fontsize=6)
    for ax in axes[-1]:
        ax.set_xlabel("s from the start of the ramp")
    fig.tight_layout()
    OUT.mkdir(parents=True, exist_ok=True)
    fig.savefig(OUT / name, dpi=110)
    plt.close(fig)
    print(f"\nplot: {(OUT / name).relative_to(PROJECT)}")


PARTS = {
    "class": part_class,
    "repeat": part_repeat,
    "random": part_random,
    "repeated": part_repeated,
    "rivals": part_rivals,
    "times": part_times,
    "firmware": part_firmware,
}


def main(argv: list[str] | None = None) -> dict[str, list[Row]]:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="part", help=f"of {', '.join(PARTS)}; default all")
    parser.add_argument("--benches", type=int, default=500, help="random benches (default 500)")
    parser.add_argument("--first", type=int, default=1000, help="seed of the first of them (default 1000)")
    parser.add_argument("--seeds", type=int, default=3, help="seeds per engine of the class (default 3)")
    parser.add_argument(
        "--family", choices=sorted(FAMILIES), default="plain", help="of the random benches (default plain)"
    )
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(argv)
    if unknown := [p for p in args.parts if p not in PARTS]:
        parser.error(f"unknown part {unknown[0]!r}; known are {', '.join(PARTS)}")
    OUT.mkdir(parents=True, exist_ok=True)
    made: dict[str, list[Row]] = {}
    pool = ProcessPoolExecutor(args.jobs) if args.jobs > 1 else None
    try:
        for name in args.parts or PARTS:
            made[name] = PARTS[name](
                pool, benches=args.benches, seeds=args.seeds, first=args.first, family=args.family
            )
            (OUT / f"{name}.json").write_text(json.dumps(made[name], indent=1))
            if name == "class":
                from evenfall_bench.scenario import engines

                plot_benches([disturbed(e, 1) for e in engines()], [1] * len(engines()), "class.png")
    finally:
        if pool:
            pool.shutdown()
    return made


if __name__ == "__main__":
    main()
