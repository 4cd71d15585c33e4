"""The demonstration, as a program: the board's real firmware on the simulated bench."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.workflow import demo
from evenfall_bench import scenario

EVENFALL = Path(sys.executable).with_name("evenfall")


def start(*args):
    env = {k: v for k, v in os.environ.items() if not k.startswith("EVENFALL")}
    return subprocess.run([EVENFALL, "demo", *args], capture_output=True, text=True, timeout=300, env=env)


@pytest.mark.slow
def test_one_run_from_the_button_to_the_plot(tmp_path):
    done = start("--folder", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert "verified, archived and acknowledged" in done.stderr
    assert "Invented data" in done.stderr
    for rpm in range(5250, 11000, 250):
        assert f"{rpm:,}" in done.stdout
    peak = re.search(r"Peak power: ([\d.]+) ± [\d.]+ hp at ([\d,]+) rpm", done.stdout)
    assert peak
    sweep = re.search(r"Sweep ([\d.]+) s", done.stdout)
    assert sweep and abs(float(sweep[1]) - 10) < 0.5
    plot = re.search(r"Plot: (.*\.png)", done.stdout)
    assert plot and Path(plot[1]).read_bytes().startswith(b"\x89PNG")
    with Archive(tmp_path) as archive:
        (row,) = archive.find(Query())
        assert row["engine"] == demo.ENGINE
        assert row["acknowledged_unix_s"]
        assert archive.check() == []
        # the bench's own engine: 45 cc, its map peaks near this power in standard air
        bench_map = scenario.engines()[demo.ENGINE]["torque_map"]
        best_W = max(rpm * torque for rpm, torque in bench_map) * 2 * 3.14159265 / 60
        assert row["peak_power_W"] == pytest.approx(best_W, rel=0.06)


def test_the_crews_set_up_is_the_bench_they_have():
    bench = scenario.load(demo.SCENARIO)
    assert bench["engine"]["use"] == demo.ENGINE
    drive = bench["drive"]
    assert (demo.SETUP.engine_teeth, demo.SETUP.brake_teeth) == (drive["engine_teeth"], drive["brake_teeth"])
    ratio = drive["engine_teeth"] / drive["brake_teeth"]
    true = bench["engine"]["inertia_kg_m2"] + bench["brake"]["inertia_kg_m2"] * ratio**2
    assert abs(demo.SETUP.inertia_kg_m2 - true) <= 2 * demo.SETUP.inertia_u_kg_m2


def test_a_scenario_that_is_not_there_is_one_sentence():
    done = start("--scenario", "/nonexistent.toml")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "the simulated bench stopped" in done.stderr.splitlines()[-1]
    assert "nonexistent" in done.stderr.splitlines()[-1]
