"""Did the engine change?  The gain of one group of runs over another.

Statistics of small groups, nothing else: no files, no printing.

What is one and what is two: runs of one group share the calibration, so its error moves all of
them alike.  It is left out of the gain (it scales the gain by its own small share and no more)
unless the two groups were measured with different calibrations; then it counts in full.

When the runs' times are known, sessions and drift are part of the model (statistics/sessions.py).  Else
the groups are two samples of one bench.

Sources: ISO 5725-2 (repeatability s_r, r = 2.8 s_r, Grubbs' test at 1 % and 5 %); Student's t for two
groups of one scatter, else Welch's (B. L. Welch, Biometrika 34, 1947; the same as
scipy.stats.ttest_ind); false discovery rate over the bins (Benjamini and Hochberg, 1995;
scipy.stats.false_discovery_control).
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import scipy  # scipy.stats loads at its first use: listing runs does not wait for it

from evenfall.errors import InputError
from evenfall.model import FloatArray
from evenfall.statistics.groups import Group, Spread, on_grid, spread, without_warming
from evenfall.statistics.precision import LEVEL, decidable, runs_needed
from evenfall.statistics.sessions import (
    Design,
    GainFit,
    Scatter,
    assumed_scatter,
    fit_gain,
    run_order,
    session_numbers,
    smallest_shown,
)
from evenfall.statistics.set_up_differences import Difference, set_up_differences, shared_relative

SCATTERS_DIFFER = 0.2  # level of the F test at which Welch's degrees of freedom are used
BAND_SHARE = 0.9  # of peak power: the band of the mean, where nobody names one


@dataclass(frozen=True)
class Gain:
    """After less before, with the 95 % half-width of the difference."""

    name: str
    before: float
    after: float
    difference: float
    half_width: float
    dof: float
    p_value: float
    s_pooled: float

    @property
    def real(self) -> bool:
        """The interval of the difference leaves zero out."""
        return bool(np.isfinite(self.half_width) and abs(self.difference) > self.half_width)

    @property
    def relative(self) -> float:
        return self.difference / self.before

    @property
    def relative_half_width(self) -> float:
        return self.half_width / abs(self.before)


@dataclass(frozen=True)
class BinGains:
    """Gain on each speed, (b,); `real` is marked with the false discovery rate held at 5 %."""

    speed_rpm: FloatArray
    torque_before_Nm: FloatArray
    torque_after_Nm: FloatArray
    torque_Nm: FloatArray
    torque_half_Nm: FloatArray
    power_before_W: FloatArray
    power_after_W: FloatArray
    power_W: FloatArray
    power_half_W: FloatArray
    p_value: FloatArray
    real: np.ndarray


@dataclass(frozen=True)
class Comparison:
    """Group B against group A."""

    before: Group
    after: Group
    peak_power: Gain
    peak_torque: Gain
    mean_power: Gain
    bins: BinGains
    differences: tuple[Difference, ...]
    calibration_cancels: bool
    decide_relative: float  # the gain that `more_runs` is about
    more_runs: int | None  # more runs in each group to decide it; 0 none; None too many
    decidable_relative: float  # the smallest gain that these groups show four times in five
    outcome: str  # "real", "real in part", "inside the noise", "cannot tell"
    band_rpm: tuple[float, float] = (float("nan"), float("nan"))  # of `mean_power`
    band_asked: bool = False  # the person's; else where both hold 90 % of their peak power
    sessions: tuple[str, ...] = ()  # what sessions, order and drift did to the gain, in sentences
    drift_relative: float = float("nan")  # of one run, where the order tells it
    settled: Comparison | None = None  # the same without the runs found warming, where there are some


def _shared_speeds(before: Group, after: Group) -> FloatArray:
    """Table speeds of both groups; InputError where they cannot be compared at all."""
    a, b = before.runs[0].reduction.standard, after.runs[0].reduction.standard
    if a != b:
        raise InputError(
            f"'{before.label}' is corrected by {a} and '{after.label}' by {b}; "
            "reduce both by the same one first"
        )
    both = {p.key for p in before.runs} & {p.key for p in after.runs}
    if both:
        raise InputError(f"run {min(both)} is in both groups; a run is either before or after")
    speed = np.intersect1d(before.speed_rpm, after.speed_rpm)
    if not len(speed):
        raise InputError(
            f"'{before.label}' and '{after.label}' share no table speed; "
            "reduce both on the same grid of speeds"
        )
    return speed


def compare(
    before: Group,
    after: Group,
    decide_relative: float = 0.01,
    s_bench_relative: float | None = None,
    between: Scatter | None = None,
    band_rpm: tuple[float, float] | None = None,
) -> Comparison:
    """Gain of `after` over `before`, per bin, at the peaks and over a band, with a verdict.

    The verdict rests on two figures: peak power, and mean power over a band, in which nothing is picked as a
    maximum.  Both real and of one sign: "real"; only one of them: "real in part".

    `band_rpm`: speeds of the band; None: where both groups hold `BAND_SHARE` of their peak power.

    `decide_relative`: the gain that the advice on more runs is about (0.01 = 1 %).
    `s_bench_relative`: this bench's own scatter of one run, known from earlier sessions (relative);
    used only where a group holds a single run and so has no scatter of its own.
    `between`: this bench's own scatter between sessions (`sessions.session_scatter`); None while it has
    shown none, then a prior stands in where before and after lie in different sessions.

    Raises InputError when the groups are corrected by different air standards or share no speed.
    """
    # longer than 60 lines with its text: the steps to one verdict, in their order
    speed = _shared_speeds(before, after)
    differences = tuple(set_up_differences(before, after))
    cancels = all(d.calibration_cancels for d in differences)
    shared_power = shared_relative(before), shared_relative(after)

    model = _Model(before, after, shared_power, cancels, s_bench_relative, between)

    def gain(name: str, x: FloatArray, y: FloatArray) -> Gain:
        found = model.difference(x, y)
        return Gain(name, *(float(v[0]) for v in found))

    def peak_gain(name: str, which: str) -> Gain:
        x, y = before.peak_values[which][:, None], after.peak_values[which][:, None]
        found = model.difference(x, y, float(np.hypot(before.peak_u[which], after.peak_u[which])))
        return Gain(name, *(float(v[0]) for v in found))

    bins = _bin_gains(before, after, speed, model)
    peak_power = peak_gain("peak power", "peak_power_W")
    low, high = band_rpm if band_rpm else _shared_band(before, after)
    if band_rpm:
        _check_band(before, after, low, high)
    mean_power = gain("mean power", _mean_power(before, low, high), _mean_power(after, low, high))
    s_relative = peak_power.s_pooled / peak_power.before
    n = min(before.n, after.n)
    needed = None if model.sessions_hide(decide_relative) else runs_needed(decide_relative, s_relative)
    scatter_known = s_bench_relative is not None or n > 1 or max(before.n, after.n) > 1
    outcome = "cannot tell"
    if scatter_known and np.isfinite(peak_power.half_width):
        outcome = _outcome(peak_power, mean_power)
    settled = None
    warm = [f.indices for g in (before, after) for f in g.findings if f.kind == "warming"]
    if warm:
        left = (without_warming(before), without_warming(after))
        settled = compare(*left, decide_relative, s_bench_relative, between, band_rpm)
    return Comparison(
        before=before,
        after=after,
        peak_power=peak_power,
        peak_torque=peak_gain("peak torque", "peak_torque_Nm"),
        mean_power=mean_power,
        bins=bins,
        differences=differences,
        calibration_cancels=cancels,
        decide_relative=decide_relative,
        more_runs=None if needed is None else max(0, needed - n),
        decidable_relative=model.decidable(peak_power, decidable(n, s_relative)),
        outcome=outcome,
        band_rpm=(low, high),
        band_asked=band_rpm is not None,
        sessions=tuple(model.sentences()),
        drift_relative=model.drift_relative,
        settled=settled,
    )


# --- inside --------------------------------------------------------------------------------------


def _outcome(peak: Gain, mean: Gain) -> str:
    """The verdict from peak and band; a band that has no mean says nothing."""
    if not np.isfinite(mean.half_width):
        return "real" if peak.real else "inside the noise"
    if peak.real and mean.real:
        return "real" if peak.difference * mean.difference > 0 else "real in part"
    return "real in part" if peak.real or mean.real else "inside the noise"


def _shared_band(before: Group, after: Group) -> tuple[float, float]:
    """Where both hold `BAND_SHARE` of their peak power, about the highest; else all that they share."""
    low = max(before.range_rpm[0], after.range_rpm[0])
    high = min(before.range_rpm[1], after.range_rpm[1])
    speed = np.intersect1d(before.speed_rpm, after.speed_rpm)
    speed = speed[(speed >= low) & (speed <= high)]
    if len(speed) < 2:
        return low, high
    share = np.min(
        [
            g.power_W.mean[np.searchsorted(g.speed_rpm, speed)] / float(g.peak_power_W.mean[0])
            for g in (before, after)
        ],
        axis=0,
    )
    top = int(np.argmax(share))
    if not share[top] >= BAND_SHARE:
        return low, high
    inside = np.flatnonzero(~(share >= BAND_SHARE))
    first = int(inside[inside < top].max(initial=-1)) + 1
    last = int(inside[inside > top].min(initial=len(speed))) - 1
    if last == first:
        return low, high
    return float(speed[first]), float(speed[last])


def _check_band(before: Group, after: Group, low_rpm: float, high_rpm: float) -> None:
    low = max(before.range_rpm[0], after.range_rpm[0])
    high = min(before.range_rpm[1], after.range_rpm[1])
    if not low <= low_rpm < high_rpm <= high:
        raise InputError(
            f"the band {low_rpm:g} to {high_rpm:g} rpm is not within {low:g} to {high:g} rpm, which all runs "
            "cover; name one that is"
        )


def _mean_power(g: Group, low_rpm: float, high_rpm: float) -> FloatArray:
    """(n, 1) power of each run averaged over a range of speed: the area under the curve, as a power.

    Trapezoids between bins, ends interpolated; NaN for a run that lacks a bin there.
    """
    if not low_rpm < high_rpm:
        return np.full((g.n, 1), np.nan)
    inside = g.speed_rpm[(g.speed_rpm > low_rpm) & (g.speed_rpm < high_rpm)]
    grid = np.concatenate(([low_rpm], inside, [high_rpm]))
    values = []
    for r in g.reductions:
        power = np.interp(grid, g.speed_rpm, on_grid(r.bins, r.bins.power_W, g.speed_rpm))
        values.append([np.trapezoid(power, grid) / (high_rpm - low_rpm)])
    return np.array(values)


def _peak_independent_relative(g: Group) -> float:
    """Relative standard uncertainty of one run's peak power that does not cancel."""
    values = []
    for r in g.reductions:
        b = r.bins
        if np.isfinite(b.power_W).any():
            at = int(np.nanargmax(b.power_W))
            values.append(b.power_u_independent_W[at] / abs(b.power_W[at]))
    return float(np.mean(values)) if values else np.nan


def _difference(
    x: Spread,
    y: Spread,
    independent_relative: tuple[float, float],
    s_bench_relative: float | None,
) -> GainFit:
    """The gain where times are not known: every run its own, each group's scatter by its own runs."""
    with np.errstate(invalid="ignore", divide="ignore"):
        sx, dx = _scatter(x, y, independent_relative[0], s_bench_relative)
        sy, dy = _scatter(y, x, independent_relative[1], s_bench_relative)
        vx, vy = sx**2 / x.n, sy**2 / y.n
        one = _one_scatter(x, y, sx, sy)
        pooled = np.sqrt((dx * sx**2 + dy * sy**2) / (dx + dy))
        variance = np.where(one, pooled**2 * (1 / x.n + 1 / y.n), vx + vy)
        dof = np.where(one, dx + dy, (vx + vy) ** 2 / (vx**2 / dx + vy**2 / dy))
        dof = np.where(variance > 0, dof, np.minimum(dx, dy))
    unknown = np.full_like(dof, np.nan)
    return GainFit(x.mean, y.mean - x.mean, np.sqrt(variance), dof, pooled, 0, unknown, unknown)


def _one_scatter(x: Spread, y: Spread, sx: FloatArray, sy: FloatArray) -> FloatArray:
    """Where both groups may be held to have one scatter, as ISO 5725-2 holds of one bench.

    Not where an F test at 20 % objects; a group of two says too little for that.  Welch's own degrees of
    freedom are wrong for a few runs: at three each its false claims are 3.4 % instead of 5 %, at two against
    five 7.8 %.
    """
    dx, dy = np.maximum(x.n - 1, 1), np.maximum(y.n - 1, 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        below = scipy.stats.f.cdf((sx / sy) ** 2, dx, dy)
    told = (2 * np.minimum(below, 1 - below) < SCATTERS_DIFFER) & (np.minimum(x.n, y.n) > 2)
    return np.asarray((x.n > 1) & (y.n > 1) & ~told)


def _scatter(
    own: Spread, other: Spread, independent_relative: float, s_bench_relative: float | None
) -> tuple[FloatArray, FloatArray]:
    """Standard deviation of one run and its degrees of freedom.

    The group's own; for a single run the bench's, else the other group's, else the run's stated noise.
    """
    s, dof = own.s.copy(), np.maximum(own.n - 1, 1).astype(float)
    alone = own.n == 1
    if alone.any():
        if s_bench_relative is not None:
            s[alone], dof[alone] = s_bench_relative * np.abs(own.mean[alone]), 30.0
        else:
            borrowed = alone & (other.n > 1)
            s[borrowed], dof[borrowed] = other.s[borrowed], other.n[borrowed] - 1.0
            rest = alone & (other.n <= 1)
            s[rest], dof[rest] = independent_relative * np.abs(own.mean[rest]), 30.0
    return s, dof


def _bin_gains(before: Group, after: Group, speed: FloatArray, model: _Model) -> BinGains:
    out = {}
    for name in ("torque_Nm", "power_W"):
        x, y = (
            np.vstack([on_grid(r.bins, getattr(r.bins, name), speed) for r in g.reductions])
            for g in (before, after)
        )
        out[name] = model.difference(x, y)
    torque, power = out["torque_Nm"], out["power_W"]
    known = np.isfinite(power.p_value)
    real = np.zeros(len(speed), bool)
    if known.any():
        real[known] = scipy.stats.false_discovery_control(power.p_value[known]) < LEVEL
    return BinGains(
        speed_rpm=speed,
        torque_before_Nm=torque.before,
        torque_after_Nm=torque.after,
        torque_Nm=torque.difference,
        torque_half_Nm=torque.half_width,
        power_before_W=power.before,
        power_after_W=power.after,
        power_W=power.difference,
        power_half_W=power.half_width,
        p_value=power.p_value,
        real=real,
    )


class _Differences(NamedTuple):
    """Per column; the order of `Gain`."""

    before: FloatArray
    after: FloatArray
    difference: FloatArray
    half_width: FloatArray
    dof: FloatArray
    p_value: FloatArray
    s_run: FloatArray


class _Model:
    """How the runs of two groups were made, and the difference of any value that follows from it."""

    def __init__(
        self,
        before: Group,
        after: Group,
        shared: tuple[float, float],
        cancels: bool,
        s_bench_relative: float | None,
        between: Scatter | None,
    ) -> None:
        self.groups, self.shared, self.cancels = (before, after), shared, cancels
        self.s_bench_relative, self.known = s_bench_relative, between
        self.repeat = _peak_independent_relative(before), _peak_independent_relative(after)
        runs = (*before.runs, *after.runs)
        started = [p.started_unix_s for p in runs]
        session = session_numbers(started, [p.session for p in runs])
        airs = list(dict.fromkeys(p.air for p in runs))
        readings = np.array([airs.index(p.air) for p in runs])
        u = np.array([p.reduction.air_factor_u / p.reduction.air_factor for p in runs])
        if len(airs) == len(runs):  # each run has its own: their scatter is among that of the runs
            readings = np.zeros(len(runs), np.int64)
        after_column = np.repeat([0.0, 1.0], [before.n, after.n])
        self.design = Design(after_column, session, run_order(started, session), readings, u)
        self.timed = self.design.order is not None or session.max() > 0
        self.between = assumed_scatter(between)
        self.drift_relative = self.drift_u_relative = float("nan")

    def difference(self, x: FloatArray, y: FloatArray, u_model: float = 0.0) -> _Differences:
        """After less before of values (n_before, k) and (n_after, k), with its 95 % half-width.

        `u_model`: standard uncertainty of the difference that the runs' scatter does not hold.
        """
        found = self._difference(x, y)
        if not u_model:
            return found
        with np.errstate(divide="ignore", invalid="ignore"):
            # degrees of freedom after Satterthwaite, the added term taken as known
            t = scipy.stats.t.ppf(1 - LEVEL / 2, found.dof)
            u = found.half_width / t
            dof = found.dof * (1 + (u_model / u) ** 2) ** 2
            u_all = np.hypot(u, u_model)
            half = scipy.stats.t.ppf(1 - LEVEL / 2, dof) * u_all
            p = 2 * scipy.stats.t.sf(np.abs(found.difference) / u_all, dof)
        return found._replace(half_width=half, dof=dof, p_value=np.maximum(p, found.p_value))

    def _difference(self, x: FloatArray, y: FloatArray) -> _Differences:
        if not self.timed:
            return self._with_calibration(
                _difference(spread(x), spread(y), self.repeat, self.s_bench_relative)
            )
        bench = self.s_bench_relative if self.s_bench_relative is not None else max(self.repeat)
        fit = fit_gain(np.vstack([x, y]), self.design, self.between, Scatter(bench, 30.0))
        if np.isnan(self.drift_relative):
            self.drift_relative = float(fit.drift[0] / fit.before[0])
            self.drift_u_relative = float(fit.drift_u[0] / fit.before[0])
        return self._with_calibration(fit)

    def _with_calibration(self, fit: GainFit) -> _Differences:
        """Interval and test of a gain, timed or not: scatter, and what the calibration leaves."""
        after = fit.before + fit.gain
        if self.cancels:
            systematic = np.abs(fit.gain) * max(self.shared)
        else:
            systematic = np.hypot(self.shared[0] * fit.before, self.shared[1] * after)
        with np.errstate(invalid="ignore", divide="ignore"):
            t = scipy.stats.t.ppf(1 - LEVEL / 2, fit.dof)
            half = np.hypot(t * fit.u, scipy.stats.norm.ppf(1 - LEVEL / 2) * systematic)
            # a shared factor cannot turn no gain into a gain, so it has no part in the test when it cancels
            error = fit.u if self.cancels else np.hypot(fit.u, systematic)
            p = 2 * scipy.stats.t.sf(np.abs(fit.gain) / error, fit.dof)
        return _Differences(fit.before, after, fit.gain, half, fit.dof, p, fit.s_run)

    def decidable(self, peak: Gain, of_two_samples: float) -> float:
        """The smallest relative gain that runs made like these show four times in five."""
        if not self.timed or not np.isfinite(peak.half_width):
            return of_two_samples
        t = float(scipy.stats.t.ppf(1 - LEVEL / 2, peak.dof))
        return smallest_shown(peak.half_width / t, peak.dof) / abs(peak.before)

    def sessions_hide(self, gain_relative: float) -> bool:
        """The scatter between sessions alone hides the gain: more runs in these sessions do not help."""
        if not (self.timed and self.design.confounded):
            return False
        return smallest_shown(self.between.s * np.sqrt(2), self.between.dof) > gain_relative

    def sentences(self) -> list[str]:
        """What sessions, order and drift did to the gain."""
        if not self.timed:
            return []
        said = []
        if self.design.confounded:
            days = [" and ".join(_days(g)) for g in self.groups]
            source = (
                "as this bench's sessions have shown"
                if self.known
                else "assumed, common practice without a source, until this bench has shown its own"
            )
            said.append(
                f"before was run on {days[0]}, after on {days[1]}, in different sessions; an offset between "
                f"sessions looks like a gain, so a scatter of {100 * self.between.s:.2f} % between sessions "
                f"({source}) is in the interval; run both in one session, A-B-B-A, to leave it out"
            )
        elif not self.design.interleaved and self.design.order is not None:
            said.append(
                "all of one group was run before the other, so a drift looks much like a gain and widens the "
                "interval; run them in turn, A-B-B-A, and fewer runs decide"
            )
        if np.isfinite(self.drift_relative):
            band = float(scipy.stats.norm.ppf(1 - LEVEL / 2)) * self.drift_u_relative
            said.append(
                f"a drift of {100 * self.drift_relative:+.2f} ± {100 * band:.2f} % a run is taken out"
            )
        return said


def _days(g: Group) -> list[str]:
    return sorted({time.strftime("%Y-%m-%d", time.localtime(p.started_unix_s)) for p in g.runs})
