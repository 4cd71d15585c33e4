"""Damaged, forged and absurd frames: no crash, no growth, no wrong frame taken for a right one."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tracemalloc

import hostile_frames
import numpy as np
import pytest
from evenfall.board import run_file
from evenfall_wire import frames, messages
from hypothesis import given, settings
from hypothesis import strategies as st
from run_writer import run_bytes
from wire_references import HERE, PROTOCOL, VECTORS, HostParser, build_frame, run_micropython

BASES = hostile_frames.load_bases(str(PROTOCOL))
DEFAULT = 30_000
MILLION = 1_000_000


def check(result: dict, count: int) -> None:
    assert result["fed"] == count
    assert result["wrong"] == 0, "a damaged frame was accepted (odds: one in 4.3e9)"
    assert result["alive"]
    assert result["damaged"] > count // 2


def in_micropython(count: int, seed: int) -> dict:
    result = json.loads(run_micropython(HERE / "hostile_frames.py", PROTOCOL, count, seed))
    check(result, count)
    # nothing is kept of what was fed: what grows is the counters' own few blocks
    assert result["heap_after"] - result["heap_before"] < 2048
    return result


def in_host(parser, count: int, seed: int) -> dict:
    result = hostile_frames.run(BASES, count, seed, parser.feed, lambda: parser.bad)
    check(result, count)
    return result


def test_board_parser_in_micropython():
    in_micropython(DEFAULT, 1)


def test_board_parser_here():
    in_host(frames.Unframer(), DEFAULT, 2)


def test_host_parser():
    in_host(HostParser(), DEFAULT, 3)


@pytest.mark.study
def test_a_million_mutated_frames():
    print()
    for name, result in (
        ("board's parser in MicroPython", in_micropython(MILLION, 11)),
        ("host's parser", in_host(HostParser(), MILLION, 12)),
    ):
        print(
            f"{name}: {result['fed']:,} mutated frames, {result['damaged']:,} noticed as damaged, "
            f"{result['same']:,} came through unchanged, {result['wrong']} wrong accepted"
        )


def test_the_check_above_can_fail(monkeypatch):
    """With the CRC switched off, wrong frames come through and are counted."""
    parser = frames.Unframer()
    monkeypatch.setattr(frames, "crc32", lambda body: 0x2144DF1C)
    assert hostile_frames.run(BASES, 2000, 4, parser.feed, lambda: parser.bad)["wrong"] > 100


@pytest.mark.parametrize("v", VECTORS["streams"], ids=lambda v: v["why"][:40])
def test_streams_by_the_hosts_parser(v):
    got: list = []
    parser = HostParser()
    parser.feed(bytes.fromhex(v["wire"]), lambda k, s, p: got.append([k, s, p.hex()]))
    assert (got, parser.bad) == (v["frames"], v["bad"])


kinds = st.sampled_from([m[0] for m in messages.MESSAGES]) | st.integers(0, 255)
forged = st.tuples(kinds, st.integers(0, 65535), st.binary(max_size=frames.MAX_PAYLOAD))


@settings(max_examples=300)
@given(forged)
def test_any_payload_with_a_right_crc_is_decoded_or_refused(frame):
    kind, _, payload = frame
    try:
        run_file.decode_message(kind, payload)
    except ValueError as error:
        assert "shorter than" in str(error)


@settings(max_examples=200, deadline=None)
@given(st.lists(forged, max_size=30), st.binary(max_size=50))
def test_a_run_file_of_forged_frames_is_decoded_without_a_crash(forged_frames, tail):
    """Right CRCs, absurd contents: an imported run file is untrusted."""
    data = b"".join(build_frame(*f) for f in forged_frames) + tail
    run = run_file.decode_run(data)
    assert len(run.load_time_s) * 8 <= len(data)
    assert len(run.edge_time_s) * 4 <= len(data)
    assert np.isfinite(run.load_time_s).all()
    assert run.damage


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 6))
def test_a_damaged_run_file_is_decoded_without_a_crash_and_says_so(seed, hits):
    data = bytearray(sound_run())
    hostile_frames.seed(seed)
    for _ in range(hits):
        mutation = hostile_frames.MUTATIONS[hostile_frames.below(len(hostile_frames.MUTATIONS))]
        data = bytearray(mutation(data, BASES[0][0])) or bytearray(1)
    run = run_file.decode_run(bytes(data))
    if not run.damage:
        # only empty frames may have come in
        assert bytes(data).replace(b"\x00\x00", b"\x00").count(b"\x00") <= sound_run().count(b"\x00") + 6
        assert len(run.load_time_s) == 450


def sound_run() -> bytes:
    loads = [(i * 50_000 % messages.TICK_WRAP, i - 200) for i in range(450)]
    edges = [(i * 20_000 % messages.TICK_WRAP,) for i in range(900)]
    return run_bytes(
        [
            ("run_header", (1, 7, b"12345678", b"t", 3, 1_700_000_000, 0, 0), ()),
            ("load_samples", (), loads),
            ("edge_times", (), edges),
            ("run_end", (22, 450, 900, 1), ()),
        ]
    )


def test_memory_of_the_host_is_bounded_by_the_file():
    """A hostile 2 MB of one-byte frames, and 2 MB without a delimiter."""
    for data in (b"\x01\x00" * 1_000_000, b"\x55" * 2_000_000):
        tracemalloc.start()
        run = run_file.decode_run(data)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 50 * len(data)
        assert len(run.damage) < 50


@pytest.mark.study
def test_coverage_guided_fuzzing():
    """atheris (libFuzzer) over both parsers, the messages and run files; a crash is a non-zero exit."""
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not installed: pip install -e '.[study]'")
    runs = 150_000
    done = subprocess.run(
        [
            sys.executable,
            HERE / "fuzz_wire.py",
            f"-runs={runs}",
            "-max_len=1500",
            "-seed=1",
            "-rss_limit_mb=1000",
        ],
        capture_output=True,
        text=True,
        timeout=1200,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    last = [line for line in done.stderr.splitlines() if "DONE" in line][-1]
    print(f"\natheris: {runs:,} runs, no crash; {last.strip()}")
