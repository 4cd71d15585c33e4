"""Speed and size of the wire, side by side in one run.  Printed by ``make bench``; ratios, not seconds.

Each pair is timed in turns within one process (best of many), so that a noisy
machine hits both.  What is compared with is general: construct, numpy, JSON
lines, octet stuffing as of RFC 1662, a fixed 12-byte header with payloads of at
most 255 bytes as radio links use.
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from evenfall.board import run_file
from evenfall_wire import frames, messages
from run_writer import run_bytes

pytestmark = pytest.mark.study
PROTOCOL = Path(frames.__file__).resolve().parent.parent


def best_of_turns(ways: dict[str, Callable[[], object]], rounds: int = 15) -> dict[str, float]:
    """Least seconds of each way; the ways take turns."""
    least = dict.fromkeys(ways, 9e9)
    for _ in range(rounds):
        for name, way in ways.items():
            start = time.perf_counter()
            way()
            least[name] = min(least[name], time.perf_counter() - start)
    return least


def load_rows(count: int, seed: int = 1) -> list[tuple[int, int]]:
    """Samples as the amplifier gives them: 80/s within 3 %, counts of a real load with noise."""
    random = np.random.default_rng(seed)
    ticks = np.cumsum(random.normal(50_000, 1500, count).astype(np.int64)) % messages.TICK_WRAP
    counts = (1_600_000 * np.sin(np.linspace(0.3, 2.8, count)) + random.normal(0, 3000, count)).astype(
        np.int64
    )
    return list(zip(ticks.tolist(), counts.tolist(), strict=True))


def edge_rows(count: int, seed: int = 2) -> list[tuple[int]]:
    random = np.random.default_rng(seed)
    ticks = np.cumsum(random.normal(26_000, 200, count).astype(np.int64)) % messages.TICK_WRAP
    return [(t,) for t in ticks.tolist()]


def test_host_decode():
    # longer than 60 lines: the decoders it holds against each other, and their table
    frame_count = 100
    rows = load_rows(45 * frame_count)
    data = run_bytes([("load_samples", (), rows)])
    raw = np.array(rows, dtype=run_file.DTYPES["load_samples"]).tobytes()
    construct = run_file.constructs()["load_samples"]
    body_construct = run_file.frame_construct()

    def ours() -> tuple[np.ndarray, np.ndarray]:
        parts, damage = run_file.split_run(data)
        assert not damage
        samples = np.frombuffer(b"".join(parts[0x82]), run_file.DTYPES["load_samples"])
        return run_file.unwrap_ticks(samples["tick"], 0) * run_file.TICK_S, samples["count"].astype(np.int64)

    def plain_construct() -> list[tuple[int, int]]:
        out: list[tuple[int, int]] = []
        for chunk in data.split(b"\x00")[:-1]:
            body = cobs.decode(chunk)
            frame = body_construct.parse(body, size=len(body))
            out += [(r.tick, r.count) for r in construct.parse(frame.checked.value.payload).each]
        return out

    def raw_memory() -> tuple[np.ndarray, np.ndarray]:
        samples = np.frombuffer(raw, run_file.DTYPES["load_samples"])
        return run_file.unwrap_ticks(samples["tick"], 0) * run_file.TICK_S, samples["count"].astype(np.int64)

    assert plain_construct() == rows
    assert all((a == b).all() for a, b in zip(ours(), raw_memory(), strict=True))

    chunks = data.split(b"\x00")[:-1]
    bodies = [cobs.decode(chunk) for chunk in chunks]
    # what no decoder of these bytes in Python can leave out: one call into C a frame each, without a loop
    parts: dict[str, Callable[[], object]] = {
        "split at the delimiters": lambda: data.split(b"\x00"),
        "undo COBS": lambda: list(map(cobs.decode, chunks)),
        "CRC-32": lambda: list(map(zlib.crc32, bodies)),
        "payloads out of the bodies": lambda: [body[3:-4] for body in bodies],
        "payloads end to end": lambda: b"".join(bodies),
    }
    bare: dict[str, Callable[[], object]] = {
        "undo COBS": lambda: cobs.decode(b"".join(chunks)),
        "CRC-32": lambda: zlib.crc32(data),
    }
    slow = best_of_turns({"construct": plain_construct, "ours": ours}, rounds=5)
    fast = best_of_turns({"ours": ours, "raw": raw_memory}, rounds=100)
    spent = best_of_turns(parts, rounds=100)
    at_once = best_of_turns(bare, rounds=100)
    raw_s = fast["raw"]
    print(f"\nhost decode of {len(rows):,} load samples in {frame_count} frames, to seconds and counts:")
    print(f"  against plain construct      {slow['construct'] / slow['ours']:6.0f} times as fast (goal 50)")
    print(f"  against numpy.frombuffer     {fast['ours'] / raw_s:6.2f} times its time (goal 3), of which")
    print(f"    {1.0:.2f} ticks to seconds and counts, as from raw memory")
    for name, seconds in spent.items():
        whole = f" ({at_once[name] / raw_s:.2f} over all bytes in one call)" if name in at_once else ""
        print(f"    {seconds / raw_s:.2f} {name}{whole}")
    print(
        f"    {(fast['ours'] - raw_s - sum(spent.values())) / raw_s:.2f} the loop: types, sequences, errors"
    )
    least = sum(list(spent.values())[:3])
    print(
        f"  splitting, COBS and CRC alone make it {1 + least / raw_s:.2f}: 3 is out of reach in Python "
        "while each frame has a CRC of its own"
    )


# --- frame overhead ---


def by_cobs(name: str, rows: list[tuple[int, ...]]) -> int:
    return len(run_bytes([(name, (), rows)]))


def by_json_lines(name: str, rows: list[tuple[int, ...]]) -> int:
    fields = [f[0] for f in messages.BY_NAME[name][3]]
    return sum(len(json.dumps(dict(zip(fields, r, strict=True)), separators=(",", ":"))) + 1 for r in rows)


def by_json_batches(name: str, rows: list[tuple[int, ...]], batch: int = 45) -> int:
    """One line per 45 samples, bare arrays, no check: the shortest JSON that is still lines."""
    return sum(
        len(json.dumps([name, at, rows[at : at + batch]], separators=(",", ":"))) + 1
        for at in range(0, len(rows), batch)
    )


def _bodies(name: str, rows: list[tuple[int, ...]], room: int) -> list[bytes]:
    size = struct.calcsize(messages.EACH[name])
    packed = b"".join(struct.pack(messages.EACH[name], *r) for r in rows)
    step = room // size * size
    return [packed[at : at + step] for at in range(0, len(packed), step)]


def by_octet_stuffing(name: str, rows: list[tuple[int, ...]]) -> int:
    """RFC 1662: flag 7E, 7D escapes 7D and 7E; our type, sequence and CRC-32 inside."""
    total = 0
    for sequence, payload in enumerate(_bodies(name, rows, frames.MAX_PAYLOAD)):
        body = struct.pack("<BH", 0x82, sequence & 0xFFFF) + payload
        body += struct.pack("<I", zlib.crc32(body))
        total += len(body) + body.count(0x7D) + body.count(0x7E) + 1
    return total


def by_radio_header(name: str, rows: list[tuple[int, ...]]) -> int:
    """12 bytes of header and check around payloads of at most 255 bytes; no stuffing."""
    return sum(len(payload) + 12 for payload in _bodies(name, rows, 255))


def test_frame_overhead():
    loads, edges = load_rows(1040), edge_rows(3000)
    worst = [(0x7D7E7D7E, 0x7E7D7E7D)] * 1035
    zeros = [(0, 0)] * 1035
    kinds = (
        ("load samples", "load_samples", loads),
        ("Hall edges", "edge_times", edges),
        ("all zeros", "load_samples", zeros),
        ("all 7D 7E", "load_samples", worst),
    )
    ways = {
        "ours (COBS + CRC-32)": by_cobs,
        "RFC 1662 stuffing + CRC-32": by_octet_stuffing,
        "12-byte header, 255 at most": by_radio_header,
        "JSON, one line per 45": by_json_batches,
        "JSON lines": by_json_lines,
    }
    print("\nbytes over the samples' own, % (goal for ours: 3):")
    print(" " * 30 + "".join(f"{title:>15}" for title, _, _ in kinds))
    for way, size_of in ways.items():
        line = f"  {way:28}"
        for _, name, rows in kinds:
            own = len(rows) * struct.calcsize(messages.EACH[name])
            over = 100 * (size_of(name, rows) / own - 1)
            line += f"{over:15.2f}"
            if size_of is by_cobs:
                assert over <= 3.0
        print(line)


def test_board_encoding_in_micropython():
    micropython = Path(sys.executable).parent / "micropython"
    script = Path(__file__).with_name("encode_in_micropython.py")
    done = subprocess.run(
        [micropython, script, PROTOCOL], capture_output=True, text=True, timeout=120, check=True
    )
    cost = json.loads(done.stdout)
    ours = cost["frame_from_ring"]
    print("\nencoding in MicroPython, per load sample, ours = 1 (a ready ring block to a checked frame):")
    for way, us in sorted(cost.items(), key=lambda x: x[1]):
        print(f"  {way:20} {us / ours:6.2f}   ({us:.3f} us here)")
