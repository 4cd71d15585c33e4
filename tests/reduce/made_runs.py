"""Runs made from plain formulas, with their truth; shares no code with the host's reduction.

A run is a chosen speed against time and an engine torque curve; Newton gives
the brake's torque, a mass on a spring the force on the cell, four moving
averages of one conversion each the amplifier, and the shaft's angle the edges.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from evenfall.model import Air, Calibration, Run, Setup

# a bench whose friction, hoses and vibration were measured and found to be nothing
MEASURED = dict(hysteresis_u_N=1e-9, hose_u_N=0.0, shake_u_N=0.0)
STEP = 0.0005  # s, of the fine grid
TURN = 2 * np.pi


@dataclass(frozen=True)
class Engine:
    """A two-stroke's torque curve: a base, a broad hump and the pipe's narrower one."""

    name: str
    base_Nm: float
    hump: tuple[float, float, float]  # N.m, rpm, width rpm
    pipe: tuple[float, float, float]
    inertia_kg_m2: float
    top_rpm: float
    arm_m: float
    engine_teeth: int = 10
    brake_teeth: int = 10

    def torque(self, rpm):
        a, b = self.hump, self.pipe
        return (
            self.base_Nm
            + a[0] * np.exp(-(((rpm - a[1]) / a[2]) ** 2))
            + b[0] * np.exp(-(((rpm - b[1]) / b[2]) ** 2))
        )


ENGINES = [
    Engine("auger 25", 0.6, (0.55, 6500, 3000), (0.25, 8200, 1500), 9e-4, 10500, 0.15, 9, 12),
    Engine("post auger", 1.2, (1.0, 6800, 3000), (0.6, 9000, 1500), 1.5e-3, 11500, 0.20, 11, 14),
    Engine("clearing saw", 1.3, (1.2, 7000, 3000), (0.8, 9300, 1400), 2.0e-3, 12500, 0.25),
    Engine("large clearing saw", 2.5, (2.0, 7000, 3200), (1.0, 9300, 1700), 3.0e-3, 12500, 0.25),
    Engine("trail mill 120", 8.0, (6.0, 7500, 3500), (4.0, 10500, 1900), 5.0e-3, 13000, 0.30, 12, 10),
]


@dataclass(frozen=True)
class Flaws:
    """What the bench does wrong; the defaults are an honest bench in order."""

    noise_counts: float = 40.0
    cycle_rel: float = 0.004  # slow scatter of the engine's torque, standard deviation
    cycle_time_s: float = 0.05
    ripple_rel: float = 0.002  # speed wobble
    ripple_Hz: float = 1.5
    jitter_s: float = 1e-6
    missed: float = 0.0
    extra: float = 0.0
    resonance_Hz: float = 120.0
    zero_before_N: float = 0.0  # of the zero frame against the true zero
    zero_after_N: float | None = None  # None: no zero taken after
    rate_error: float = 0.03
    hand_s: float = 0.3  # the sweep runs on for so long past its end, then the throttle closes
    drop_samples: tuple[int, ...] = ()
    spike_at: tuple[int, ...] = ()
    force_extra: object = None  # callable(t, rpm) -> N added at the cell
    speed_extra: object = None  # callable(t, rpm) -> rpm the brake's shaft gains against the crank
    hold_wander: float = 0.0  # of the speed in the hold before the sweep
    clamp_N: float = 1e9
    magnet_off_deg: tuple[float, ...] = ()
    slip_below_rpm: float = 0.0  # the clutch lets go below this crank speed
    engine_share: float = 0.4  # of the inertia that is the engine's side of the clutch


@dataclass(frozen=True)
class MadeRun:
    run: Run
    calibration: Calibration
    setup: Setup
    engine: Engine
    truth: object = field(repr=False)  # rpm -> N.m at the crank: the engine's curve
    fine_rpm: object = field(repr=False)  # (n,) true speed in the sweep
    fine_Nm: object = field(repr=False)  # (n,) true torque, scatter and all
    fine_s: object = field(repr=False)  # (n,) of these
    sweep_s: tuple[float, float] = (0.0, 0.0)
    closes_s: float = 0.0  # the throttle, from then on

    def as_run(self, centres_rpm, width_rpm=250.0, within_s=None):
        """True torque of this very run: what it was in each bin, brought to the whole bin by the curve.

        `within_s` is the time the reduction used, else the sweep: the ends compare like with like.
        Full throttle only: a reduction that takes in more than that errs.
        """
        first, last = within_s or self.sweep_s
        inside = (self.fine_s >= first) & (self.fine_s <= min(last, self.closes_s))
        out = []
        for c in centres_rpm:
            near = inside & (np.abs(self.fine_rpm - c) <= width_rpm / 2)
            if near.sum() > 20:
                share = self.fine_Nm[near].mean() / self.truth(self.fine_rpm[near]).mean()
                out.append(share * float(self.in_bins(c, width_rpm)))
            else:
                out.append(np.nan)
        return np.array(out)

    def in_bins(self, centres_rpm, width_rpm=250.0):
        """The engine's curve as bins give it: its mean over each bin's width."""
        places = (np.arange(100) + 0.5) / 100 - 0.5
        return self.truth(np.asarray(centres_rpm)[..., None] + width_rpm * places).mean(axis=-1)


def make_run(
    engine: Engine,
    seed: int = 0,
    *,
    sweep_s: float = 10.0,
    end_rpm: float = 5000.0,
    flaws: Flaws | None = None,
    gain: float = 1.0,
    magnets: int = 1,
    span: float = 42000.0,
    marked: bool = True,
    run_id: int | None = None,
) -> MadeRun:
    """A run of `sweep_s` from the engine's top to `end_rpm`; `gain` scales the engine's torque."""
    flaws = flaws or Flaws()
    rng = np.random.default_rng([seed, ENGINES.index(engine) if engine in ENGINES else 99])
    before, after = 1.5, 1.0
    total = before + sweep_s + after
    t = np.arange(0, total, STEP)
    # speed: hold, straight fall with rounded corners, release
    top = engine.top_rpm
    fall = (top - end_rpm) / sweep_s
    closes = before + sweep_s + flaws.hand_s
    slope = np.where(t < before, 0.0, np.where(t < closes, -fall, 1500.0))
    kernel = np.hanning(int(0.08 / STEP))
    slope = np.convolve(np.pad(slope, len(kernel), mode="edge"), kernel / kernel.sum(), "same")[
        len(kernel) : -len(kernel)
    ]
    w_ripple = TURN * flaws.ripple_Hz
    phase = rng.uniform(0, TURN)
    rpm = top + np.cumsum(slope) * STEP
    ripple = flaws.ripple_rel * top * np.sin(w_ripple * t + phase)
    wander = flaws.hold_wander * top * np.sin(TURN * 0.7 * t) * np.clip((before - t) / 0.3, 0, 1)
    rpm = rpm + ripple + wander
    accel = np.gradient(rpm, STEP) * TURN / 60
    # engine: truth times slow scatter
    keep = np.exp(-STEP / flaws.cycle_time_s)
    steps = rng.normal(0, np.sqrt(1 - keep**2), t.size)
    from scipy.signal import lfilter

    slow = lfilter([1], [1, -keep], steps)
    throttle = np.where(t < closes, 1.0, np.exp(-(t - closes) / 0.2))
    engine_Nm = gain * engine.torque(rpm) * (1 + flaws.cycle_rel * slow) * throttle
    brake_crank = engine_Nm - engine.inertia_kg_m2 * accel
    if flaws.slip_below_rpm:
        # the engine stays where the clutch just carries it; only the brake's side answers the brake
        held = gain * engine.torque(flaws.slip_below_rpm) * throttle
        slipping = held - (1 - flaws.engine_share) * engine.inertia_kg_m2 * accel
        brake_crank = np.where(rpm < flaws.slip_below_rpm, slipping, brake_crank)
    ratio = engine.engine_teeth / engine.brake_teeth  # brake speed per crank speed
    force = brake_crank / ratio / engine.arm_m
    if flaws.force_extra is not None:
        force = force + flaws.force_extra(t, rpm)
    force = np.minimum(force, flaws.clamp_N)
    # the cell on its mounts: 2nd-order, damping 0.3, exact gain 1 at rest
    from scipy.signal import bilinear, lfilter_zi

    w0, z = TURN * flaws.resonance_Hz, 0.3
    b, a = bilinear([w0 * w0], [1, 2 * z * w0, w0 * w0], 1 / STEP)
    seen, _ = lfilter(b, a, force, zi=lfilter_zi(b, a) * force[0])
    # the amplifier: four moving averages of one conversion period each
    period = 1 / (80 * (1 + flaws.rate_error))
    for _ in range(4):
        sums = np.concatenate(([0.0], np.cumsum(seen))) * STEP
        edge = np.concatenate((t, [t[-1] + STEP]))
        seen = (np.interp(t + STEP, edge, sums) - np.interp(t + STEP - period, edge, sums, left=0.0)) / period
    ready = np.arange(6 * period + rng.uniform(0, period), total - 0.01, period)
    newton = np.interp(ready, t + STEP, seen)
    zero = 50000.0
    count = np.rint(newton * span + zero + rng.normal(0, flaws.noise_counts, ready.size)).astype(np.int64)
    for at in flaws.spike_at:
        count[at] = (1 << 22) - 1
    count = np.clip(count, -0x800000, 0x7FFFFF)
    use = np.ones(ready.size, bool)
    use[list(flaws.drop_samples)] = False
    # edges of the pickup on the brake's shaft
    brake_rpm = rpm * ratio
    if flaws.speed_extra is not None:
        brake_rpm = brake_rpm + flaws.speed_extra(t, brake_rpm)
    turns = np.cumsum(brake_rpm / 60) * STEP * magnets
    whole = np.arange(1, int(turns[-1]))
    places = whole.astype(float)
    if flaws.magnet_off_deg:
        off = np.array(flaws.magnet_off_deg) / 360 * magnets
        places = places + off[whole % magnets]
    edges = np.interp(places, turns, t + STEP) + rng.normal(0, flaws.jitter_s, places.size)
    edges = edges[rng.random(edges.size) >= flaws.missed]
    more = edges[rng.random(edges.size) < flaws.extra]
    if more.size:
        edges = np.concatenate((edges, more + rng.uniform(0.0004, 0.0025, more.size)))
    edges = np.round(np.sort(edges) * 4e6) / 4e6
    spread = 5.3 * flaws.noise_counts  # highest less lowest of 160 normal readings
    zeros = [(-2.0, zero + flaws.zero_before_N * span, spread, 160)]
    if flaws.zero_after_N is not None:
        zeros.append((total + 5, zero + flaws.zero_after_N * span, spread, 160))
    run = Run(
        run_id=seed if run_id is None else run_id,
        board_uid="e66164084b123456",
        firmware="made",
        started_unix_s=1_700_000_000 + seed,
        trigger="button",
        settings={
            "engine_teeth": engine.engine_teeth,
            "brake_teeth": engine.brake_teeth,
            "magnets": magnets,
            "arm_length": round(engine.arm_m * 1e6),
            "span": round(span * 1000),
            "steady_time": 500,
        },
        load_time_s=np.round(ready[use] * 4e6) / 4e6,
        load_count=count[use],
        edge_time_s=edges,
        trace_time_s=np.zeros(0),
        trace_set_speed_rpm=np.zeros(0),
        trace_speed_rpm=np.zeros(0),
        trace_valve_us=np.zeros(0),
        trace_flags=np.zeros(0, np.int64),
        events=[],
        air=[],
        zeros=zeros,
        verdict={
            "verdict": "good",
            "reason": "none",
            "sweep_start_tick": before,
            "sweep_end_tick": before + sweep_s,
        }
        if marked
        else None,
        complete=True,
    )
    calibration = Calibration(
        zero_count=zero, span_count_per_N=span, span_u_rel=0.001, arm_m=engine.arm_m, arm_u_m=0.0002,
        **MEASURED,
    )  # fmt: skip
    setup = Setup(
        engine_teeth=engine.engine_teeth,
        brake_teeth=engine.brake_teeth,
        magnets=magnets,
        inertia_kg_m2=engine.inertia_kg_m2,
        inertia_u_kg_m2=0.02 * engine.inertia_kg_m2,
        cell_lag_u_s=0.0,
    )
    return MadeRun(
        run,
        calibration,
        setup,
        engine,
        lambda rpm: gain * engine.torque(np.asarray(rpm)),
        rpm,
        engine_Nm,
        t,
        (before, before + sweep_s),
        closes,
    )


STANDARD_AIR = Air(99000.0, 298.0, 0.0, source="reference day of ISO 1585 (dry 99 kPa, 298 K)")


def misread(air: Air, rng: np.random.Generator) -> Air:
    """Air off by draws from its own stated uncertainties."""
    return replace(
        air,
        pressure_Pa=air.pressure_Pa + rng.normal(0, air.pressure_u_Pa),
        temperature_K=air.temperature_K + rng.normal(0, air.temperature_u_K),
        relative_humidity=float(np.clip(air.relative_humidity + rng.normal(0, air.humidity_u), 0, 1)),
    )


def misjudged(run: MadeRun, rng: np.random.Generator) -> tuple[Calibration, Setup]:
    """Calibration and set-up off by draws from their own stated uncertainties."""
    c, s = run.calibration, run.setup
    return (
        replace(
            c,
            span_count_per_N=c.span_count_per_N * (1 + rng.normal(0, c.span_u_rel)),
            arm_m=c.arm_m + rng.normal(0, c.arm_u_m),
        ),
        replace(s, inertia_kg_m2=s.inertia_kg_m2 + rng.normal(0, s.inertia_u_kg_m2)),
    )
