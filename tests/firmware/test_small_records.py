"""Records that shrink when the flash gets short: the same figures, more runs."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall.model import Air, Run
from evenfall.reduction.reduce import calibration_from_settings, reduce_run, setup_from_settings
from evenfall_wire import codes
from evenfall_wire.settings import BY_NAME

UNPRESSED = {"operator": {"arm_before_s": 0.0, "press_after_s": 0.0}}


def first_run(few: int, more: dict[str, Any] | None = None) -> tuple[Run, int, dict[str, int]]:
    """(the run, its bytes, the board's counters before it) of a board with `small_records` = few."""
    with Rig({"board": {"small_records": few}, **(more or {})}) as rig:
        rig.run(1.0)
        counters = {codes.COUNTERS[n]: value for n, value in rig.ask("get_counters").each}
        while not rig.status()["runs_unacked"]:
            assert rig.now < 60, rig.trouble()
            rig.run(0.5)
        rig.until("rest", 20, step=0.5)
        data = rig.read(1)
    return run_file.decode_run(data), len(data), counters


def reduced(run: Run) -> Any:
    setup = setup_from_settings(run, inertia_kg_m2=0.002)
    return reduce_run(run, calibration_from_settings(run), setup, Air(98_000.0, 295.0, 0.4))


def test_a_small_record_gives_the_same_figures() -> None:
    whole, size, counters = first_run(0)
    assert counters["records_small"] == 0
    fit = counters["runs_fit"]
    small, small_size, counters = first_run(200)
    assert counters["records_small"] == 1 and counters["runs_fit"] > fit
    assert small_size < 0.75 * size
    assert small.complete and small.damage == []
    assert [name for _, name, _ in small.events].count("small_record") == 1
    assert "small_record" not in [name for _, name, _ in whole.events]
    assert small.trace_time_s.size == 0 and whole.trace_time_s.size
    start, end = small.verdict["sweep_start_tick"], small.verdict["sweep_end_tick"]
    for times in (small.load_time_s, small.edge_time_s):
        assert start - 1.51 < times[0] < start - 1.4 and end + 0.9 < times[-1] < end + 1.01
    assert any("Recorded small" in note for note in reduced(small).notes)
    # two boards do not start at the same instant: the same cut of one run is what the figures are compared on
    start, end = whole.verdict["sweep_start_tick"], whole.verdict["sweep_end_tick"]
    loads = (whole.load_time_s >= start - 1.5) & (whole.load_time_s < end + 1.0)
    edges = (whole.edge_time_s >= start - 1.5) & (whole.edge_time_s < end + 1.0)
    none = whole.trace_time_s[:0]
    cut = replace(
        whole,
        load_time_s=whole.load_time_s[loads],
        load_count=whole.load_count[loads],
        edge_time_s=whole.edge_time_s[edges],
        trace_time_s=none,
        trace_set_speed_rpm=none,
        trace_speed_rpm=none,
        trace_valve_us=none,
        trace_flags=whole.trace_flags[:0],
    )
    a, b = reduced(whole), reduced(cut)
    for name, values in vars(a.bins).items():
        np.testing.assert_allclose(vars(b.bins)[name], values, rtol=1e-9, err_msg=name)
    for x, y in ((a.peak_power_W, b.peak_power_W), (a.peak_torque_Nm, b.peak_torque_Nm)):
        np.testing.assert_allclose(list(vars(y).values()), list(vars(x).values()), rtol=1e-9)
    np.testing.assert_allclose(list(b.budget.values()), list(a.budget.values()), rtol=1e-6)


def test_the_setting_is_told_at_once() -> None:
    with Rig(runs=0) as rig:
        rig.run(1.0)
        said = []
        for few in (0, 200):
            assert rig.ask("set_settings", (), [(BY_NAME["small_records"][0], few)]).name == "done"
            counters = {codes.COUNTERS[n]: value for n, value in rig.ask("get_counters").each}
            said.append((counters["records_small"], counters["runs_fit"]))
    assert said[0][0] == 0 and said[1][0] == 1 and said[1][1] > said[0][1]


def test_a_run_without_a_sweep_keeps_its_newest_part() -> None:
    """Nobody pressed: the end of the record is kept, as when a ring is full."""
    run, size, _ = first_run(200, UNPRESSED)
    whole, whole_size, _ = first_run(0, UNPRESSED)
    assert size <= whole_size and run.complete
    assert run.load_time_s[-1] == whole.load_time_s[-1] and run.edge_time_s[-1] == whole.edge_time_s[-1]


def unattended(few: int, blocks: int, seconds: float) -> tuple[list[Any], list[int]]:
    """(the list at `flash_full`, said to fit before each run) of a board that no host visits."""
    promised = []
    with Rig({"board": {"small_records": few}}, runs=200, blocks=blocks) as rig:
        stored = -1
        while rig.now < seconds and rig.status()["fault"] == "none":
            if rig.status()["runs_unacked"] != stored and rig.status()["state"] == "rest":
                stored = rig.status()["runs_unacked"]
                promised.append(dict(rig.ask("get_counters").each)[codes.COUNTERS.index("runs_fit")])
            rig.run(1.0)
        assert rig.status()["fault"] == "flash_full", rig.trouble()
        rows = []
        while len(rows) < rig.status()["runs_unacked"]:
            rows += rig.ask("list_runs", (len(rows),), seconds=30).each
        for row in rows:
            run = run_file.decode_run(rig.read(row[0]))
            assert run.complete and run.damage == [], row
    return rows, promised


def check_unattended(blocks: int, seconds: float) -> tuple[int, int]:
    """How many runs a flash of so many blocks takes with whole records alone, and by the default."""
    whole, _ = unattended(0, blocks, seconds)
    rows, promised = unattended(BY_NAME["small_records"][3], blocks, seconds)
    for stored, fits in enumerate(promised):
        assert fits <= len(rows) - stored, "runs that were said to fit did not"
    return len(whole), len(rows)


def test_more_runs_fit_before_the_flash_is_full() -> None:
    whole, mixed = check_unattended(160, 600.0)
    print(f"a flash of 160 blocks, nobody fetches: {whole} whole runs; {mixed} by the default")
    assert mixed > whole


@pytest.mark.study
def test_study_of_two_hundred_runs_without_a_host() -> None:
    whole, mixed = check_unattended(352, 9000.0)
    print(f"\na flash of 352 blocks, nobody fetches: {whole} whole runs; {mixed} by the default")
    assert mixed > whole
