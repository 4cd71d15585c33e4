"""Drag that the load cell does not feel, from a coast-down of the brake without water.

The brake's shaft is spun up without the engine's drive and let go.  All that slows it down is drag:

    J dw/dt = -(drag felt + drag not felt)

The cell feels what acts between rotor and housing; bearings outside the housing and windage outside it are
not felt.  So the deceleration gives all of it, the cell its share, the difference is what is missing.  The
total is taken as constant + linear + square in the speed (dry friction, grease, air), and fitted in
integrated form, which needs no derivative of a noisy speed:

    w(t) = w0 - c0 t - c1 A(t) - c2 B(t),    A: angle turned, B: integral of w^2
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from evenfall.errors import DamageError, InputError
from evenfall.model import Calibration, FloatArray, Run, Setup
from evenfall.reduction import align
from evenfall.reduction.uncertainty import COVERAGE
from evenfall.units import RPM

FROM_TOP = 0.97  # of the greatest speed: below it the hand or drill has let go
DOWN_TO = 0.15  # of it: below that the pickup's turns are few
MIN_TURNS = 40
MIN_RANGE = 0.4  # of the top speed that has to be coasted through
PLACES = 6  # speeds the result is shown at


@dataclass(frozen=True)
class CoastDown:
    """Drag on the brake's shaft against its speed, N.m; standard uncertainties."""

    speed_rpm: FloatArray  # (n,) of the brake's shaft
    total_Nm: FloatArray  # (n,)
    total_u_Nm: FloatArray
    felt_Nm: FloatArray  # (n,) by the cell
    felt_u_Nm: FloatArray
    loss_Nm: FloatArray  # (n,) not felt
    loss_u_Nm: FloatArray
    loss: tuple[float, float, float]  # N.m, N.m s, N.m s2: of the loss over speed in rad/s
    from_s: float
    to_s: float
    turns: int
    notes: list[str]


def coast_down(
    run: Run, calibration: Calibration, setup: Setup, inertia_kg_m2: float, inertia_u_kg_m2: float
) -> CoastDown:
    """Fit one recorded coast-down.

    Args:
        run: as the board recorded it; a zero taken with the shaft at rest, the brake without water.
        inertia_kg_m2: of what coasts, on the brake's shaft: rotor, shaft, sprocket, magnets.

    Raises InputError for numbers that cannot be, DamageError where the run holds no coast-down.
    """
    if not 0 < inertia_kg_m2 < 1 or not 0 <= inertia_u_kg_m2 < inertia_kg_m2:
        raise InputError(
            f"an inertia of {inertia_kg_m2:g} ± {inertia_u_kg_m2:g} kg.m2 is not possible for what coasts; "
            "type that of rotor, shaft and sprocket, for instance 0.0005 and 0.00002"
        )
    align.check_extent(run)
    at, speed = _coasting(run, setup)
    angle_time = np.concatenate(([0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(at))))
    square = np.concatenate(([0.0], np.cumsum((speed[1:] ** 2 + speed[:-1] ** 2) / 2 * np.diff(at))))
    since = at - at[0]
    columns = np.stack((np.ones(at.size), -since, -angle_time, -square), axis=1)
    whole, whole_cov = _fit(columns, speed)
    c, c_cov = whole[1:], whole_cov[1:, 1:]

    zero = run.zeros[0][1] if run.zeros else calibration.zero_count
    delay = align.FILTER_PERIODS / 2 * align.median(np.diff(run.load_time_s))
    load_at = run.load_time_s - setup.cell_lag_s
    load_at -= delay if setup.load_delay_s is None else setup.load_delay_s
    inside = (load_at >= at[0]) & (load_at <= at[-1]) & ~align.clamped_codes(run.load_count)
    if np.count_nonzero(inside) < 20:
        raise DamageError(
            f"run {run.run_id}: hardly any load sample while it coasts; check the cell's wiring"
        )
    torque = (run.load_count[inside] - zero) / calibration.span_count_per_N * calibration.arm_m
    w = np.interp(load_at[inside], at, speed)
    felt, felt_cov = _fit(np.stack((np.ones(w.size), w, w**2), axis=1), torque)

    grid = np.linspace(speed.min(), speed.max(), PLACES)
    powers = np.stack((np.ones(PLACES), grid, grid**2), axis=1)
    total = inertia_kg_m2 * powers @ c
    total_u = np.hypot(inertia_kg_m2 * _along(powers, c_cov), total * inertia_u_kg_m2 / inertia_kg_m2)
    share = powers @ felt
    felt_u = np.sqrt(
        _along(powers, felt_cov) ** 2
        + (share * calibration.span_u_rel) ** 2
        + (calibration.zero_u_N * calibration.arm_m) ** 2
    )
    loss, loss_u = total - share, np.hypot(total_u, felt_u)
    by_power = inertia_kg_m2 * c - felt
    return CoastDown(
        grid / RPM, total, total_u, share, felt_u, loss, loss_u,
        (float(by_power[0]), float(by_power[1]), float(by_power[2])),
        float(at[0]), float(at[-1]), at.size, _notes(loss, loss_u),
    )  # fmt: skip


def _coasting(run: Run, setup: Setup) -> tuple[FloatArray, FloatArray]:
    """(times, rad/s of the brake's shaft) of the longest fall from the top speed."""
    if run.edge_time_s.size < MIN_TURNS:
        raise DamageError(
            f"run {run.run_id} holds {run.edge_time_s.size} speed edges: no coast-down is in it"
        )
    edges = align.repair_edges(run.edge_time_s)
    at, speed = align.turn_speed(*align.shaft_angle(edges, setup.magnets))
    top = float(np.max(speed))
    begin = int(np.flatnonzero(speed >= FROM_TOP * top)[-1])
    slow = np.flatnonzero((speed < DOWN_TO * top) & (np.arange(speed.size) > begin))
    end = int(slow[0]) if slow.size else speed.size
    for silent, _ in edges.silent:  # the pickup's turns are too slow from here, or it lost the magnet
        if silent > at[begin]:
            end = min(end, int(np.searchsorted(at, silent)))
    at, speed = at[begin:end], speed[begin:end]
    if speed.size < MIN_TURNS or np.ptp(speed) < MIN_RANGE * top:
        raise DamageError(
            f"run {run.run_id}: the speed does not fall freely over {MIN_RANGE * 100:.0f} % of its top for "
            f"{MIN_TURNS} turns; spin the brake up without water, let go, and record until it nearly stands"
        )
    return at, speed


def _fit(columns: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(coefficients, their covariance) of least squares; columns are scaled first."""
    size = np.abs(columns).max(axis=0)
    inverse = np.linalg.pinv(columns / size)
    fit = inverse @ y
    left = y - columns / size @ fit
    variance = float(left @ left) / max(y.size - columns.shape[1], 1)
    # neighbours share their error (a turn's time, the amplifier's filter): their correlation widens it
    if left.size > 2 and variance > 0:
        r = float(np.clip(left[1:] @ left[:-1] / (left @ left), 0.0, 0.9))
        variance *= (1 + r) / (1 - r)
    return fit / size, inverse @ inverse.T * variance / np.outer(size, size)


def _along(powers: FloatArray, cov: FloatArray) -> FloatArray:
    return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", powers, cov, powers)))


def _notes(loss: FloatArray, u: FloatArray) -> list[str]:
    notes = []
    if (loss < -COVERAGE * u).any():
        notes.append(
            "The cell feels more drag than slows the shaft down: the inertia is too small, the zero is off, "
            "or something still drives the shaft."
        )
    if (np.abs(loss) < COVERAGE * u).all():
        notes.append(
            "The loss is smaller than its interval at all speeds: it may be taken as zero within it."
        )
    return notes


def with_loss(setup: Setup, found: CoastDown) -> Setup:
    """The set-up that adds this loss to every run; uncertainty: root mean square over the speeds."""
    return replace(
        setup,
        shaft_loss_Nm=found.loss[0],
        shaft_loss_Nm_s=found.loss[1],
        shaft_loss_Nm_s2=found.loss[2],
        shaft_loss_u_Nm=math.sqrt(float(np.mean(found.loss_u_Nm**2))),
    )
