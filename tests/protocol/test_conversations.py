"""The document holds: the firmware answers as conversations.json says, and a second client understands it."""

from __future__ import annotations

import ast
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import conversations
import document
import pytest
import refresh
from evenfall.board import run_file
from evenfall_wire import codes, messages
from wire_references import PROTOCOL

WHOLE = json.loads((PROTOCOL / "conversations.json").read_text())
NODE = shutil.which("node")
needs_node = pytest.mark.skipif(NODE is None, reason="node is not on this machine")
CLIENT = Path(__file__).resolve().parent / "client.js"
PROJECT = PROTOCOL.parent


def fixed(wire: bytes) -> Any:
    """What must agree of an answer: all of it, but for the fields that vary."""
    frame = run_file.open_frame(wire[:-1])
    assert frame is not None
    message = run_file.decode_message(frame.kind, frame.payload)
    assert message is not None
    varies = WHOLE["varies"].get(message.name, [])
    if not varies and message.name not in ("refused", "done"):
        return wire
    head = {k: v for k, v in message.head.items() if k not in varies}
    if message.name == "refused" and codes.REFUSALS[head["error"]] == "other_session":
        del head["detail"]  # how long the other still has
    if message.name == "done" and head["request"] == run_file.TYPE_OF["zero"]:
        del head["value"]
    return frame.sequence, message.name, head, [] if "each" in varies else message.each


def with_proof(send: bytes, challenge: int, data: bytes) -> bytes:
    """An ack_run with the proof for the challenge of this board."""
    frame = run_file.open_frame(send[:-1])
    assert frame is not None
    head = list(messages.unpack("ack_run", frame.payload)[0])
    head[4] = run_file.proof(challenge, data)
    return run_file.frame_bytes("ack_run", frame.sequence, head)


@pytest.mark.parametrize("talk", WHOLE["conversations"], ids=lambda t: t["name"])
def test_the_firmware_answers_as_recorded(talk):
    challenge = 0
    with conversations.board() as rig:
        for number, exchange in enumerate(talk["exchanges"]):
            send = bytes.fromhex(exchange["send"])
            if "proof_of" in exchange:
                send = with_proof(send, challenge, bytes.fromhex(WHOLE["files"][exchange["proof_of"]]))
            rig.run(exchange["wait_s"])
            if "within_s" in exchange:
                rig.line.from_board.clear()
                rig.line.to_board += send
                rig.run(exchange["within_s"])
                answer = [bytes(rig.line.from_board)]
            else:
                answer = conversations.frames_after(rig, send)
            recorded = [bytes.fromhex(a) for a in exchange["answer"]]
            assert [fixed(a) for a in answer] == [fixed(a) for a in recorded], (talk["name"], number)
            if answer and answer[-1] and (frame := run_file.open_frame(answer[-1][:-1])):
                message = run_file.decode_message(frame.kind, frame.payload)
                assert message is not None
                challenge = message.head.get("challenge", challenge)


def test_the_conversations_have_every_request_and_most_refusals():
    asked = {c["request"] for t in WHOLE["conversations"] for c in t["calls"] if "request" in c}
    assert asked >= {m[1] for m in messages.MESSAGES if m[0] < 0x40} - {"self_test"}
    refused = {c.get("refused") for t in WHOLE["conversations"] for c in t["calls"]}
    assert refused >= {
        "no_session", "other_session", "newer_protocol", "no_such_run", "not_acknowledged", "copy_differs",
        "no_such_setting", "out_of_bounds", "busy_state", "unknown_request",
    }  # fmt: skip


def by_node(*arguments: object) -> tuple[int, str]:
    done = subprocess.run(
        [NODE, CLIENT, *map(str, arguments)], capture_output=True, text=True, timeout=120, check=False
    )
    return done.returncode, done.stdout + done.stderr


@needs_node
@pytest.mark.outside("a second client in JavaScript with its own CRC-32, COBS and packing; Node's SHA-256")
def test_vectors_by_a_second_client():
    """A client in another language, from the document alone, reproduces every vector both ways."""
    code, said = by_node("vectors", PROTOCOL)
    assert code == 0 and f"{len(refresh.messages.MESSAGES)} vectors" not in said, said
    assert ", 0 differences" in said


@needs_node
@pytest.mark.outside("a second client in JavaScript: whole conversations, request by request")
def test_conversations_by_a_second_client():
    """It asks the same bytes and understands the answers, refusals, repeats and recoveries."""
    code, said = by_node("conversations", PROTOCOL)
    assert code == 0 and f"{len(WHOLE['conversations'])} conversations" in said, said


@needs_node
def test_a_second_client_notices_a_changed_conversation(tmp_path):
    for name in ("protocol.json", "vectors.json", "conversations.json"):
        shutil.copy(PROTOCOL / name, tmp_path)
    changed = json.loads((PROTOCOL / "conversations.json").read_text())
    changed["conversations"][1]["calls"][2]["values"]["length"] += 1
    (tmp_path / "conversations.json").write_text(json.dumps(changed))
    code, said = by_node("conversations", tmp_path)
    assert code == 1 and "length is" in said and "1 differences" in said


@needs_node
def test_a_second_client_fetches_runs_from_the_real_firmware(tmp_path):
    sys.path.append(str(PROJECT / "tests" / "link"))
    from line_rig import LiveBench, record_runs, runs_on_flash, with_link

    image = tmp_path / "flash.img"
    record_runs(image)
    place = tmp_path / "board"
    place.mkdir()
    with LiveBench(with_link(), place, image) as bench:
        code, said = by_node("pull", bench.url, PROTOCOL, tmp_path)
        assert code == 0 and "2 runs, 0 differences" in said, said
        kept = bench.image
    for number, (data, ending) in runs_on_flash(kept).items():
        assert (tmp_path / f"{number}.run").read_bytes() == data and ending == "run.ok"


def constants(path: str) -> dict[str, float]:
    """Numbers assigned at the top of a source file."""
    out = {}
    for node in ast.parse((PROJECT / path).read_text()).body:
        if not isinstance(node, ast.Assign):
            continue
        target, value = node.targets[0], node.value
        pairs = [(target, value)]
        if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            pairs = list(zip(target.elts, value.elts, strict=True))
        for name, number in pairs:
            try:
                out[name.id] = ast.literal_eval(number)
            except (ValueError, AttributeError):
                continue
    return out


def test_the_document_says_the_times_and_limits_of_the_code():
    spec = " ".join((PROTOCOL / "SPEC.md").read_text().split())
    board = constants("firmware/lib/evenfall_board/link.py")
    commands = constants("firmware/lib/evenfall_board/host_commands.py")
    host = constants("host/evenfall/board/link.py") | constants("host/evenfall/board/transfer.py")
    for sentence in (
        f"lapses when for **{board['SESSION_MS'] // 1000} s**",
        f"After {board['GIVE_UP_MS'] // 1000} s without a byte taken",
        f"takes no byte for {board['HOST_STALLED_MS'] / 1000} s",
        f"{board['FIRST_UNIX_S']:,} (2025-01-01)",
        f"{board['LAST_UNIX_S']:,} (2038-01-01)",
        f"{host['FIRST_RTO_S']} s at first, from {host['MIN_RTO_S']} to {host['MAX_RTO_S']:.0f} s",
        f"{host['EXTRA_S']['zero']:.0f} s `zero`, {host['EXTRA_S']['self_test']:.0f} s `self_test`",
        f"host, retries | {host['ATTEMPTS']} attempts",
        f"given up after {host['QUIET_LIMIT_S']:.0f} s without a new byte, or below "
        f"{host['SLOWEST_BYTES_PER_S']:.0f} bytes/s after {host['GRACE_S']:.0f} s",
        f"or {constants('firmware/lib/evenfall_board/store.py')['MAX_RUNS']} runs are listed",
        f"within {commands['PRESS_MS'] // 1000} s after a person",
    ):
        assert sentence in spec, sentence


def test_the_document_describes_what_the_code_has():
    tables = {name for name, value in vars(codes).items() if name.isupper() and isinstance(value, tuple)}
    assert set(document.CODES) == tables
    for name, (_, _, notes) in document.CODES.items():
        assert set(notes) <= set(getattr(codes, name)), name
    valve_map = (PROJECT / "firmware/lib/evenfall_board/valve_map.py").read_text()
    slots = dict(re.findall(r"^_?SLOT_(\w+) = (?:const\()?(\d+)", valve_map, re.M))
    assert {(name.lower(), int(n)) for name, n in slots.items()} == {
        (name, slot) for slot, name, _, _ in document.LEARNED_SLOTS
    }


def test_a_board_with_other_tables_is_noticed(tmp_path):
    """The same version and another hash: a caution, and the runs still come."""
    sys.path.append(str(PROJECT / "tests" / "host"))
    import faulty_board
    from evenfall.board import link
    from sample_runs import sample_run

    said: list[str] = []
    with faulty_board.FaultyBoard(tmp_path, {3: sample_run(3, seconds=0.5)}) as board:
        board.faults.table_hash ^= 1
        with link.Link(board.url, say=said.append) as line:
            assert len(line.runs()) == 1
    assert any("tables of messages and codes differ" in s for s in said)
