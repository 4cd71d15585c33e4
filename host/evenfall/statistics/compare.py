"""Did the engine change?  Groups of runs, their repeatability, and the gain of one over another.

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
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import scipy  # scipy.stats loads at its first use: listing runs does not wait for it

from evenfall.errors import InputError
from evenfall.model import Air, Bins, Calibration, FloatArray, IntArray, Reduction, Setup
from evenfall.reduction.peak import peaks_of_runs
from evenfall.reduction.uncertainty import AT_PEAK
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

LEVEL = 0.05  # two-sided: intervals are 95 %
REPEATABILITY_FACTOR = 2.8  # ISO 5725-2 and -6: 1.96 * sqrt(2), rounded as the standard rounds it
SWEEP_COMPARABLE_S = 1.0  # common practice, no source: sweeps within 1 s are still comparable
SWEEP_GOOD_S = 0.5  # common practice, no source
SCATTERS_DIFFER = 0.2  # level of the F test at which Welch's degrees of freedom are used
WARMING_DECAYS = (0.3, 0.5, 0.7)  # share of the lack of warmth left after one more run
BAND_SHARE = 0.9  # of peak power: the band of the mean, where nobody names one
UNKNOWN_SHARED = 0.03  # of a load cell and arm that nobody calibrated; common practice, no source
MAX_RUNS_ADVISED = 60  # beyond this "more runs" is no honest advice


@dataclass(frozen=True)
class ReducedRun:
    """One reduced run with the circumstances that a comparison has to check."""

    reduction: Reduction
    calibration: Calibration | None = None
    setup: Setup | None = None
    air: Air | None = None
    started_unix_s: int = 0
    number: int | None = None  # in the archive; else the board's run number serves
    session: int | None = None  # as filed; None: told from the times
    label: str = ""

    @property
    def key(self) -> int:
        return self.reduction.run_id if self.number is None else self.number

    @property
    def name(self) -> str:
        return self.label or f"run {self.key}"


@dataclass(frozen=True)
class Finding:
    """Something noticed about a group: which runs (by place in the group), and the sentence."""

    kind: str  # "outlier", "straggler", "warming", "drift"
    indices: tuple[int, ...]
    sentence: str
    p_value: float


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
class Difference:
    """A circumstance in which the two groups are unlike."""

    what: str
    sentence: str
    calibration_cancels: bool = True


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
    torque = np.vstack([_on_grid(p.reduction.bins, p.reduction.bins.torque_Nm, speed) for p in wrapped])
    power = np.vstack([_on_grid(p.reduction.bins, p.reduction.bins.power_W, speed) for p in wrapped])
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
        torque_Nm=_spread(torque),
        power_W=_spread(power),
        peak_torque_Nm=_spread(peaks["peak_torque_Nm"][:, None]),
        peak_power_W=_spread(peaks["peak_power_W"][:, None]),
        peak_power_rpm=peak_rpm["peak_power_W"],
        peak_torque_rpm=peak_rpm["peak_torque_Nm"],
        peak_values=peaks,
        peak_u=peak_u,
        range_rpm=(float(speed[common][0]), float(speed[common][-1])),
        level=level,
        findings=tuple(_findings(wrapped, level, power / np.nanmean(power, axis=0) - 1, speed)),
    )


def without(g: Group, indices: Sequence[int]) -> Group:
    """The group less some runs, by their indices: a person's choice, never made here."""
    return group([p for i, p in enumerate(g.runs) if i not in set(indices)], g.label)


def _settled(g: Group) -> Group:
    """The group less its warming runs, judged no further."""
    cold = {i for f in g.findings if f.kind == "warming" for i in f.indices}
    return replace(without(g, sorted(cold)), findings=())


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
        left = (_settled(before), _settled(after))
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


# --- precision, ISO 5725-2 -----------------------------------------------------------------------


@dataclass(frozen=True)
class Precision:
    """Repeatability (within a session) and reproducibility over sessions, in the unit of the data."""

    mean: float
    s_r: float
    s_L: float
    s_R: float
    dof_r: int

    @property
    def r(self) -> float:
        return REPEATABILITY_FACTOR * self.s_r

    @property
    def R(self) -> float:
        return REPEATABILITY_FACTOR * self.s_R


def precision(sessions: Sequence[FloatArray]) -> Precision:
    """s_r, s_L and s_R from repeated values in several sessions (ISO 5725-2, 7.4.4 and 7.4.5).

    A session here takes the part of the standard's laboratory: same bench and engine, another day.
    With one session s_L is NaN.  A negative estimate of the variance between sessions is set to
    zero, as the standard does.
    """
    groups = [np.asarray(s, float) for s in sessions if len(s)]
    n = np.array([len(g) for g in groups])
    if not len(groups) or n.sum() - len(groups) < 1:
        raise InputError("repeatability needs at least two runs in one session")
    means = np.array([g.mean() for g in groups])
    grand = float((n * means).sum() / n.sum())
    dof = int((n - 1).sum())
    s_r2 = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / dof
    if len(groups) < 2:
        return Precision(grand, float(np.sqrt(s_r2)), np.nan, np.nan, dof)
    s_d2 = float((n * (means - grand) ** 2).sum()) / (len(groups) - 1)
    n_bar = (n.sum() - (n**2).sum() / n.sum()) / (len(groups) - 1)
    s_L2 = max(0.0, (s_d2 - s_r2) / n_bar)
    return Precision(grand, float(np.sqrt(s_r2)), float(np.sqrt(s_L2)), float(np.sqrt(s_r2 + s_L2)), dof)


def grubbs_critical(n: int, level: float) -> float:
    """Largest |x - mean| / s that `n` values of one normal population show, but for `level` of cases.

    F. E. Grubbs, Technometrics 11 (1969); the same numbers as the table of ISO 5725-2 for one outlier.
    """
    t = scipy.stats.t.ppf(1 - level / (2 * n), n - 2)
    return float((n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2)))


# --- how many runs ------------------------------------------------------------------------------


def power_of_test(gain_relative: float, s_relative: float, n: int) -> float:
    """Chance that `n` runs in each group show a true gain as real (two-sided 5 %, noncentral t)."""
    if n < 2:
        return 0.0
    dof = 2 * n - 2
    t = float(scipy.special.stdtrit(dof, 1 - LEVEL / 2))
    shift = abs(gain_relative) / (s_relative * np.sqrt(2 / n))
    if shift > t + 10:  # as good as certain; the series of the noncentral t ends there
        return 1.0
    return float(1 - scipy.special.nctdtr(dof, shift, t) + scipy.special.nctdtr(dof, shift, -t))


def runs_needed(gain_relative: float, s_relative: float, chance: float = 0.8) -> int | None:
    """Runs in each group so that a true gain shows with `chance`; None beyond MAX_RUNS_ADVISED."""
    if not np.isfinite(s_relative) or gain_relative == 0:
        return None
    if s_relative <= 0:
        return 2
    for n in range(2, MAX_RUNS_ADVISED + 1):
        if power_of_test(gain_relative, s_relative, n) >= chance:
            return n
    return None


def decidable(n: int, s_relative: float, chance: float = 0.8) -> float:
    """The smallest relative gain that `n` runs in each group show with `chance`; NaN below two runs."""
    if n < 2 or not np.isfinite(s_relative):
        return np.nan
    dof = 2 * n - 2
    t = scipy.special.stdtrit(dof, 1 - LEVEL / 2)
    # the chance of a gain that shows as a loss is left out: below 1 in 10,000 here
    return float(scipy.special.nctdtrinc(dof, 1 - chance, t) * s_relative * np.sqrt(2 / n))


# --- set-ups -------------------------------------------------------------------------------------


COUNTED = "the errors that both would have shared no longer cancel and are counted in full"
SET_UP_CHECKS = (
    ("torque arm", "calibration", "arm_m", "{:.4f} m"),
    ("span of the load cell", "calibration", "span_count_per_N", "{:.6g} counts/N"),
    ("engine sprocket", "setup", "engine_teeth", "{} teeth"),
    ("brake sprocket", "setup", "brake_teeth", "{} teeth"),
    ("inertia", "setup", "inertia_kg_m2", "{:.3g} kg·m²"),
    ("drive efficiency", "setup", "drive_efficiency", "{:.3f}"),
    ("load delay", "setup", "load_delay_s", "{:.4f} s"),
)


def set_up_differences(before: Group, after: Group) -> list[Difference]:
    """In what the two groups are unlike besides the engine's change, one sentence each."""
    found: list[Difference] = []

    def unlike(what: str, a: set[str], b: set[str]) -> None:
        if a and b and (a != b or len(a) > 1):
            values = f"{' and '.join(sorted(a))} before, {' and '.join(sorted(b))} after"
            found.append(Difference(what, f"{what}: {values}; {COUNTED}", False))

    def seen(g: Group, read: str, of: str, text: str) -> set[str]:
        holders = [getattr(p, of) for p in g.runs]
        values = {getattr(h, read) for h in holders if h is not None}
        return {"not set" if v is None else text.format(v) for v in values}

    for what, of, attribute, text in SET_UP_CHECKS:
        unlike(what, seen(before, attribute, of, text), seen(after, attribute, of, text))
    a, b = (np.array([p.reduction.sweep_time_s for p in g.runs]) for g in (before, after))
    apart = float(max(a.max(), b.max()) - min(a.min(), b.min()))
    if apart > SWEEP_GOOD_S:
        word = "are hardly comparable" if apart > SWEEP_COMPARABLE_S else "are still comparable, with care"
        found.append(
            Difference(
                "sweep time",
                f"sweep time: {a.min():.2f} to {a.max():.2f} s before, "
                f"{b.min():.2f} to {b.max():.2f} s after; "
                f"sweeps {apart:.1f} s apart {word} (an error of the inertia no longer cancels)",
            )
        )
    factors = np.array([p.reduction.air_factor for g in (before, after) for p in g.runs])
    if np.ptp(factors) > 0.02:
        found.append(
            Difference(
                "air",
                f"air: the correction factor runs from {factors.min():.3f} to {factors.max():.3f}; an engine "
                "follows the factor only about, so compare on days that are more alike if you can",
            )
        )
    if not all(p.reduction.air_factor_in_range for g in (before, after) for p in g.runs):
        found.append(Difference("air", "air: at least one run lies outside the range of the air standard"))
    if not any(p.calibration for g in (before, after) for p in g.runs):
        hashes = [{p.reduction.inputs.get("calibration", "") for p in g.runs} - {""} for g in (before, after)]
        if hashes[0] and hashes[1] and (hashes[0] != hashes[1] or len(hashes[0]) > 1):
            found.append(
                Difference("calibration", f"calibration: another one before than after; {COUNTED}", False)
            )
    return found


def shared_relative(g: Group) -> float:
    """Relative standard uncertainty that all runs of the group share (calibration, arm), at peak power.

    Where nobody stated it, `UNKNOWN_SHARED` stands for it.
    """
    values = []
    for r in g.reductions:
        b = r.bins
        if np.isfinite(b.power_W).any():
            at = int(np.nanargmax(b.power_W))
            shared = b.power_u_W[at] ** 2 - b.power_u_independent_W[at] ** 2
            known = np.sqrt(max(0.0, shared)) / abs(b.power_W[at])
            values.append(known if np.isfinite(shared) else UNKNOWN_SHARED)
    return float(np.mean(values)) if values else 0.0


# --- inside --------------------------------------------------------------------------------------


def _grid(all_bins: Sequence[Bins]) -> FloatArray:
    """Speeds at which any of the curves has a value, rising."""
    return np.unique(np.concatenate([b.speed_rpm[np.isfinite(b.power_W)] for b in all_bins]))


def _on_grid(bins: Bins, values: FloatArray, speed_rpm: FloatArray) -> FloatArray:
    """Values moved to the places of `speed_rpm`; NaN where this curve has none.  Nothing is interpolated."""
    at = {s: v for s, v in zip(bins.speed_rpm, values, strict=True)}
    return np.array([at.get(s, np.nan) for s in speed_rpm])


def _spread(values: FloatArray) -> Spread:
    """(runs, b) -> mean and standard deviation over the runs that have data."""
    n = np.isfinite(values).sum(axis=0)
    total = np.nansum(values, axis=0)
    mean = np.where(n > 0, total / np.maximum(n, 1), np.nan)
    squares = np.nansum((values - mean) ** 2, axis=0)
    s = np.where(n > 1, np.sqrt(squares / np.maximum(n - 1, 1)), np.nan)
    return Spread(mean, s, n)


def _take(spread: Spread, indices: IntArray) -> Spread:
    return Spread(spread.mean[indices], spread.s[indices], spread.n[indices])


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
        power = np.interp(grid, g.speed_rpm, _on_grid(r.bins, r.bins.power_W, g.speed_rpm))
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
            np.vstack([_on_grid(r.bins, getattr(r.bins, name), speed) for r in g.reductions])
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
                _difference(_spread(x), _spread(y), self.repeat, self.s_bench_relative)
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


def _findings(
    runs: tuple[ReducedRun, ...], level: FloatArray, deviation: FloatArray, speed_rpm: FloatArray
) -> list[Finding]:
    """Warming, drift and outliers; warming runs are not called outliers as well."""
    found = []
    warming = _warming(runs, level)
    if warming:
        found.append(warming)
    else:
        drift = _drift(level)
        if drift:
            found.append(drift)
    explained = set(warming.indices) if warming else set()
    rest = [i for i in range(len(level)) if i not in explained]
    found += _outliers(runs, level, deviation, speed_rpm, rest)
    return found


def _warming(runs: tuple[ReducedRun, ...], level: FloatArray) -> Finding | None:
    """An approach that dies away over the first runs: an engine (or brake) that is still warming.

    The level is fitted by c + a q^i for a few decays q; the smallest p of the slope a is multiplied
    by the number of decays tried (Bonferroni).  A straight slope that fits better is left to `_drift`.
    """
    if len(level) < 4 or np.ptp(level) == 0:
        return None
    place = np.arange(len(level))
    fits = [(scipy.stats.linregress(q**place, level), q) for q in WARMING_DECAYS]
    fit, q = min(fits, key=lambda f: f[0].pvalue)
    p = min(1.0, float(fit.pvalue) * len(fits))
    if p >= LEVEL or scipy.stats.linregress(place, level).pvalue < fit.pvalue:
        return None
    s = np.sqrt(np.sum((level - fit.intercept - fit.slope * q**place) ** 2) / (len(level) - 2))
    far = np.abs(fit.slope) * q**place > max(2 * s, 0.25 * abs(fit.slope))
    k = max(1, min(int(far.sum()), len(level) - 2))
    gap = float(level[:k].mean() - level[k:].mean())
    who = "the first run is" if k == 1 else f"the first {number_word(k)} runs are"
    names = ", ".join(run.name for run in runs[:k])
    return Finding(
        "warming",
        tuple(range(k)),
        f"{who} still warming ({names}): {100 * abs(gap):.1f} % {'below' if gap < 0 else 'above'} the rest; "
        "kept, but leave them out or warm up longer before you trust a small gain",
        p,
    )


def _drift(level: FloatArray) -> Finding | None:
    """A steady slope over the runs (at 1 %, five runs or more)."""
    if len(level) < 5 or np.ptp(level) == 0:
        return None
    line = scipy.stats.linregress(np.arange(len(level)), level)
    if line.pvalue >= 0.01:
        return None
    return Finding(
        "drift",
        tuple(range(len(level))),
        f"power {'falls' if line.slope < 0 else 'rises'} by {100 * abs(line.slope):.2f} % from run to run: "
        "look for heat, fuel level or a moving zero; alternate before and after if you cannot stop it",
        float(line.pvalue),
    )


def _outliers(
    runs: tuple[ReducedRun, ...],
    level: FloatArray,
    deviation: FloatArray,
    speed_rpm: FloatArray,
    indices: list[int],
) -> list[Finding]:
    """Grubbs' test on the level of each run: outlier at 1 %, straggler at 5 % (ISO 5725-2, 7.3.4)."""
    if len(indices) < 4:
        return []
    x = level[indices]
    s = x.std(ddof=1)
    if s == 0:
        return []
    g = np.abs(x - x.mean()) / s
    worst = int(np.argmax(g))
    for kind, at in (("outlier", 0.01), ("straggler", 0.05)):
        if g[worst] > grubbs_critical(len(x), at):
            i = indices[worst]
            others = np.delete(deviation[indices], worst, axis=0)
            return [Finding(kind, (i,), _explain(runs, i, deviation[i], others, speed_rpm, kind), at)]
    return []


def _explain(
    runs: tuple[ReducedRun, ...],
    place: int,
    own: FloatArray,
    others: FloatArray,
    speed_rpm: FloatArray,
    kind: str,
) -> str:
    """What is known about a run that stands apart: where in speed, what its own record says."""
    shared = np.isfinite(own) & np.isfinite(others).any(axis=0)
    off = np.full(len(own), np.nan)
    off[shared] = own[shared] - np.nanmean(others[:, shared], axis=0)
    worst = int(np.nanargmax(np.abs(off)))
    mean_off = float(np.nanmean(off))
    even = np.nanstd(off) < 0.5 * abs(mean_off)
    where = (
        f"{abs(100 * mean_off):.1f} % {'below' if mean_off < 0 else 'above'} the others over the whole range"
        if even
        else f"up to {abs(100 * off[worst]):.1f} % {'below' if off[worst] < 0 else 'above'} the others, "
        f"most at {speed_rpm[worst]:,.0f} rpm"
    )
    run = runs[place]
    rest = [p.reduction for i, p in enumerate(runs) if i != place]
    usual = set.intersection(*(set(r.notes) for r in rest))
    reasons = [note.rstrip(".") for note in run.reduction.notes if note not in usual]
    typical = float(np.median([r.sweep_time_s for r in rest]))
    if abs(run.reduction.sweep_time_s - typical) > SWEEP_GOOD_S:
        reasons.append(f"its sweep took {run.reduction.sweep_time_s:.1f} s, the others {typical:.1f} s")
    factor = float(np.median([r.air_factor for r in rest]))
    if abs(run.reduction.air_factor - factor) > 0.005:
        reasons.append(f"its air factor is {run.reduction.air_factor:.3f}, the others' {factor:.3f}")
    why = "; ".join(reasons) if reasons else "nothing in its own record says why"
    test = "Grubbs 1 %" if kind == "outlier" else "Grubbs 5 %"
    return f"{run.name} stands apart: {where} ({test}); {why}; kept in the mean"


def number_word(n: int) -> str:
    words = (
        "no",
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
        "eleven",
        "twelve",
    )
    return words[n] if n < len(words) else str(n)
