"""The least tracking error any controller could reach on a bench: a floor to judge the sweep by.

A linear model of the bench at points along the sweep, in logarithms: shaft, fill, the engine's
turn-to-turn scatter as white noise and its wander, the supply's ripple as an oscillator, the
delays of servo frames, hose and pickup, torque and speed as they are measured.  With all of that
known to it, the linear-quadratic-Gaussian controller is the one with the least mean square of the
speed error; its error is what is given here (separation of estimation and control: e.g. Astrom &
Wittenmark, Computer-Controlled Systems, chapter 11, from memory; the two Riccati equations are
solved by scipy).  Play, dead band, slew and end stops of the valve are left out: real floors lie higher.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.linalg as la
from benches import FULL_W

STEP_S = 0.0125
RPM = math.pi / 30


def along(points: list[list[float]], x: float) -> float:
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]


def linear(scenario: dict[str, Any], rpm: float) -> dict[str, float]:
    """What the bench is at one crank speed: rates in 1/s, the exponents of torque and valve.

    `scenario` must be complete (evenfall_bench.scenario.complete).
    """
    engine, brake, valve = scenario["engine"], scenario["brake"], scenario["valve"]
    gear = scenario["drive"]["engine_teeth"] / scenario["drive"]["brake_teeth"]
    curve = engine["torque_map"]
    torque = max(along(curve, rpm), 1e-3)
    n = (along(curve, 1.02 * rpm) - along(curve, 0.98 * rpm)) / 0.04 / torque
    w = rpm * RPM
    j = engine["inertia_kg_m2"] + brake["inertia_kg_m2"] * gear**2
    k_fill = torque / gear - brake["bearing_drag_Nm"]
    fill = min(max(k_fill / (brake["full_torque_Nm"] * (w * gear / FULL_W) ** 2), 1e-3), 1.0)
    m = brake["outflow_exponent"]
    refill = w * gear / FULL_W / brake["drain_time_s"] * fill ** (m - 1.0)  # inflow / content, 1/s
    flow = refill * fill * brake["capacity_l"] * 1e-3
    full = valve["full_flow_l_min"] / 60e3 / math.sqrt(valve["full_flow_bar"])
    bar = scenario["supply"]["pressure_bar"]
    bar -= brake["back_pressure_bar"] * fill * (w * gear / FULL_W) ** 2
    area = flow / (full * math.sqrt(max(bar, 0.05)))
    opening = np.linspace(0.02, 1.0, 491)
    areas = [valve["leak"] + (1.0 - valve["leak"]) * along(valve["curve"], float(u)) for u in opening]
    i = int(np.clip(np.searchsorted(areas, area), 5, 485))
    slope = math.log(areas[i + 5] / areas[i - 5]) / math.log(opening[i + 5] / opening[i - 5])
    return {"w": w, "shaft": torque / (j * w), "n": n, "refill": refill, "m": m, "slope": slope}


def riccati(a: np.ndarray, b: np.ndarray, q: np.ndarray, r: np.ndarray) -> np.ndarray:
    """Discrete algebraic Riccati equation; by its own recursion where scipy's pencil is ill-conditioned."""
    try:
        return la.solve_discrete_are(a, b, q, r)
    except (ValueError, la.LinAlgError):
        x = q.copy()
        for _ in range(2000):
            x = a.T @ x @ a - a.T @ x @ b @ np.linalg.solve(r + b.T @ x @ b, b.T @ x @ a) + q
        return x


def floor_percent(scenario: dict[str, Any], rpm: float, effort: float = 2e-4) -> float:
    """Least rms of the relative speed error at one speed, in %."""
    b = linear(scenario, rpm)
    supply, engine = scenario["supply"], scenario["engine"]
    ripple_w = 2.0 * math.pi * supply["ripple_Hz"]
    keep = 0.3  # 1/s, how long the ripple keeps its phase
    # states: ln speed, ln fill, wander, ripple and its quadrature
    a = np.zeros((5, 5))
    a[0, :3] = -b["shaft"] * (2.0 - b["n"]), -b["shaft"], b["shaft"]
    a[1, 1], a[1, 3] = -b["refill"] * b["m"], b["refill"]
    a[2, 2] = -1.0 / engine["wander_time_s"]
    a[3, 3] = a[4, 4] = -keep
    a[3, 4], a[4, 3] = ripple_w, -ripple_w
    push = np.zeros((5, 1))
    push[1, 0] = b["refill"] * b["slope"]
    q = np.zeros((5, 5))
    q[0, 0] = (b["shaft"] * engine["cycle_scatter"]) ** 2 * 2.0 * math.pi / b["w"]
    q[2, 2] = 2.0 * engine["wander"] ** 2 / engine["wander_time_s"] + 1e-12
    q[3, 3] = q[4, 4] = keep * (supply["ripple"] / 2.0) ** 2 + 1e-12
    both = la.expm(np.block([[-a, q], [np.zeros((5, 5)), a.T]]) * STEP_S)  # Van Loan
    one = both[5:, 5:].T
    noise = one @ both[:5, 5:]
    held = la.expm(np.block([[a, push], [np.zeros((1, 6))]]) * STEP_S)[:5, 5:]

    frame_s = 1.0 / scenario["servo"]["rate_Hz"]
    late = max(1, round((frame_s - STEP_S / 2.0 + scenario["valve"]["hose_delay_s"]) / STEP_S))
    size = 5 + late + 3
    f = np.zeros((size, size))
    f[:5, :5], f[:5, 5:6] = one, held
    for i in range(late - 1):
        f[5 + i, 6 + i] = 1.0
    g = np.zeros((size, 1))
    g[4 + late, 0] = 1.0
    f[5 + late, 0] = 1.0  # the pickup's mean of turns: a step late
    f[6 + late, 0], f[6 + late, 1] = 2.0, 1.0  # torque = fill x speed^2, two steps late
    f[7 + late, 6 + late] = 1.0
    drive = np.zeros((size, size))
    drive[:5, :5] = noise
    seen = np.zeros((2, size))
    seen[0, 5 + late] = seen[1, 7 + late] = 1.0
    rough = np.diag([0.0005**2, 0.006**2])
    p = riccati(f.T, seen.T, drive + 1e-14 * np.eye(size), rough)
    gain = p @ seen.T @ np.linalg.inv(seen @ p @ seen.T + rough)
    cost = np.zeros((size, size))
    cost[0, 0] = 1.0
    s = riccati(f, g, cost, np.array([[effort]]))
    law = np.linalg.solve(effort + g.T @ s @ g, g.T @ s @ f)
    loop = np.block([[f, -g @ law], [f @ gain @ seen, f - g @ law - f @ gain @ seen]])
    zero = np.zeros((size, size))
    inputs = np.block([[drive, zero], [zero, f @ gain @ rough @ gain.T @ f.T]])
    spread = la.solve_discrete_lyapunov(loop, inputs)
    return 100.0 * math.sqrt(max(spread[0, 0], 0.0))


def sweep_floor_percent(scenario: dict[str, Any]) -> float:
    """Root mean square of the floor over eight speeds from 95 % of the map's end to the end speed."""
    top = 0.95 * scenario["engine"]["torque_map"][-1][0]
    end = float(scenario["board"].get("end_speed", 5000))
    speeds = np.linspace(max(top, end + 100.0), end, 8)
    return math.sqrt(float(np.mean([floor_percent(scenario, float(r)) ** 2 for r in speeds])))
