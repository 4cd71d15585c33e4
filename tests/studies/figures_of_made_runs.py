"""Every figure of some 200 made runs, odd ones too, by the host of one checkout.

python figures_of_made_runs.py CHECKOUT OUT   (OUT: a pickle of [(case, {figure: array or text})])

A program of its own, so that two versions can be compared; the runs are those of this checkout's tests.
"""

from __future__ import annotations

import pickle
import sys
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

if __name__ == "__main__":
    here = Path(__file__).parents[1]
    sys.path[:0] = [str(Path(sys.argv[1]) / part) for part in ("host", "protocol")] + [str(here / "reduce")]

from evenfall.errors import EvenfallError
from evenfall.model import Reduction
from evenfall.reduction.reduce import reduce_run
from independent_sweep import REFERENCE_AIR, bell, flat, pipe, sweeps
from made_runs import ENGINES, STANDARD_AIR, Flaws, make_run

WIDTHS_RPM = (25.0, 60.0, 100.0, 250.0, 333.0, 600.0, 1000.0, 2000.0)


def figures(r: Reduction) -> dict[str, Any]:
    """By name: numbers as arrays, words as text."""
    out: dict[str, Any] = {f"bins.{f.name}": np.array(getattr(r.bins, f.name), float) for f in fields(r.bins)}
    out |= {f"budget.{cause}": np.array([u]) for cause, u in r.budget.items()}
    for name in ("peak_torque_Nm", "peak_power_W"):
        peak = getattr(r, name)
        out[name] = np.array([peak.value, peak.half_width, peak.speed_rpm])
    for name in ("time_s", "speed_rpm", "torque_Nm", "sweep_time_s", "air_factor"):
        out[name] = np.array(getattr(r, name), float)
    return out | {"notes": repr(r.notes), "failed": r.failed, "inputs": repr(r.inputs)}


def odd(run, rng):
    """(what is wrong, the run with it): what a bench can do to a recording."""
    times, counts, edges = run.load_time_s, run.load_count, run.edge_time_s
    some = slice(0, len(times) // 2)
    yield "half the load", replace(run, load_time_s=times[some], load_count=counts[some])
    yield "few edges", replace(run, edge_time_s=edges[: len(edges) // 4])
    middle = edges[len(edges) // 2]
    yield "silent pickup", replace(run, edge_time_s=edges[(edges < middle) | (edges > middle + 1.0)])
    yield "missed pulses", replace(run, edge_time_s=edges[rng.random(len(edges)) > 0.03])
    there = rng.random(len(times)) > 0.1
    yield "lost samples", replace(run, load_time_s=times[there], load_count=counts[there])
    spiked = counts.copy()
    spiked[rng.integers(0, len(counts), 30)] += 2_000_000
    yield "spikes", replace(run, load_count=spiked)
    yield "no verdict", replace(run, verdict=None)
    turns = np.interp(times, edges, np.arange(len(edges)))
    for order, size in ((0.5, 0.02), (1.0, 0.02), (2.0, 0.1)):
        wave = size * np.ptp(counts) * np.cos(2 * np.pi * order * turns)
        yield f"vibration of order {order}", replace(run, load_count=counts + np.int64(np.rint(wave)))


def cases():
    """(name, arguments of `reduce_run`)."""
    rng = np.random.default_rng(3)
    for k, engine in enumerate(ENGINES):
        for name, flaws in (
            ("plain", Flaws(resonance_Hz=50)),
            ("turns scatter", Flaws(cycle_rel=0.01, cycle_time_s=0.006)),
            ("steady", Flaws(cycle_rel=0.0)),
            ("zero moves", Flaws(zero_after_N=0.3)),
        ):
            made = make_run(engine, k, flaws=flaws)
            known = (made.calibration, made.setup, STANDARD_AIR, "iso1585")
            for width in WIDTHS_RPM if name == "plain" else (100.0, 250.0, 500.0):
                yield f"engine {k}, {name}, {width:g} rpm", (made.run, *known, width)
            if name == "plain":
                for what, run in odd(made.run, rng):
                    yield f"engine {k}, {what}", (run, *known)
                geared = replace(made.setup, engine_teeth=7, brake_teeth=11)
                yield f"engine {k}, geared", (made.run, made.calibration, geared, STANDARD_AIR)
                bare = replace(made.setup, inertia_kg_m2=0.0, inertia_u_kg_m2=0.0)
                yield f"engine {k}, no inertia", (made.run, made.calibration, bare, STANDARD_AIR)
    for name, shape in (("flat", flat), ("bell", bell(500)), ("pipe", pipe(1180))):
        for scatter in (0.01, 0.05, 0.3):
            of = sweeps(shape, scatter, 4, 77)
            for i, run in enumerate(of.runs):
                yield f"{name}, {scatter:g}, {i}", (run, of.calibration, of.setup, REFERENCE_AIR)


def main(out: Path) -> None:
    found: list[tuple[str, dict[str, Any]]] = []
    for name, given in cases():
        try:
            found.append((name, figures(reduce_run(*given))))
        except (EvenfallError, ArithmeticError, ValueError, LookupError) as error:
            found.append((name, {"refused": str(error)}))
    out.write_bytes(pickle.dumps(found))


if __name__ == "__main__":
    main(Path(sys.argv[2]))
