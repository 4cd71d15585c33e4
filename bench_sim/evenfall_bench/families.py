"""Random benches: engines, brakes, valves, supplies nobody tuned against.

`draw` is the plain family, which obeys the equations of the default models; `family_bench` draws
over all models.

Nothing here is a list of named scenarios: each bench is drawn from a seed.  The ranges are
those of the class: 1.5 to 35 hp, inertia and brake constant x0.5 to 2, supply +-20 % with a
ripple of 1 to 2 Hz, leak up to 5 % of full flow, backlash up to 1 % of the travel, amplifier
clock off by up to 5 %.
"""

from __future__ import annotations

import math
from random import Random
from typing import Any

from .models import MODELS
from .scenario import complete

WARMER_K = 60.0  # of the water on its way through, at most
COARSEST = 0.15  # of the least flow: what servo and stem cannot resolve, at most
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


# --- families over every model -------------------------------------------------


def family_bench(seed: int) -> dict[str, Any]:
    """A partial scenario over all models of the bench, drawn from `seed`: other equations, and told wrongly.

    On top of `draw`: dead time to 150 ms, lag to 100 ms, exponents, bursts, stiction, other valve curves,
    taps and pumps, pipe hit, four-stroking, elastic chain, friction, jet, vibration; arm, span, inertia and
    efficiency as told off by what is told of their uncertainty.  Each bench can still do the sweep:
    brake, valve and outlet are made large enough, the leak small enough.
    """
    bench = draw(seed)
    rng = Random(f"family/{seed}")
    power = max(t * n * math.pi / 30 for n, t in bench["engine"]["torque_map"])
    for add in (
        _add_engine,
        _add_drive,
        _add_brake,
        _add_valve,
        _add_supply,
        _add_servo,
        _add_cell,
        _add_told,
    ):
        add(bench, rng, power / W_PER_HP)
    bench["bench"]["title"] = f"family bench {seed}"
    _make_able(bench)
    return bench


def _some(rng: Random, share: float) -> bool:
    return rng.random() < share


def _add_engine(bench: dict[str, Any], rng: Random, hp: float) -> None:
    engine = bench["engine"]
    end = engine["torque_map"][-1][0]
    engine.update(
        model="two-stroke",
        free_rpm=end * rng.uniform(1.08, 1.3),
        free_friction_share=rng.uniform(0.1, 0.3),
        cycle_correlation=rng.uniform(-0.2, 0.4),
    )
    if _some(rng, 0.25):
        engine.update(
            pipe_loss=rng.uniform(0.1, 0.4),
            pipe_rpm=rng.uniform(0.6, 0.8) * end,
            pipe_width_rpm=rng.uniform(600.0, 2000.0),
        )
    if _some(rng, 0.25):
        engine.update(pipe_cold=rng.uniform(0.0, 0.03), pipe_time_s=rng.uniform(2.0, 8.0))
    if _some(rng, 0.25):
        engine.update(
            four_stroke_share=rng.uniform(0.03, 0.2), four_stroke_from_rpm=rng.uniform(0.75, 0.95) * end
        )
    if _some(rng, 0.3):
        engine.update(
            warmup_loss=rng.uniform(0.0, 0.04),
            warmup_time_s=rng.uniform(8.0, 60.0),
            start_warm=rng.uniform(0.2, 1.0),
        )


def _add_drive(bench: dict[str, Any], rng: Random, hp: float) -> None:
    drive = bench["drive"]
    drive.update(
        efficiency=rng.uniform(0.96, 1.0),
        chain_ripple=rng.uniform(0.005, 0.03),
        sprocket_ripple=rng.uniform(0.005, 0.02),
    )
    if _some(rng, 0.3):
        # near 100 Hz with the inertias of this bench
        j1 = bench["engine"]["inertia_kg_m2"]
        j2 = bench["brake"]["inertia_kg_m2"] * (drive["engine_teeth"] / drive["brake_teeth"]) ** 2
        stiffness = (2 * math.pi * rng.uniform(60.0, 140.0)) ** 2 / (1 / j1 + 1 / j2)
        drive.update(
            model="elastic",
            stiffness_Nm_rad=min(max(stiffness, 20.0), 5000.0),
            damping_Nms_rad=min(2.0, rng.uniform(0.05, 0.2) * math.sqrt(stiffness / (1 / j1 + 1 / j2))),
            slack_deg=rng.uniform(0.0, 4.0),
        )


def _add_brake(bench: dict[str, Any], rng: Random, hp: float) -> None:
    brake = bench["brake"]
    lag = 0.1 * rng.random() ** 1.5  # s in all, at 6,000 rpm
    turns = rng.choice((0.0, 1.0, 0.5)) * lag
    uneven = rng.uniform(0.5, 1.0)
    up, down = (1.0, uneven) if _some(rng, 0.5) else (uneven, 1.0)
    brake.update(
        model="lagging",
        fill_exponent=rng.uniform(0.7, 1.6),
        speed_exponent=rng.uniform(1.7, 2.3),
        outflow_speed_exponent=rng.uniform(0.7, 1.2),
        fill_lag_s=(lag - turns) * up,
        drain_lag_s=(lag - turns) * down,
        fill_lag_turns=turns * 100.0 * up,
        drain_lag_turns=turns * 100.0 * down,
        torque_noise=rng.choice((0.0, rng.uniform(0.0, 0.02))),
        torque_noise_time_s=rng.uniform(0.03, 0.3),
        fade_from_C=rng.uniform(85.0, 95.0),
    )
    if _some(rng, 0.25):
        brake.update(
            burst=rng.uniform(0.01, 0.05), burst_s=rng.uniform(0.05, 0.3), bursts_per_s=rng.uniform(0.1, 1.0)
        )
    if _some(rng, 0.2):
        down_at = rng.uniform(0.05, 0.3)
        brake.update(
            model="two patterns",
            pattern_drop=rng.uniform(0.02, 0.15),
            pattern_down=down_at,
            pattern_up=down_at + rng.uniform(0.01, 0.06),
            pattern_s=rng.uniform(0.02, 0.1),
        )


def _add_valve(bench: dict[str, Any], rng: Random, hp: float) -> None:
    valve = bench["valve"]
    model = rng.choices(("orifice", "linear", "equal percentage", "quick opening"), (6, 1, 2, 1))[0]
    valve["model"] = model
    if model != "orifice":
        valve.pop("curve")
    if model == "equal percentage":
        valve["rangeability"] = rng.uniform(20.0, 50.0)
    valve["hose_delay_s"] = 0.15 * rng.random() ** 1.5
    if _some(rng, 0.4):
        stick = rng.uniform(2.0, 20.0)
        valve.update(stick_us=stick, jump_us=stick * rng.uniform(0.2, 1.0))
    if _some(rng, 0.3):
        valve["asymmetry"] = rng.uniform(-0.05, 0.1)
    if _some(rng, 0.3):
        # so that flow and hold make at most what is left of 150 ms
        hold_s = rng.uniform(0.0, 0.15 - valve["hose_delay_s"])
        valve["hose_hold_ml"] = hold_s  # becomes ml in _make_able, where the flow is known


def _add_supply(bench: dict[str, Any], rng: Random, hp: float) -> None:
    supply = bench["supply"]
    supply["model"] = rng.choices(("ripple", "taps", "pressure switch"), (5, 2, 3))[0]
    if supply["model"] == "taps":
        supply.update(
            tap_drop=rng.uniform(0.05, 0.25), tap_every_s=rng.uniform(2.0, 10.0), tap_count=rng.choice((1, 2))
        )
    if supply["model"] == "pressure switch":
        supply.update(
            cut_in_bar=rng.uniform(1.8, 2.3),
            cut_out_bar=rng.uniform(2.8, 3.6),
            tank_air_l=rng.uniform(0.15, 2.0),
            pump_l_min=rng.uniform(20.0, 60.0),
            pump_max_bar=rng.uniform(4.5, 6.0),
        )
    if _some(rng, 0.5):
        supply.update(
            line_loss_bar=rng.uniform(0.05, 0.5),
            line_m=rng.uniform(2.0, 40.0),
            line_bore_mm=rng.uniform(11.0, 19.0),
        )


def _add_servo(bench: dict[str, Any], rng: Random, hp: float) -> None:
    if _some(rng, 0.5):
        bench["servo"].update(
            model="second order",
            natural_Hz=rng.uniform(5.0, 12.0),
            damping=rng.uniform(0.6, 1.0),
            load_share=rng.uniform(0.0, 0.3),
        )


def _add_cell(bench: dict[str, Any], rng: Random, hp: float) -> None:
    cell = bench["load_cell"]
    working = max(t for _, t in bench["engine"]["torque_map"]) / 0.25  # N
    cell.update(
        model="trunnion",
        friction_share=rng.choice((0.0, rng.uniform(0.0, 0.004))),
        span_tc_K=rng.uniform(-5e-5, 5e-5),
        cell_rise_K=rng.uniform(0.0, 15.0),
        creep=rng.uniform(-0.0005, 0.0005),
        hose_N=rng.uniform(-0.02, 0.02) * working,
        vibration_N=rng.uniform(0.0, 0.2) * working,
    )
    if _some(rng, 0.3):
        cell.update(jet_mm=rng.uniform(4.0, 8.0), jet_arm_m=rng.uniform(-0.08, 0.08))
    if _some(rng, 0.3):
        cell.update(direct_N=rng.uniform(0.0, 0.1) * working, direct_order=rng.choice((0.5, 1.0, 2.0)))
    if _some(rng, 0.2):
        cell["rectify_N"] = rng.uniform(-0.003, 0.003) * working
    bench["amplifier"]["filter_order"] = rng.choices((4, 3, 2), (8, 1, 1))[0]
    bench["hall"] = {"jitter_us": rng.uniform(0.2, 3.0), "missed": rng.choice((0.0, rng.uniform(0.0, 0.002)))}


def _add_told(bench: dict[str, Any], rng: Random, hp: float) -> None:
    arm_u, span_u, inertia_u = rng.uniform(0.0005, 0.002), rng.uniform(0.0005, 0.002), rng.uniform(0.01, 0.04)
    bench["told"] = {
        "arm_error": rng.gauss(0.0, arm_u),
        "arm_u": arm_u,
        "span_error": rng.gauss(0.0, span_u),
        "span_u": span_u,
        "inertia_error": rng.gauss(0.0, inertia_u),
        "inertia_u": inertia_u,
        "efficiency": round(min(1.0, bench["drive"]["efficiency"] + rng.gauss(0.0, 0.005)), 4),
    }
    bench["weather"] = {
        "pressure_Pa": rng.uniform(90000.0, 103000.0),
        "temperature_C": rng.uniform(5.0, 33.0),
        "humidity": rng.uniform(0.2, 0.9),
    }


def _make_able(bench: dict[str, Any]) -> None:
    """Brake, outlet, valve and leak so that the sweep exists: full enough, cool enough, enough water.

    Steady states along the map from 5,000 rpm to where the torque is a tenth of its peak.
    """
    brake, valve, supply = bench["brake"], bench["valve"], bench["supply"]
    gear = bench["drive"]["engine_teeth"] / bench["drive"]["brake_teeth"]
    a, b, p = brake["fill_exponent"], brake["speed_exponent"], brake["outflow_speed_exponent"]
    points = bench["engine"]["torque_map"]
    peak = max(t for _, t in points)
    steady = [(t, n * math.pi / 30 * gear / FULL_W) for n, t in points if n >= 4800.0 and t > 0.1 * peak]
    drop = 1.0 - brake.get("pattern_drop", 0.0)
    needed = max(t / gear / drop / share**b for t, share in steady)  # full torque that it takes at 5,000 rpm
    brake["full_torque_Nm"] = max(brake["full_torque_Nm"], needed / FULLEST**a)
    flows = []
    for t, share in steady:
        fill = (t / gear / (brake["full_torque_Nm"] * share**b)) ** (1.0 / a)
        rate = share**p + 0.05
        flows.append(
            (t * share * FULL_W / gear, rate * fill ** brake["outflow_exponent"] * brake["capacity_l"] * 1e-3)
        )
    rise = max(watts / (998.2 * 4182.0 * q / brake["drain_time_s"]) for watts, q in flows)
    brake["drain_time_s"] = min(max(brake["drain_time_s"] * min(1.0, 0.8 * WARMER_K / rise), 0.05), 20.0)
    most, least = (f(q for _, q in flows) / brake["drain_time_s"] for f in (max, min))
    if supply["model"] == "pressure switch":
        bar = supply["cut_in_bar"]
        supply["pump_l_min"] = max(supply["pump_l_min"], 2.0 * most * 60e3)
    else:
        bar = supply["pressure_bar"]
        if supply["model"] == "taps":
            bar *= (1.0 - supply["tap_drop"]) ** supply["tap_count"]
    bar -= supply.get("line_loss_bar", 0.0) + brake["back_pressure_bar"]
    size = Random(f"valve/{bench['bench']['title']}").uniform(1.5, 3.0)
    valve["full_flow_l_min"] = min(500.0, size * most * 60e3 * math.sqrt(3.0 / max(bar, 0.5)))
    full = valve["full_flow_l_min"] / 60e3 * math.sqrt(max(bar, 0.5) / 3.0)
    valve["leak"] = min(valve["leak"], 0.4 * least / full)
    _make_fine(bench, least / full)
    if "hose_hold_ml" in valve:
        typical = math.sqrt(most * least)  # dV/dQ = 2/3 hold / 40 ml/s (Q / 40 ml/s)^(-1/3)
        hold = valve["hose_hold_ml"] * 1.5 * 40.0 * (typical / 40e-6) ** (1.0 / 3.0)
        valve["hose_hold_ml"] = min(200.0, hold)


def _make_fine(bench: dict[str, Any], least: float) -> None:
    """Make servo and stem fine enough for the least flow, a share of the full: else nobody could hold it.

    What the servo cannot resolve (dead band, play, stiction) moves the flow by at most `COARSEST` there.
    A quick-opening valve that cannot do so becomes a linear one.
    """
    valve, servo = bench["valve"], bench["servo"]

    def coarse_us() -> float:
        return float(servo["deadband_us"] + servo["backlash_us"] + valve.get("stick_us", 0.0))

    def worth_us() -> float:
        """Servo travel that changes the least flow by COARSEST."""
        share = MODELS["valve"][valve["model"]].share
        whole = complete({"valve": valve})["valve"]
        flows = [valve["leak"] + (1.0 - valve["leak"]) * share(whole, i / 1000) for i in range(1001)]
        low = next(i for i, q in enumerate(flows) if q >= least)
        return float(next((i for i, q in enumerate(flows) if q >= least * (1.0 + COARSEST)), 1000) - low)

    if valve["model"] == "quick opening" and worth_us() < servo["deadband_us"] + 6.0:
        valve["model"] = "linear"
    fine = worth_us()
    over = coarse_us() - servo["deadband_us"]
    room = max(fine - servo["deadband_us"], 2.0)
    if over > room:
        for table, key in ((servo, "backlash_us"), (valve, "stick_us"), (valve, "jump_us")):
            if key in table:
                table[key] *= room / over
