"""Invented runs for tests of compare, report and page: no firmware, no reduction code.

A made-up two-stroke: torque rises to a broad top and falls off; a per-run scale error stands for
the engine's scatter, a per-bin error for noise, a warming term for a cold start.
"""

from __future__ import annotations

import numpy as np
from evenfall.model import Bins, Peak, Reduction

SPEED_RPM = np.arange(5000.0, 13001.0, 250.0)


def true_torque_Nm(speed_rpm: np.ndarray, top_Nm: float = 4.2, at_rpm: float = 8600.0) -> np.ndarray:
    x = (speed_rpm - at_rpm) / 5200.0
    return top_Nm * (1 - 0.55 * x**2 - 0.25 * x**3)


def make_reduction(
    run_id: int,
    rng: np.random.Generator,
    *,
    scale: float = 1.0,
    run_scatter: float = 0.004,
    bin_noise: float = 0.003,
    shared: float = 0.0,
    span_u: float = 0.004,
    speed_rpm: np.ndarray = SPEED_RPM,
    standard: str = "iso1585",
    sweep_time_s: float = 10.0,
    notes: list[str] | None = None,
    inputs: dict[str, str] | None = None,
    missing: int = 0,
    top_Nm: float = 4.2,
) -> Reduction:
    omega = speed_rpm * np.pi / 30
    torque = (
        true_torque_Nm(speed_rpm, top_Nm) * scale * (1 + shared) * (1 + run_scatter * rng.standard_normal())
    )
    torque = torque * (1 + bin_noise * rng.standard_normal(len(speed_rpm)))
    count = np.full(len(speed_rpm), 25)
    if missing:
        torque[-missing:] = np.nan
        count[-missing:] = 0
    power = torque * omega
    repeat = bin_noise * np.abs(torque)
    total = np.hypot(repeat, span_u * np.abs(torque))
    factor = 1.012
    bins = Bins(
        speed_rpm=speed_rpm.copy(),
        torque_Nm=torque,
        torque_u_Nm=total,
        torque_u_independent_Nm=repeat,
        power_W=power,
        power_u_W=total * omega,
        power_u_independent_W=repeat * omega,
        torque_observed_Nm=torque / factor,
        power_observed_W=power / factor,
        count=count,
    )
    it, ip = int(np.nanargmax(torque)), int(np.nanargmax(power))
    time = np.linspace(0, sweep_time_s, 800)
    falling = np.linspace(speed_rpm[-1], speed_rpm[0], 800)
    return Reduction(
        run_id=run_id,
        standard=standard,
        air_factor=factor,
        air_factor_u=0.001,
        air_factor_in_range=True,
        bins=bins,
        peak_torque_Nm=Peak(float(torque[it]), float(1.96 * total[it]), float(speed_rpm[it])),
        peak_power_W=Peak(float(power[ip]), float(1.96 * total[ip] * omega[ip]), float(speed_rpm[ip])),
        time_s=time,
        speed_rpm=falling,
        torque_Nm=np.interp(falling, speed_rpm, np.nan_to_num(torque)),
        sweep_time_s=sweep_time_s,
        budget={"span": span_u, "noise": bin_noise, "air": 0.001},
        notes=list(notes or []),
        inputs=dict(inputs or {}),
    )


def make_group(
    n: int, seed: int, first_id: int = 1, warming: float = 0.0, **options: object
) -> list[Reduction]:
    """n runs; `warming` lowers the first run by that share, halving with each run."""
    rng = np.random.default_rng(seed)
    scale = float(options.pop("scale", 1.0))  # type: ignore[arg-type]
    return [
        make_reduction(first_id + i, rng, scale=scale * (1 - warming * 0.5**i), **options)  # type: ignore[arg-type]
        for i in range(n)
    ]
