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
    period = median(np.diff(t))
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
    places = [
        _Place(order, shaft, order * gear, at)
        for shaft, gear in shafts
        for order in ORDERS
        for at in _stationary_points(order * gear * turns)
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
    wave = np.empty(phase.shape, complex)
    wave.real, wave.imag = np.cos(phase), np.sin(phase)
    waves = wave[:, None] * off[:, None] ** np.arange(GAINS)[:, None]
    level = np.abs(force[near].mean(axis=1))
    amplitude, typical, which = _amplitudes(waves, np.diff(force), first, MIN_SHARE * level)
    size = np.abs(amplitude)
    part = np.zeros(t.size)
    found = []
    for i in np.flatnonzero(size > np.maximum(SIGMAS * typical, MIN_SHARE * level)):
        part[near[i]] += np.real(amplitude[i] * waves[i, which[i]])
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
    width = float(np.min(np.diff(centre_rpm)))
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


def _stationary_points(cycles: FloatArray) -> list[int]:
    """Places where a frequency in cycles per sample passes a whole number above zero."""
    whole = np.rint(cycles)
    off = cycles - whole
    at = np.flatnonzero(off[1:] * off[:-1] <= 0)
    at = at[(whole[at + 1] == whole[at]) & (whole[at + 1] > 0)]
    # a wobbling speed passes several times: once is enough
    return [int(p) for i, p in enumerate(at) if i == 0 or p - at[i - 1] > MIN_SAMPLES]


def _amplitudes(
    waves: np.ndarray, steps: FloatArray, first: IntArray, worth: FloatArray
) -> tuple[np.ndarray, FloatArray, IntArray]:
    """(complex amplitude, what the run's scatter gives elsewhere, which), each (c,), of the wave of each
    place that stands out most.

    steps = constant + differences of Re(amplitude * wave); elsewhere: the scale of a Rayleigh distribution
    from the median over the other windows.  Infinite scatter, not worked out, where no wave exceeds `worth`.

    Args:
        waves: (c, k, w + 1) complex.
        steps: (n,) of the load from sample to sample.
        first: (c,) where the wave of each place begins.
        worth: (c,) the least amplitude that is worth a word.
    """
    width = waves.shape[2] - 1
    most = SPIKES * median(np.abs(steps))  # a lone wrong sample is no vibration
    steps = np.minimum(np.maximum(steps, -most), most)
    columns = waves[:, :, 1:] - waves[:, :, :-1]
    columns -= columns.mean(axis=2, keepdims=True)
    c, s = np.ascontiguousarray(columns.real), -columns.imag
    cc, ss, cs = (np.einsum("ckw,ckw->ck", x, y)[..., None] for x, y in ((c, c), (s, s), (c, s)))
    whole = cc * ss - cs**2
    within = np.arange(width)
    here = steps[first[:, None] + within][..., None]  # (c, w, 1)
    real, imaginary = (ss * (c @ here) - cs * (s @ here)) / whole, (cc * (s @ here) - cs * (c @ here)) / whole
    amplitude = (real + 1j * imaginary)[..., 0]  # least squares
    scale = np.full(amplitude.shape, np.inf)
    large = np.flatnonzero(np.abs(amplitude).max(axis=1) > worth)
    if large.size:
        c, s, cc, ss, cs, whole = (x[large] for x in (c, s, cc, ss, cs, whole))
        places = np.arange(0, steps.size - width + 1, EVERY)
        others = steps[within[:, None] + places]
        cos, sin = c @ others, s @ others
        other = np.hypot(ss * cos - cs * sin, cc * sin - cs * cos) / np.abs(whole)  # (c, k, m)
        far = np.abs(places - first[large][:, None]) > width // 2  # (c, m)
        other = np.sort(np.where(far[:, None], other, np.inf), axis=2)
        middle = np.arange(large.size), slice(None), far.sum(axis=1) // 2
        scale[large] = np.maximum(other[middle] / RAYLEIGH_MEDIAN, 1e-12)
    which = np.argmax(np.abs(amplitude) / scale, axis=1)
    row = np.arange(len(first))
    return amplitude[row, which], scale[row, which], which
