"""Run files made for tests of the host, straight from the message table."""

from __future__ import annotations

import numpy as np
from evenfall.board import run_file
from evenfall_wire import codes, messages, settings
from run_writer import run_bytes

UID = bytes.fromhex("e66164084b123456")


def sample_run(
    run_id: int = 1,
    *,
    seconds: float = 12.0,
    load_hz: float = 80.0,
    start_tick: int = messages.TICK_WRAP - 8_000_000,  # the wrap falls two seconds into the run
    started_unix_s: int = 1_700_000_000,
    seed: int = 0,
    verdict: str = "good",
    flow: float = 1.0,
) -> bytes:
    """A falling-speed run with noise: 10,500 to 5,000 rpm, torque about 3 N.m at the brake times `flow`."""
    rng = np.random.default_rng(seed + run_id)
    hz, wrap = messages.TICK_HZ, messages.TICK_WRAP
    load_ticks = np.arange(int(seconds * load_hz)) * int(hz / load_hz)
    time_s = load_ticks / hz
    speed = np.interp(time_s, [0, 1.0, 11.0, 12.0], [10500, 10500, 5000, 5000])
    torque_Nm = flow * 3.0 * (1 - ((speed - 7500) / 9000) ** 2)
    span = settings.BY_NAME["span"][3] / 1000.0
    counts = np.round(torque_Nm / 0.25 * span + 50_000 + rng.normal(0, 300, len(speed))).astype(int)
    turns = np.cumsum(np.interp(np.arange(0, seconds, 1e-4), time_s, speed) / 60 * 1e-4)
    edge_ticks = (np.searchsorted(turns, np.arange(1, int(turns[-1]))) * 1e-4 * hz).astype(int)

    def on_wire(ticks: np.ndarray) -> list[int]:
        return [int(t) for t in (ticks + start_tick) % wrap]

    loads = list(zip(on_wire(load_ticks), counts.tolist(), strict=True))
    edges = [(t,) for t in on_wire(edge_ticks)]
    trace = [
        (t, round(s * 2), round(s * 2), 1500, 8)
        for t, s in zip(on_wire(load_ticks), speed.tolist(), strict=True)
    ]
    first, last = on_wire(np.array([hz, 11 * hz]))
    records: list = [
        ("run_header", (1, run_id, UID, b"test", 7, started_unix_s, start_tick, 0), ()),
        ("run_settings", (), [(s[0], s[3]) for s in settings.SETTINGS]),
        ("zeros", (), [(start_tick, 50_000 * 16, 300, 80)]),
        ("air", (), [(start_tick, 100_200, 2150, 4500)]),
        ("load_samples", (), loads),
        ("edge_times", (), edges),
        ("control_trace", (), trace),
        ("events", (), [(first, codes.EVENTS.index("trigger"), 0)]),
        (
            "verdict",
            (codes.VERDICTS.index(verdict), 0, first, last, 21000, 10000, 35, 120, 0, 0, 0, 0, 0, 0, 0),
            (),
        ),
    ]
    body = run_bytes(records)
    frames = body.count(b"\x00") + 1
    return body + run_file.frame_bytes("run_end", frames - 1, (frames, len(loads), len(edges), 1))
