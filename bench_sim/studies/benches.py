"""Random benches for the sweep studies: engines, brakes, valves, supplies nobody tuned against.

Nothing here is a list of named scenarios: each bench is drawn from a seed.  The ranges are
those of the class: 1.5 to 35 hp, inertia and brake constant x0.5 to 2, supply +-20 % with a
ripple of 1 to 2 Hz, leak up to 5 % of full flow, backlash up to 1 % of the travel, amplifier
clock off by up to 5 %.
"""

from __future__ import annotations

import math
from random import Random
from typing import Any

WARMER_K = 60.0  # of the water on its way through, at most
FULLEST = 0.9  # fill at full throttle, at most
FULL_W = 5000.0 * math.pi / 30  # where full_torque_Nm holds, scenario's default
W_PER_HP = 550 * 0.3048 * 4.4482216152605  # 550 ft.lbf/s


def torque_map(rng: Random, power_hp: float) -> list[list[float]]:
    """A wide-open-throttle curve of a random plausible shape: [crank rpm, N.m], ending at 0.

    A broad base, perhaps a pipe's hump, perhaps a dip below it, and a fall to zero above
    the speed of peak power; scaled so that its peak power is `power_hp`.
    """
    peak_rpm = rng.uniform(7800, 11500)
    tilt = rng.uniform(-0.25, 0.5)
    hump = rng.choice([0.0, rng.uniform(0.1, 0.4), rng.uniform(0.3, 0.8)])
    hump_at = peak_rpm * rng.uniform(0.8, 0.98)
    hump_width = rng.uniform(900, 2200)
    dip = rng.choice([0.0, 0.0, rng.uniform(0.0, 0.15)])
    dip_at = hump_at - rng.uniform(1.2, 2.0) * hump_width
    end = peak_rpm * rng.uniform(1.15, 1.35)
    sharp = rng.uniform(1.5, 4.0)  # the larger, the later and steeper the fall
    points = []
    rpm = 1200.0
    while rpm < end - 150:
        x = rpm / peak_rpm
        t = 1.0 + tilt * (1.0 - x) - 0.35 * (x - 0.75) ** 2
        t += hump * math.exp(-(((rpm - hump_at) / hump_width) ** 2))
        t -= dip * math.exp(-(((rpm - dip_at) / (0.5 * hump_width)) ** 2))
        t *= 1.0 - (rpm / end) ** (4.0 * sharp)
        points.append([rpm, t])
        rpm += 300.0
    power = max(t * r * math.pi / 30 for r, t in points)
    scale = power_hp * W_PER_HP / power
    return [[r, round(t * scale, 4)] for r, t in points] + [[round(end, 1), 0.0]]


def valve_curve(rng: Random) -> list[list[float]]:
    """[opening, share of full area]: from nearly linear to strongly progressive or S-shaped."""
    power = rng.uniform(0.9, 2.2)
    ease = rng.uniform(0.0, 1.0)
    return [
        [i / 10, round((1 - ease) * (i / 10) ** power + ease * (i / 10) ** 2 * (3 - 2 * i / 10), 4)]
        for i in range(11)
    ]


def draw(seed: int, power_hp: float | None = None) -> dict[str, Any]:
    """A partial scenario (see SCENARIOS.md) drawn from `seed`."""
    rng = Random(f"bench/{seed}")
    power = math.exp(rng.uniform(math.log(1.5), math.log(35.0))) if power_hp is None else power_hp
    factor = lambda: math.exp(rng.uniform(-math.log(2.0), math.log(2.0)))  # noqa: E731
    curve = torque_map(rng, power)
    peak = max(t for _, t in curve)
    brake_teeth = rng.choice([10, 10, 10, 12, 14])
    working = peak * brake_teeth / 10
    bench = {
        "bench": {"title": f"random bench {seed}"},
        "engine": {
            "use": "",
            "text": f"invented, {power:.1f} hp",
            "torque_map": curve,
            "inertia_kg_m2": 0.0004 * power**0.5 * factor(),
            "cycle_scatter": rng.uniform(0.02, 0.08),
            "wander": rng.uniform(0.001, 0.006),
        },
        "drive": {"engine_teeth": 10, "brake_teeth": brake_teeth},
        "brake": {
            "full_torque_Nm": 3.5 * working * factor(),
            "capacity_l": (0.04 + 0.0035 * working) * rng.uniform(0.7, 1.4),
            "drain_time_s": 0.5 * factor(),
            "outflow_exponent": rng.uniform(0.4, 1.0),
            "back_pressure_bar": rng.choice([0.0, rng.uniform(0.0, 0.6)]),
            "inertia_kg_m2": 0.0015 * factor(),
        },
        "valve": {
            "curve": valve_curve(rng),
            "leak": rng.uniform(0.0, 0.05),
            "hose_delay_s": rng.uniform(0.0, 0.025),
        },
        "supply": {
            "pressure_bar": 3.0 * rng.uniform(0.8, 1.2),
            "ripple": rng.uniform(0.0, 0.08),
            "ripple_Hz": rng.uniform(1.0, 2.0),
            "noise": rng.uniform(0.0, 0.02),
        },
        "servo": {
            "slew_us_s": rng.uniform(2000, 6000),
            "deadband_us": rng.uniform(1.0, 6.0),
            "backlash_us": rng.uniform(0.0, 10.0),
            "offset_us": rng.uniform(-20.0, 20.0),
            "frame_phase": rng.random(),
        },
        "load_cell": {
            "resonance_Hz": rng.uniform(25.0, 60.0),
            "damping": rng.uniform(0.05, 0.2),
            "vibration_N": rng.uniform(0.0, 1.0),
        },
        "amplifier": {"rate_error": rng.uniform(-0.05, 0.05), "phase": rng.random()},
        "board": {"engine_teeth": 10, "brake_teeth": brake_teeth},
    }
    enlarge_brake(bench)
    widen_outlet(bench)
    return bench


def above_end(bench: dict[str, Any]) -> list[tuple[float, float, float]]:
    """(crank torque N.m, brake shaft rad/s, fill that holds it) along the map above 5,000 rpm."""
    brake, gear = bench["brake"], bench["drive"]["engine_teeth"] / bench["drive"]["brake_teeth"]
    out = []
    for rpm, torque in bench["engine"]["torque_map"]:
        w = rpm * math.pi / 30 * gear
        if rpm >= 5000.0 and torque > 0.0:
            out.append((torque, w, torque / gear / (brake["full_torque_Nm"] * (w / FULL_W) ** 2)))
    return out


def enlarge_brake(bench: dict[str, Any]) -> None:
    """Make the brake large enough to hold its engine down to 5,000 rpm; else no valve could."""
    fullest = max(fill for _, _, fill in above_end(bench))
    if fullest > FULLEST:
        bench["brake"]["full_torque_Nm"] *= fullest / FULLEST


def widen_outlet(bench: dict[str, Any]) -> None:
    """Make the outlet (and with it the valve) large enough that the water does not boil.

    A brake whose throughput cannot carry its engine's heat is no bench: steam takes its torque
    away and no valve brings it back.  Heat balance of water, P = rho c q dT (common practice, no
    source), at full throttle over the map above 5,000 rpm.
    """
    brake = bench["brake"]
    gear = bench["drive"]["engine_teeth"] / bench["drive"]["brake_teeth"]
    most = 0.0
    for torque, w, fill in above_end(bench):
        flow = brake["capacity_l"] * 1e-3 / brake["drain_time_s"] * w / FULL_W
        flow *= min(fill, 1.0) ** brake["outflow_exponent"]
        most = max(most, torque * w / gear / (998.2 * 4182.0 * flow))
    if most > WARMER_K:
        brake["drain_time_s"] *= WARMER_K / most
