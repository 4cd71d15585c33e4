"""A board that lies: the host ends with one sentence, in bounded time and memory."""

from __future__ import annotations

import itertools
import os
import sys
import threading
import time
import tracemalloc
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from evenfall.board import link, run_file, transfer
from evenfall.errors import EvenfallError
from evenfall_wire import messages
from evenfall_wire.frames import Unframer
from evenfall_wire.table_hash import TABLE_HASH

sys.path.append(str(Path(__file__).resolve().parents[1] / "host"))
from sample_runs import UID, sample_run

RUN = sample_run(9, seconds=0.5)
Answer = Callable[[str, int, tuple], Iterator[bytes]]


def honest(name: str, sequence: int, head: tuple) -> Iterator[bytes]:
    if name == "hello":
        info = (messages.PROTO_MAJOR, messages.PROTO_MINOR, UID, b"liar", 1, 372, TABLE_HASH)
        yield run_file.frame_bytes("board_info", sequence, info)
    elif name == "list_runs":
        row = (9, len(RUN), run_file.crc32(RUN), RUN.count(0), 1, 1, 1_750_000_000)
        yield run_file.frame_bytes("run_list", sequence, (1, head[1]), [row][head[1] :])


def listed_at_another_place(name, sequence, head):
    if name == "list_runs":
        yield run_file.frame_bytes("run_list", sequence, (9, head[1] + 1), [(9, 1, 1, 1, 1, 1, 1)])


def lists_without_end(name, sequence, head):
    if name == "list_runs":
        row = (head[1], 100, 1, 1, 1, 1, 1)
        yield run_file.frame_bytes("run_list", sequence, (65535, head[1]), [row])


def the_same_piece_for_ever(name, sequence, head):
    if name in ("read_run", "read_next"):
        frame = run_file.frame_bytes("run_data", sequence, (0,), [(b,) for b in RUN[:300]])
        yield from itertools.repeat(frame)


def pieces_of_another_place_for_ever(name, sequence, head):
    if name in ("read_run", "read_next"):
        yield from itertools.repeat(run_file.frame_bytes("run_data", sequence, (1 << 30,), [(7,)] * 300))


def damaged_frames_for_ever(name, sequence, head):
    if name in ("read_run", "read_next"):
        yield from itertools.repeat(b"\x05ABCDEFGHIJ" * 30 + b"\x00")


def records_for_ever(name, sequence, head):
    if name in ("read_run", "read_next"):
        yield from itertools.repeat(run_file.frame_bytes("load_samples", sequence, (), [(1, 2)] * 45))


def a_byte_now_and_then(name, sequence, head):
    if name in ("read_run", "read_next"):
        for at in range(len(RUN)):
            time.sleep(0.02)
            yield run_file.frame_bytes("run_data", sequence, (at,), [(RUN[at],)])


def a_run_of_other_bytes(name, sequence, head):
    if name in ("read_run", "read_next"):
        at, end = head[2], min(head[2] + head[3], len(RUN))
        data = bytes(b ^ 1 for b in RUN[at:end])
        for n in range(0, len(data), 361):
            each = [(b,) for b in data[n : n + 361]]
            yield run_file.frame_bytes("run_data", sequence, (at + n,), each)
        yield run_file.frame_bytes("read_done", sequence, (9, at, len(data), run_file.crc32(data), 1))


def a_run_larger_than_any_flash(name, sequence, head):
    if name == "list_runs":
        row = (9, 0xFFFFFFFF, 1, 1, 1, 1, 1)
        yield run_file.frame_bytes("run_list", sequence, (1, head[1]), [row][head[1] :])


def refusals_at_every_place(name, sequence, head):
    """store_unreadable for ever, always at the place asked for."""
    if name in ("read_run", "read_next"):
        yield run_file.frame_bytes("refused", sequence, (4, 11, head[2]))


LIES = [
    listed_at_another_place, lists_without_end, the_same_piece_for_ever, pieces_of_another_place_for_ever,
    damaged_frames_for_ever, records_for_ever, a_byte_now_and_then, a_run_of_other_bytes,
    a_run_larger_than_any_flash,
]  # fmt: skip


class Liar:
    """Answers as `lie` does, else honestly."""

    def __init__(self, lie: Answer) -> None:
        self._lie = lie
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.url = os.ttyname(self._slave)
        self._stop = False
        self._saying: Iterator[bytes] = iter(())
        self._thread = threading.Thread(target=self._work, daemon=True)

    def __enter__(self) -> Liar:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop = True
        self._thread.join(5)
        os.close(self._slave)
        os.close(self.master)

    def _work(self) -> None:
        unframer = Unframer()
        while not self._stop:
            try:
                unframer.feed(os.read(self.master, 4096), self._hear)
            except BlockingIOError:
                time.sleep(0.001)
            for frame in itertools.islice(self._saying, 20):
                self._write(frame)

    def _write(self, data: bytes) -> None:
        while data and not self._stop:
            try:
                data = data[os.write(self.master, data) :]
            except BlockingIOError:
                time.sleep(0.001)

    def _hear(self, kind: int, sequence: int, payload: bytes) -> None:
        name = messages.BY_TYPE[kind][1]
        head, _ = messages.unpack(name, payload)
        lie = list(itertools.islice(self._lie(name, sequence, head), 1))
        answer = self._lie if lie else honest
        self._saying = answer(name, sequence, head)


def lied_to(lie: Answer, folder: Path) -> tuple[str, float, int]:
    """(what the host said, seconds it took, greatest MB it held more than before)."""
    tracemalloc.start()
    began = time.monotonic()
    try:
        with Liar(lie) as liar, link.Link(liar.url) as line:
            (entry, *_) = line.runs()
            line.read_run(entry, folder / "part")
            said = "took it"
    except EvenfallError as error:
        said = str(error)
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return said, time.monotonic() - began, peak


@pytest.mark.parametrize("lie", LIES, ids=lambda f: f.__name__)
def test_a_lie_ends_in_a_sentence(lie, tmp_path, monkeypatch):
    """Limits in time are made small here; memory is bounded as it is."""
    monkeypatch.setattr(link, "LIST_S", 1.0)
    monkeypatch.setattr(link, "QUIET_LIMIT_S", 1.0)
    monkeypatch.setattr(transfer, "GRACE_S", 2.0)
    said, took_s, peak = lied_to(lie, tmp_path)
    assert said != "took it" and "\n" not in said and len(said) < 300
    assert took_s < 60.0 and peak < 20e6  # a hang, not a speed, would fail this


def test_a_board_that_can_read_nothing_ends_too(tmp_path):
    """Each place is passed over once: what is left is nothing, and it says so."""
    with Liar(refusals_at_every_place) as liar, link.Link(liar.url) as line:
        ((entry, data),) = line.read_runs([(line.entry(9), tmp_path / "part")])
    lost = f"bytes 0 to {len(RUN) - 1} could not be read from the board's flash"
    assert data == b"" and entry.damage == (lost,)


@pytest.mark.study
def test_study_of_lying_boards(tmp_path):
    print("\nboards that lie, with the limits as they are: what the host says, seconds, MB at most")
    for number, lie in enumerate(LIES):
        said, took_s, peak = lied_to(lie, tmp_path / str(number))
        print(f"  {lie.__name__.replace('_', ' '):34} {took_s:5.1f} s {peak / 1e6:5.1f} MB  {said[:90]}")
        # a run that comes slowly and verifies is no lie: only time and memory are bounded
        assert (said != "took it" or lie is a_byte_now_and_then) and took_s < 120.0 and peak < 20e6
