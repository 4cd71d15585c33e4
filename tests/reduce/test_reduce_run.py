"""One run from raw counts to corrected bins, on made runs whose truth is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pint
import pytest
import scipy.ndimage
import scipy.signal
import scipy.stats
from evenfall.errors import DamageError, InputError
from evenfall.model import Air, Calibration, Setup
from evenfall.output import text
from evenfall.reduction import align, reduce
from evenfall.reduction.bins import MIN_SAMPLES, fit_bins, sample_scatter
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import ENGINES, STANDARD_AIR, Flaws, make_run

QUIET = Flaws(cycle_rel=0, noise_counts=0, jitter_s=0, ripple_rel=0, zero_after_N=0.0, resonance_Hz=400)


def torque_error(made, calibration=None, setup=None, run=None, against="run", **known):
    r = reduce.reduce_run(
        run or made.run, calibration or made.calibration, setup or made.setup, STANDARD_AIR, **known
    )
    b = r.bins
    fine = reduce.observe(made.run, made.calibration, made.setup).aligned.fine.time_s
    true = (
        made.as_run(b.speed_rpm, within_s=(fine[0], fine[-1]))
        if against == "run"
        else made.truth(b.speed_rpm)
    )
    return r, (b.torque_Nm / true - 1)[np.isfinite(b.torque_Nm)]


@pytest.mark.parametrize("engine", ENGINES, ids=lambda e: e.name)
def test_every_bin_within_half_a_percent_of_the_torque_that_was(engine):
    for seed in range(4):
        _, error = torque_error(make_run(engine, seed, flaws=Flaws(zero_after_N=0.0, resonance_Hz=50)))
        assert np.abs(error).max() < 0.005
        assert error.size >= (engine.top_rpm - 5000) / 250 - 1


@pytest.mark.parametrize("sweep_s", [5.0, 20.0])
def test_other_rates(sweep_s):
    flaws = Flaws(zero_after_N=0.0, resonance_Hz=100)
    for seed in range(3):
        _, error = torque_error(make_run(ENGINES[2], seed, sweep_s=sweep_s, flaws=flaws))
        assert np.abs(error).max() < 0.006


def test_ends_of_the_range_are_kept():
    p = make_run(ENGINES[1], 3, flaws=Flaws(ripple_rel=0.0005))
    r, _ = torque_error(p)
    filled = r.bins.speed_rpm[np.isfinite(r.bins.torque_Nm)]
    assert filled[0] == 5000
    assert filled[-1] >= ENGINES[1].top_rpm - 250
    assert r.bins.count[np.isfinite(r.bins.torque_Nm)].min() >= MIN_SAMPLES


@pytest.mark.parametrize("hand_s", [-0.15, 0.0, 0.1, 0.25])
def test_closing_throttle_stays_out_of_the_bins(hand_s):
    """Wherever about the sweep's end the hand closes the throttle; a bin left half filled is not given."""
    for engine in ENGINES:
        for seed in range(3):
            flaws = Flaws(hand_s=hand_s, zero_after_N=0.0, resonance_Hz=50)
            p = make_run(engine, seed, flaws=flaws)
            _, error = torque_error(p)
            used = reduce.observe(p.run, p.calibration, p.setup).aligned.fine.time_s
            assert -0.1 < used[-1] - p.closes_s < 0.005
            assert np.abs(error).max() < 0.005


@pytest.mark.parametrize("hand_s", [0.0, 0.1, 0.25, 1.0])
def test_without_an_inertia_the_last_bin_is_filled_and_a_closing_throttle_is_still_seen(hand_s):
    for engine in ENGINES:
        for seed in range(3):
            p = make_run(engine, seed, flaws=Flaws(hand_s=hand_s, zero_after_N=0.0, resonance_Hz=50))
            unknown = replace(p.setup, inertia_kg_m2=0.0)
            used_s = reduce.observe(p.run, p.calibration, unknown).aligned.fine.time_s
            assert used_s[-1] - p.closes_s < 0.03
            if hand_s == 1.0:
                r = reduce.reduce_run(p.run, p.calibration, unknown, STANDARD_AIR)
                assert r.bins.speed_rpm[np.isfinite(r.bins.torque_Nm)][0] == 5000


def test_what_runs_on_past_the_end_fills_the_last_bin():
    """Open for a second more: all of it is used that may be, nothing is taken for a closing throttle."""
    for seed in range(10):
        p = make_run(ENGINES[2], seed, flaws=Flaws(hand_s=1.0, cycle_rel=0.01, cycle_time_s=0.006))
        seen = reduce.observe(p.run, p.calibration, p.setup)
        past_s = seen.aligned.fine.time_s[-1] - seen.end_s
        assert past_s == pytest.approx(align.RUN_OUT_S - align.CLOSING_MEAN_S, abs=0.005)
        lines, _ = reduce.bin_means(seen, 250.0)
        assert lines.centre[0] == 5000 and lines.low[0] < 4880 and np.isfinite(lines.value[0, 0])


def test_bin_left_half_filled_is_not_given_and_said():
    p = make_run(ENGINES[2], 1, flaws=Flaws(hand_s=0.0, cycle_rel=0.02, cycle_time_s=0.012))
    r, _ = torque_error(p)
    assert np.isnan(r.bins.torque_Nm[r.bins.speed_rpm == 5000]).all()
    assert any("Not given, for too little data: 5000 rpm (swept from 50" in n for n in r.notes)


def test_power_is_torque_times_speed_and_bins_add_up():
    r, _ = torque_error(make_run(ENGINES[2], 1))
    b = r.bins
    ureg = pint.UnitRegistry()
    for i in np.flatnonzero(np.isfinite(b.torque_Nm))[::5]:
        p = (b.torque_Nm[i] * ureg("N*m") * b.speed_rpm[i] * ureg.rpm).to("W").magnitude
        assert b.power_W[i] == pytest.approx(p, rel=1e-9)
    assert b.torque_observed_Nm * r.air_factor == pytest.approx(b.torque_Nm, nan_ok=True)


def test_falling_flywheels_add_to_the_brake():
    """Left in, the inertia makes a falling sweep read high by J dw/dt, a rising one would read low."""
    p = make_run(ENGINES[0], 2, flaws=QUIET)
    r0 = reduce.reduce_run(p.run, p.calibration, replace(p.setup, inertia_kg_m2=0.0), STANDARD_AIR)
    r1 = reduce.reduce_run(p.run, p.calibration, p.setup, STANDARD_AIR)
    by_hand = 9e-4 * (10500 - 5000) / 10 * 2 * math.pi / 60
    mid = slice(4, -4)
    extra = (r0.bins.torque_Nm - r1.bins.torque_Nm)[mid]
    assert extra == pytest.approx(np.full(extra.size, by_hand), rel=0.01)
    assert any("inertia" in n for n in r0.notes)
    assert not any("inertia" in n for n in r1.notes)


def test_delay_pairs_torque_with_the_wrong_speed_when_left_out():
    """A delay left in shifts the curve by rate x delay: 75 rpm/0.1 s at 750 rpm/s, here 25 ms."""
    p = make_run(ENGINES[2], 2, flaws=QUIET)
    slope = np.gradient(p.truth(np.arange(5000, 12501, 250.0)), 250.0)
    late = replace(p.setup, load_delay_s=0.0)
    _, wrong = torque_error(p, setup=late)
    _, right = torque_error(p)
    b = reduce.reduce_run(p.run, p.calibration, late, STANDARD_AIR).bins
    ok = np.isfinite(b.torque_Nm)
    period = 1 / (80 * 1.03)
    shift = 2 * period * 750
    expected = shift * slope[: ok.size][ok[: slope.size]] / p.truth(b.speed_rpm[ok])
    mid = slice(3, -3)
    assert (wrong - right)[mid] == pytest.approx(expected[mid], abs=2.5e-4)


def test_measured_period_sets_the_delay():
    for rate_error in (-0.05, 0.0, 0.16):
        p = make_run(ENGINES[3], 2, flaws=replace(QUIET, rate_error=rate_error))
        seen = reduce.observe(p.run, p.calibration, p.setup)
        assert seen.aligned.delay_s == pytest.approx(2 / (80 * (1 + rate_error)), rel=1e-4)
        _, error = torque_error(p)
        assert np.abs(error[1:-1]).max() < 0.001


def test_missed_and_extra_pulses_are_healed_and_counted():
    clean = make_run(ENGINES[2], 5, flaws=Flaws(zero_after_N=0.0))
    p = make_run(ENGINES[2], 5, flaws=Flaws(missed=0.02, extra=0.02, zero_after_N=0.0))
    r, error = torque_error(p)
    assert np.abs(error).max() < 0.006
    assert any("missed" in n and "repaired" in n for n in r.notes)
    edges = align.repair_edges(p.run.edge_time_s)
    full = clean.run.edge_time_s.size
    assert edges.index[-1] + 1 == pytest.approx(full, abs=3)
    assert edges.missed == pytest.approx(0.02 * full, rel=0.3)
    assert edges.extra == pytest.approx(0.02 * full, rel=0.3)


def test_removed_and_doubled_pulses_are_counted_exactly():
    p = make_run(ENGINES[2], 5, flaws=QUIET)
    t = p.run.edge_time_s
    gone = np.delete(t, [100, 300, 301, 700])
    got = align.repair_edges(gone)
    assert (got.missed, got.extra) == (4, 0)
    more = np.sort(np.concatenate((t, t[[150, 400, 800]] + 0.0011)))
    got = align.repair_edges(more)
    assert (got.missed, got.extra) == (0, 3)
    assert got.time_s == pytest.approx(t)


def test_intervals_are_looked_at_closely_wherever_one_could_be_odd():
    """The short cut says of random series what the running median of eleven says of them."""
    rng = np.random.default_rng(3)
    seen = set()
    for _ in range(400):
        gap = 0.01 * np.exp(np.cumsum(rng.normal(0, 0.02, rng.integers(12, 90))))
        for _ in range(rng.integers(0, 3)):
            gap[rng.integers(gap.size)] *= rng.choice([0.5, 0.62, 1.45, 1.55, 2.0, 20.0])
        ratio = gap / scipy.ndimage.median_filter(gap, 11, mode="nearest")
        even = bool(0.6 <= ratio.min() and ratio.max() <= 1.5 and gap.max() < align.SILENT_S)
        assert align._even(gap) == even
        seen.add(even)
    assert seen == {True, False}


def test_uneven_magnets_are_found_out():
    flaws = replace(QUIET, magnet_off_deg=(0.0, 2.0, -1.5, 0.8))
    _, error = torque_error(make_run(ENGINES[2], 3, magnets=4, flaws=flaws))
    assert np.abs(error[1:-1]).max() < 0.001


def test_spikes_gaps_and_clamped_codes_are_left_out_and_said():
    p = make_run(ENGINES[2], 6, flaws=Flaws(spike_at=(300, 500), drop_samples=(600, 601), zero_after_N=0.0))
    count = p.run.load_count.copy()
    count[700:702] = 0x7FFFFF
    r, error = torque_error(p, run=replace(p.run, load_count=count))
    assert np.abs(error).max() < 0.006
    text = " ".join(r.notes)
    assert "2 lone load samples" in text and "2 load samples never arrived" in text
    assert "2 load samples stood at the amplifier's end of range" in text


def test_raw_arrays_are_not_touched():
    p = make_run(ENGINES[2], 6, flaws=Flaws(spike_at=(300,), missed=0.01))
    before = (p.run.load_count.copy(), p.run.edge_time_s.copy(), p.run.load_time_s.copy())
    torque_error(p)
    after = (p.run.load_count, p.run.edge_time_s, p.run.load_time_s)
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))


def test_sweep_is_found_without_the_boards_marks():
    p = make_run(ENGINES[2], 7, flaws=Flaws(zero_after_N=0.0), marked=False)
    r, error = torque_error(p)
    assert r.sweep_time_s == pytest.approx(10.0, abs=0.4)
    assert any("found from the speed" in n for n in r.notes)
    assert np.abs(error[1:-1]).max() < 0.005
    marked = [(1.5, "state", 4), (11.5, "state", 5)]
    seen = reduce.observe(replace(p.run, events=marked), p.calibration, p.setup)
    assert (seen.start_s, seen.end_s, seen.found_by) == (1.5, 11.5, "events")


def test_zero_before_and_after():
    p = make_run(ENGINES[2], 8, flaws=replace(QUIET, zero_before_N=0.0, zero_after_N=0.4))
    r, _ = torque_error(p)
    assert any("The zero moved by +0.40 N" in n for n in r.notes)
    assert r.budget["zero"] == pytest.approx(
        0.4 / 2 / math.sqrt(3) * 0.25 / r.bins.torque_observed_Nm[np.nanargmax(r.bins.power_W)], rel=0.02
    )
    p = make_run(ENGINES[2], 8, flaws=replace(QUIET, zero_after_N=0.01))
    assert not any("zero moved" in n for n in torque_error(p)[0].notes)


def test_zero_that_was_not_taken_at_rest_is_left_out():
    p = make_run(ENGINES[2], 8, flaws=replace(QUIET, noise_counts=40, zero_after_N=0.0))
    (t0, z0, s0, n0), after = p.run.zeros
    run = replace(p.run, zeros=[(t0, z0 + 0.3 * 42000, 30 * s0, n0), after])
    r, error = torque_error(p, run=run)
    assert any("A zero was left out" in n for n in r.notes)
    assert np.abs(error).max() < 0.004


def test_efficiency_is_a_stated_assumption():
    p = make_run(ENGINES[2], 8, flaws=QUIET)
    r, error = torque_error(p, setup=replace(p.setup, drive_efficiency=0.97))
    assert any("Drive efficiency is taken as 0.97" in n and "assumed" in n for n in r.notes)
    # 3 % on what passes the chain, not on what the flywheels give
    speed = r.bins.speed_rpm[np.isfinite(r.bins.torque_Nm)]
    passed = p.truth(speed) + p.engine.inertia_kg_m2 * 750 * 2 * math.pi / 60
    expected = (1 / 0.97 - 1) * passed / p.truth(speed)
    assert error[2:-2] == pytest.approx(expected[2:-2], abs=1e-3)


@settings(max_examples=15, deadline=None)
@given(st.floats(0.5, 2.0), st.floats(0.5, 2.0))
def test_scaling_laws(arm, span):
    """Twice the arm, twice the torque; twice the span, half of it; doubling both changes nothing."""
    p = make_run(ENGINES[2], 9, flaws=QUIET)
    setup = replace(p.setup, inertia_kg_m2=0.0)
    base = reduce.reduce_run(p.run, p.calibration, setup, STANDARD_AIR).bins.torque_Nm
    c = replace(
        p.calibration,
        arm_m=p.calibration.arm_m * arm,
        span_count_per_N=p.calibration.span_count_per_N * span,
    )
    other = reduce.reduce_run(p.run, c, setup, STANDARD_AIR).bins.torque_Nm
    assert other == pytest.approx(base * arm / span, rel=1e-9, nan_ok=True)


@settings(max_examples=10, deadline=None)
@given(st.integers(8, 20), st.integers(8, 20))
def test_gearing_leaves_brake_power_alone(engine_teeth, brake_teeth):
    """Whatever the teeth, power through the chain is the same: speed goes up as torque goes down."""
    p = make_run(ENGINES[2], 9, flaws=QUIET)
    setup = Setup(engine_teeth=engine_teeth, brake_teeth=brake_teeth, inertia_kg_m2=0.0)
    seen = reduce.observe(p.run, p.calibration, setup)
    plain = reduce.observe(p.run, p.calibration, Setup(inertia_kg_m2=0.0))
    power, other = (s.brake_Nm * s.aligned.speed_rad_s for s in (seen, plain))
    assert power == pytest.approx(other, rel=1e-9)


def test_same_inputs_same_numbers_and_hashes():
    p = make_run(ENGINES[2], 9)
    a, b = (reduce.reduce_run(p.run, p.calibration, p.setup, STANDARD_AIR) for _ in range(2))
    assert a.inputs == b.inputs
    assert np.array_equal(a.bins.torque_Nm, b.bins.torque_Nm, equal_nan=True)
    c = reduce.reduce_run(p.run, replace(p.calibration, span_u_rel=0.002), p.setup, STANDARD_AIR)
    assert c.inputs["calibration"] != a.inputs["calibration"]
    assert c.inputs["run"] == a.inputs["run"]


def test_peaks_lie_where_the_curve_has_them():
    engine = ENGINES[2]
    for seed in range(4):
        p = make_run(engine, seed, flaws=Flaws(zero_after_N=0.0))
        r, _ = torque_error(p)
        grid = np.arange(5000, 12500, 1.0)
        power = p.truth(grid) * grid * 2 * math.pi / 60
        assert r.peak_power_W.value == pytest.approx(power.max(), rel=0.006)
        assert r.peak_power_W.speed_rpm == pytest.approx(grid[np.argmax(power)], abs=200)
        assert r.peak_torque_Nm.value == pytest.approx(p.truth(grid).max(), rel=0.006)


def test_area_under_the_curve():
    p = make_run(ENGINES[2], 1, flaws=QUIET)
    b = torque_error(p)[0].bins
    got = reduce.mean_over(b, 6000, 11000)
    grid = np.linspace(6000, 11000, 5001)
    assert got["torque_Nm"] == pytest.approx(p.truth(grid).mean(), rel=2e-3)
    assert got["power_W"] == pytest.approx((p.truth(grid) * grid).mean() * 2 * math.pi / 60, rel=2e-3)
    assert 0 < got["torque_u_independent_Nm"] < got["torque_u_Nm"]
    with pytest.raises(InputError, match="covers"):
        reduce.mean_over(b, 3000, 9000)


@pytest.mark.outside("scipy.signal.freqz of the filter's own coefficients")
@pytest.mark.parametrize("bandwidth", [3.0, 5.0, 8.0, 12.0])
def test_bandwidth_is_what_it_says(bandwidth):
    """-3 dB bandwidth and zero phase of the smoothing"""
    period = 1 / 80
    n = 401
    pulse = np.zeros(n)
    pulse[n // 2] = 1
    kernel = align.smooth(pulse, period, bandwidth)
    f, h = scipy.signal.freqz(kernel, worN=8192, fs=80)
    zero_phase = np.real(h * np.exp(2j * np.pi * f * (n // 2) * period))
    assert f[np.argmax(zero_phase < 0.5**0.5)] == pytest.approx(bandwidth, rel=0.12)
    assert kernel == pytest.approx(kernel[::-1], abs=1e-12)  # symmetric: no phase
    assert abs(h[0]) == pytest.approx(1)


@pytest.mark.outside("scipy.stats.binned_statistic, and the integral of a cosine, a line, a parabola by hand")
def test_bin_means_agree_with_scipy_and_are_brought_to_the_whole_bin():
    """Mean over each bin, evenly filled or not"""
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(5000, 8000, 400))
    lines = fit_bins(x, np.cos(x / 900), 250.0)
    edges = np.append(lines.centre - 125, lines.centre[-1] + 125)
    mean = scipy.stats.binned_statistic(x, np.cos(x / 900), bins=edges)[0]
    off = scipy.stats.binned_statistic(x, x, bins=edges)[0] - lines.centre
    from_centre = x - 250 * np.rint(x / 250)
    square = scipy.stats.binned_statistic(x, from_centre**2, bins=edges)[0]
    slope, bend = -np.sin(lines.centre / 900) / 900, -np.cos(lines.centre / 900) / 900**2 / 2
    square -= 250**2 / 12
    ok = np.isfinite(lines.value)
    assert lines.count.sum() == 400
    assert lines.value[ok][1:-1] == pytest.approx((mean - slope * off - bend * square)[ok][1:-1], abs=2e-3)
    by_hand = np.diff(np.sin(edges / 900)) * 900 / 250
    assert lines.value[ok][1:-1] == pytest.approx(by_hand[ok][1:-1], abs=2e-3)
    straight = fit_bins(x, 3 + 1e-4 * x, 250.0)
    assert straight.value[ok] == pytest.approx(3 + 1e-4 * straight.centre[ok], rel=1e-12)
    # of a parabola the mean over a bin is the centre's value and w^2 / 12 = 0.0052 of bend, also at
    # the ends, which are filled in part
    curved = fit_bins(x, (x / 1000) ** 2, 250.0)
    assert curved.value[ok] == pytest.approx((curved.centre[ok] / 1000) ** 2 + 0.25**2 / 12, rel=1e-12)


@pytest.mark.internal("scatter of repeated draws, statistics by hand")
def test_leverage_is_the_variance_of_a_bin():
    """Variance of a bin's value per variance of a sample"""
    rng = np.random.default_rng(8)
    x = np.linspace(5002, 7900, 320)
    draws = np.array([fit_bins(x, rng.normal(0, 1, x.size), 250.0).value for _ in range(1500)])
    expected = fit_bins(x, x, 250.0).leverage
    ok = np.isfinite(expected)
    assert draws.var(axis=0)[ok] / expected[ok] == pytest.approx(np.ones(ok.sum()), abs=0.22)


@pytest.mark.internal("white noise of known size, statistics by hand")
def test_scatter_of_white_noise_is_recovered():
    """Scatter of one sample from the bins"""
    rng = np.random.default_rng(5)
    x = np.linspace(5000, 12000, 4000)
    curve = 3 + np.exp(-(((x - 9000) / 1500) ** 2))
    got = [sample_scatter(x, curve + rng.normal(0, 0.05, x.size), 250.0) for _ in range(30)]
    assert np.mean(got) == pytest.approx(0.05, rel=0.08)
    assert sample_scatter(x, curve, 250.0) < 0.01
    # too few bins for differences: the cubic stands in, on the safe side
    short = x < 6000
    assert sample_scatter(x[short], (curve + rng.normal(0, 0.05, x.size))[short], 250.0) >= 0.05


@pytest.mark.internal("hp = lb-ft x rpm / 5252, common practice, on the printed units")
def test_printed_units_keep_the_trades_rule():
    """Power and torque in US units"""
    r, _ = torque_error(make_run(ENGINES[2], 1))
    ok = np.isfinite(r.bins.torque_Nm)
    hp, lbft = text.US.power(r.bins.power_W[ok]), text.US.torque(r.bins.torque_Nm[ok])
    assert hp == pytest.approx(lbft * r.bins.speed_rpm[ok] / 5252.1, rel=2e-5)


BAD = [
    (dict(arm_m=9.84), {}, "looks like inches"),
    (dict(arm_m=250.0), {}, "looks like millimetres"),
    (dict(arm_m=math.nan), {}, "arm is not a number"),
    (dict(span_count_per_N=0.0), {}, "hang a known weight"),
    (dict(span_count_per_N=math.nan), {}, "span is not a number"),
    (dict(made_unix_s=1000), dict(arm_changed_unix_s=2000), "older than the last change of the arm"),
    ({}, dict(engine_teeth=0), "engine sprocket has 0 teeth"),
    ({}, dict(brake_teeth=0), "brake sprocket has 0 teeth"),
    ({}, dict(magnets=0), "0 magnets"),
    ({}, dict(drive_efficiency=98.0), "outside 0.5 to 1"),
    ({}, dict(inertia_kg_m2=3.0), "outside 0 to 1"),
    ({}, dict(inertia_kg_m2=math.nan), "inertia is not a number"),
]


@pytest.mark.parametrize(("calibration", "setup", "words"), BAD)
def test_bad_input_gets_a_sentence_and_no_number(made, calibration, setup, words):
    with pytest.raises(InputError, match=words) as caught:
        reduce.reduce_run(
            made.run, replace(made.calibration, **calibration), replace(made.setup, **setup), STANDARD_AIR
        )
    assert "\n" not in str(caught.value)


def test_bad_air_bins_and_standard_are_refused(made):
    def go(air=STANDARD_AIR, **known):
        reduce.reduce_run(made.run, made.calibration, made.setup, air, **known)

    with pytest.raises(InputError, match="not a number"):
        go(Air(math.nan, 298, 0.3))
    with pytest.raises(InputError, match="inHg"):
        go(Air(2992.0, 298, 0.3))
    with pytest.raises(InputError, match="bins of 0 rpm"):
        go(bin_rpm=0)
    with pytest.raises(InputError, match="bins of nan rpm"):
        go(bin_rpm=math.nan)
    with pytest.raises(InputError, match="bandwidth"):
        go(bandwidth_Hz=-1)
    with pytest.raises(InputError, match="is not known"):
        go(standard="xyz")


def test_raw_data_that_holds_no_sweep_is_refused_in_a_sentence(made):
    def go(**change):
        reduce.reduce_run(replace(made.run, **change), made.calibration, made.setup, STANDARD_AIR)

    with pytest.raises(DamageError, match="load samples: too few"):
        go(load_time_s=made.run.load_time_s[:5], load_count=made.run.load_count[:5])
    with pytest.raises(DamageError, match="speed edges"):
        go(edge_time_s=made.run.edge_time_s[:5])
    with pytest.raises(DamageError, match="no sweep"):
        go(edge_time_s=made.run.edge_time_s[:5], verdict=None)
    steady = np.arange(0, 12, 0.006)
    with pytest.raises(DamageError, match="never moves one way"):
        go(edge_time_s=steady, verdict=None)
    with pytest.raises(DamageError, match="edges"):
        go(edge_time_s=np.zeros(0), verdict=None)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_torn_runs_give_a_result_or_a_sentence(made, data):
    """Whatever part of a run is missing, the answer is a reduction or one sentence."""
    run = made.run
    n, m = run.load_time_s.size, run.edge_time_s.size
    a, b = sorted(data.draw(st.tuples(st.integers(0, n), st.integers(0, n))))
    c, d = sorted(data.draw(st.tuples(st.integers(0, m), st.integers(0, m))))
    gapped = replace(
        run,
        load_time_s=run.load_time_s[a:b],
        load_count=run.load_count[a:b],
        edge_time_s=run.edge_time_s[c:d],
        verdict=run.verdict if data.draw(st.booleans()) else None,
    )
    try:
        r = reduce.reduce_run(gapped, made.calibration, made.setup, STANDARD_AIR)
    except DamageError as error:
        assert "\n" not in str(error) and str(made.run.run_id) in str(error)
    else:
        ok = np.isfinite(r.bins.torque_Nm)
        true = made.truth(r.bins.speed_rpm[ok])
        assert (np.abs(r.bins.torque_Nm[ok] / true - 1) < 0.05).all()


def test_silent_pickup_leaves_bins_empty(made):
    t = made.run.edge_time_s
    run = replace(made.run, edge_time_s=t[(t < 5.0) | (t > 5.8)])
    r = reduce.reduce_run(run, made.calibration, made.setup, STANDARD_AIR)
    assert any("silent for 0.8" in n for n in r.notes)
    middle = 12500 - (5.4 - 1.5) * 750
    hole = np.isnan(r.bins.torque_Nm[np.abs(r.bins.speed_rpm - middle) < 200])
    assert hole.all()


def test_board_settings_serve_when_nothing_is_filed(made):
    c = reduce.calibration_from_settings(made.run)
    assert (c.span_count_per_N, c.arm_m, c.zero_count) == (42000.0, 0.25, 50000.0)
    s = reduce.setup_from_settings(made.run, inertia_kg_m2=0.002)
    assert (s.engine_teeth, s.brake_teeth, s.inertia_kg_m2) == (10, 10, 0.002)
    with pytest.raises(DamageError, match="span"):
        reduce.calibration_from_settings(replace(made.run, settings={}))
    assert isinstance(c, Calibration)
