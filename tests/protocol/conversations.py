"""Whole sessions with the real firmware, as protocol/conversations.json holds them.

``python tests/protocol/conversations.py`` records them anew: this tree's firmware runs in
MicroPython on the simulated bench and answers.  What is asked is written here by hand;
what is answered is the firmware's own.  Fields that change from one board or moment to
the next are listed under "varies" and are not compared.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path += [str(HERE.parent / "firmware"), str(HERE.parent)]

from bench_rig import Rig  # noqa: E402
from evenfall.board import run_file  # noqa: E402
from evenfall_wire import codes, messages, settings  # noqa: E402
from run_writer import run_bytes  # noqa: E402

PATH = Path(messages.__file__).resolve().parent.parent / "conversations.json"
SESSION = 0x0A0B0C0D
VARIES = {
    "board_info": ["firmware", "boot_count", "table_hash"],
    "status": [f[0] for f in messages.BY_NAME["status"][2] if f[0] not in ("state", "fault", "runs_unacked")],
    "read_done": ["challenge"],
    "counters": ["each"],
    "self_test_result": ["each"],
}
IDLE = {"operator": {"ready_s": 600.0}, "bench": {"title": "conversations"}}


def small_run(run_id: int) -> bytes:
    """A made-up run of a few frames: what is in it does not matter to the conversation."""
    ticks = range(1000, 1000 + 120 * 50_000, 50_000)
    board_uid = bytes.fromhex("e660583883000001")
    return run_bytes(
        [
            ("run_header", (1, run_id, board_uid, b"made up", 1, 1_750_000_000, 1000, 0), []),
            ("run_settings", (), [(1, 10), (2, 10)]),
            ("load_samples", (), [(t, 150_000 + i) for i, t in enumerate(ticks)]),
            ("edge_times", (), [(t,) for t in ticks]),
            ("verdict", (1, 0, 1000, 2000, 20000, 10000, 10, 50, 0, 0, 0, 0, 0, 0, 0), []),
        ]
    ) + run_file.frame_bytes("run_end", 8, (9, 120, 120, 1))  # fmt: skip


FILES = {
    "/settings.json": b"{}",
    "/runs/00000001.run": small_run(1),
    "/runs/00000002.trunc": small_run(2)[:900],
}
NUMBER = {s[1]: s[0] for s in settings.SETTINGS}


class Recorder:
    """Asks the board what a client would and writes down what passes."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.sequence = 0
        self.calls: list[dict[str, Any]] = []
        self.exchanges: list[dict[str, Any]] = []

    def exchange(self, wire: bytes, delivered: str = "yes", wait_s: float = 0.0, **more: Any) -> list[bytes]:
        """Send bytes, take down the frames that come back; `delivered`: yes, lost or damaged."""
        self.rig.run(wait_s)
        answer = frames_after(self.rig, wire)
        self.exchanges.append(
            {"wait_s": wait_s, "send": wire.hex(), "answer": [a.hex() for a in answer],
             "delivered": delivered, **more}
        )  # fmt: skip
        return answer

    def wire(self, name: str, head: tuple[Any, ...] = (), each: Any = (), session: int = SESSION) -> bytes:
        if run_file.has_session(name):
            head = (session, *head)
        return run_file.frame_bytes(name, self.sequence, head, each)

    def ask(
        self, name: str, head: tuple[Any, ...] = (), each: Any = (), attempts: tuple[str, ...] = ("yes",),
        wait_s: float = 0.0, session: int = SESSION, **more: Any,
    ) -> list[bytes]:  # fmt: skip
        """One request of the client; `attempts`: what becomes of the answer each time it is sent."""
        self.sequence += 1
        wire = self.wire(name, head, each, session)
        answer: list[bytes] = []
        for number, delivered in enumerate(attempts):
            answer = self.exchange(wire, delivered, 0.0 if number else wait_s, **more)
        reply = run_file.open_frame(answer[-1][:-1])
        assert reply is not None
        message = run_file.decode_message(reply.kind, reply.payload)
        assert message is not None
        call: dict[str, Any] = {"request": name, "head": list(head), "each": [list(e) for e in each]}
        if run_file.has_session(name):
            call["session"] = session
        if message.name == "refused":
            call["refused"] = codes.REFUSALS[message.head["error"]]
            if call["refused"] not in ("other_session", "busy_request"):
                call["detail"] = message.head["detail"]
        else:
            varies = VARIES.get(message.name, [])
            call["reply"] = message.name
            call["values"] = {
                k: v.hex() if isinstance(v, bytes) else v for k, v in message.head.items() if k not in varies
            }
            if "each" not in varies:
                call["rows"] = [list(r) for r in message.each]
        self.calls.append(call)
        return answer

    def hello(self, session: int = SESSION, major: int = messages.PROTO_MAJOR, **more: Any) -> None:
        """Greet."""
        self.ask("hello", (major, messages.PROTO_MINOR, session), **more)

    def raw(self, wire: bytes, wait_s: float = 0.0) -> None:
        """Bytes that no client sends, and what the board says to them."""
        self.exchange(wire, wait_s=wait_s)
        self.calls.append({"bytes": wire.hex(), "answers": len(self.exchanges[-1]["answer"])})

    def acknowledge(self, run_id: int) -> None:
        """Read for the challenge, then the proof."""
        data = FILES[f"/runs/{run_id:08x}.run"]
        answer = self.ask("read_run", (run_id, len(data), 0))
        done = run_file.decode_message(0x44, run_file.open_frame(answer[-1][:-1]).payload)
        proof = run_file.proof(done.head["challenge"], data)
        head = (run_id, len(data), run_file.crc32(data), proof)
        self.ask("ack_run", head, proof_of=f"/runs/{run_id:08x}.run")
        self.calls[-1]["head"][3] = "proof"


def frames_after(rig: Rig, wire: bytes) -> list[bytes]:
    """Frames that come within 0.25 s of silence after `wire`, delimiters included."""
    rig.line.from_board.clear()
    rig.line.to_board += wire
    quiet = 0
    while quiet < 60:
        before = len(rig.line.from_board)
        rig.run(0.004)
        quiet = 0 if len(rig.line.from_board) > before else quiet + 1
    return [c + b"\0" for c in bytes(rig.line.from_board).split(b"\0")[:-1] if c]


def greeting(r: Recorder) -> None:
    """Who is there, how it is, what it holds."""
    r.hello()
    r.ask("get_status")
    r.ask("list_runs", (0,))
    r.ask("list_runs", (2,))
    r.ask("get_settings", (0,))
    r.ask("get_settings", (35,))
    r.ask("get_learned", (0,))
    r.ask("get_counters")


def a_run(r: Recorder) -> None:
    """Listed, read whole and in pieces, acknowledged, deleted."""
    size = len(FILES["/runs/00000001.run"])
    r.hello()
    r.ask("list_runs", (0,))
    r.ask("read_run", (1, 0, size))
    r.ask("read_run", (1, 700, 400))
    r.ask("read_run", (1, 0, 0))
    r.ask("read_run", (1, size - 3, 1000))
    r.ask("read_run", (1, size + 5, 10))
    r.ask("read_next", (2, 0, 900))
    r.ask("delete_run", (1, 0))
    r.ask("delete_run", (1, 1))
    r.acknowledge(1)
    r.ask("list_runs", (0,))
    r.ask("delete_run", (1, 0))
    r.ask("list_runs", (0,))


def refusals(r: Recorder) -> None:
    """What the board does not do."""
    r.hello()
    r.ask("read_run", (4711, 0, 1))
    r.ask("ack_run", (4711, 0, 0, 0))
    r.ask("delete_run", (4711, 1))
    size, crc = len(FILES["/runs/00000001.run"]), run_file.crc32(FILES["/runs/00000001.run"])
    r.ask("ack_run", (1, size, crc, 0))
    r.ask("ack_run", (1, size + 1, crc, 0))
    r.ask("set_settings", (), [(NUMBER["sweep_time"], 12000), (9999, 1)])
    r.ask("set_settings", (), [(NUMBER["sweep_time"], 4999)])
    r.ask("set_settings", (), [(NUMBER["servo_open"], 1000)])
    r.ask("set_clock", (0,))
    r.ask("set_clock", (0xFFFFFFFF,))
    for name in ("start", "characterise"):
        r.ask("command", (codes.COMMANDS.index(name), 0))
    r.ask("command", (250, 0))
    framer = run_file.Framer()
    r.raw(bytes(framer.finish(0x3E, 77, 0)))  # an unknown request
    r.raw(bytes(framer.finish(run_file.TYPE_OF["read_run"], 78, 3)))  # shorter than its fields
    cut = r.wire("set_settings", (), [(NUMBER["sweep_time"], 12000), (NUMBER["end_speed"], 6000)])
    body = bytearray(run_file.cobs.decode(cut[:-1]))[:-6]
    framer.payload[: len(body) - 3] = body[3:]
    r.raw(bytes(framer.finish(body[0], 79, len(body) - 3)))  # cut inside a pair
    r.ask("get_settings", (0,))


def sessions(r: Recorder) -> None:
    """One at a time; what belongs to none is refused; silence ends one."""
    r.ask("get_counters")  # nobody has said hello
    r.hello()
    r.ask("hello", (2, 0, 5))
    r.ask("set_settings", (), [(NUMBER["sweep_time"], 12000)], session=5)
    r.ask("command", (codes.COMMANDS.index("restart"), 0), session=5)
    r.ask("command", (codes.COMMANDS.index("stop"), 0), session=5)
    r.ask("hello", (2, 0, 0))
    r.ask("get_status", wait_s=3.3)
    r.ask("get_counters")  # it has lapsed
    r.ask("hello", (2, 0, 5))
    r.ask("get_counters", session=5)
    r.hello(major=9, wait_s=3.3)


def lost_and_damaged(r: Recorder) -> None:
    """Each change is made once, however often it is asked for."""
    r.hello(attempts=("lost", "damaged", "yes"))
    r.ask("set_settings", (), [(NUMBER["sweep_time"], 12000)], attempts=("lost", "lost", "yes"))
    r.ask("command", (codes.COMMANDS.index("arm"), 0), attempts=("damaged", "yes"))
    r.ask("command", (codes.COMMANDS.index("stop"), 0), attempts=("lost", "yes"))
    r.ask("read_run", (1, 0, 1500), attempts=("lost", "yes"))
    r.ask("get_settings", (0,))
    good = r.wire("get_counters")
    r.raw(good[:4] + bytes([good[4] ^ 0x10]) + good[5:])  # a damaged request
    r.raw(b"\x05noise\x00\x00\x00" + b"U" * 1000 + b"\x00")
    for exchange in list(r.exchanges)[:2]:
        for frame in exchange["answer"]:
            r.raw(bytes.fromhex(frame))  # its own words come back
    r.ask("get_status")


def slow_ones(r: Recorder) -> None:
    """The clock, the zero: the reply comes when it is done."""
    r.hello()
    r.ask("set_clock", (1_750_000_000,))
    r.sequence += 1
    wire = r.wire("zero")
    r.rig.line.from_board.clear()
    r.rig.line.to_board += wire
    r.rig.run(4.0)
    answer = bytes(r.rig.line.from_board)
    exchange = {"wait_s": 0.0, "send": wire.hex(), "answer": [answer.hex()], "delivered": "yes"}
    r.exchanges.append({**exchange, "within_s": 4.0})
    call = {"request": "zero", "head": [], "each": [], "session": SESSION, "reply": "done", "rows": []}
    r.calls.append({**call, "values": {"request": run_file.TYPE_OF["zero"]}})


SCRIPTS = (greeting, a_run, refusals, sessions, lost_and_damaged, slow_ones)


def board() -> Rig:
    """A board at rest that holds FILES."""
    rig = Rig(IDLE, extra=FILES)
    rig.run(2.5)
    return rig


def record() -> dict[str, Any]:
    """All conversations, recorded from the firmware of this tree."""
    conversations = []
    for script in SCRIPTS:
        with board() as rig:
            recorder = Recorder(rig)
            script(recorder)
            conversations.append(
                {"name": script.__name__, "about": script.__doc__, "calls": recorder.calls,
                 "exchanges": recorder.exchanges}
            )  # fmt: skip
    return {
        "about": "Conversations with the real firmware; see SPEC.md. Hex throughout; frames with delimiter.",
        "protocol": f"{messages.PROTO_MAJOR}.{messages.PROTO_MINOR}",
        "session": SESSION,
        "first_sequence": 1,
        "varies": VARIES,
        "files": {path: data.hex() for path, data in FILES.items()},
        "conversations": conversations,
    }


def write(path: Path, whole: dict[str, Any]) -> None:
    """One call and one exchange a line, so that a diff shows which changed."""
    parts = [f"{json.dumps(k)}: {json.dumps(v)}" for k, v in whole.items() if k != "conversations"]
    talks = []
    for c in whole["conversations"]:
        rows = ["{" + f'"name": {json.dumps(c["name"])}, "about": {json.dumps(c["about"])},']
        for key, end in (("calls", ","), ("exchanges", "")):
            rows.append(f'"{key}": [\n' + ",\n".join(" " + json.dumps(x) for x in c[key]) + "\n]" + end)
        talks.append("\n".join(rows) + "}")
    parts.append('"conversations": [\n' + ",\n".join(talks) + "\n]")
    path.write_text("{\n" + ",\n".join(parts) + "\n}\n")


if __name__ == "__main__":
    write(PATH, record())
    print(f"wrote {PATH}")
