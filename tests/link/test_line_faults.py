"""The line at its worst, with the board's real firmware at one end and the host's link at the other.

Each time: the copy is bit for bit what lies on the board's flash, or there is one clear error and the run
still lies on the board, not acknowledged.
"""

from __future__ import annotations

import random
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
import serial
from evenfall.board import link, run_file
from evenfall.errors import BoardError
from evenfall_bench.port import PtyPort
from line_rig import CuttingPort, LiveBench, record_runs, runs_on_flash, with_link


def fetch_all(
    bench: LiveBench, folder: Path, said: list[str] | None = None, **options
) -> tuple[dict, object]:
    """Every run on the board, through replugging; {run: bytes}, and the line's counters."""
    with link.Link(bench.url, say=(said if said is not None else []).append) as line:
        return read_all(line, line.runs(), folder, **options), line.counters


def read_all(line: link.Link, entries: list[link.RunEntry], folder: Path, **options) -> dict[int, bytes]:
    """{run: bytes} of `entries`."""
    out: dict[int, bytes] = {}
    todo = [(entry, folder / f"{entry.run_id}.part") for entry in entries]
    while todo:
        fetched = line.read_runs_through(todo, **options)
        assert [e.run_id for e, _ in fetched] == [e.run_id for e, _ in todo[: len(fetched)]]
        out |= {entry.run_id: data for entry, data in fetched}
        del todo[: len(fetched)]
    return out


def sound(bench: LiveBench) -> None:
    """The board did not trip over anything."""
    assert "Traceback" not in bench.console, bench.console
    assert not bench.happened("watchdog")
    assert not bench.happened("program ended")


def test_a_good_line(recorded, stored, tmp_path):
    with LiveBench(with_link(), tmp_path, recorded) as bench:
        got, counters = fetch_all(bench, tmp_path)
        sound(bench)
    assert got == stored
    # a loaded computer may ask again too early; nothing comes damaged or much more than once
    again = counters.timeouts * max(map(len, stored.values()))
    assert counters.bad == 0 and counters.bytes_in < 1.1 * sum(map(len, stored.values())) + again
    for data in got.values():
        run = run_file.decode_run(data)
        assert not run.damage and run.complete


NOISE = [
    {"flip_chance": 1e-6},
    {"flip_chance": 1e-5},
    {"flip_chance": 1e-4},
    {"drop_chance": 1e-4},
    {"double_chance": 1e-4},
    {"insert_chance": 1e-4},
    {"flip_chance": 3e-5, "drop_chance": 1e-4, "double_chance": 1e-4, "insert_chance": 1e-4},
]
MORE_NOISE = [
    {"flip_chance": 3e-4},
    {"flip_chance": 1e-3},
    {"drop_chance": 2e-3},
    {"double_chance": 2e-3},
    {"insert_chance": 2e-3},
    {"flip_chance": 1e-4, "drop_chance": 5e-4, "double_chance": 5e-4, "insert_chance": 5e-4},
]


def over_noise(noise: dict, recorded: Path, stored: dict, folder: Path) -> str:
    with LiveBench(with_link(**noise), folder, recorded) as bench:
        got, counters = fetch_all(bench, folder, patience_s=60)
        sound(bench)
    assert got == stored
    size = sum(map(len, stored.values()))
    return f"{noise}: identical; {counters.bytes_in / size:.2f} bytes per byte, {counters.sentence()}"


@pytest.mark.parametrize("noise", NOISE, ids=str)
def test_noise_costs_time_not_bytes(noise, recorded, stored, tmp_path):
    over_noise(noise, recorded, stored, tmp_path)


@pytest.mark.study
def test_study_of_a_noisy_line(recorded, stored, tmp_path):
    print("\nnoise on the line, both ways (chances per bit or byte):")
    for number, noise in enumerate(NOISE + MORE_NOISE):
        folder = tmp_path / str(number)
        folder.mkdir()
        print("  " + over_noise(noise, recorded, stored, folder))


RATES = {"115,200 baud": 11_520.0, "12 Mbaud": 1_200_000.0}
MORE_RATES = {"9,600 baud": 960.0, "1 Mbaud": 100_000.0, "4 Mbaud (USB of such boards)": 400_000.0}


@dataclass
class Download:
    """Where the time of a download went, in seconds of the bench."""

    took: float
    ideal: float  # the bytes of the runs at the line's rate
    asking: float  # from the first request to the first byte
    idle: float  # pauses of the line after that
    host_cpu: float  # of one core of this computer, in seconds of its own

    def __str__(self) -> str:
        rest = self.took - self.asking - self.idle - self.ideal
        flowing = 100 * self.ideal / (self.took - self.asking)
        return (
            f"{100 * self.ideal / self.took:5.1f} % ({flowing:.1f} % from the first byte on) of "
            f"{1000 * self.took:.0f} ms; asking {1000 * self.asking:.1f}, line idle "
            f"{1000 * self.idle:.1f}, other bytes and the end {1000 * rest:.1f}"
        )


def over_rate(
    rate: float,
    recorded: Path,
    stored: dict,
    folder: Path,
    latency_ms: float = 0.0,
    realtime: bool = False,
) -> Download:
    """Fetch all runs over a line of `rate` bytes/s.

    Simulated time stands still for nobody: where it runs faster than real time a host that thinks
    for a millisecond is charged several.  With `realtime` it is charged one.
    """
    scenario = with_link(bytes_per_s=rate, latency_ms=latency_ms)
    with LiveBench(scenario, folder, recorded, slice_s=0.001) as bench:
        board = bench.session.board
        board.realtime = realtime
        lane = board._to_host
        given: list[tuple[float, float]] = []  # (bytes put on the line, the line was free since), us
        put = lane.put

        def noted(data: bytes, now_us: int) -> None:
            given.append((now_us, lane._free_at))
            put(data, now_us)

        lane.put = noted  # type: ignore[method-assign]
        with link.Link(bench.url) as line:
            entries = line.runs()
            given.clear()
            began, cpu = board.time_s, time.thread_time()
            got = read_all(line, entries, folder)
            took, cpu = board.time_s - began, time.thread_time() - cpu
        sound(bench)
    assert got == stored
    ideal = sum(map(len, stored.values())) / rate
    idle = sum(max(0.0, now - free) for now, free in given[1:]) / 1e6
    return Download(took, ideal, given[0][0] / 1e6 - began, idle, cpu)


@pytest.mark.parametrize("rate", RATES.values(), ids=list(RATES))
def test_slow_and_fast_lines(rate, recorded, stored, tmp_path):
    over_rate(rate, recorded, stored, tmp_path)


@pytest.mark.parametrize("latency_ms", [30.0, 250.0])
def test_a_late_line(latency_ms, recorded, stored, tmp_path):
    over_rate(100_000.0, recorded, stored, tmp_path, latency_ms)


@pytest.mark.study
def test_study_of_download_time(recorded, stored, tmp_path):
    """Slow lines with the two runs at hand; quick ones with twenty, in real time."""
    many = tmp_path / "many.img"
    record_runs(many, runs=20)
    twenty = {number: data for number, (data, _) in runs_on_flash(many).items()}
    print("\ndownload as a share of the line's rate (goal 95 %):")
    for name, rate in sorted((RATES | MORE_RATES).items(), key=lambda x: x[1]):
        folder = tmp_path / name.replace(" ", "")
        folder.mkdir()
        image, runs = (many, twenty) if rate >= 100_000.0 else (recorded, stored)
        size = sum(map(len, runs.values()))
        done = over_rate(rate, image, runs, folder, realtime=rate >= 100_000.0)
        print(f"  {name:30} {len(runs):2} runs, {size:,} bytes: {done}")
    print(
        f"  the host's own work, apart from waiting: {size / done.host_cpu / 1e6:.1f} MB/s on one core here\n"
        "  asking, once a download: a pass of the board (up to a load sample, 6.5 ms), a USB frame each way\n"
        "  the bench's port holds what its line sends in some 10 ms; one of a chip that holds 256 bytes\n"
        "  (from memory) is idle on the two quickest lines during each load sample: up to half the time"
    )


def unplugged(
    times: int, seed: int, recorded: Path, stored: dict, folder: Path
) -> tuple[int, int, list[str]]:
    """Pull the cable at random bytes of transfers until it was out `times` times.

    Returns (times out, whole fetches, what the host said).
    """
    rng = random.Random(seed)
    said: list[str] = []
    out = fetches = 0
    next_cut = rng.randrange(200, 60_000)

    def look(session) -> None:
        nonlocal out, next_cut
        sent = session.board._to_host.bytes
        if sent >= next_cut and out < times:
            out += 1
            next_cut = sent + rng.randrange(200, 60_000)
            session.board.fault("unplug", for_s=rng.uniform(0.02, 0.2))

    with LiveBench(with_link(bytes_per_s=150_000.0), folder, recorded) as bench:
        bench.at_each_slice(look)
        while out < times:
            fetches += 1
            for part in folder.glob("*.part"):
                part.unlink()
            try:
                got, _ = fetch_all(bench, folder, said, patience_s=30)
            except link.PortGoneError as error:  # out while greeting: a clear sentence, nothing lost
                said.append(str(error))
                continue
            except link.NoAnswerError as error:
                said.append(str(error))
                continue
            assert got == stored
        sound(bench)
        assert bench.session.board.boots == 1
    return out, fetches, said


def test_unplugged_and_plugged_in_again(recorded, stored, tmp_path):
    out, _, said = unplugged(8, 1, recorded, stored, tmp_path)
    assert out == 8
    assert any("broke off" in s for s in said)
    assert all("Traceback" not in s and len(s) < 300 for s in said)


@pytest.mark.study
def test_study_of_unplugging_500_times(recorded, stored, tmp_path):
    out, fetches, said = unplugged(500, 2, recorded, stored, tmp_path)
    print(
        f"\nunplugged at random bytes {out} times in {fetches} fetches of all runs: each copy identical; "
        f"the host said {len(said)} sentences, {len(set(said))} different"
    )


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_lines_cut_short(seed, recorded, stored, tmp_path):
    """The end of a piece is swallowed, again and again: frames cut anywhere."""
    port = CuttingPort(str(tmp_path / "port"), seed, chance=0.15)
    with LiveBench(with_link(bytes_per_s=100_000.0), tmp_path, recorded, port=port) as bench:
        got, counters = fetch_all(bench, tmp_path, patience_s=60)
        sound(bench)
    assert got == stored
    assert port.cuts > 3 and counters.bad > 0


class LosingPort(PtyPort):
    """A pty that swallows all the board says until `lose` pieces are gone."""

    lose = 0

    def write(self, data: bytes) -> bool:
        if data and self.lose:
            self.lose -= 1
            return True
        return super().write(data)


def test_a_command_whose_reply_was_lost_counts_once(recorded, tmp_path):
    """The host asks again with the same number and is told what the first was told: no "busy"."""
    port = LosingPort(str(tmp_path / "port"))
    with LiveBench(with_link(), tmp_path, recorded, port=port) as bench, link.Link(bench.url) as line:
        port.lose = 1
        assert line.command("arm") == 0
        assert line.counters.timeouts >= 1 and port.lose == 0  # a busy computer may ask once more
        assert line.status()["state"] == "ready"
        with pytest.raises(BoardError, match="refused 'arm': The board is armed already"):
            line.command("arm")


@pytest.mark.parametrize("after", [3_000, 20_000])
def test_the_board_resets_in_the_middle(after, recorded, stored, tmp_path):
    said: list[str] = []
    done = []

    def look(session) -> None:
        if not done and session.board._to_host.bytes > after:
            done.append(True)
            session.board.fault("reset")

    with LiveBench(with_link(bytes_per_s=50_000.0), tmp_path, recorded) as bench:
        bench.at_each_slice(look)
        got, _ = fetch_all(bench, tmp_path, said, patience_s=30)
        assert bench.session.board.boots == 2
        sound(bench)
    assert got == stored
    assert {data for data, _ in runs_on_flash(bench.image).values()} == set(stored.values())


def test_a_flood_of_noise_does_not_stand_between_host_and_board(recorded, tmp_path):
    """2 MB written as fast as the port takes them, then a status: USB holds the flood back, not the board.

    Only what the buffers of the line hold comes before the question.
    """
    rng = random.Random(3)
    with LiveBench(with_link(), tmp_path, recorded) as bench, link.Link(bench.url) as line:
        board = bench.session.board
        sent = 0
        end = time.monotonic() + 3.0
        line._port.write_timeout = 0.2
        while time.monotonic() < end and sent < 2_000_000:
            try:
                sent += line._port.write(rng.randbytes(1000))
            except serial.SerialTimeoutException:
                sent += 1000
        line._port.write_timeout = 5.0
        assert board._to_board.waiting + len(board._in_buffer) < 2000
        before = board._to_board.bytes
        assert line.status()["state"] == "rest"
        assert board._to_board.bytes - before < 70_000  # the pty's own buffers (64 KiB), and the question
        assert line.status()["frames_bad"] > 10
        sound(bench)
