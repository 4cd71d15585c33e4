"""Hosts that die, two hosts, boards that are none, requests meant to harm."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import random
import signal
import sqlite3
import struct
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path

import pytest
import serial
from evenfall.archive.archive import Archive
from evenfall.board import link, run_file
from evenfall.errors import BoardError, EvenfallError, LinkError
from evenfall_bench import scenario as scenarios
from evenfall_wire import codes, messages
from line_rig import BLOCK, LiveBench, files_on_flash, runs_on_flash, with_link

PROGRAMS = Path(sys.executable).parent


# --- a host that is killed ---


def in_archive(folder: Path) -> set[bytes]:
    """Raw runs in an archive that is sound, read past the host's own code."""
    if not (folder / "evenfall.sqlite").exists():
        return set()
    with Archive(folder) as archive:
        assert archive.check() == []
    with contextlib.closing(sqlite3.connect(folder / "evenfall.sqlite")) as db:
        return {row[0] for row in db.execute("SELECT raw.bytes FROM raw JOIN runs USING (sha256)")}


def killed_pulls(kills: int, seed: int, recorded: Path, stored: dict[int, bytes], folder: Path) -> dict:
    """SIGKILL `evenfall pull` at random moments, `kills` times; then one more pull fills each archive."""
    rng = random.Random(seed)
    counts = {"killed": 0, "finished before": 0, "runs found acknowledged": 0, "archives": 0}
    while counts["killed"] < kills:
        counts["archives"] += 1
        place = folder / f"board{counts['archives']}"
        place.mkdir()
        archive = place / "archive"
        environment = {**os.environ, "EVENFALL_ARCHIVE": str(archive), "NO_COLOR": "1"}
        with LiveBench(with_link(bytes_per_s=40_000.0), place, recorded) as bench:
            bench.session.board.realtime = True
            command = [PROGRAMS / "evenfall", "pull", "--port", bench.url, "--no-plot"]
            for _ in range(4):
                process = subprocess.Popen(
                    command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment
                )
                try:
                    process.wait(rng.uniform(0.3, 3.5))
                    counts["finished before"] += 1
                except subprocess.TimeoutExpired:
                    process.send_signal(signal.SIGKILL)
                    process.wait()
                    counts["killed"] += 1
                time.sleep(0.05)
                held = in_archive(archive)
                assert held <= set(stored.values())
                for run, (data, ending) in runs_on_flash(bench.image).items():
                    assert data == stored[run]
                    if ending.endswith(".ok"):
                        counts["runs found acknowledged"] += 1
                        assert data in held, "acknowledged, and not in the archive"
            done = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=300)
            assert done.returncode == 0, done.stderr
            assert "Traceback" not in done.stderr + bench.console
            assert in_archive(archive) == set(stored.values())
            assert all(ending == "run.ok" for _, ending in runs_on_flash(bench.image).values())
    return counts


def test_a_host_killed_at_any_moment_loses_nothing(recorded, stored, tmp_path):
    counts = killed_pulls(4, 1, recorded, stored, tmp_path)
    assert counts["killed"] >= 4


@pytest.mark.study
def test_study_of_killed_hosts(recorded, stored, tmp_path):
    counts = killed_pulls(100, 2, recorded, stored, tmp_path)
    print(f"\nevenfall pull killed at random moments: {counts}; archive sound and nothing lost each time")


def test_a_new_host_need_not_wait_for_the_answer_to_a_dead_one(recorded, stored, tmp_path):
    """At 9,600 baud a run takes half a minute; the board lets go of it when the next host speaks."""
    with LiveBench(with_link(bytes_per_s=960.0), tmp_path, recorded) as bench:
        board = bench.session.board
        first = link.Link(bench.url)
        first.open()
        first.send(run_file.frame_bytes("read_run", 7, (first.session, 1, 0, 100_000)))
        while first.counters.bytes_in < 1500:
            list(first.receive(0.1))
        first.close()
        before = board._to_host.bytes
        left = len(stored[1]) - before
        with link.Link(bench.url) as second:
            assert second.status()["state"] == "rest"
            came = board._to_host.bytes - before
        # by bytes, not by time: a busy computer's second host is late itself
        assert left > 15_000 and came < left / 2
        assert board.boots == 1


def not_taken(bench: LiveBench) -> int:
    """Bytes that the host wrote and the board has not taken; a pty does not tell its writer."""
    waiting = fcntl.ioctl(bench.session.port.master, termios.FIONREAD, b"\0" * 4)
    return struct.unpack("i", waiting)[0]


def test_a_host_that_does_not_read_does_not_hold_up_a_pull(tmp_path):
    """It asks and asks during the whole pull and never takes an answer; the pull is as good as without it."""
    asked = 0
    stuck = []
    with LiveBench(scenarios.complete({}), tmp_path, runs=1, seed=5) as bench:
        board = bench.session.board
        with serial.Serial(bench.url) as deaf:  # os.write below: its own write spins on a full port
            bench.at_each_slice(lambda s: s.port.full and stuck.append(s.board.time_s))
            while not bench.session.operator.over:
                board.paced = board.time_s < 1.0
                # no faster than a fetch asks, or the next host waits behind all that was asked
                while asked < 120 * board.time_s and not_taken(bench) < 2000:
                    try:
                        os.write(deaf.fileno(), run_file.frame_bytes("get_status", asked + 1 & 0xFFFF))
                    except BlockingIOError:  # the line is full for now
                        break
                    asked += 1
                time.sleep(0.005)
                assert bench.error is None
        assert board.boots == 1 and not bench.happened("watchdog"), (board.log, bench.console)
        board.paced = True
        with link.Link(bench.url) as line:
            (entry,) = line.runs()
            run = run_file.decode_run(line.read_run(entry, tmp_path / "part"))
    assert asked > 50 and len(stuck) > 100
    assert not run.damage
    assert run.verdict and run.verdict["verdict"] in ("good", "fair", "poor")
    assert run.verdict["load_overruns"] == run.verdict["edge_overruns"] == 0


# --- two hosts ---


def test_the_port_is_for_one_program(recorded, tmp_path):
    with LiveBench(with_link(), tmp_path, recorded) as bench, link.Link(bench.url) as first:
        with pytest.raises(LinkError, match="in use by another program"):
            link.Link(bench.url).open()
        assert first.status()["state"] == "rest"


def test_a_second_host_past_the_lock_is_refused_by_the_board(recorded, stored, tmp_path):
    """Over a URL there is no lock on the port; the board itself keeps one session."""
    with LiveBench(with_link(), tmp_path, recorded) as bench:
        device = os.path.realpath(bench.url)
        with link.Link(bench.url) as first:
            entry = first.entry(1)
            with pytest.raises(BoardError, match="Another program talks to this board"):
                link.Link(f"spy://{device}?file=/dev/null").open()
            assert first.read_run(entry, tmp_path / "part") == stored[1]
        # the first has gone; after 3 s the board takes another
        give_up = time.monotonic() + 60
        while True:
            try:
                with link.Link(f"spy://{device}?file=/dev/null") as second:
                    assert len(second.runs()) == 2
                break
            except BoardError:
                assert time.monotonic() < give_up
                time.sleep(0.5)


# --- what is on the port is no board ---


class Device:
    """Something on a pty that answers in its own way."""

    def __init__(self, answer) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.url = os.ttyname(slave)
        self._slave = slave
        self._answer = answer
        self._end = False
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> Device:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end = True
        os.close(self._slave)
        os.close(self.master)

    def _work(self) -> None:
        while not self._end:
            try:
                self._answer(self.master)
            except OSError:
                return


def echo(master: int) -> None:
    os.write(master, os.read(master, 4096))


def position_sentences(master: int) -> None:
    os.write(master, b"$GPGGA,120000.00,0000.000,N,00000.000,E,0,00,,,M,,M,,*5A\r\n")
    time.sleep(0.02)


def random_bytes(master: int) -> None:
    os.write(master, os.urandom(500))
    time.sleep(0.02)


def zeros(master: int) -> None:
    os.write(master, bytes(200))
    time.sleep(0.02)


def silence(master: int) -> None:
    os.read(master, 4096)


def other_frames(master: int) -> None:
    """Sound frames of some other device that happens to frame as we do."""
    os.read(master, 4096)
    os.write(master, run_file.frame_bytes("done", 0x7777, (0x33, 1)))


@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (other_frames, "no answer from|is not an evenfall board"),
        pytest.param(echo, "only sends our own bytes back", marks=pytest.mark.study),
        pytest.param(position_sentences, "is not an evenfall board", marks=pytest.mark.study),
        pytest.param(random_bytes, "is not an evenfall board", marks=pytest.mark.study),
        pytest.param(zeros, "no answer from|is not an evenfall board", marks=pytest.mark.study),
        pytest.param(silence, "no answer from", marks=pytest.mark.study),
    ],
    ids=lambda x: getattr(x, "__name__", None),
)
def test_a_foreign_device(answer, sentence):
    with Device(answer) as device, pytest.raises(LinkError, match=sentence) as caught:
        link.Link(device.url).open()
    assert "\n" not in str(caught.value)


def test_a_board_at_its_bare_prompt():
    """A real MicroPython at its prompt: no firmware of ours runs there."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    process = subprocess.Popen([PROGRAMS / "micropython", "-i"], stdin=master, stdout=master, stderr=master)
    try:
        with pytest.raises(LinkError, match=r"is not an evenfall board|no answer|only sends our own"):
            link.Link(os.ttyname(slave)).open()
    finally:
        process.kill()
        process.wait()
        os.close(master)
        os.close(slave)


# --- requests meant to harm ---

NAMES = {m[0]: m[1] for m in messages.MESSAGES}
RESTART = codes.COMMANDS.index("restart")


def hostile_payload(kind: int, rng: random.Random, session: int) -> bytes:
    """Anything: noise, ends of ranges, right shapes with absurd values, no values at all.

    Mostly with the number of the session, without which the board looks at nothing further.
    """
    name = NAMES.get(kind)
    size = struct.calcsize(messages.HEAD[name]) if name else rng.randrange(20)
    each = struct.calcsize(messages.EACH[name]) if name else 0
    size += each * rng.choice([0, 1, 2, 40])
    payload = rng.choice(
        [
            rng.randbytes(size),
            bytes(size),
            b"\xff" * size,
            rng.randbytes(rng.randrange(366)),
            b"",
            b"\x80" * size,
        ]
    )[:365]
    if name and run_file.has_session(name) and rng.random() < 0.8:
        payload = struct.pack("<I", session) + payload[4:]
    if name == "command" and payload[4:5] == bytes([RESTART]):
        payload = payload[:4] + b"\x00" + payload[5:]  # a restart is a proper request: not tested here
    return payload


def collected_heap(line: link.Link) -> int:
    """Bytes free on the board after a collection, as its self-test tells."""
    return next(value for item, _, value in line.self_test() if item == "memory")


def besieged(count: int, seed: int, recorded: Path, stored: dict[int, bytes], folder: Path) -> dict:
    """Hostile requests with right CRCs, and noise, to the running firmware; then all must be as before."""
    rng = random.Random(seed)
    answers: dict[str, int] = {}
    with LiveBench(with_link(bytes_per_s=1_200_000.0), folder, recorded) as bench:
        bench.session.board.paced = False
        with link.Link(bench.url) as line:
            heap = collected_heap(line)
            for number in range(count):
                kind = rng.choice([*NAMES, rng.randrange(256)])
                if rng.random() < 0.2:
                    line.send(rng.randbytes(rng.randrange(800)) + b"\x00")
                    continue
                payload = hostile_payload(kind, rng, line.session)
                body = struct.pack("<BH", kind, number & 0xFFFF) + payload
                body += struct.pack("<I", run_file.crc32(body))
                line.send(b"\x00" + run_file.cobs.encode(body) + b"\x00")
                until = time.monotonic() + 0.02
                while time.monotonic() < until:
                    for frame, _ in line.receive(0.005):
                        if frame and frame.kind in NAMES:
                            answers[NAMES[frame.kind]] = answers.get(NAMES[frame.kind], 0) + 1
                            until = 0
            deadline = time.monotonic() + 120
            while True:  # it may be at something long it was asked for
                try:
                    line.status()
                    break
                except EvenfallError:
                    assert time.monotonic() < deadline
            line.request("command", (codes.COMMANDS.index("stop"), 0))
            answers["heap lost, bytes"] = heap - collected_heap(line)
        assert bench.session.board.boots == 1, bench.session.board.log
        assert "Traceback" not in bench.console, bench.console
        assert not bench.happened("watchdog")
        image = bench.image
    left = runs_on_flash(image)
    for run, data in stored.items():
        assert left[run][0] == data, "a stored run changed"
        assert left[run][1] == "run", "acknowledged by a request that did not know its CRC"
    names = set(files_on_flash(image).listdir("/"))
    assert names <= {"boot.py", "main.py", "lib", "runs", "settings.json", "learned.json", "starts.json"} | {
        name for name in files_on_flash(recorded).listdir("/")
    }
    return answers


def test_hostile_requests_do_no_harm(recorded, stored, tmp_path):
    answers = besieged(250, 1, recorded, stored, tmp_path)
    assert answers["refused"] > 20
    assert answers["heap lost, bytes"] < 4096


@pytest.mark.study
def test_study_of_hostile_requests(recorded, stored, tmp_path):
    answers = besieged(20_000, 2, recorded, stored, tmp_path)
    assert answers["heap lost, bytes"] < 4096
    print(f"\n20,000 hostile requests to the running firmware: runs untouched, no restart; answers {answers}")


def test_a_run_damaged_on_flash_is_brought_in_as_it_is(recorded, stored, tmp_path):
    """A rotten bit in a stored run: the copy is bit for bit the board's, and the host says what is wrong."""
    image = recorded.read_bytes()
    piece = stored[1][8_000:8_060]
    rotted = bytearray(piece)
    rotted[20] ^= 0x04 if rotted[20] != 0x04 else 0x08
    assert piece in image
    image = image.replace(piece, bytes(rotted))  # littlefs may keep an older copy of the block as well
    rotten = tmp_path / "rotten.img"
    rotten.write_bytes(image)
    assert len(image) % BLOCK == 0
    want = runs_on_flash(rotten)[1][0]
    assert want != stored[1]
    place = tmp_path / "board"
    place.mkdir()
    with LiveBench(with_link(), place, rotten) as bench, link.Link(bench.url) as line:
        got = line.read_run(line.entry(1), tmp_path / "part")
        assert "Traceback" not in bench.console
    assert got == want
    damage = run_file.decode_run(got).damage
    assert any("no whole frame" in d for d in damage) and any("is missing" in d for d in damage)
