"""Thousands of stored runs through the host: decoded, reduced, kept.  By processor time of one core."""

from __future__ import annotations

import cProfile
import os
import pstats
import time
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.model import Air, Calibration, Setup
from evenfall.reduction.reduce import reduce_run
from evenfall.workflow.reduce_many import BATCH as BATCH_KEPT
from evenfall.workflow.reduce_many import cores, reduce_many
from evenfall.workflow.reduce_service import reduce_stored
from evenfall_bench import scenario as scenarios
from evenfall_bench.session import Session
from evenfall_wire import messages, settings
from littlefs import LittleFS, UserContext

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


def numbered(data: bytes, run_id: int) -> bytes:
    """The same run under another number: the header's frame made anew."""
    first, rest = data.split(b"\x00", 1)
    frame = run_file.open_frame(first)
    assert frame and frame.kind == run_file.TYPE_OF["run_header"]
    head, _ = messages.unpack("run_header", frame.payload)
    names = [f[0] for f in messages.BY_NAME["run_header"][2]]
    values = [run_id if n == "run_id" else v for n, v in zip(names, head, strict=True)]
    return run_file.frame_bytes("run_header", 0, values) + rest


def test_runs_decoded_reduced_and_stored(tmp_path):
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
            if first + BATCH >= RUNS:
                profile.enable()
            with archive.change():
                for number in runs[first : first + BATCH]:
                    at = time.process_time()
                    one = archive.run(number)
                    at = spent("read and decode", at)
                    result = reduce_stored(archive, number, run=one)
                    spent("reduce and keep", at)
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
