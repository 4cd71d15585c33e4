"""Long days at the bench: pull after pull, weather that drifts, a small flash, a host that comes and goes.

Asked each time: is every pull of the day on the host's disk, bit for bit as the board stored it; does the
board's free memory stay where it was; did any clock that wraps do harm.
"""

from __future__ import annotations

import itertools
import os
import time
from binascii import crc32
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np
import pytest
from evenfall.board import link, run_file
from evenfall.errors import BoardError, LinkError
from evenfall_bench import scenario as scenarios
from evenfall_bench.session import Session
from line_rig import LiveBench, runs_on_flash

LONGEST_AWAY = 30  # sweeps without a visit: more than fit, most of them in small records
WRAP_MS = 1 << 30  # ticks_ms of MicroPython; ticks_us and our 0.25 us tick wrap at the same moment


def day(rest_s: float, **more) -> dict:
    """The trail crew's bench with drifting weather and a flash that holds about a dozen whole runs."""
    partial = {
        "bench": {"truth_s": 0.1, **more.pop("bench", {})},
        "operator": {"rest_s": rest_s, "give_up_s": 20.0},
        "weather": {"sensor": True, "pressure_drift_Pa_s": -0.01, "temperature_drift_K_s": 1e-4},
        "flash": {"blocks": 256, "filler_kib": int(os.environ.get("FK", "200"))},
        "link": {"bytes_per_s": 400_000.0, "flip_chance": 1e-6},
        **more,
    }
    return scenarios.complete(partial)


@dataclass
class Log:
    """What a day came to."""

    runs: dict[int, int] = field(default_factory=dict)  # run number -> CRC-32 of the copy on disk
    verdicts: dict[str, int] = field(default_factory=dict)
    heap: list[tuple[float, int, int]] = field(default_factory=list)  # time s, bytes free, after a collection
    flash_free: list[int] = field(default_factory=list)  # KiB at visits
    waiting: list[int] = field(default_factory=list)  # runs nobody had fetched, at visits
    gaps_in_runs: int = 0  # load overruns that the runs themselves tell of
    visits: int = 0
    unplugged: int = 0
    full: int = 0  # visits that found the flash full of runs nobody had fetched
    damage: list[str] = field(default_factory=list)
    status: dict = field(default_factory=dict)


def visit(bench: LiveBench, folder: Path, log: Log, rng: Random) -> None:
    """The host comes, fetches what is new, keeps it on disk, acknowledges, goes."""
    bench.session.board.paced = True
    try:
        with link.Link(bench.url) as line:
            log.visits += 1
            status = line.status()
            log.status = status
            counters = line.board_counters()
            log.status |= counters
            log.heap.append((bench.session.board.time_s, status["heap_free"], counters["heap_after_store"]))
            log.flash_free.append(status["flash_free"])
            log.waiting.append(status["runs_unacked"])
            log.full += status["fault"] == "flash_full"
            for entry in line.runs():
                if "acknowledged" in entry.flags:
                    continue
                part = folder / f"{entry.run_id}.part"
                if rng.random() < 0.1:
                    log.unplugged += 1
                    bench.do(lambda s: s.board.fault("unplug", for_s=0.3))
                ((_, data),) = line.read_runs_through([(entry, part)], patience_s=40)
                part.unlink(missing_ok=True)
                path = folder / f"{entry.run_id}.run"
                with path.open("wb") as f:
                    f.write(data)
                    f.flush()
                    os.fsync(f.fileno())
                copy = path.read_bytes()
                assert log.runs.setdefault(entry.run_id, crc32(copy)) == crc32(copy)
                run = run_file.decode_run(copy)
                log.gaps_in_runs += run.verdict["load_overruns"] if run.verdict else 0
                log.damage += [f"run {entry.run_id}: {d}" for d in run.damage]
                log.verdicts[entry.verdict] = log.verdicts.get(entry.verdict, 0) + 1
                on_flash = runs_on_flash(bench.image)[entry.run_id][0]
                assert copy == on_flash
                line.acknowledge(entry.run_id, copy)
                path.unlink()
    except (LinkError, BoardError):
        pass  # the board is in a pull, or was unplugged while greeting: the host comes again
    finally:
        bench.session.board.paced = False


def live_through(scenario: dict, hours: float, folder: Path, seed: int) -> tuple[Log, LiveBench]:
    """Pulls for `hours` simulated hours; the host comes after every few of them."""
    rng = Random(seed)
    log = Log()
    sweeps = 10**6
    away = itertools.cycle([1, 1, LONGEST_AWAY, 2, 3, 4])  # sweeps until the host comes again
    with LiveBench(scenario, folder, runs=sweeps, seed=seed) as bench:
        board = bench.session.board
        board.paced = False
        bench.at_each_slice(lambda s: s.bench.truth.clear())
        next_visit = rng.randrange(1, 4)
        while board.time_s < hours * 3600:
            person = bench.session.operator
            if len(person.closed_s) >= next_visit and board.time_s > person.closed_s[-1] + 8.0:
                visit(bench, folder, log, rng)
                next_visit = len(person.closed_s) + next(away)
            time.sleep(0.005)
            assert bench.error is None
        bench.session.operator.runs = 0  # the last pull of the day
        end = board.time_s + 90
        while board.time_s < end:
            time.sleep(0.005)
        for _ in range(5):
            visit(bench, folder, log, rng)
        assert "Traceback" not in bench.console
        assert not bench.happened("watchdog") and board.boots == 1
    return log, bench


def check(log: Log, bench: LiveBench) -> None:
    """Every run number from the first to the last is here; memory is where it was."""
    opened = len(bench.session.operator.opened_s)
    assert log.status["runs_unacked"] == 0
    assert sorted(log.runs) == list(range(1, log.status["last_run_id"] + 1))
    assert log.damage == []
    # flash stalls the chip and costs samples, but nothing is written while a run is recorded
    assert log.gaps_in_runs == log.status["load_gaps_in_run"] == 0
    # a pull that found the flash full is refused before it begins; all others are there
    assert len(log.runs) >= opened - LONGEST_AWAY * log.full - 1


def test_a_short_day(tmp_path):
    """Eight sweeps on a flash for fewer, with a host that comes and goes."""
    log, bench = live_through(day(rest_s=13.0), 0.08, tmp_path, seed=3)
    check(log, bench)
    assert len(log.runs) >= 7


def recorded_with(clock_start_ms: float, folder: Path) -> run_file.Run:
    """One pull by the usual person on a board whose clock starts at `clock_start_ms`."""
    folder.mkdir()
    image = folder / "flash.img"
    scenario = scenarios.complete({"bench": {"clock_start_ms": clock_start_ms}})
    with Session(scenario, seed=5, runs=1, image=image) as session:
        session.run_script()
        session.run_for(8.0)
    ((data, ending),) = runs_on_flash(image).values()
    assert ending == "run"
    return run_file.decode_run(data)


def test_all_clocks_wrap_in_the_middle_of_a_pull(tmp_path):
    """ticks_ms, ticks_us and the 0.25 us tick pass their wrap together 11 s after power-on: the same pull."""
    plain = recorded_with(0.0, tmp_path / "plain")
    wrapped = recorded_with(WRAP_MS - 11_000.0, tmp_path / "wrapped")
    assert not plain.damage and not wrapped.damage
    assert plain.verdict and wrapped.verdict
    for run in (plain, wrapped):
        assert (np.diff(run.load_time_s) > 0).all() and (np.diff(run.edge_time_s) > 0).all()
        assert run.verdict["verdict"] in ("good", "fair", "poor")
    assert wrapped.load_time_s[-1] - wrapped.load_time_s[0] > 12  # the wrap lies inside
    assert len(wrapped.load_count) == pytest.approx(len(plain.load_count), abs=3)
    sweep = [r.verdict["sweep_end_tick"] - r.verdict["sweep_start_tick"] for r in (plain, wrapped)]
    assert sweep[1] == pytest.approx(sweep[0], abs=0.03)
    assert wrapped.verdict["verdict"] == plain.verdict["verdict"]


@pytest.mark.study
def test_study_of_a_long_day(tmp_path):
    """EVENFALL_SOAK_H simulated hours, else 24; ticks_ms wraps after half an hour, ticks_us 80 times."""
    hours = float(os.environ.get("EVENFALL_SOAK_H", "24"))
    start_ms = float(WRAP_MS - 1_800_000)
    scenario = day(rest_s=45.0, bench={"clock_start_ms": start_ms, "idle_pass_us": 20_000.0})
    began = time.monotonic()
    log, bench = live_through(scenario, hours, tmp_path, seed=4)
    board = bench.session.board
    heap = np.array(log.heap)
    first, last = heap[: len(heap) // 4], heap[-(len(heap) // 4) :]
    full_list = heap[len(heap) // 4 :]  # by then the list holds as many runs as the flash
    clean, _ = np.polyfit(full_list[:, 0] / 3600, full_list[:, 2], 1)
    counters = {k: v for k, v in log.status.items() if k.startswith(("load_", "edge_", "frames_"))}
    print(
        f"\n{board.time_s / 3600:.1f} simulated hours in {(time.monotonic() - began) / 60:.0f} min: "
        f"{len(bench.session.operator.opened_s)} sweeps, {len(log.runs)} runs fetched in {log.visits} visits,"
        f" {log.unplugged} unpluggings\n"
        f"  flash: {log.full} visits found it full, {min(log.flash_free)} KiB free at least, "
        f"up to {max(log.waiting)} runs waiting\n"
        f"  verdicts {log.verdicts}; damaged runs {len(log.damage)}; load gaps in runs {log.gaps_in_runs}\n"
        f"  free memory after a collection, bytes: first quarter {first[:, 2].min():,.0f} to "
        f"{first[:, 2].max():,.0f}, last {last[:, 2].min():,.0f} to {last[:, 2].max():,.0f}, "
        f"trend of the last three {clean:+.0f} an hour\n"
        f"  free memory as it was at visits (with garbage): first quarter {first[:, 1].min():,.0f} to "
        f"{first[:, 1].max():,.0f}, last {last[:, 1].min():,.0f} to {last[:, 1].max():,.0f}\n"
        f"  counters of the board: {counters}"
    )
    check(log, bench)
    assert log.full > 0 and min(log.flash_free) < 100
    # flat: what a day takes away is less than the list of runs on a full flash (200 bytes each)
    assert first[:, 2].min() - last[:, 2].min() < 8 * 200
