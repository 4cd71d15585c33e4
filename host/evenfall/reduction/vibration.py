"""Vibration of the shafts that aliases into the sweep: the load amplifier samples too slowly for it.

A vibration of order k of a shaft lies at k times its frequency.  Sampled at f_s it shows at the distance to
the nearest multiple of f_s (aliasing; A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing,
4.2, from memory).  In a sweep that distance runs through zero at known speeds, and stays near it for about
1 / sqrt(k * rate of frequency): there it looks like torque.  Its phase betrays it: it follows the edges.

About each such place the differences of the load from sample to sample (torque is slow, so they hold little
of it) are fitted with those of cosine and sine of the shaft's angle times k.  The same pattern laid over
every other place of the run says what amplitude the run's own scatter would give.  What the filter before the
sampling takes out (four means over one conversion are zero at multiples of f_s) is not there to be found.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from evenfall.model import FloatArray, IntArray, Setup
from evenfall.reduction.align import median

ORDERS = (0.5, 1.0, 2.0)  # of each shaft: every other turn strong, out of balance, two to a turn
GAINS = 3  # the amplifier's filter is taken to be none, one or two means over a conversion
WINDOW_S = 2.0  # about the place where an alias stands still
MIN_SAMPLES = 40
SPIKES = 8.0  # times the median step from sample to sample; more is cut off
EVERY = 20  # th place of a run the pattern is laid over: neighbours say the same
RAYLEIGH_MEDIAN = 1.17741  # of its scale: sqrt(2 ln 2)
SIGMAS = 5.5  # times what the run's own scatter gives: with the few windows of a run still rare
NOT_TRUSTED = 0.03  # of the force there; common practice, no source
MIN_SHARE = 0.002  # of the force there: less is not worth a word


@dataclass(frozen=True)
class Alias:
    """One order of one shaft that aliases into the load about one speed."""

    order: float
    shaft: str  # "brake" or "crank"
    speed_rpm: float  # crank
    amplitude_N: float  # on the cell
    share: float  # of the force there


class _Place(NamedTuple):
    """A load sample about which the alias of one order stands still."""

    order: float
    shaft: str
    per_brake_turn: float  # cycles of the vibration
    sample: int


@dataclass(frozen=True)
class AliasedVibration:
    """What of the load is aliased vibration."""

    found: list[Alias]
    speed_rad_s: FloatArray  # (n,) crank, at each load sample of the sweep
    part_N: FloatArray  # (n,) the vibration in it


def find_aliases(
    time_s: FloatArray,
    force_N: FloatArray,
    edge_time_s: FloatArray,
    angle_rad: FloatArray,
    setup: Setup,
    start_s: float,
    end_s: float,
) -> AliasedVibration:  # longer than 60 lines by what it takes: one estimate from places to amplitudes
    """Find aliased vibration in the sweep from `start_s` to `end_s`.

    Args:
        time_s, force_N: (n,) of the load samples, delay taken off.
        edge_time_s, angle_rad: (m,) of the brake's shaft.
    """
    use = (time_s >= max(start_s, edge_time_s[0])) & (time_s <= min(end_s, edge_time_s[-1]))
    t, force = time_s[use], force_N[use]
    nothing = AliasedVibration([], np.zeros(0), np.zeros(0))
    if t.size < 4 * MIN_SAMPLES:
        return nothing
    period = median(t[1:] - t[:-1])
    half = max(round(WINDOW_S / 2 / period), MIN_SAMPLES // 2)
    if t.size < 6 * half:
        return nothing
    turned = np.interp(t, edge_time_s, angle_rad)
    per_brake = setup.brake_teeth / setup.engine_teeth  # crank turns per brake turn
    reach = max(1, half // 3)
    speed = np.empty(t.size)
    speed[reach:-reach] = (turned[2 * reach :] - turned[: -2 * reach]) / (t[2 * reach :] - t[: -2 * reach])
    speed[:reach], speed[-reach:] = speed[reach], speed[-reach - 1]
    shafts = [("brake", 1.0)] + ([("crank", per_brake)] if abs(per_brake - 1) > 1e-9 else [])
    turns = speed * (period / (2 * np.pi))  # per sample
    kinds = [(order, shaft, order * gear) for shaft, gear in shafts for order in ORDERS]
    places = [
        _Place(*kind, at)
        for kind, stationary in zip(kinds, _stationary_points(turns, [k[2] for k in kinds]), strict=True)
        for at in stationary
        if half // 2 <= at < t.size - half // 2
    ]
    if not places:
        return nothing
    at = np.array([p.sample for p in places])
    first = np.minimum(np.maximum(at - half, 0), t.size - 2 * half - 1)
    near = first[:, None] + np.arange(2 * half + 1)  # (c, w + 1)
    each = np.array([p.per_brake_turn for p in places])[:, None]
    off = each * turns[near] - np.rint(each * turns[at][:, None])
    off /= np.abs(off).max(axis=1, keepdims=True)
    phase = each * (turned[near] - turned[at][:, None])
    waves = np.empty((2, GAINS, *phase.shape))  # cosines and sines
    np.cos(phase, out=waves[0, 0])
    np.sin(phase, out=waves[1, 0])
    for gain in range(1, GAINS):
        np.multiply(waves[:, gain - 1], off, out=waves[:, gain])
    level = np.abs(force[near].mean(axis=1))
    amplitude, typical, which = _amplitudes(waves, force[1:] - force[:-1], first, MIN_SHARE * level)
    size = np.abs(amplitude)
    part = np.zeros(t.size)
    found = []
    for i in (size > np.maximum(SIGMAS * typical, MIN_SHARE * level)).nonzero()[0]:
        cosine, sine = waves[:, which[i], i]
        part[near[i]] += amplitude[i].real * cosine - amplitude[i].imag * sine
        rpm = float(speed[at[i]]) * per_brake * 30 / np.pi
        found.append(
            Alias(places[i].order, places[i].shaft, rpm, float(size[i]), float(size[i] / max(level[i], 1e-9)))
        )
    return AliasedVibration(found, speed * per_brake, part) if found else nothing


def in_bins(seen: AliasedVibration, centre_rpm: FloatArray) -> FloatArray:
    """(b,) size of the aliased vibration's mean over each bin, N on the cell: what the bin may be off by."""
    off = np.zeros(centre_rpm.size)
    if not seen.found or centre_rpm.size < 2:
        return off
    width = float((centre_rpm[1:] - centre_rpm[:-1]).min())
    bin_index = np.rint((seen.speed_rad_s * 30 / np.pi - centre_rpm[0]) / width).astype(np.int64)
    inside = (bin_index >= 0) & (bin_index < off.size)
    many = np.bincount(bin_index[inside], minlength=off.size)
    total = np.bincount(bin_index[inside], seen.part_N[inside], off.size)
    return np.asarray(np.abs(total) / np.maximum(many, 1))


def notes(seen: AliasedVibration) -> list[str]:
    """A sentence for each speed at which vibration aliases into the load."""
    return [
        f"Vibration of order {one.order:g} of the {one.shaft} shaft aliases into the load about "
        f"{one.speed_rpm:,.0f} rpm, sampled too slowly ({one.share * 100:.1f} % of the load): "
        + ("do not trust the torque there; " if one.share > NOT_TRUSTED else "the interval is wider there; ")
        + "damp the cell's mounting, or take another rate of the amplifier."
        for one in seen.found
    ]


def _stationary_points(turns: FloatArray, orders: list[float]) -> list[list[int]]:
    """Places where each frequency, `orders` (k,) times (n,) turns per sample, passes a whole number above
    zero.  A wobbling speed passes several times: once is enough.
    """
    off = np.multiply.outer(orders, turns)
    whole = np.rint(off)
    off -= whole
    passed = off[:, 1:] * off[:, :-1] <= 0
    passed &= whole[:, 1:] == whole[:, :-1]
    kind, at = np.nonzero(passed)
    above = whole[kind, at + 1] > 0
    found: list[list[int]] = [[] for _ in orders]
    before = [-MIN_SAMPLES - 1] * len(orders)
    for k, p in zip(kind[above].tolist(), at[above].tolist(), strict=True):
        if p - before[k] > MIN_SAMPLES:
            found[k].append(p)
        before[k] = p
    return found


def _amplitudes(
    waves: FloatArray, steps: FloatArray, first: IntArray, worth: FloatArray
) -> tuple[np.ndarray, FloatArray, IntArray]:
    """(complex amplitude, what the run's scatter gives elsewhere, which), each (c,), of the wave of each
    place that stands out most.

    steps = constant + differences of Re(amplitude * wave); elsewhere: the scale of a Rayleigh distribution
    from the median over the other windows.  Infinite scatter, not worked out, where no wave exceeds `worth`.

    Args:
        waves: (2, k, c, w + 1) cosines and sines, k of them for each place.
        steps: (n,) of the load from sample to sample.
        first: (c,) where the wave of each place begins.
        worth: (c,) the least amplitude that is worth a word.
    """
    gains, _, width = waves.shape[1:]
    width -= 1
    most = SPIKES * median(np.abs(steps))  # a lone wrong sample is no vibration
    steps = np.minimum(np.maximum(steps, -most), most)
    within = np.arange(width)
    rows = np.empty((len(first), 2 * gains + 1, width))  # cosines', sines' and the load's steps
    np.subtract(
        waves[..., 1:], waves[..., :-1], out=rows[:, :-1].reshape(-1, 2, gains, width).transpose(1, 2, 0, 3)
    )
    rows[:, -1] = steps[first[:, None] + within]
    rows -= rows.sum(axis=2, keepdims=True) / width  # the constant
    product = rows @ rows.transpose(0, 2, 1)
    c, s = slice(0, gains), slice(gains, -1)
    one = np.arange(gains)
    cc, ss, cs = product[:, one, one], product[:, gains + one, gains + one], product[:, one, gains + one]
    ch, sh = product[:, c, -1], product[:, s, -1]
    whole = cc * ss - cs**2
    amplitude = (ss * ch - cs * sh) / whole - 1j * ((cc * sh - cs * ch) / whole)  # least squares
    size = np.abs(amplitude)
    scale = np.full(amplitude.shape, np.inf)
    large = (size.max(axis=1) > worth).nonzero()[0]
    if large.size:
        cc, ss, cs, whole = (x[large, :, None] for x in (cc, ss, cs, whole))
        places = np.arange(0, steps.size - width + 1, EVERY)
        elsewhere = rows[large, :-1] @ steps[within[:, None] + places]  # (c, 2 k, m)
        cos, sin = elsewhere[:, c], elsewhere[:, gains:]
        other = np.hypot(ss * cos - cs * sin, cc * sin - cs * cos) / np.abs(whole)  # (c, k, m)
        far = np.abs(places - first[large][:, None]) > width // 2  # (c, m)
        other = np.sort(np.where(far[:, None], other, np.inf), axis=2)
        middle = np.arange(large.size), slice(None), far.sum(axis=1) // 2
        scale[large] = np.maximum(other[middle] / RAYLEIGH_MEDIAN, 1e-12)
    which = np.argmax(size / scale, axis=1)
    row = np.arange(len(first))
    return amplitude[row, which], scale[row, which], which
