"""What is noticed about the runs of one group: warming, drift, outliers.

Source: ISO 5725-2, 7.3.4 (Grubbs' test: outlier at 1 %, straggler at 5 %).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from evenfall.model import FloatArray
from evenfall.statistics.precision import LEVEL, grubbs_critical
from evenfall.statistics.reduced_run import SWEEP_GOOD_S, ReducedRun

WARMING_DECAYS = (0.3, 0.5, 0.7)  # share of the lack of warmth left after one more run


@dataclass(frozen=True)
class Finding:
    """Something noticed about a group: which runs (by place in the group), and the sentence."""

    kind: str  # "outlier", "straggler", "warming", "drift"
    indices: tuple[int, ...]
    sentence: str
    p_value: float


def findings_of(
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
    position = np.arange(len(level))
    fits = [(scipy.stats.linregress(q**position, level), q) for q in WARMING_DECAYS]
    fit, q = min(fits, key=lambda f: f[0].pvalue)
    p = min(1.0, float(fit.pvalue) * len(fits))
    if p >= LEVEL or scipy.stats.linregress(position, level).pvalue < fit.pvalue:
        return None
    s = np.sqrt(np.sum((level - fit.intercept - fit.slope * q**position) ** 2) / (len(level) - 2))
    far = np.abs(fit.slope) * q**position > max(2 * s, 0.25 * abs(fit.slope))
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
    position: int,
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
    run = runs[position]
    rest = [p.reduction for i, p in enumerate(runs) if i != position]
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
