"""The statistics of compare.py against published values and scipy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.integrate
import scipy.stats
from evenfall.errors import InputError
from evenfall.model import Calibration, Setup
from evenfall.statistics.compare import _difference, _mean_power, compare
from evenfall.statistics.groups import group, spread, without
from evenfall.statistics.precision import decidable, grubbs_critical, power_of_test, precision, runs_needed
from evenfall.statistics.reduced_run import ReducedRun
from evenfall.statistics.set_up_differences import set_up_differences
from hypothesis import given, settings
from hypothesis import strategies as st
from made_reductions import SPEED_RPM, make_group, make_reduction


@pytest.mark.outside(
    "ASTM E691, worked example glucose in serum, material A: mean 41.518, s_r 1.063, s_R 1.063 "
    "(data and results from memory)"
)
def test_glucose_in_serum() -> None:
    """Repeatability and reproducibility of a published interlaboratory example.

    For equal numbers of results E691 has the formulas of ISO 5725-2; s_L is negative here before
    the standard's rule sets it to zero.
    """
    laboratories = [
        [41.03, 41.45, 41.37],
        [41.17, 42.00, 41.15],
        [41.01, 40.68, 42.66],
        [39.37, 42.37, 42.63],
        [41.88, 41.19, 41.32],
        [43.28, 40.50, 42.28],
        [41.08, 41.27, 39.02],
        [43.36, 42.65, 41.72],
    ]
    found = precision([np.array(x) for x in laboratories])
    assert (round(found.mean, 3), round(found.s_r, 3), round(found.s_R, 3)) == (41.518, 1.063, 1.063)
    assert found.r == pytest.approx(2.8 * found.s_r)


@pytest.mark.outside("NIST StRD, one-way analysis of variance, certified values shipped with scipy")
@pytest.mark.parametrize("name", ["SiRstv", "SmLs01", "SmLs04", "AtmWtAg"])
def test_precision_of_certified_sets(name: str) -> None:
    """s_r is the certified residual standard deviation; s_L follows from the certified mean squares."""
    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / f"{name}.dat"
    lines = path.read_text().splitlines()
    s_r = next(float(row.split()[-1]) for row in lines if row.split()[:2] == ["Standard", "Deviation"])
    between = next(float(row.split()[-2]) for row in lines if row.split()[:1] == ["Between"])
    data = np.array([[float(v) for v in row.split()] for row in lines[60:] if len(row.split()) == 2])
    groups = [data[data[:, 0] == key, 1] for key in np.unique(data[:, 0])]
    found = precision(groups)
    each = len(groups[0])
    assert found.s_r == pytest.approx(s_r, rel=1e-8)
    assert found.s_L == pytest.approx(np.sqrt(max(0.0, (between - s_r**2) / each)), rel=1e-7)


@pytest.mark.outside("ISO 5725-2:1994 table 5, Grubbs' critical values (from memory)")
@pytest.mark.parametrize(
    ("n", "at_1", "at_5"),
    [(3, 1.155, 1.155), (4, 1.496, 1.481), (5, 1.764, 1.715), (8, 2.274, 2.126), (10, 2.482, 2.290)],
)
def test_grubbs_table(n: int, at_1: float, at_5: float) -> None:
    """Critical values of Grubbs' test for one outlier."""
    assert grubbs_critical(n, 0.01) == pytest.approx(at_1, abs=1e-3)
    assert grubbs_critical(n, 0.05) == pytest.approx(at_5, abs=1e-3)


@pytest.mark.outside("J. Cohen, Statistical Power Analysis (1988), table 2.4.1 (from memory)")
@pytest.mark.parametrize(("d", "n"), [(0.5, 64), (0.8, 26), (1.0, 17), (1.2, 12)])
def test_runs_needed_table(d: float, n: int) -> None:
    """Runs needed for a chance of 80 % at two-sided 5 %."""
    if n <= 60:
        assert runs_needed(d * 0.01, 0.01) == n
    assert power_of_test(d * 0.01, 0.01, n) >= 0.8
    assert power_of_test(d * 0.01, 0.01, n - 1) < 0.8


@pytest.mark.outside("scipy.stats.ttest_ind on 4,000 drawn pairs of groups")
def test_power_of_test_against_simulated_welch() -> None:
    """The chance that a true gain shows."""
    rng = np.random.default_rng(11)
    a = rng.normal(0, 1, (4000, 4))
    b = rng.normal(1.5, 1, (4000, 4))
    seen = float(np.mean(scipy.stats.ttest_ind(a, b, axis=1).pvalue < 0.05))
    assert power_of_test(1.5, 1.0, 4) == pytest.approx(seen, abs=0.025)


def test_decidable_is_the_inverse() -> None:
    gain = decidable(5, 0.006)
    assert power_of_test(gain, 0.006, 5) == pytest.approx(0.8, abs=1e-4)
    assert np.isnan(decidable(1, 0.006))
    assert power_of_test(0.5, 0.001, 3) == 1.0


@pytest.mark.outside("scipy.stats.ttest_ind and false_discovery_control")
@pytest.mark.parametrize(
    ("n_a", "n_b", "scatter_b", "pooled"),
    [
        (3, 3, 0.004, True),
        (5, 5, 0.004, True),
        (5, 5, 0.03, False),
        (5, 2, 0.004, True),
        (8, 4, 0.03, False),
    ],
)
def test_gain_is_students_or_welchs(n_a: int, n_b: int, scatter_b: float, pooled: bool) -> None:
    """The gain's p, degrees of freedom and interval; bins marked real hold false discoveries down."""
    before = group(make_group(n_a, 1, span_u=0.0), "A")
    after = group(make_group(n_b, 2, first_id=50, scale=1.01, span_u=0.0, run_scatter=scatter_b), "B")
    c = compare(before, after)
    low, high = c.band_rpm
    use = (SPEED_RPM >= low) & (SPEED_RPM <= high)
    means = [
        [scipy.integrate.trapezoid(r.bins.power_W[use], SPEED_RPM[use]) / (high - low) for r in g.reductions]
        for g in (before, after)
    ]
    ours, theirs = c.mean_power, scipy.stats.ttest_ind(means[1], means[0], equal_var=pooled)
    interval = theirs.confidence_interval(0.95)
    assert ours.p_value == pytest.approx(theirs.pvalue)
    assert ours.dof == pytest.approx(theirs.df)
    assert ours.difference - ours.half_width == pytest.approx(interval.low)
    assert ours.difference + ours.half_width == pytest.approx(interval.high)
    power = [np.vstack([r.bins.power_W for r in g.reductions]) for g in (before, after)]
    by_bin = {
        equal: scipy.stats.ttest_ind(power[1], power[0], equal_var=equal).pvalue for equal in (True, False)
    }
    expected = np.where(np.isclose(c.bins.p_value, by_bin[True]), by_bin[True], by_bin[False])
    assert c.bins.p_value == pytest.approx(expected)
    assert (c.bins.real == (scipy.stats.false_discovery_control(expected) < 0.05)).all()


@pytest.mark.internal("normal groups drawn by numpy: false claims at no gain are 5 % +- 1.5")
@pytest.mark.parametrize("runs", [2, 3, 4, 6])
@pytest.mark.parametrize("ratio", [1.0, 2.0])
def test_false_claims_of_small_groups(runs: int, ratio: float) -> None:
    """20,000 comparisons at once, also where one group scatters twice as much as the other."""
    rng = np.random.default_rng(runs)
    a = rng.normal(100, 1, (runs, 20_000))
    b = rng.normal(100, ratio, (runs, 20_000))
    fit = _difference(spread(a), spread(b), (0.0, 0.0), None)
    half = scipy.stats.t.ppf(0.975, fit.dof) * fit.u
    p = 2 * scipy.stats.t.sf(np.abs(fit.gain) / fit.u, fit.dof)
    assert 0.035 <= np.mean(p < 0.05) <= 0.065
    assert np.mean(np.abs(b.mean(axis=0) - a.mean(axis=0)) > half) == pytest.approx(
        np.mean(p < 0.05), abs=1e-4
    )


def test_shared_calibration_error_cancels() -> None:
    """A span 2 % too high in both groups leaves the relative gain where it was."""
    plain = compare(group(make_group(4, 1), "A"), group(make_group(4, 2, first_id=9, scale=1.02), "B"))
    high = compare(
        group(make_group(4, 1, shared=0.02), "A"),
        group(make_group(4, 2, first_id=9, scale=1.02, shared=0.02), "B"),
    )
    assert high.peak_power.relative == pytest.approx(plain.peak_power.relative, rel=1e-6)
    assert high.peak_power.difference == pytest.approx(1.02 * plain.peak_power.difference, rel=1e-5)
    assert high.calibration_cancels


def test_other_calibration_is_counted_in_full() -> None:
    cal = Calibration(zero_count=0.0, span_count_per_N=42000.0, arm_m=0.25)
    longer = Calibration(zero_count=0.0, span_count_per_N=42000.0, arm_m=0.30)
    pulls_a = [ReducedRun(r, cal, Setup()) for r in make_group(4, 1, span_u=0.01)]
    after = make_group(4, 2, first_id=9, span_u=0.01)
    same = compare(group(pulls_a, "A"), group([ReducedRun(r, cal, Setup()) for r in after], "B"))
    unlike = compare(group(pulls_a, "A"), group([ReducedRun(r, longer, Setup()) for r in after], "B"))
    assert same.calibration_cancels and not unlike.calibration_cancels
    # 1 % standard uncertainty on each side: at least 1.96 * sqrt(2) % of peak power
    floor = 1.95 * np.sqrt(2) * 0.01 * unlike.peak_power.before
    assert unlike.peak_power.half_width > floor > same.peak_power.half_width
    assert [d.what for d in unlike.differences] == ["torque arm"]
    assert "0.2500 m before, 0.3000 m after" in unlike.differences[0].sentence


@pytest.mark.parametrize(
    ("what", "option"),
    [
        ("engine sprocket", {"engine_teeth": 9}),
        ("brake sprocket", {"brake_teeth": 12}),
        ("inertia", {"inertia_kg_m2": 1e-3}),
        ("drive efficiency", {"drive_efficiency": 0.97}),
        ("load delay", {"load_delay_s": 0.02}),
    ],
)
def test_set_up_differences_are_named(what: str, option: dict[str, float]) -> None:
    a = group([ReducedRun(r, setup=Setup()) for r in make_group(2, 1)], "A")
    b = group([ReducedRun(r, setup=Setup(**option)) for r in make_group(2, 2, first_id=9)], "B")  # type: ignore[arg-type]
    assert [d.what for d in set_up_differences(a, b)] == [what]
    assert not set_up_differences(
        a, group([ReducedRun(r, setup=Setup()) for r in make_group(2, 3, first_id=9)], "B")
    )


def test_sweep_time_and_hash_differences() -> None:
    a = group(make_group(2, 1, inputs={"calibration": "aa"}), "A")
    b = group(make_group(2, 2, first_id=9, sweep_time_s=11.5, inputs={"calibration": "bb"}), "B")
    assert [d.what for d in set_up_differences(a, b)] == ["sweep time", "calibration"]
    assert "hardly comparable" in set_up_differences(a, b)[0].sentence


def test_outlier_is_named_explained_and_kept() -> None:
    rng = np.random.default_rng(5)
    runs = [make_reduction(i, rng) for i in range(1, 7)]
    runs[3] = make_reduction(4, rng, scale=0.94, notes=["top speed was not held"])
    g = group(runs, "A")
    (found,) = [f for f in g.findings if f.kind == "outlier"]
    assert found.indices == (3,)
    for words in (
        "run 4 stands apart",
        "below the others over the whole range",
        "top speed was not held",
        "kept",
    ):
        assert words in found.sentence
    assert g.n == 6 and g.peak_power_W.n[0] == 6
    assert without(g, found.indices).n == 5


def test_warming_runs_are_found_and_left_out_beside() -> None:
    cold = group(make_group(7, 3, warming=0.05, run_scatter=0.002), "cold")
    (found,) = [f for f in cold.findings if f.kind == "warming"]
    assert found.indices == (0, 1) or found.indices == (0, 1, 2)
    assert "still warming (run 1, run 2" in found.sentence
    warm = group(make_group(7, 4, first_id=20, run_scatter=0.002), "warm")
    c = compare(cold, warm)
    assert c.settled is not None
    assert c.settled.before.n == 7 - len(found.indices)
    assert abs(c.settled.peak_power.relative) < abs(c.peak_power.relative)


def test_findings_rarely_cry_wolf() -> None:
    """At most 5 % of level groups show warming, 1 % a drift, 5 % a straggler or outlier (with slack)."""
    count = {"warming": 0, "drift": 0, "outlier": 0, "straggler": 0}
    for seed in range(300):
        for f in group(make_group(6, seed), "A").findings:
            count[f.kind] += 1
    assert count["warming"] <= 22
    assert count["drift"] <= 9
    assert count["outlier"] + count["straggler"] <= 26
    assert count["outlier"] <= 9


def test_a_real_drift_is_found() -> None:
    rng = np.random.default_rng(3)
    runs = [make_reduction(i, rng, scale=1 - 0.006 * i, run_scatter=0.002) for i in range(8)]
    (found,) = [f for f in group(runs, "A").findings if f.kind == "drift"]
    assert "falls by 0.6" in found.sentence


def test_verdict_of_single_runs() -> None:
    """One run each has no scatter: cannot tell; with the bench's own scatter known it can."""
    a, b = group(make_group(1, 1), "A"), group(make_group(1, 2, first_id=9, scale=1.05), "B")
    assert compare(a, b).outcome == "cannot tell"
    known = compare(a, b, s_bench_relative=0.004)
    assert known.outcome == "real"
    # Student's t with 30 degrees of freedom, two runs: t * sqrt(2) * s, plus the shared share of the gain
    expected = (
        scipy.stats.t.ppf(0.975, 30) * 0.004 * np.hypot(known.peak_power.before, known.peak_power.after)
    )
    assert known.peak_power.half_width == pytest.approx(expected, rel=0.03)


def test_runs_without_the_top_bins_are_used_where_they_have_data() -> None:
    rng = np.random.default_rng(8)
    g = group([make_reduction(1, rng), make_reduction(2, rng, missing=4), make_reduction(3, rng)], "A")
    assert list(g.power_W.n[-5:]) == [3, 2, 2, 2, 2]
    assert g.range_rpm[1] == 12000.0
    assert np.isfinite(g.power_W.mean).all()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: group([], "stock"), "holds no run"),
        (lambda: group([*make_group(1, 1), *make_group(1, 2)], "stock"), "same run twice"),
        (
            lambda: group([*make_group(1, 1), *make_group(1, 2, first_id=5, standard="din70020")], "stock"),
            "mixes air corrections (din70020, iso1585)",
        ),
        (
            lambda: compare(group(make_group(2, 1), "A"), group(make_group(2, 1), "B")),
            "run 1 is in both groups",
        ),
        (
            lambda: compare(
                group(make_group(2, 1), "A"), group(make_group(2, 1, first_id=9, standard="din70020"), "B")
            ),
            "reduce both by the same one first",
        ),
        (
            lambda: compare(
                group(make_group(2, 1), "A"),
                group(make_group(2, 1, first_id=9, speed_rpm=np.arange(5100.0, 9000, 250)), "B"),
            ),
            "share no table speed",
        ),
    ],
)
def test_bad_groups_get_one_sentence(make, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(InputError) as caught:
        make()
    assert words in str(caught.value)


@settings(max_examples=30, deadline=None)
@given(factor=st.floats(0.2, 30.0), n=st.integers(2, 5), seed=st.integers(0, 10_000))
def test_scaling_the_engine_scales_the_gain(factor: float, n: int, seed: int) -> None:
    """A brake twice as long in the arm on both sides: gain in watts scales, in per cent it stays."""
    a = compare(group(make_group(n, seed), "A"), group(make_group(n, seed + 1, first_id=50, scale=1.03), "B"))
    b = compare(
        group(make_group(n, seed, top_Nm=4.2 * factor), "A"),
        group(make_group(n, seed + 1, first_id=50, scale=1.03, top_Nm=4.2 * factor), "B"),
    )
    assert b.peak_power.difference == pytest.approx(factor * a.peak_power.difference, rel=1e-4)
    assert b.peak_power.relative_half_width == pytest.approx(a.peak_power.relative_half_width, rel=1e-4)
    assert b.outcome == a.outcome


@settings(max_examples=30, deadline=None)
@given(n=st.integers(2, 6), seed=st.integers(0, 10_000))
def test_swapping_before_and_after_turns_the_sign(n: int, seed: int) -> None:
    a, b = group(make_group(n, seed), "A"), group(make_group(n + 1, seed + 1, first_id=50), "B")
    there, back = compare(a, b), compare(b, a)
    assert there.peak_power.difference == pytest.approx(-back.peak_power.difference)
    assert there.peak_power.half_width == pytest.approx(back.peak_power.half_width)
    assert there.outcome == back.outcome


def test_verdict_rests_on_the_mean_over_a_band_as_well() -> None:
    """A narrow gain at the top alone is no more than real in part; the band is said and can be asked for."""
    before = group(make_group(6, 1, run_scatter=0.0005, bin_noise=0.0005), "A")
    lifted = []
    for r in make_group(6, 2, first_id=50, run_scatter=0.0005, bin_noise=0.0005):
        low = r.bins.speed_rpm < 7500
        b = replace(r.bins, power_W=np.where(low, 0.97, 1.0) * r.bins.power_W)
        lifted.append(replace(r, bins=replace(b, torque_Nm=np.where(low, 0.97, 1.0) * r.bins.torque_Nm)))
    after = group(lifted, "B")
    wide = compare(before, after, band_rpm=(5500.0, 12500.0))
    assert wide.outcome == "real in part" and wide.mean_power.real and not wide.peak_power.real
    assert wide.band_rpm == (5500.0, 12500.0) and wide.band_asked
    own = compare(before, after)
    assert not own.band_asked
    for g in (before, after):
        at = [np.flatnonzero(g.speed_rpm == speed)[0] for speed in own.band_rpm]
        assert (g.power_W.mean[at] >= 0.9 * g.peak_power_W.mean[0]).all()
    with pytest.raises(InputError, match="not within"):
        compare(before, after, band_rpm=(1000.0, 9000.0))


def test_mean_over_a_band_of_a_straight_line() -> None:
    """Power 2 W/rpm * speed: its mean from 6,100 to 8,300 rpm is 14,400 W, by hand."""
    made = make_group(2, 1)
    straight = [replace(r, bins=replace(r.bins, power_W=2.0 * r.bins.speed_rpm)) for r in made]
    assert _mean_power(group(straight, "A"), 6100.0, 8300.0)[:, 0] == pytest.approx([14400.0, 14400.0])
