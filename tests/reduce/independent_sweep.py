"""A sweep worked out turn by turn from the energy balance; its own equations, nothing of the reduction's.

The engine does one amount of work a turn, scattered from turn to turn.  The brake takes a torque that
follows the speed; what is left over changes the kinetic energy of what turns:

    J (w1^2 - w0^2) / 2 = work of the turn - brake torque * angle of the turn

The pickup sees the shaft pass one angle a turn, the cell the brake's torque over its arm, and the amplifier
averages that with the weights of four running means in a row, one conversion each.
Many sweeps are worked out side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from evenfall.model import Air, Calibration, Run, Setup

TURN = 2 * np.pi
REFERENCE_AIR = Air(99000.0, 298.0, 0.0, 0.0, 0.0, 0.0)  # dry, the reference of ISO 1585: its factor is 1


def flat(speed_rpm):
    """Power alike at every speed."""
    return np.ones_like(speed_rpm)


def bell(sigma_rpm, centre_rpm=9000.0):
    """Power as a normal curve: none far from its peak."""
    return lambda speed_rpm: np.exp(-(((speed_rpm - centre_rpm) / sigma_rpm) ** 2) / 2)


def pipe(width_rpm, centre_rpm=9100.0):
    """Three tenths of the peak stand on a hump of that full width at half maximum, as with a tuned pipe."""
    sigma = width_rpm / 2.354820045

    def power(speed_rpm):
        base = 0.42 + 0.28 * np.exp(-(((speed_rpm - 8000.0) / 4000.0) ** 2))
        return base + 0.3 * np.exp(-(((speed_rpm - centre_rpm) / sigma) ** 2) / 2)

    return power


def plateau(speed_rpm):
    """Power level from 7,000 to 10,000 rpm, falling off to both sides."""
    return np.exp(-(((speed_rpm - 8500.0) / 2500.0) ** 6))


def shoulder(speed_rpm):
    """Two humps of one height."""
    low, high = ((speed_rpm - c) / 600.0 for c in (7000.0, 10000.0))
    return 0.7 + 0.3 * np.exp(-(low**2) / 2) + 0.3 * np.exp(-(high**2) / 2)


@dataclass(frozen=True)
class Sweeps:
    """Sweeps of one engine, and what it truly gives."""

    runs: list[Run]
    calibration: Calibration
    setup: Setup
    power: object  # speed_rpm -> W, the mean over turns
    peak_W: float
    peak_rpm: float
    torque_peak_Nm: float


@dataclass(frozen=True)
class Bench:
    """What turns and how it is read."""

    peak_W: float = 4000.0
    top_rpm: float = 12000.0
    low_rpm: float = 5000.0
    sweep_s: float = 10.0
    inertia_kg_m2: float = 2.0e-3
    arm_m: float = 0.25
    efficiency: float = 1.0
    span_count_per_N: float = 20000.0
    noise_N: float = 0.004
    jitter_s: float = 1e-6
    samples_per_s: tuple[float, float] = (80.0, 93.0)
    settle_s: float = 0.12  # in which a departure from the plan dies away: brake and controller together


def sweeps(shape, scatter: float, count: int, seed: int, bench: Bench = Bench()) -> Sweeps:
    """`count` sweeps of an engine whose power curve has that shape, each turn's work scattering by `scatter`.

    shape: speed_rpm -> relative power; scatter: relative standard deviation of one turn's work.
    """
    rng = np.random.default_rng(seed)
    grid = np.arange(bench.low_rpm, bench.top_rpm + 0.5, 1.0)
    scale = bench.peak_W / float(np.max(shape(grid)))

    def power(speed_rpm):
        return scale * shape(np.asarray(speed_rpm, float))

    def torque(speed_rad_s):
        return power(speed_rad_s * 60 / TURN) / speed_rad_s

    # hold for 1.2 s, ramp, run on for 0.4 s at the ramp's rate
    slope = (bench.low_rpm - bench.top_rpm) / bench.sweep_s * TURN / 60
    top = bench.top_rpm * TURN / 60
    start = 1.2
    stop = start + bench.sweep_s + 0.4
    t = np.zeros(count)
    w = np.full(count, top)
    at, load = [], []
    while t.min() < stop:
        ramped = np.clip(t - start, 0.0, None)
        plan = top + slope * ramped
        # speed at the turn's middle, from the plan's fall; torques of a turn are those at its middle
        falling = np.where(ramped > 0, slope, 0.0)
        middle = w + falling * np.pi / w
        # a good controller knows the engine's mean torque at this speed and brings the speed back to the plan
        brake = torque(middle) - bench.inertia_kg_m2 * falling
        brake = brake + bench.inertia_kg_m2 / bench.settle_s * (w - plan)
        work = torque(middle) * (1 + scatter * rng.standard_normal(count)) * TURN
        w1 = np.sqrt(w * w + 2 * (work - brake * TURN) / bench.inertia_kg_m2)
        at.append(t)
        load.append(brake * bench.efficiency / bench.arm_m)
        t = t + 2 * TURN / (w + w1)
        w = w1
    begun, cell = np.array(at), np.array(load)
    runs = [
        _recorded(i, begun[:, i], cell[:, i], (start, start + bench.sweep_s), bench, rng)
        for i in range(count)
    ]
    w_grid = grid * TURN / 60
    # calibration and inertia are known so well that they have no part in the intervals
    calibration = Calibration(
        0.0, bench.span_count_per_N, 1e-7, bench.arm_m, 1e-8, 0, "", 1e-6,
        hysteresis_u_N=1e-9, hose_u_N=0.0, shake_u_N=0.0,
    )  # fmt: skip
    known = 1e-7 * bench.inertia_kg_m2
    setup = Setup(
        10, 10, 1, bench.inertia_kg_m2, known, bench.efficiency, load_delay_u_s=1e-7, cell_lag_u_s=0.0
    )
    peak = float(np.max(power(grid)))
    return Sweeps(
        runs, calibration, setup, power, peak, float(grid[np.argmax(power(grid))]),
        float(np.max(power(grid) / w_grid)),
    )  # fmt: skip


def _recorded(number, edge_s, cell_N, sweep, bench, rng) -> Run:
    """What pickup and amplifier make of one sweep."""
    period = 1 / rng.uniform(*bench.samples_per_s)
    ready = np.arange(rng.uniform(4, 5) * period, edge_s[-1], period)
    # four running means of one period in a row: the spline of degree 3, worked out by its own recursion
    steps = 24
    back = (np.arange(4 * steps) + 0.5) / steps
    weight = _spline(back, 4)
    places = ready[:, None] - back * period
    middle = (edge_s[1:] + edge_s[:-1]) / 2
    force = np.interp(places, middle, cell_N[:-1]) @ weight / weight.sum()
    count = np.rint(bench.span_count_per_N * (force + rng.normal(0, bench.noise_N, ready.size)))
    # peak to peak of 80 readings at rest lies near 4.85 standard deviations
    rest = (0.2, 0.0, 4.85 * bench.noise_N * bench.span_count_per_N, 80)
    none = np.zeros(0)
    return Run(
        run_id=number + 1,
        board_uid="0000",
        firmware="",
        started_unix_s=1_700_000_000 + 300 * number,
        trigger="button",
        settings={"steady_time": 900},
        load_time_s=ready,
        load_count=count.astype(np.int64),
        edge_time_s=edge_s + rng.normal(0, bench.jitter_s, edge_s.size),
        trace_time_s=none,
        trace_set_speed_rpm=none,
        trace_speed_rpm=none,
        trace_valve_us=none,
        trace_flags=np.zeros(0, np.int64),
        events=[],
        air=[],
        zeros=[rest],
        verdict={"sweep_start_tick": sweep[0], "sweep_end_tick": sweep[1], "verdict": "good"},
        complete=True,
    )


def _spline(x, order):
    """B-spline of that order on whole knots from 0 (Cox and de Boor's recursion)."""
    if order == 1:
        return ((x >= 0) & (x < 1)).astype(float)
    n = order - 1
    return (x * _spline(x, n) + (order - x) * _spline(x - 1, n)) / n
