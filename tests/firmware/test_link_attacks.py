"""Attacks on the board's link: damaged stored runs, clients without the session, noise during a sweep."""

from __future__ import annotations

import random

import pytest
from bench_rig import Rig
from evenfall.board import run_file
from evenfall_wire import codes
from firmware_rig import on_board


def numbers(*arguments: object, timeout_s: float = 120.0) -> list[int]:
    """What attacks.py counted."""
    (line,) = on_board("attacks.py", *map(str, arguments), timeout_s=timeout_s)
    return [int(n) for n in line.split()]


def test_a_damaged_byte_anywhere_makes_no_run_stick():
    tried, acknowledged = numbers("flips", 53, 1)
    assert tried == acknowledged > 50


def test_a_client_without_the_session_changes_nothing():
    refused, changes = numbers("strangers", 15_000)
    assert refused == 15_000 and changes == 0


def swept(noise_bytes: int) -> tuple[run_file.Run, int]:
    """One sweep with so much noise on the line at each 20 ms of it; the run, and damaged frames counted."""
    rng = random.Random(9)
    with Rig() as rig:
        rig.until("steady", 20)
        end = rig.now + 14.0
        while rig.now < end:
            if noise_bytes:
                rig.line.to_board += rng.randbytes(noise_bytes)
            rig.run(0.02)
        rig.line.to_board = b"\0"  # ends the noise, as a host does
        rig.until("rest", 30, step=0.5)
        bad = rig.status()["frames_bad"]
        (row,) = rig.runs()
        return run_file.decode_run(rig.read(row[0])), bad


def compared() -> tuple[dict[str, float], dict[str, float], int]:
    """The verdicts of a quiet sweep and of its noisy twin, and damaged frames at the noisy one."""
    quiet, _ = swept(0)
    noisy, bad = swept(64)
    assert quiet.verdict and noisy.verdict
    return quiet.verdict, noisy.verdict, bad


def test_noise_on_the_line_does_not_move_the_sweep():
    quiet, noisy, bad = compared()
    assert bad > 50
    assert noisy["verdict"] == quiet["verdict"]
    assert noisy["load_overruns"] == noisy["edge_overruns"] == 0
    assert abs(noisy["tracking_rms"] - quiet["tracking_rms"]) < 0.1  # per cent of the set speed


def test_status_flood_from_strangers_does_not_move_the_sweep():
    """Requests of no session at all, and stop is not among them."""
    frame = run_file.frame_bytes("command", 3, (99, codes.COMMANDS.index("restart"), 0))
    with Rig() as rig:
        rig.until("steady", 20)
        end = rig.now + 13.0
        while rig.now < end:
            rig.line.to_board += frame
            rig.run(0.02)
        rig.replies(1.0, until=False)
        rig.until("rest", 30, step=0.5)
        (row,) = rig.runs()
        run = run_file.decode_run(rig.read(row[0]))
    assert run.complete and run.verdict and run.verdict["verdict"] in ("good", "fair")
    assert rig.board.boots == 1


@pytest.mark.study
def test_study_of_attacks():
    """The table of attacks; lying boards have their own in tests/link."""
    print("\nattacks on the board's link:")
    tried, acknowledged = numbers("flips", 1, 8, timeout_s=3000)
    print(f"  every bit of a stored run flipped: {tried} runs, {acknowledged} fetched as they lie, 0 stuck")
    assert tried == acknowledged
    refused, changes = numbers("strangers", 1_000_000, timeout_s=3000)
    print(f"  {refused} changing requests of clients without the session: {changes} changes")
    assert changes == 0
    quiet, noisy, bad = compared()
    print(
        f"  noise during a sweep ({bad} damaged frames): tracking RMS {noisy['tracking_rms']:.2f} %, worst "
        f"{noisy['tracking_worst']:.2f} %; its quiet twin {quiet['tracking_rms']:.2f} %, "
        f"{quiet['tracking_worst']:.2f} %"
    )
    with Rig({"operator": {"ready_s": 600.0}}) as rig:
        rig.run(2.5)
        rig.send("get_status")
        frames = 0
        for _ in range(1250):
            rig.run(0.004)
            frames += rig.line.from_board.count(0)
            rig.line.to_board += bytes(rig.line.from_board)
            rig.line.from_board.clear()
    print(f"  a line that echoes, 5 s, one request: {frames} frames of the board")
    assert frames == 1
