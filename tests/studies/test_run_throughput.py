"""Thousands of stored runs through the host: decoded, reduced, kept.  By processor time of one core."""

from __future__ import annotations

import cProfile
import os
import pickle
import pstats
import statistics
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.model import Air, Calibration, Setup
from evenfall.reduction.reduce import reduce_run
from evenfall.workflow.reduce_many import BATCH as BATCH_KEPT
from evenfall.workflow.reduce_many import WORKERS_ENVIRONMENT, cores, reduce_many
from evenfall.workflow.reduce_service import reduce_kept, reduce_stored
from evenfall_bench import scenario as scenarios
from evenfall_bench.session import Session
from evenfall_wire import settings
from littlefs import LittleFS, UserContext
from time_stored_runs import numbered

pytestmark = pytest.mark.study
RUNS = int(os.environ.get("EVENFALL_STUDY_RUNS", "5000"))
BLOCK = 4096
BATCH = 100  # runs per transaction


def one_run(folder: Path) -> bytes:
    """The run file of one run, made by the firmware on the bench."""
    image = folder / "flash.img"
    with Session(scenarios.complete({}), seed=11, runs=1, image=image) as session:
        session.run_script()
        session.run_for(8.0)
    data = bytearray(image.read_bytes())
    context = UserContext(buffsize=len(data))
    context.buffer = data
    flash = LittleFS(context, block_size=BLOCK, block_count=len(data) // BLOCK, mount=False)
    flash.mount()
    (name,) = flash.listdir("/runs")
    with flash.open(f"/runs/{name}", "rb") as f:
        return f.read()


def time_alone(checkout: Path, file: Path, many: int) -> list[float]:
    """ms a run: all, read and decode, reduce, keep; in a process with the environment of `runs reduce`'s."""
    program = Path(__file__).with_name("time_stored_runs.py")
    done = subprocess.run(
        [sys.executable, program, checkout, file, str(many)],
        env={**os.environ, **WORKERS_ENVIRONMENT},
        capture_output=True,
        text=True,
        check=True,
    )
    return [float(v) for v in done.stdout.split()]


def test_time_of_a_run_beside_another_version(tmp_path):
    """Both take turns, as a shared machine is never the same twice; EVENFALL_STUDY_BEFORE: its checkout."""
    file = tmp_path / "run.bin"
    file.write_bytes(one_run(tmp_path))
    here = Path(__file__).parents[2]
    before = Path(os.environ.get("EVENFALL_STUDY_BEFORE", here))
    many = min(RUNS, 200)
    rows = [[time_alone(version, file, many) for version in (before, here)] for _ in range(5)]
    print(f"\n{'ms a run':24} {'all':>7} {'decode':>7} {'reduce':>7} {'keep':>7}")
    for i, name in enumerate((str(before) if before != here else "this version", "this version")):
        middle = [statistics.median(column) for column in zip(*(row[i] for row in rows), strict=True)]
        print(f"{name[-24:]:24} " + " ".join(f"{v:7.2f}" for v in middle))
    ratios = sorted(now[0] / then[0] for then, now in rows)
    print("this version / the other, five turns: " + " ".join(f"{r:.2f}" for r in ratios))
    assert ratios[2] < 1.15


def test_figures_beside_another_version(tmp_path):
    """Every figure of some 200 made runs, odd ones too, to 1e-9; what is said, word for word."""
    before = os.environ.get("EVENFALL_STUDY_BEFORE")
    if not before:
        pytest.skip("EVENFALL_STUDY_BEFORE: the checkout to compare with")
    program = Path(__file__).with_name("figures_of_made_runs.py")
    both = []
    for i, version in enumerate((before, Path(__file__).parents[2])):
        subprocess.run([sys.executable, program, version, tmp_path / str(i)], check=True)
        both.append(pickle.loads((tmp_path / str(i)).read_bytes()))
    worst: dict[str, tuple[float, str]] = {}
    for (case, then), (_, now) in zip(*both, strict=True):
        assert list(then) == list(now), case
        for name, value in then.items():
            if isinstance(value, str):
                assert value == now[name], (case, name)
                continue
            np.testing.assert_array_equal(np.isnan(value), np.isnan(now[name]), f"{case}: {name}")
            off = np.abs(now[name] - value) / np.maximum(np.abs(value), 1e-300)
            worst[name] = max(worst.get(name, (0.0, "")), (float(np.nanmax(off, initial=0.0)), case))
    print(f"\n{len(both[0])} runs; the largest relative differences:")
    for name, (off, case) in sorted(worst.items(), key=lambda item: -item[1][0])[:6]:
        print(f"  {off:.1e}  {name:24} {case}")
    assert max(off for off, _ in worst.values()) < 1e-9


def test_runs_decoded_reduced_and_stored(tmp_path):
    # longer than 60 lines: clocks stand between its steps
    data = one_run(tmp_path)
    run = run_file.decode_run(data)
    assert not run.damage and run.verdict
    span = run.settings["span"] / 1000.0
    calibration = Calibration(zero_count=run.zeros[0][1], span_count_per_N=span, span_u_rel=0.001, arm_m=0.25)
    setup = Setup(inertia_kg_m2=0.0025, inertia_u_kg_m2=5e-5)
    air = Air(98_000.0, 293.15, 0.5)
    parts = dict.fromkeys(("keep the raw run", "read and decode", "reduce and keep", "(reduce alone)"), 0.0)

    def spent(what: str, since: float) -> float:
        now = time.process_time()
        parts[what] += now - since
        return now

    profile = cProfile.Profile()
    with Archive(tmp_path / "archive") as archive:
        filed = {
            "calibration_id": archive.add_record(calibration),
            "setup_id": archive.add_record(setup),
            "air_id": archive.add_record(air),
        }
        runs = []
        at = time.process_time()
        for first in range(1, RUNS + 1, BATCH):
            with archive.change():
                for number in range(first, min(first + BATCH, RUNS + 1)):
                    runs.append(archive.store_run(numbered(data, number), **filed))
        spent("keep the raw run", at)
        for first in range(0, RUNS, BATCH):
            with archive.change():
                for number in runs[first : first + BATCH]:
                    at = time.process_time()
                    one = archive.run(number)
                    at = spent("read and decode", at)
                    result = reduce_stored(archive, number, run=one)
                    spent("reduce and keep", at)
        profile.enable()
        for number in runs[-BATCH:]:
            reduce_kept(archive, number)
        profile.disable()
        for _ in range(100):
            at = time.process_time()
            reduce_run(one, calibration, setup, air, "iso1585")
            spent("(reduce alone)", at)
        parts["(reduce alone)"] *= RUNS / 100
        began = time.perf_counter()
        kept, first = 0, 0.0
        for batch in reduce_many(archive, runs, cores()):
            kept += len(batch)
            first = first or time.perf_counter() - began  # until then processes were started
        wall = time.perf_counter() - began
        assert kept == RUNS
        assert archive.check() == []
        size = (tmp_path / "archive" / "evenfall.sqlite").stat().st_size
    assert result.peak_power_W.value > 500
    assert len(settings.SETTINGS) == len(run.settings)
    total = parts["read and decode"] + parts["reduce and keep"]
    print(
        f"\n{RUNS:,} stored runs of {len(data):,} bytes ({len(run.load_count)} load samples, "
        f"{len(run.edge_time_s)} edges) decoded, reduced and stored: {total:.1f} s of one core, "
        f"{1000 * total / RUNS:.2f} ms each (goal 10 s for 5,000: 2 ms); archive {size / 1e6:.0f} MB"
    )
    for what, seconds in parts.items():
        print(f"  {what:30} {1000 * seconds / RUNS:7.3f} ms per run, {100 * seconds / total:5.1f} %")
    rate = (RUNS - BATCH_KEPT) / max(wall - first, 1e-9)
    print(
        f"  all by `runs reduce` on {cores()} cores: {wall:.1f} s by the clock, the first {BATCH_KEPT} after "
        f"{first:.1f} s; from there {rate:.0f} a second, {total / RUNS * rate:.2f} times as many as above"
    )
    print(f"  of the last {BATCH}, by own time, under the profiler:")
    stats = pstats.Stats(profile)
    rows = sorted(stats.stats.items(), key=lambda x: -x[1][2])[:12]  # type: ignore[attr-defined]
    for (file, line, name), (_, calls, own, _, _) in rows:
        print(f"    {10 * own:7.3f} ms per run  {calls / 100:7.1f} calls  {Path(file).name}:{line} {name}")
