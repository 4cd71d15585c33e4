"""The real firmware on the bench: determinism, the command line, the pace."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenfall_bench import batch, scenario
from evenfall_bench.cli import main
from evenfall_bench.image import PROJECT, BenchError, board_files, make_image
from evenfall_bench.session import Session

BENCH = Path(sys.executable).parent / "evenfall-bench"


@pytest.mark.parametrize("name", sorted(main.commands))
def test_short_help_is_a_whole_sentence_in_80_columns(name: str) -> None:
    short = main.commands[name].get_short_help_str(limit=60)
    assert short.endswith(".") and not short.endswith("..."), short


def test_board_files_are_the_repositorys_byte_for_byte(tmp_path: Path) -> None:
    from littlefs import LittleFS, UserContext

    image = tmp_path / "flash.img"
    make_image(image, blocks=352, settings={"arm_length": 300000})
    data = image.read_bytes()
    context = UserContext(len(data))
    context.buffer[:] = data
    fs = LittleFS(context=context, block_size=4096, block_count=352, mount=True)
    pairs = board_files(PROJECT / "firmware", PROJECT / "protocol" / "evenfall_wire")
    assert len(pairs) > 10
    for source, path in pairs:
        with fs.open(path, "rb") as f:
            assert f.read() == source.read_bytes(), path
    with fs.open("/settings.json", "r") as f:
        assert json.loads(f.read()) == {"arm_length": 300000}


def test_firmware_folder_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"holds no main\.py"):
        make_image(tmp_path / "x.img", firmware=tmp_path)


def test_same_seed_same_sweep_with_the_real_firmware() -> None:
    records = []
    for _ in range(2):
        with Session(scenario.load("trail-crew"), seed=4, runs=1) as session:
            session.run_for(14.0)
            records.append((session.bench.truth, session.board.led, session.board.log))
    assert records[0] == records[1]


def test_one_sweep_from_the_button_to_the_hosts_table(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    done = subprocess.run(
        [str(BENCH), "sweep", "--scenario", "trail-crew", "--seed", "3", "--json", str(out)],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    run = json.loads(out.read_text())["boots"][0]
    assert run["host_exit_code"] == 0
    assert run["link"]["bad"] == 0
    (pull,) = run["runs"]
    host = pull["host"]
    assert host["verdict"] in ("good", "fair")
    assert host["damage"] == []
    assert pull["tracking"]["true_sweep_s"] == pytest.approx(10.0, abs=0.3)
    assert pull["tracking"]["rms_percent"] < 2.0
    error = pull["torque_error"]
    assert len(error["bins"]) >= 15
    assert error["rms_percent"] < 1.0
    # torque x angular speed = power, on both sides
    for b in host["bins"]:
        if b["torque_Nm"] is not None:
            assert b["power_W"] == pytest.approx(b["torque_Nm"] * b["speed_rpm"] * 3.141592653589793 / 30)


def test_run_offers_a_port_and_ends_by_itself(tmp_path: Path) -> None:
    link = tmp_path / "board"
    begun = time.monotonic()
    done = subprocess.run(
        [str(BENCH), "live", "--runs", "0", "--realtime", "--for", "1.5", "--port-link", str(link)],
        capture_output=True, text=True, timeout=180, stdin=subprocess.DEVNULL, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[0] == f"port {link}"
    assert "boot power-on" in done.stderr
    assert time.monotonic() - begun > 1.2  # real time is not faster than the clock
    assert not link.is_symlink()


def test_without_an_input_and_into_a_full_disk() -> None:
    """Under a scheduler there is no standard input; it ended in a traceback, and so did a full output."""
    line = ["sh", "-c", 'exec "$@" <&-', "sh", BENCH, "live", "--runs", "0", "--for", "0.2"]
    done = subprocess.run(line, capture_output=True, text=True, timeout=180)
    assert done.returncode == 0 and "Traceback" not in done.stderr, done.stderr
    env = {name: text for name, text in os.environ.items() if name != "PYTHONUNBUFFERED"}
    for more in ({}, {"PYTHONUNBUFFERED": "1"}):
        with open("/dev/full", "w") as full:
            done = subprocess.run(
                [BENCH, "scenarios"],
                stdout=full,
                stderr=subprocess.PIPE,
                env=env | more,
                text=True,
                timeout=180,
            )
        assert done.returncode == 1 and done.stderr.count("\n") == 1 and "No space left" in done.stderr


def test_keys_work_for_a_person_at_a_terminal() -> None:
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    process = subprocess.Popen(
        [str(BENCH), "live", "--runs", "0"], stdin=slave, stdout=slave, stderr=slave, close_fds=True
    )
    os.close(slave)
    seen = b""

    def until(pattern: bytes, seconds: float = 120.0) -> None:
        nonlocal seen
        end = time.monotonic() + seconds
        while not re.search(pattern, seen):
            assert time.monotonic() < end, seen[-2000:]
            if select.select([master], [], [], 0.2)[0]:
                seen += os.read(master, 4096)

    try:
        until(rb"keys: b presses")
        until(rb" 2\.\d s ")  # a shaft that turns while the board starts would be a restart in mid-pull
        os.write(master, b"k")
        os.write(master, b"t")
        until(rb"throttle 100%")
        until(rb"1[01]\d\d\d rpm")
        shown = re.sub(r"\x1b\[K", "", seen.decode(errors="replace"))
        assert max(map(len, re.split(r"[\r\n]+", shown))) < 80, "it would scroll the port's name away"
        os.write(master, b"q")
        assert process.wait(120) == 0
    finally:
        process.kill()
        process.wait()
        os.close(master)


def test_a_run_that_the_host_could_not_reduce_is_said_in_a_line() -> None:
    # a run without a verdict of the host, as a run of a stalled engine gives
    said: list[str] = []
    boot = {"seed": 1, "runs": [{"true_fall": None, "host": {"pull": 1, "error": "no sweep in this run"}}]}
    assert batch._collect([boot], said.append) == [boot]
    assert said == ["seed 1: no sweep in this run"]
    batch._collect([{"seed": 2, "runs": [{"host": {}}, {}]}], said.append)
    assert said[1] == "seed 2: no sweep; no sweep"


@pytest.mark.parametrize(("command", "option"), [("sweep", "--runs"), ("pull", "--pulls")])
def test_old_names_of_command_and_option_still_work(command: str, option: str, tmp_path: Path) -> None:
    out = tmp_path / "two.json"
    words = [command, "--scenario", "trail-crew", option, "0", "--no-host", "--json", str(out)]
    assert CliRunner().invoke(main, words).exit_code == 0
    assert json.loads(out.read_text())["boots"][0]["runs"] == []
    assert "--pulls" not in CliRunner().invoke(main, ["sweep", "--help"]).output


def test_runs_made_after_the_ticks_wrapped_find_their_sweeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """The board's ticks wrap every 268 s: the first run was taken for the one that much later."""
    from types import SimpleNamespace

    from evenfall_bench import host_runner

    monkeypatch.setattr(host_runner, "torque_error", lambda *_: {})
    board = SimpleNamespace(true_s_per_us=1e-6, time_s=400.0, tick_offset=0)
    session = SimpleNamespace(board=board, scenario={"engine": {"friction_share": 0.0}})
    sweeps = [{"opened_s": 6.0 + 38.3 * n, "closed_s": 30.0 + 38.3 * n, "engine": {}} for n in range(10)]
    told = [
        {"run": n, "start_tick": round((made["opened_s"] + 4.0) * 4e6) % host_runner.TICK_WRAP}
        for n, made in enumerate(sweeps)
    ]
    host_runner._join(session, sweeps, told)  # type: ignore[arg-type]
    assert [made["host"]["run"] for made in sweeps] == list(range(10))
