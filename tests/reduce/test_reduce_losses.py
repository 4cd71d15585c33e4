"""Drag that the cell does not feel, hoses under pressure, the temperature of the span: in the budget."""

from dataclasses import replace

import numpy as np
import pytest
from evenfall.archive.archive import Archive
from evenfall.errors import DamageError, InputError
from evenfall.model import Air, Calibration, Run, Setup
from evenfall.reduction import uncertainty
from evenfall.reduction.air import correction
from evenfall.reduction.calibration import hose_push
from evenfall.reduction.coast_down import coast_down, with_loss
from evenfall.reduction.reduce import reduce_run, span_temperature_u
from evenfall.workflow.drive_from_runs import keep_drag
from made_runs import ENGINES, make_run

outside = pytest.mark.outside

SPAN, ZERO, ARM = 40_000.0, 12_000.0, 0.2
CALIBRATION = Calibration(ZERO, SPAN, span_u_rel=0.001, arm_m=ARM, zero_u_N=0.005, made_unix_s=1)


def coasting(a, b, w0, felt, seed=0, jitter_s=2e-6, noise=40.0, zero_off_N=0.0):
    """A coast-down by its closed form: w' = -(a + b w) has w = (w0 + a/b) exp(-b t) - a/b.

    `felt(w)`: N.m that the cell feels.  One magnet; the amplifier as a mean over four conversions.
    """
    rng = np.random.default_rng(seed)
    stop = np.log1p(w0 * b / a) / b
    t = np.arange(0.0, stop, 0.0005)
    decay = np.exp(-b * t)
    w = (w0 + a / b) * decay - a / b
    angle = (w0 + a / b) * (1 - decay) / b - a / b * t
    turns = np.arange(1, int(angle[-1] / (2 * np.pi))) * 2 * np.pi
    edges = np.interp(turns, angle, t) + rng.normal(0, jitter_s, turns.size)
    ready = np.arange(0.0505, stop, 0.0125)
    mean = np.array([felt(w[(t > r - 0.05) & (t <= r)]).mean() for r in ready])
    count = np.rint(ZERO + SPAN * (mean / ARM + zero_off_N) + rng.normal(0, noise, ready.size))
    nothing = np.zeros(0)
    return Run(
        1, "e66164084b123456", "made", 1, "auto", {}, ready, count.astype(np.int64), edges, nothing, nothing,
        nothing, nothing, np.zeros(0, np.int64), [], [], [(-1.0, ZERO, 200.0, 160)], None, True,
    )  # fmt: skip


@outside("closed form of dry and viscous friction on a coasting shaft (textbook equation of first order)")
def test_a_coast_down_gives_the_drag_the_cell_does_not_feel():
    J, a, b = 6e-4, 18.0, 0.12  # a, b: 1/s2, 1/s; about 0.011 + 0.00007 w N.m
    run = coasting(a, b, 420.0, lambda w: 0.25 * J * (a + b * w))
    found = coast_down(run, CALIBRATION, Setup(), J, J * 0.01)
    w = found.speed_rpm * np.pi / 30
    assert found.speed_rpm.min() < 1000 and found.speed_rpm.max() > 3500
    truth = 0.75 * J * (a + b * w)
    np.testing.assert_allclose(found.total_Nm, J * (a + b * w), rtol=0.01)
    np.testing.assert_allclose(found.loss_Nm, truth, rtol=0.02)
    assert (np.abs(found.loss_Nm - truth) < 3 * found.loss_u_Nm).all()
    assert (found.loss_u_Nm < 0.1 * found.loss_Nm).all()


def test_a_loss_below_zero_is_not_kept(tmp_path):
    """An inertia too small once put a negative drag into the set-up, active at once, with exit code 0."""
    J, a, b = 6e-4, 18.0, 0.12
    run = coasting(a, b, 420.0, lambda w: 0.9 * J * (a + b * w))
    with Archive(tmp_path) as archive:
        archive.add_record(Setup(), "bench")
    found = coast_down(run, CALIBRATION, Setup(), J / 2, J * 0.005)
    with pytest.raises(InputError, match="nothing was stored"):
        keep_drag(tmp_path, "bench", found)
    with Archive(tmp_path) as archive:
        assert archive.active("setup") is None and len(archive.records(Setup)) == 1
    keep_drag(tmp_path, "bench", coast_down(run, CALIBRATION, Setup(), J, J * 0.005))
    with Archive(tmp_path) as archive:
        assert archive.active("setup") is not None


def test_the_interval_of_a_coast_down_covers():
    rng = np.random.default_rng(5)
    J, hits, n = 6e-4, 0, 60
    for k in range(n):
        a, b = rng.uniform(8, 30), rng.uniform(0.03, 0.25)
        run = coasting(
            a, b, rng.uniform(300, 500), lambda w, a=a, b=b: 0.3 * J * (a + b * w), seed=k,
            zero_off_N=rng.normal(0, CALIBRATION.zero_u_N),
        )  # fmt: skip
        found = coast_down(run, CALIBRATION, Setup(), J * (1 + rng.normal(0, 0.02)), J * 0.02)
        w = found.speed_rpm[3] * np.pi / 30
        hits += abs(found.loss_Nm[3] - 0.7 * J * (a + b * w)) < uncertainty.COVERAGE * found.loss_u_Nm[3]
    assert 52 <= hits <= 60


def test_a_found_loss_is_added_back_and_is_in_the_budget():
    made = make_run(ENGINES[1], seed=3)
    air = Air(98_000.0, 293.15, 0.5)
    plain = reduce_run(made.run, made.calibration, made.setup, air, "none")
    setup = replace(
        made.setup, shaft_loss_Nm=0.01, shaft_loss_Nm_s=1e-5, shaft_loss_Nm_s2=1e-8, shaft_loss_u_Nm=0.002
    )
    more = reduce_run(made.run, made.calibration, setup, air, "none")
    ratio = setup.engine_teeth / setup.brake_teeth
    w = plain.bins.speed_rpm * np.pi / 30 * ratio
    added = (0.01 + 1e-5 * w + 1e-8 * w**2) * ratio / setup.drive_efficiency
    given = np.isfinite(plain.bins.torque_Nm)
    got = (more.bins.torque_Nm - plain.bins.torque_Nm)[given]
    np.testing.assert_allclose(got, added[given], rtol=0.01)
    assert plain.budget["shaft loss"] == 0
    top = int(np.nanargmax(more.bins.power_W))
    expected = 0.002 * ratio / setup.drive_efficiency / more.bins.torque_Nm[top]
    assert more.budget["shaft loss"] == pytest.approx(expected, rel=1e-6)
    assert any("evenfall drag" in note for note in plain.notes)
    assert not any("evenfall drag" in note for note in more.notes)


def test_what_coasts_not_is_refused():
    made = make_run(ENGINES[1], seed=3)
    with pytest.raises(DamageError, match="does not fall freely"):
        coast_down(replace(made.run, edge_time_s=np.arange(200) * 0.01), CALIBRATION, Setup(), 5e-4, 1e-5)
    with pytest.raises(InputError, match="inertia"):
        coast_down(made.run, CALIBRATION, Setup(), 0.0, 0.0)


def test_with_loss_keeps_the_rest_of_the_set_up():
    found = coast_down(coasting(18.0, 0.1, 420.0, lambda w: 0 * w), CALIBRATION, Setup(), 6e-4, 6e-6)
    setup = with_loss(Setup(engine_teeth=9, inertia_kg_m2=0.002), found)
    assert setup.engine_teeth == 9 and setup.inertia_kg_m2 == 0.002
    assert setup.shaft_loss_Nm == pytest.approx(6e-4 * 18.0, rel=0.05) and setup.shaft_loss_u_Nm > 0


def test_a_hose_that_pushes_under_load_is_found_and_widens_the_interval():
    mass = np.array([0.0, 3.0, 6.0, 3.0, 0.0])
    off = ZERO + SPAN * 9.80665 * mass
    pushed = hose_push(CALIBRATION, mass, off, off + SPAN * np.array([0.0, 0.3, 0.6, 0.3, 0.0]))
    np.testing.assert_allclose(pushed.push_N, [0.0, 0.3, 0.6, 0.3, 0.0], atol=1e-9)
    assert pushed.u_N >= 0.6 / 3**0.5
    quiet = hose_push(CALIBRATION, mass, off, off + 40.0)
    assert quiet.u_N < 0.001
    loud = hose_push(replace(CALIBRATION, max_load_N=59.0), mass, off, off + SPAN * 0.5)
    assert any("lead the hoses" in note for note in loud.notes)
    with pytest.raises(InputError):
        hose_push(CALIBRATION, mass, off, off[:-1])
    made = make_run(ENGINES[1], seed=3)
    air = Air(98_000.0, 293.15, 0.5)
    for u, said in ((None, True), (0.3, False)):
        r = reduce_run(made.run, replace(made.calibration, hose_u_N=u), made.setup, air, "none")
        assert any("calibrate hose" in note for note in r.notes) is said
        assert (r.budget["hose"] > 0) is not said


@pytest.mark.internal(
    "GUM 4.3.7: a stated limit is a rectangular distribution, its standard uncertainty limit / sqrt(3)"
)
def test_a_cell_warmer_than_at_its_calibration_is_less_sure():
    stated = replace(CALIBRATION, span_tc_per_K=2e-4, temperature_K=290.0)
    assert span_temperature_u(stated, Air(1e5, 310.0, 0.5)) == pytest.approx(
        2e-4 / 3**0.5 * np.hypot(20.0, 5.0)
    )
    assert span_temperature_u(stated, Air(1e5, 290.0, 0.5)) < span_temperature_u(stated, Air(1e5, 300.0, 0.5))
    assert span_temperature_u(CALIBRATION, Air(1e5, 290.0, 0.5)) > 0  # nobody stated it: a prior


def test_a_run_says_where_its_air_was_read_and_what_a_warm_sensor_does():
    made = make_run(ENGINES[1], seed=3)
    air = Air(98_000.0, 293.15, 0.5, where="at the intake, in the shade")
    notes = reduce_run(made.run, made.calibration, made.setup, air, "iso1585").notes
    (said,) = [n for n in notes if n.startswith("Air read")]
    more = correction(replace(air, temperature_K=296.15), "iso1585").factor
    more /= correction(air, "iso1585").factor
    assert "at the intake, in the shade" in said and f"{(more - 1) * 100:.1f} %" in said
    notes = reduce_run(made.run, made.calibration, made.setup, air, "none").notes
    assert not [n for n in notes if n.startswith("Air read")]
