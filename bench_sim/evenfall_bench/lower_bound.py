"""The least tracking error any causal controller could reach on a bench: a lower bound to judge the sweep by.

A linear model of the bench at points along the sweep, in logarithms: shaft, water held, the part of
it that makes torque (lag), water column of the supply pipe, hose, servo of second order; the engine's
turn-to-turn scatter and its four-stroking as white noise, its wander, noise and bursts of the brake's
torque, the supply's ripple as an oscillator, its noise and other taps; the dead times of servo
frames, hose and pickup; torque and speed as they are measured, the filter's order included.  With
all of that known to it, the linear-quadratic-Gaussian controller is the one with the least mean square
of the speed error; its error is what is given here (separation of estimation and control: e.g. Astrom &
Wittenmark, Computer-Controlled Systems, chapter 11, from memory; the two Riccati equations are
solved by scipy).  Slew, play, dead band, stiction and end stops are left out, and the curve is
known beforehand: real bounds lie higher.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import numpy as np
import scipy.linalg as la

from .models import Streams, part
from .models.common import RPM, WATER_DENSITY_KG_M3
from .models.engine import TwoStroke

STEP_S = 0.0125  # of the controller: one conversion at 80 samples/s
RIPPLE_KEEPS = 0.3  # 1/s, how fast the ripple loses its phase
HOSE_CELLS = 4
REFERENCE_M3_S = 40e-6  # flow at which [valve] hose_hold_ml holds
SPEED_ERROR, TORQUE_ERROR = 0.0005, 0.006  # relative, of one measurement
Matrix = np.ndarray[Any, np.dtype[np.float64]]


def interpolate_held(points: list[list[float]], x: float) -> float:
    """Piecewise linear, held at the ends."""
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]


def linear(scenario: dict[str, Any], rpm: float) -> dict[str, float]:
    """What the bench is at one crank speed: rates in 1/s, times in s, exponents, relative noises.

    `scenario` must be complete (evenfall_bench.scenario.complete).
    """
    brake, valve = scenario["brake"], scenario["valve"]
    gear = scenario["drive"]["engine_teeth"] / scenario["drive"]["brake_teeth"]
    engine = part("engine", scenario, Streams(0))
    torque = max(engine.map_Nm(rpm, {}), 1e-3)
    n = (engine.map_Nm(1.02 * rpm, {}) - engine.map_Nm(0.98 * rpm, {})) / 0.04 / torque
    w = rpm * RPM
    share = w * gear / (brake["full_torque_rpm"] * RPM)  # brake speed against the rated one
    j = scenario["engine"]["inertia_kg_m2"] + brake["inertia_kg_m2"] * gear**2
    lags = brake["model"] != "affinity"
    a, b = (brake["fill_exponent"], brake["speed_exponent"]) if lags else (1.0, 2.0)
    p = brake["outflow_speed_exponent"] if lags else 1.0
    k_fill = torque * scenario["drive"]["efficiency"] / gear - brake["bearing_drag_Nm"]
    fill = (max(k_fill, 1e-6) / (brake["full_torque_Nm"] * share**b)) ** (1.0 / a)
    fill = min(max(fill, 1e-3), 1.0)
    m = brake["outflow_exponent"]
    rate = share**p + brake["standing_drain"]
    refill = rate / brake["drain_time_s"] * fill ** (m - 1.0)  # inflow / content, 1/s
    flow = refill * fill * brake["capacity_l"] * 1e-3
    turning = w * gear
    lag = 0.0
    if lags:
        seconds = 0.5 * (brake["fill_lag_s"] + brake["drain_lag_s"])
        lag = seconds + 0.5 * (brake["fill_lag_turns"] + brake["drain_lag_turns"]) * 2 * math.pi / turning
    slope, column = _valve_slope(scenario, flow, brake["back_pressure_bar"] * fill * share**2)
    hose = 0.0
    if valve["hose_hold_ml"]:
        hose = valve["hose_hold_ml"] * 1e-6 / 1.5 * (flow / REFERENCE_M3_S) ** (2 / 3) / flow  # dV/dQ
    return {
        "w": w, "shaft": torque / (j * w), "n": n, "fill": fill, "flow": flow, "refill": refill, "m": m,
        "p": p * share**p / rate, "a": a, "b": b, "slope": slope, "lag": lag, "column": column, "hose": hose,
        "turn_noise": _turn_noise(scenario, engine, rpm),

    }  # fmt: skip


def _valve_slope(scenario: dict[str, Any], flow: float, back_bar: float) -> tuple[float, float]:
    """(relative flow per relative opening, time constant of the water column in s) at that flow in m3/s."""
    valve, supply = scenario["valve"], scenario["supply"]
    made = part("valve", scenario, Streams(0))
    full_flow = valve["full_flow_l_min"] / 60e3
    conductance = [made.full_flow * (made.leak + (1.0 - made.leak) * share) for share in made.curve[:-1]]
    opening = np.linspace(0.0, 1.0, len(conductance))
    resistance = supply["line_loss_bar"] * 1e5 / full_flow**2
    drive = max((supply["pressure_bar"] - back_bar) * 1e5 - resistance * flow**2, 5e3)
    c = flow / math.sqrt(drive)
    i = int(np.clip(np.searchsorted(conductance, c), 4, len(conductance) - 3))
    slope = math.log(conductance[i + 2] / conductance[i - 2]) / math.log(opening[i + 2] / opening[i - 2])
    square = resistance + 1.0 / c**2
    inertance = (
        WATER_DENSITY_KG_M3 * supply["line_m"] / (math.pi / 4.0 * (supply["line_bore_mm"] * 1e-3) ** 2)
    )
    return slope / (c**2 * square), inertance / (2.0 * square * flow)


def _turn_noise(scenario: dict[str, Any], engine: Any, rpm: float) -> float:
    """Variance of the engine's relative torque per turn, as seen over many turns.

    First-order autoregression: x (1 + r) / (1 - r).  Four-stroking: p (1 - p) / (1 + p), the central
    limit of a renewal process of one or two turns (any text on either).
    """
    e = scenario["engine"]
    variance: float = e["cycle_scatter"] ** 2
    if isinstance(engine, TwoStroke):
        r, p = engine.correlation, engine.skip_chance(rpm)
        variance *= (1.0 + r) / (1.0 - r)
        variance += p * (1.0 - p) / (1.0 + p)
    return variance


class Continuous:
    """dx/dt = A x + B u + noise, put together by names of states."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.terms: list[tuple[str, str, float]] = []
        self.inputs: dict[str, float] = {}
        self.noise: dict[str, float] = {}

    def state(self, name: str, noise: float = 0.0, push: float = 0.0, **terms: float) -> None:
        """A state, its noise's spectral density, the gain of the input on it and what its rate depends on."""
        self.names.append(name)
        self.terms += [(name, of, gain) for of, gain in terms.items()]
        self.noise[name] = noise
        self.inputs[name] = push

    def matrices(self) -> tuple[Matrix, Matrix, Matrix]:
        """A, B, and the noise's spectral density."""
        at = {name: i for i, name in enumerate(self.names)}
        a = np.zeros((len(at), len(at)))
        for name, of, gain in self.terms:
            a[at[name], at[of]] += gain
        push = np.array([[self.inputs[name]] for name in self.names])
        return a, push, np.diag([self.noise[name] + 1e-12 for name in self.names])


def _disturbances(c: Continuous, scenario: dict[str, Any]) -> tuple[dict[str, float], dict[str, float]]:
    """Add what moves by chance; returns what adds to the relative torque of the brake and to the inflow."""
    supply, engine, brake = scenario["supply"], scenario["engine"], scenario["brake"]
    half = 0.5  # flow goes with the root of pressure
    tau = engine["wander_time_s"]
    c.state("wander", 2.0 * engine["wander"] ** 2 / tau, wander=-1.0 / tau)
    torque: dict[str, float] = {}
    inflow = {"ripple": half, "pressure": half}
    w, keep = 2.0 * math.pi * supply["ripple_Hz"], RIPPLE_KEEPS
    spread = keep * supply["ripple"] ** 2
    c.state("ripple", spread, ripple=-keep, quadrature=w)
    c.state("quadrature", spread, quadrature=-keep, ripple=-w)
    tau = supply["noise_time_s"]
    c.state("pressure", 2.0 * supply["noise"] ** 2 / tau, pressure=-1.0 / tau)
    if supply["model"] == "taps":
        tau = supply["tap_every_s"] / 2.0  # a telegraph signal of two equal mean times
        variance = supply["tap_count"] * supply["tap_drop"] ** 2 / 4.0
        c.state("taps", 2.0 * variance / tau, taps=-1.0 / tau)
        inflow["taps"] = half
    if brake["model"] != "affinity":
        if brake["torque_noise"]:
            tau = brake["torque_noise_time_s"]
            c.state("rough", 2.0 * brake["torque_noise"] ** 2 / tau, rough=-1.0 / tau)
            torque["rough"] = 1.0
        if brake["bursts_per_s"]:
            tau = brake["burst_s"]
            share = brake["bursts_per_s"] * tau / (1.0 + brake["bursts_per_s"] * tau)
            c.state("burst", 2.0 * share * brake["burst"] ** 2 / tau, burst=-1.0 / tau)
            torque["burst"] = 1.0
    return torque, inflow


def bench_model(scenario: dict[str, Any], b: dict[str, float]) -> tuple[Continuous, dict[str, float]]:
    """The bench in relative changes at one speed, and what the measured torque is made of."""
    c = Continuous()
    c.state(
        "speed",
        (b["shaft"] ** 2) * b["turn_noise"] * 2.0 * math.pi / b["w"],
        speed=-b["shaft"] * (b["b"] - b["n"]),
    )
    noises, inflow = _disturbances(c, scenario)
    # opening -> servo -> water column -> hose -> water held -> what makes torque
    source: dict[str, float] = {}
    servo = scenario["servo"]
    push = 1.0
    if servo["model"] == "second order":
        w0 = 2.0 * math.pi * servo["natural_Hz"]
        c.state("servo", servo=0.0, servo_rate=1.0)
        c.state("servo_rate", push=w0**2, servo=-(w0**2), servo_rate=-2.0 * servo["damping"] * w0)
        source, push = {"servo": 1.0}, 0.0
    inflow = {**inflow, **{name: b["slope"] * gain for name, gain in source.items()}}
    push *= b["slope"]
    stages = [("column", b["column"])] if b["column"] > 1e-3 else []
    stages += [(f"hose{i}", b["hose"] / HOSE_CELLS) for i in range(HOSE_CELLS)] if b["hose"] else []
    for name, tau in stages:
        c.state(name, 0.0, push / tau, **{**{k: g / tau for k, g in inflow.items()}, name: -1.0 / tau})
        inflow, push = {name: 1.0}, 0.0
    rate = b["refill"]
    c.state(
        "held",
        0.0,
        push * rate,
        held=-rate * b["m"],
        speed=-rate * b["p"],
        **{k: g * rate for k, g in inflow.items()},
    )
    active = "held"
    if b["lag"] > 1e-3:
        c.state("active", held=1.0 / b["lag"], active=-1.0 / b["lag"])
        active = "active"
    torque = {active: b["a"], **noises}
    for name, gain in torque.items():
        c.terms.append(("speed", name, -b["shaft"] * gain))
    c.terms.append(("speed", "wander", b["shaft"]))
    return c, {"speed": b["b"], **torque}


def riccati(a: Matrix, b: Matrix, q: Matrix, r: Matrix) -> Matrix:
    """Discrete algebraic Riccati equation; by its own recursion where scipy's pencil is ill-conditioned."""
    try:
        return la.solve_discrete_are(a, b, q, r)
    except (ValueError, la.LinAlgError):
        x = q.copy()
        for _ in range(2000):
            x = a.T @ x @ a - a.T @ x @ b @ np.linalg.solve(r + b.T @ x @ b, b.T @ x @ a) + q
        return x


def lower_bound_percent(scenario: dict[str, Any], rpm: float, effort: float = 2e-4) -> float:
    """Least rms of the relative speed error at one speed, in %."""
    c, measured = bench_model(scenario, linear(scenario, rpm))
    a, push, q = c.matrices()
    n = len(c.names)
    both = la.expm(np.block([[-a, q], [np.zeros((n, n)), a.T]]) * STEP_S)  # Van Loan
    one = both[n:, n:].T
    noise = one @ both[:n, n:]
    held = la.expm(np.block([[a, push], [np.zeros((1, n + 1))]]) * STEP_S)[:n, n:]

    # tail of the state: the commands under way, speed a step ago, torque one and more steps ago
    frame_s = 1.0 / scenario["servo"]["rate_Hz"]
    late = max(1, round((frame_s - STEP_S / 2.0 + scenario["valve"]["hose_delay_s"]) / STEP_S))
    period_s = 1.0 / (scenario["amplifier"]["rate_Hz"] * (1.0 + scenario["amplifier"]["rate_error"]))
    behind = max(1, round(scenario["amplifier"]["filter_order"] / 2.0 * period_s / STEP_S))
    size = n + late + 1 + behind
    f = np.zeros((size, size))
    f[:n, :n], f[:n, n : n + 1] = one, held
    for i in range(late - 1):
        f[n + i, n + i + 1] = 1.0
    g = np.zeros((size, 1))
    g[n + late - 1, 0] = 1.0
    f[n + late, c.names.index("speed")] = 1.0
    for name, gain in measured.items():
        f[n + late + 1, c.names.index(name)] = gain
    for i in range(1, behind):
        f[n + late + 1 + i, n + late + i] = 1.0
    drive = np.zeros((size, size))
    drive[:n, :n] = noise
    seen = np.zeros((2, size))
    seen[0, n + late] = seen[1, size - 1] = 1.0
    return _lqg_percent(f, g, drive, seen, effort)


def _lqg_percent(f: Matrix, g: Matrix, drive: Matrix, seen: Matrix, effort: float) -> float:
    """Rms of the first state, in %, under the optimal controller."""
    size = len(f)
    rough = np.diag([SPEED_ERROR**2, TORQUE_ERROR**2])
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
    return 100.0 * math.sqrt(max(float(spread[0, 0]), 0.0))


def sweep_lower_bound_percent(scenario: dict[str, Any]) -> float:
    """Root mean square of the bound over eight speeds from 95 % of the map's end to the end speed."""
    top = 0.95 * scenario["engine"]["torque_map"][-1][0]
    end = float(scenario["board"].get("end_speed", 5000))
    speeds = np.linspace(max(top, end + 100.0), end, 8)
    return math.sqrt(float(np.mean([lower_bound_percent(scenario, float(r)) ** 2 for r in speeds])))
