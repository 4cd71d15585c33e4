"""Figures that compare engines of different size: from torque, power, displacement and stroke.

Mean effective pressure is the pressure that, acting on the piston through each working stroke, would give the
torque: a two-stroke has one per turn, so p = 2 pi T / V.  Mean piston speed: 2 s n.  J. B. Heywood, Internal
Combustion Engine Fundamentals, 2.7 and 2.2 (from memory); specific power is power over displacement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from evenfall.errors import InputError
from evenfall.model import Bins, Reduction
from evenfall.reduction.reduce import mean_over

SIZES_DIFFER = 0.03  # of the displacement: rounding of catalogue values; common practice, no source
BAND_SHARE = 0.9  # of peak power: the band of the mean where nobody names one


@dataclass(frozen=True)
class EngineSize:
    """What is known of an engine's size; NaN where it is not."""

    displacement_m3: float = math.nan
    stroke_m: float = math.nan


@dataclass(frozen=True)
class EngineFigures:
    """95 % half-widths are those of torque and power: displacement and stroke are taken as exact."""

    mean_effective_pressure_Pa: float  # at peak torque
    mean_effective_pressure_half_Pa: float
    specific_power_W_m3: float  # at peak power
    specific_power_half_W_m3: float
    piston_speed_m_s: float  # mean, at peak power


@dataclass(frozen=True)
class BandMean:
    """Mean power between two speeds, W, with its standard uncertainty; NaN where there is none."""

    low_rpm: float
    high_rpm: float
    power_W: float
    power_u_W: float


def engine_size(
    displacement_cc: float | None, bore_m: float | None, stroke_m: float | None, cylinders: float = 1
) -> EngineSize:
    """The displacement as entered, else from bore, stroke and number of cylinders."""
    volume = math.nan
    if displacement_cc:
        volume = displacement_cc * 1e-6
    elif bore_m and stroke_m:
        volume = swept_volume_m3(bore_m, stroke_m, cylinders)
    return EngineSize(volume, stroke_m or math.nan)


def swept_volume_m3(bore_m: float, stroke_m: float, cylinders: float = 1) -> float:
    """Of all cylinders."""
    return cylinders * math.pi / 4 * bore_m**2 * stroke_m


def check_size(
    displacement_cc: float | None, bore_m: float | None, stroke_m: float | None, cylinders: float | None
) -> None:
    """InputError where bore, stroke and cylinders (None: not entered) contradict the displacement."""
    if not (displacement_cc and bore_m and stroke_m):
        return
    one_cc = swept_volume_m3(bore_m, stroke_m) * 1e6
    count = cylinders or 1
    swept_cc = count * one_cc
    if abs(swept_cc / displacement_cc - 1) <= SIZES_DIFFER:
        return
    number = round(displacement_cc / one_cc)
    more = not cylinders and number > 1 and abs(number * one_cc / displacement_cc - 1) <= SIZES_DIFFER
    raise InputError(
        f"bore and stroke give {swept_cc:.1f} cm³ with {count:g} cylinder{'s' * (count > 1)}, the "
        f"displacement is {displacement_cc:.1f} cm³: "
        + (f"cylinders={number}?" if more else "look which of them is wrong; nothing was noted"),
        "" if more else " (bore= forgets it)",
    )


def engine_figures(result: Reduction, size: EngineSize) -> EngineFigures:
    """Of one run's peaks."""
    torque, power = result.peak_torque_Nm, result.peak_power_W
    per_volume = 1 / size.displacement_m3
    return EngineFigures(
        2 * math.pi * torque.value * per_volume,
        2 * math.pi * torque.half_width * per_volume,
        power.value * per_volume,
        power.half_width * per_volume,
        2 * size.stroke_m * power.speed_rpm / 60,
    )


def band_mean(bins: Bins, band_rpm: tuple[float, float] | None = None) -> BandMean:
    """Mean power over `band_rpm`, else over the speeds about the highest bin with `BAND_SHARE` of its power.

    Raises InputError when the run does not cover a band that was asked for.
    """
    nothing = BandMean(math.nan, math.nan, math.nan, math.nan)
    given = np.flatnonzero(np.isfinite(bins.power_W))
    if band_rpm is None:
        if given.size < 2:
            return nothing
        power = bins.power_W[given]
        top = int(np.argmax(power))
        weak = np.flatnonzero(power < BAND_SHARE * power[top])
        first = int(weak[weak < top].max(initial=-1)) + 1
        last = int(weak[weak > top].min(initial=given.size)) - 1
        if last <= first:
            return nothing
        band_rpm = float(bins.speed_rpm[given[first]]), float(bins.speed_rpm[given[last]])
    try:
        found = mean_over(bins, *band_rpm)
    except InputError as error:
        raise InputError(f"mean power: {error}") from None
    return BandMean(*band_rpm, found["power_W"], found["power_u_W"])
