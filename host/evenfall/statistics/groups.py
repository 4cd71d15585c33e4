"""Runs of one build as a group: means, scatter, the common peaks, what is noticed about the runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy

from evenfall.errors import InputError
from evenfall.model import Bins, FloatArray, IntArray, Reduction
from evenfall.reduction.peak import peaks_of_runs
from evenfall.reduction.uncertainty import AT_PEAK
from evenfall.statistics.group_findings import Finding, findings_of
from evenfall.statistics.precision import LEVEL, REPEATABILITY_FACTOR
from evenfall.statistics.reduced_run import ReducedRun


@dataclass(frozen=True)
class Spread:
    """Mean and scatter over the runs of a group, each (b,); NaN where fewer than two runs have data."""

    mean: FloatArray
    s: FloatArray  # standard deviation of one run
    n: IntArray

    @property
    def half_width(self) -> FloatArray:
        """95 % half-width of the mean, from the scatter alone."""
        with np.errstate(invalid="ignore", divide="ignore"):
            t = scipy.stats.t.ppf(1 - LEVEL / 2, np.maximum(self.n - 1, 1))
            return np.where(self.n > 1, t * self.s / np.sqrt(np.maximum(self.n, 1)), np.nan)

    @property
    def r(self) -> FloatArray:
        """Repeatability limit: two runs of one build differ by less, 19 times in 20."""
        return REPEATABILITY_FACTOR * self.s


@dataclass(frozen=True)
class Group:
    """Runs of one build in the order they were made."""

    label: str
    runs: tuple[ReducedRun, ...]
    speed_rpm: FloatArray  # (b,)
    torque_Nm: Spread
    power_W: Spread
    peak_torque_Nm: Spread  # each of shape (1,)
    peak_power_W: Spread
    peak_power_rpm: float
    peak_torque_rpm: float
    peak_values: dict[str, FloatArray]  # "peak_power_W", "peak_torque_Nm": (n,) of the common maximum
    peak_u: dict[str, float]  # their standard uncertainty beside the scatter: lack of fit, selection
    range_rpm: tuple[float, float]  # the speeds that every run covers
    level: FloatArray  # (n,) each run's power against the group's, averaged over common speeds
    findings: tuple[Finding, ...]
    left_out: str = ""  # which runs do not count, and why: one sentence

    @property
    def n(self) -> int:
        return len(self.runs)

    @property
    def reductions(self) -> list[Reduction]:
        return [p.reduction for p in self.runs]


def group(runs: Sequence[ReducedRun | Reduction], label: str) -> Group:
    """Runs of one build, made in this order, as a group.

    Raises InputError for an empty group, differing air standards, or grids without a common speed.
    """
    wrapped = tuple(p if isinstance(p, ReducedRun) else ReducedRun(p) for p in runs)
    if not wrapped:
        raise InputError(f"group '{label}' holds no run; name at least one")
    standards = sorted({p.reduction.standard for p in wrapped})
    if len(standards) > 1:
        raise InputError(
            f"group '{label}' mixes air corrections ({', '.join(standards)}); "
            "reduce all its runs by one of them"
        )
    doubles = {p.key for p in wrapped}
    if len(doubles) < len(wrapped):
        raise InputError(f"group '{label}' names the same run twice; each run counts once")
    speed = _grid([p.reduction.bins for p in wrapped])
    torque = np.vstack([on_grid(p.reduction.bins, p.reduction.bins.torque_Nm, speed) for p in wrapped])
    power = np.vstack([on_grid(p.reduction.bins, p.reduction.bins.power_W, speed) for p in wrapped])
    common = np.isfinite(power).all(axis=0)
    if not common.any():
        raise InputError(
            f"the runs of group '{label}' have no speed in common; check that they are of one engine"
        )
    centre = power[:, common].mean(axis=0)
    level = (power[:, common] / centre).mean(axis=1) - 1
    mean_power = (
        np.trapezoid(power[:, common], speed[common], axis=1) if common.sum() > 1 else power[:, common][:, 0]
    )
    if common.sum() > 1:
        mean_power = mean_power / (speed[common][-1] - speed[common][0])
    peaks, peak_u, peak_rpm = _group_peaks(wrapped, speed, torque)
    return Group(
        label=label,
        runs=wrapped,
        speed_rpm=speed,
        torque_Nm=spread(torque),
        power_W=spread(power),
        peak_torque_Nm=spread(peaks["peak_torque_Nm"][:, None]),
        peak_power_W=spread(peaks["peak_power_W"][:, None]),
        peak_power_rpm=peak_rpm["peak_power_W"],
        peak_torque_rpm=peak_rpm["peak_torque_Nm"],
        peak_values=peaks,
        peak_u=peak_u,
        range_rpm=(float(speed[common][0]), float(speed[common][-1])),
        level=level,
        findings=tuple(findings_of(wrapped, level, power / np.nanmean(power, axis=0) - 1, speed)),
    )


def without(g: Group, indices: Sequence[int]) -> Group:
    """The group less some runs, by their indices: a person's choice, never made here."""
    return group([p for i, p in enumerate(g.runs) if i not in set(indices)], g.label)


def without_warming(g: Group) -> Group:
    """The group less its warming runs, judged no further."""
    cold = {i for f in g.findings if f.kind == "warming" for i in f.indices}
    return replace(without(g, sorted(cold)), findings=())


def _grid(all_bins: Sequence[Bins]) -> FloatArray:
    """Speeds at which any of the curves has a value, rising."""
    return np.unique(np.concatenate([b.speed_rpm[np.isfinite(b.power_W)] for b in all_bins]))


def on_grid(bins: Bins, values: FloatArray, speed_rpm: FloatArray) -> FloatArray:
    """Values moved to the places of `speed_rpm`; NaN where this curve has none.  Nothing is interpolated."""
    at = {s: v for s, v in zip(bins.speed_rpm, values, strict=True)}
    return np.array([at.get(s, np.nan) for s in speed_rpm])


def spread(values: FloatArray) -> Spread:
    """(runs, b) -> mean and standard deviation over the runs that have data."""
    n = np.isfinite(values).sum(axis=0)
    total = np.nansum(values, axis=0)
    mean = np.where(n > 0, total / np.maximum(n, 1), np.nan)
    squares = np.nansum((values - mean) ** 2, axis=0)
    s = np.where(n > 1, np.sqrt(squares / np.maximum(n - 1, 1)), np.nan)
    return Spread(mean, s, n)


def _group_peaks(
    runs: tuple[ReducedRun, ...], speed: FloatArray, torque: FloatArray
) -> tuple[dict[str, FloatArray], dict[str, float], dict[str, float]]:
    """(each run's height at the common maximum (n,), its uncertainty beside scatter, its speed)."""
    values, u, rpm = {}, {}, {}
    common = peaks_of_runs(speed, torque)
    for i, name in enumerate(("peak_torque_Nm", "peak_power_W")):
        if common:
            values[name], u[name], rpm[name] = common[i].values, common[i].u_model, common[i].speed_rpm
            continue
        own = [getattr(p.reduction, name) for p in runs]
        values[name] = np.array([peak.value for peak in own])
        shape = [sum(p.reduction.budget.get(c, 0.0) ** 2 for c in AT_PEAK) ** 0.5 for p in runs]
        u[name] = float(np.mean(shape) * np.abs(values[name]).mean())
        rpm[name] = float(np.mean([peak.speed_rpm for peak in own]))
    return values, u, rpm
