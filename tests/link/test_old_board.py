"""This host and a board of protocol 1: its runs come in, and the person is told what to do.

The board here says what firmware 0.1 said, byte for byte (board_1_1.json, recorded from it).
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import tty
from pathlib import Path

import pytest
from evenfall.board import link, run_file
from evenfall.errors import BoardError
from evenfall_wire.frames import Framer, Unframer

RECORDED = json.loads((Path(__file__).parent / "board_1_1.json").read_text())
RUN = bytes.fromhex(RECORDED["run"])


class OldBoard:
    """Plays the recording on a pty; `asked` names the types of the requests."""

    def __init__(self) -> None:
        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.url = os.ttyname(self._slave)
        self.asked: list[int] = []
        self._answers = {
            (a["type"], a["payload"][:2] if a["type"] == 0x01 else a["payload"]): a["answer"]
            for a in RECORDED["answers"]
        }
        threading.Thread(target=self._work, daemon=True).start()

    def __enter__(self) -> OldBoard:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._slave)
        os.close(self.master)

    def _work(self) -> None:
        unframer = Unframer()
        while True:
            try:
                data = os.read(self.master, 4096)
            except OSError:
                return
            unframer.feed(data, lambda kind, sequence, payload: self._answer(kind, sequence, bytes(payload)))

    def _answer(self, kind: int, sequence: int, payload: bytes) -> None:
        self.asked.append(kind)
        # to a hello it looked at the major number alone
        key = {0x01: payload[:1].hex(), 0x09: ""}.get(kind, payload.hex())
        framer = Framer()
        for piece in self._answers.get((kind, key), [[0x46, f"{kind:02x}0100000000"]]):
            if isinstance(piece, str):
                os.write(self.master, bytes.fromhex(piece))
                continue
            reply, body = piece[0], bytes.fromhex(piece[1])
            framer.payload[: len(body)] = body
            os.write(self.master, bytes(framer.finish(reply, sequence, len(body))))


@pytest.fixture
def old():
    with OldBoard() as board:
        yield board


def test_a_run_comes_from_a_board_of_protocol_1(old, tmp_path):
    said: list[str] = []
    with link.Link(old.url, say=said.append) as line:
        assert line.info and line.info.protocol == "1.1" and line.info.firmware == "evenfall 0.1"
        assert line.status()["state"] == "rest"
        (entry,) = line.runs()
        data = line.read_run(entry, tmp_path / "part")
        assert data == RUN and run_file.decode_run(data).damage == []
        line.set_clock(1_750_000_000)
        line.acknowledge(1, data)
        line.delete(1)
        with pytest.raises(BoardError):
            line.command("arm")
    assert any("speaks protocol 1.1" in s and "evenfall board install" in s for s in said)


def test_the_pull_command_works_with_a_board_of_protocol_1(old, tmp_path):
    program = Path(sys.executable).with_name("evenfall")
    done = subprocess.run(
        [program, "pull", "--no-plot", "--port", old.url, "--archive", tmp_path / "kept"],
        capture_output=True, text=True, timeout=180, check=False,
    )  # fmt: skip
    assert "speaks protocol 1.1" in done.stderr
    assert "run 1 of the board: run 1 here" in done.stderr, done.stderr
    assert "verified, archived and acknowledged" in done.stderr, done.stderr
    assert 0x05 in old.asked


def test_a_part_that_came_before_is_not_asked_for_again(old, tmp_path):
    (tmp_path / "part").write_bytes(RUN[: RUN.index(b"\0") + 1])
    with link.Link(old.url) as line:
        (entry,) = line.runs()
        (tmp_path / "part").write_bytes(RUN)
        old.asked.clear()
        assert line.read_run(entry, tmp_path / "part") == RUN
    assert old.asked == []
