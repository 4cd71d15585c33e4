"""Random benches over every model: each can do the sweep, and the real firmware is tried on a few."""

from __future__ import annotations

import math
import os
import statistics
from pathlib import Path

import numpy as np
import psychrolib
import pytest
from click.testing import CliRunner
from evenfall.model import Air
from evenfall.reduction import air as host_air
from evenfall_bench import air_standards
from evenfall_bench.cli import main
from evenfall_bench.families import draw, family_bench
from evenfall_bench.family_study import faults, run_family, summary
from evenfall_bench.host_runner import fitted_time_s
from evenfall_bench.lower_bound import linear
from evenfall_bench.models import MODELS, Streams, part
from evenfall_bench.models.common import interpolate
from evenfall_bench.physics import Bench
from evenfall_bench.scenario import complete

MANY = int(os.environ.get("EVENFALL_FAMILY_BENCHES", "200"))


def test_a_family_takes_every_model_and_the_whole_range() -> None:
    made = [complete(family_bench(seed)) for seed in range(150)]
    for table, models in MODELS.items():
        seen = {s[table]["model"] for s in made}
        # what the plain family has is not drawn where the other model contains it
        assert seen >= set(models) - {"map", "affinity", "housing"}, table
    delays = [s["valve"]["hose_delay_s"] for s in made]
    lags = [s["brake"]["fill_lag_s"] + s["brake"]["fill_lag_turns"] * 0.01 for s in made]
    assert max(delays) > 0.13 and max(delays) <= 0.15
    assert max(lags) > 0.085 and max(lags) <= 0.1001
    powers = [max(t * n * math.pi / 30 for n, t in s["engine"]["torque_map"]) / 745.7 for s in made]
    assert min(powers) < 2.0 and max(powers) > 30.0
    for key in ("arm_error", "span_error", "inertia_error"):
        assert statistics.pstdev(s["told"][key] for s in made) > 0.0005


def test_same_seed_same_bench() -> None:
    assert family_bench(5) == family_bench(5)
    assert family_bench(5)["engine"]["torque_map"] == draw(5)["engine"]["torque_map"]


def test_each_bench_could_do_the_sweep() -> None:
    """Brake not over-full, water not boiling, the valve neither too small nor leaking the sweep away."""
    for seed in range(60):
        s = complete(family_bench(seed))
        valve, supply = s["valve"], s["supply"]
        end = s["engine"]["torque_map"][-1][0]
        made, curve = Bench(s, 1), conductances(s)
        for rpm in (5000.0, 0.5 * (5000.0 + 0.9 * end), 0.9 * end):
            b = linear(s, rpm)
            assert b["fill"] < 0.97, (seed, rpm)
            bar = supply["cut_in_bar"] if supply["model"] == "pressure switch" else supply["pressure_bar"]
            bar -= s["brake"]["back_pressure_bar"] + supply["line_loss_bar"]
            full = valve["full_flow_l_min"] / 60e3 * math.sqrt(bar / 3.0)
            assert valve["leak"] * full < 0.6 * b["flow"] < 0.6 * full, (seed, rpm)
            # what servo and stem cannot resolve, at this speed
            servo = s["servo"]
            coarse_us = servo["deadband_us"] + servo["backlash_us"] + valve["stick_us"]
            opening = np.interp(b["flow"] / full, curve, np.linspace(0.0, 1.0, 201))
            assert b["slope"] * coarse_us / (1000.0 * opening) < 0.3, (seed, rpm)
            # heat balance P = rho c q dT (common practice, no source)
            watts = made.map_torque_Nm(rpm) * rpm * math.pi / 30
            assert s["water"]["temperature_C"] + watts / (998.2 * 4182.0 * b["flow"]) < 95.0, (seed, rpm)


def conductances(s: dict) -> list[float]:
    """Of the valve over its opening, as shares of the full one."""
    made = part("valve", s, Streams(1))
    return [made.leak + (1.0 - made.leak) * share for share in made.curve[:-1]]


@pytest.mark.outside("numpy.interp: piecewise linear interpolation")
def test_interpolation_between_many_points_is_numpys() -> None:
    """Between the points, on them, before the first; past the last on the last line."""
    rng = np.random.default_rng(2)
    x, y = np.cumsum(rng.uniform(0.1, 2.0, 40)), rng.normal(size=40)
    points = np.column_stack([x, y]).tolist()
    for at in [*rng.uniform(x[0] - 3.0, x[-1], 200), *x]:
        assert interpolate(points, float(at)) == pytest.approx(np.interp(at, x, y), rel=1e-12, abs=1e-12)
    slope = (y[-1] - y[-2]) / (x[-1] - x[-2])
    assert interpolate(points, float(x[-1]) + 5.0) == pytest.approx(y[-1] + 5.0 * slope)


def test_standards_as_published_agree_with_the_hosts() -> None:
    # two tables written apart from the same secondary texts; air by psychrolib (ASHRAE)
    psychrolib.SetUnitSystem(psychrolib.SI)
    for name, standard in air_standards.STANDARDS.items():
        for pascal, celsius, humidity in ((97200.0, 18.0, 0.55), (90000.0, 33.0, 0.9), (102000.0, 5.0, 0.2)):
            mine = air_standards.factor(standard, pascal, 273.15 + celsius, humidity)
            vapour = humidity * psychrolib.GetSatVapPres(celsius)
            pressure = pascal - (vapour if standard.dry else 0.0)
            d = (standard.reference_Pa / pressure) ** standard.m
            d *= ((celsius + 273.15) / standard.reference_K) ** standard.n
            assert mine == pytest.approx(d + standard.friction * (d - 1.0), rel=3e-4)
            if name not in {s.title for s in host_air.STANDARDS.values()}:
                continue
            host = host_air.correction(Air(pascal, 273.15 + celsius, humidity), name)
            assert host.factor == pytest.approx(mine, rel=5e-4)


def test_a_standard_like_the_bench_differs_by_nothing() -> None:
    bench = Bench.build({"weather": {"pressure_Pa": 91000.0, "temperature_C": 30.0, "humidity": 0.7}}, 1)
    apart = air_standards.differences_percent(bench.engine_state())
    assert apart["SAE J607"] == pytest.approx(0.0, abs=1e-9)
    assert abs(apart["ISO 1585"]) > 0.5


def test_fitted_time_is_that_of_the_line() -> None:
    line = [(0.01 * i, 10000.0 - 500.0 * 0.01 * i + (30.0 if i % 2 else -30.0)) for i in range(1001)]
    assert fitted_time_s(line, 10000.0, 5000.0) == pytest.approx(10.0, rel=1e-3)
    assert fitted_time_s(line[:2], 10000.0, 5000.0) is None
    assert fitted_time_s([(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)], 10000.0, 5000.0) is None


def test_the_command_runs_a_bench_and_prints_the_table(tmp_path: Path) -> None:
    out = tmp_path / "rows.json"
    words = ["families", "--benches", "1", "--first", "13", "--runs", "1", "--json", str(out)]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    assert "bound" in done.output and "first runs, fitted line: within 0.3 s" in done.output
    assert out.stat().st_size > 500


def test_the_table_counts_what_it_says() -> None:
    run = {
        "verdict": "good", "reason": None, "flags": None, "recorded": True, "fitted_s": 10.05,
        "first_passing_s": 10.4, "rms_percent": 0.6, "torque_rms_percent": 0.1, "corrected_rms_percent": 0.4,
        "air": {"all_percent": {"X": 1.0}}, "bins": 20, "bins_covered": 19,
    }  # fmt: skip
    lost = {**run, **dict.fromkeys(("rms_percent", "fitted_s", "first_passing_s", "air")), "bins": 0}
    lost.update(flags="load_lost", bins_covered=0)
    nature = {"power_hp": 3.0, "dead_ms": 10, "lag_ms": 0, "models": "x", "lower_bound_percent": 0.3}
    rows = [{"seed": 1, "runs": [run] * 3, **nature}, {"seed": 2, "runs": [lost] * 3, **nature}]
    assert faults(rows[0]) == [] and len(faults(rows[1])) == 3
    text = "\n".join(summary(rows))
    assert "without a false fault or a lost sweep: 1 of 2" in text
    assert "from the third on, fitted line: within 0.1 s 1 of 2" in text
    assert "from the third on, first passing: within 0.1 s 0 of 2" in text
    assert "times the lower bound: median 2.00" in text and "95.0 % of 60" in text


@pytest.mark.study
@pytest.mark.parametrize("family", ["all", "plain"])
def test_hundreds_of_benches(family: str) -> None:
    """Printed by `make bench`; EVENFALL_FAMILY_BENCHES sets another number."""
    rows = run_family(family, list(range(1, MANY + 1)), jobs=2, say=print)
    print("\n".join(["", f"family {family}", *summary(rows)]))
    assert len(rows) == MANY and not any(r.get("error") for r in rows)
