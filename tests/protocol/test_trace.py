"""evenfall board trace: every frame of a capture decoded, what is damaged named."""

from __future__ import annotations

import json

import evenfall.cli
from evenfall.board import trace
from wire_references import PROTOCOL, VECTORS

WHOLE = json.loads((PROTOCOL / "conversations.json").read_text())


def test_each_vector_is_traced_with_its_values():
    for v in VECTORS["frames"]:
        (frame,) = trace.frames(bytes.fromhex(v["wire"]))
        assert (frame["type"], frame["sequence"], frame["name"]) == (v["type"], v["sequence"], v["name"])
        fields = {k: x for k, x in frame["fields"].items() if k != "each"}
        assert list(fields.values()) == v["head"], v["name"]
        assert frame.get("rows", 0) == len(v["each"])


def test_damage_is_named_and_nothing_is_left_out():
    good = bytes.fromhex(VECTORS["frames"][0]["wire"])
    capture = good + bytes([good[0], good[1] ^ 2]) + good[2:] + b"\x05junk\x00" + good + good[:4]
    found = list(trace.frames(capture))
    assert ["damage" in f for f in found] == [False, True, True, False, True]
    assert [f["offset"] for f in found] == [0, len(good), 2 * len(good), 2 * len(good) + 6, 3 * len(good) + 6]


def test_a_saved_capture_is_printed(tmp_path, capsys):
    path = tmp_path / "capture"
    path.write_bytes(b"".join(bytes.fromhex(e["answer"][0]) for e in WHOLE["conversations"][0]["exchanges"]))
    assert evenfall.cli.run(["board", "trace", str(path)]) == 0
    out, err = capsys.readouterr()
    assert "0x41 board_info #1 proto_major=2" in out and "0 of them damaged" in err
    assert evenfall.cli.run(["board", "trace", str(path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["name"] == "board_info"
