"""The line under faults: each time an identical run, or one clear sentence and nothing acknowledged."""

import os
import subprocess
import sys
import threading
import time
import tty
from binascii import crc32

import pytest
from evenfall.board import link, run_file
from evenfall.errors import BoardError, DamageError, InputError, LinkError
from faulty_board import Faults, FaultyBoard
from sample_runs import sample_run

RUN = sample_run(9)
SMALL = sample_run(10, seconds=3.0)


@pytest.fixture
def board(tmp_path):
    def start(runs=None, **faults):
        board = FaultyBoard(tmp_path, {9: RUN} if runs is None else runs, Faults(**faults))
        started.append(board)
        return board.__enter__()

    started = []
    yield start
    for one in started:
        one.__exit__()


def fetch(board, tmp_path, run_id=9, **options):
    with link.Link(board.url) as line:
        ((_, data),) = line.read_runs_through([(line.entry(run_id), tmp_path / "part")], **options)
        return data, line.counters


def test_a_clean_line_gives_the_run_and_counts_no_faults(board, tmp_path):
    seen = []
    data, counters = fetch(board(), tmp_path, progress=lambda _, here, total: seen.append((here, total)))
    assert data == RUN
    assert (counters.bad, counters.unknown) == (0, 0)
    assert counters.retransmitted_bytes <= counters.timeouts * len(RUN)  # a loaded computer's
    assert seen[-1] == (len(RUN), len(RUN))


@pytest.mark.parametrize(
    "faults",
    [
        {"flip": 1e-6},
        {"flip": 1e-4},
        {"flip": 3e-4},
        {"drop": 1e-3},
        {"double": 1e-3},
        {"insert": 1e-3},
        {"latency_s": 0.05},
        {"bytes_per_s": 60_000},
        {"alien_frames": True},
    ],
    ids=str,
)
def test_line_faults_cost_time_not_bytes(board, tmp_path, faults):
    source = board({9: SMALL}, seed=3, **faults)
    data, counters = fetch(source, tmp_path)
    assert data == SMALL
    if faults.get("flip", 0) >= 3e-4:
        assert counters.bad > 0
        assert counters.retransmitted_bytes > 0
    if "alien_frames" in faults:
        assert counters.unknown > 0


def test_very_noisy_line_still_ends_in_an_identical_run(board, tmp_path):
    """One flipped bit in a thousand: of 3,000-bit frames one in twenty gets through."""
    tiny = sample_run(11, seconds=0.6)
    data, counters = fetch(board({9: tiny}, seed=5, flip=1e-3), tmp_path, patience_s=60)
    assert data == tiny
    assert counters.bad > 10


@pytest.mark.parametrize("reset", [False, True])
@pytest.mark.parametrize(("after", "times"), [(700, 3), (9_000, 2), (20_000, 1)])
def test_unplugged_and_plugged_in_again_it_goes_on(board, tmp_path, after, times, reset):
    source = board(unplug_after=after, unplug_times=times, bytes_per_s=200_000, reset_on_unplug=reset)
    said = []
    with link.Link(source.url, say=said.append) as line:
        entry = line.entry(9)
        ((_, data),) = line.read_runs_through([(entry, tmp_path / "part")])
        assert data == RUN
        assert line.counters.reconnects >= 1
        # what came before the cable was pulled is not asked for again
        again = len(RUN) * line.counters.timeouts  # a loaded computer's
        assert line.counters.bytes_in < len(RUN) + 4_000 + 600 * line.counters.reconnects + again
    assert any("broke off" in s for s in said)
    assert any("restarted meanwhile" in s for s in said) == reset


def test_a_long_time_without_the_cable_is_said_once(board, tmp_path):
    source = board(unplug_after=9_000, out_s=3.0, bytes_per_s=200_000)
    said = []
    with link.Link(source.url, say=said.append) as line:
        line.read_runs_through([(line.entry(9), tmp_path / "part")])
    assert len([s for s in said if "waiting for the board" in s]) == 1


@pytest.mark.parametrize("lost", [0, 1])
def test_runs_are_fetched_in_one_go_and_a_lost_end_of_one_does_not_mix_them(board, tmp_path, lost):
    runs = {n: sample_run(n, seconds=1.0) for n in (3, 4, 5)}
    # the line must be slow enough for the second request to come while the first is answered
    source = board(runs, minor=1, bytes_per_s=15_000, lose_done=lost)
    with link.Link(source.url) as line:
        wanted = [(entry, tmp_path / f"{entry.run_id}.part") for entry in line.runs()]
        fetched = line.read_runs(wanted)
        assert {entry.run_id: data for entry, data in fetched} == runs
        if not line.counters.timeouts:  # a loaded computer may ask once too often
            assert line.counters.retransmitted_bytes == 0
            assert source.requests.count("read_run") <= 1 + lost
    assert "read_next" in source.requests


def test_an_answer_that_stops_with_two_runs_asked_for_costs_no_run(board, tmp_path):
    """The cable is out while two answers are under way; the frames of the two are not mixed up."""
    runs = {n: sample_run(n, seconds=3.0) for n in (3, 4, 5)}
    source = board(runs, minor=1, bytes_per_s=150_000, unplug_after=9_000, unplug_times=4)
    with link.Link(source.url) as line:
        todo = [(entry, tmp_path / f"{entry.run_id}.part") for entry in line.runs()]
        got = {}
        while todo:
            for entry, data in line.read_runs_through(todo):
                got[entry.run_id] = data
                del todo[0]
        assert got == runs and line.counters.reconnects >= 1


def data_frames(data: bytes) -> list[bytes]:
    """run_data frames that carry `data`."""
    return [
        run_file.frame_bytes("run_data", 5, (at,), [(b,) for b in data[at : at + 361]])
        for at in range(0, len(data), 361)
    ]


def test_a_partial_file_is_taken_up_by_the_next_program(board, tmp_path):
    frames = data_frames(RUN)
    # the first program was killed in the middle of writing frame 50
    (tmp_path / "part").write_bytes(b"".join(frames[:50]) + frames[50][:17])
    data, counters = fetch(board(), tmp_path)
    assert data == RUN
    assert counters.bytes_in < 1.05 * len(RUN[50 * 361 :]) + 500 + counters.timeouts * len(RUN)


def test_a_partial_file_of_another_run_is_noticed_and_started_over(board, tmp_path):
    (tmp_path / "part").write_bytes(b"".join(data_frames(sample_run(8))[:40]))
    data, _ = fetch(board(), tmp_path)
    assert data == RUN


@pytest.mark.parametrize("what", ["a byte", "a zero in a frame", "a delimiter gone", "the header"])
def test_damage_on_the_flash_is_fetched_as_it_is(board, tmp_path, what):
    """A damaged byte, also one that turns into a delimiter or was one, costs no more than itself."""
    broken = bytearray(RUN)
    at = {"a byte": 7000, "a zero in a frame": 7001, "the header": 20}.get(what, RUN.index(0, 7000))
    broken[at] = 0 if what == "a zero in a frame" else broken[at] ^ 0x44 or 1
    assert bytes(broken) != RUN
    for _ in range(3):  # a busy computer may ask once too early, but not each time
        (tmp_path / "part").unlink(missing_ok=True)
        data, counters = fetch(board({9: bytes(broken)}), tmp_path)
        assert data == bytes(broken)
        if not counters.timeouts:
            return
    raise AssertionError("damage on the flash cost a time-out each time")


def test_a_copy_that_does_not_verify_is_an_error_and_not_acknowledged(board, tmp_path):
    source = board()
    with link.Link(source.url) as line:
        entry = line.entry(9)
        wrong = link.RunEntry(9, entry.size, entry.crc32 ^ 1, entry.frames, [], "good", 0)
        with pytest.raises(DamageError, match="not acknowledged, the board keeps it"):
            line.read_run(wrong, tmp_path / "part")
    assert source.acknowledged == {}


def test_the_board_checks_the_copy_it_is_told_of(board):
    source = board()
    with link.Link(source.url) as line:
        with pytest.raises(BoardError, match="copy on the laptop differs"):
            line.acknowledge(9, RUN[:-1])
        line.acknowledge(9, RUN)
    assert source.acknowledged == {9: (len(RUN), crc32(RUN))}


def test_lists_longer_than_a_frame_come_whole(board):
    runs = {n: sample_run(n, seconds=0.1) for n in range(1, 41)}
    with link.Link(board(runs).url) as line:
        assert [e.run_id for e in line.runs()] == list(range(1, 41))
        settings = line.settings()
        assert settings["sweep_time"] == 10000
        assert settings["pin_scl"] == 13


def test_requests(board):
    source = board()
    with link.Link(source.url) as line:
        assert line.status()["state"] == "rest"
        assert line.status()["flags"] == ["load_ok"]
        line.set_settings({"sweep_time": 8000})
        assert line.settings()["sweep_time"] == 8000
        assert line.zero() == 51234
        line.command("arm")
        line.set_clock(5)
        assert line.learned() == {0: 7, 1: -7}
        assert line.self_test()[0] == ("load_cell", "fail", 0)
        with pytest.raises(InputError, match="must lie from 5000 to 20000 ms; 1 does not"):
            line.set_settings({"sweep_time": 1})
        with pytest.raises(InputError, match="did you mean sweep_time"):
            line.set_settings({"sweep_tim": 1})
        with pytest.raises(BoardError, match="keeps this run until"):
            line.delete(9)
    assert source.commands == ["arm"]
    assert source.clock == 5


def test_no_such_port(tmp_path):
    with pytest.raises(LinkError, match=r"there is no port .*nowhere; "):
        link.Link(str(tmp_path / "nowhere")).open()


def test_not_a_url():
    with pytest.raises(LinkError, match="not a port or a URL"):
        link.Link("gopher://x").open()


def test_the_port_belongs_to_one_program_at_a_time(board):
    source = board()
    with link.Link(source.url), pytest.raises(LinkError, match="in use by another program"):
        link.Link(source.url).open()


def test_another_session_on_the_board(board):
    with pytest.raises(BoardError, match="Another program talks to this board"):
        link.Link(board(refuse={"hello": "other_session"}).url).open()


def test_no_answer(board):
    with pytest.raises(LinkError, match=r"no answer from .*: is it the right port"):
        link.Link(board(silent=True).url).open()


def test_a_foreign_device(board):
    with pytest.raises(LinkError, match="is not an evenfall board, or its firmware is not running"):
        link.Link(board(garbage=b"MicroPython v1.28; Type help()\r\n>>> ").url).open()


def test_a_device_that_echoes():
    with pytest.raises(LinkError, match="only sends our own bytes back"):
        link.Link("loop://").open()


@pytest.mark.parametrize(("major", "who"), [(9, "update evenfall"), (0, "update the board's firmware")])
def test_another_protocol_generation(board, major, who):
    with pytest.raises(LinkError, match=rf"speaks protocol {major}\.1, this evenfall speaks 2\.1: {who}"):
        link.Link(board(major=major).url).open()


def test_a_board_that_stays_away_ends_in_a_sentence_and_a_partial_file(board, tmp_path):
    part = tmp_path / "part"
    source = board(
        unplug_when=lambda: part.exists() and part.stat().st_size > 1_000, out_s=20, bytes_per_s=20_000
    )
    with link.Link(source.url) as line:
        entry = line.entry(9)
        with pytest.raises(LinkError, match="there is no port"):
            line.read_runs_through([(entry, part)], patience_s=1.0)
    assert 1_000 < part.stat().st_size < len(RUN)
    assert source.acknowledged == {}


def test_a_program_killed_in_the_middle_leaves_a_partial_the_next_one_uses(board, tmp_path):
    source = board(bytes_per_s=40_000)
    script = (
        "import sys; from pathlib import Path; from evenfall.board import link\n"
        "line = link.Link(sys.argv[1]); line.open()\n"
        "line.read_run(line.entry(9), Path(sys.argv[2]))\n"
    )
    child = subprocess.Popen([sys.executable, "-c", script, source.url, str(tmp_path / "part")])
    until = time.monotonic() + 120
    while not (tmp_path / "part").exists() or (tmp_path / "part").stat().st_size < 4_000:
        assert time.monotonic() < until
        time.sleep(0.01)
    child.kill()
    child.wait()
    source.faults.bytes_per_s = 0
    time.sleep(0.3)
    data, _ = fetch(source, tmp_path)
    assert data == RUN


def test_memory_stays_bounded_when_a_device_sends_no_delimiter(tmp_path):
    master, slave = os.openpty()
    tty.setraw(slave)  # a line that echoes would fill up with what the device hears of itself
    stop = threading.Event()

    def babble():
        while not stop.is_set():
            os.write(master, b"U" * 512)

    thread = threading.Thread(target=babble, daemon=True)
    thread.start()
    line = link.Link(os.ttyname(slave))
    try:
        with pytest.raises(LinkError, match="not an evenfall board"):
            line.open()
        assert len(line._pending) < 1000
    finally:
        stop.set()
        os.read(master, 1)
        os.close(slave)
