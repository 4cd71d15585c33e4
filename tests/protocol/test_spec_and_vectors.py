"""SPEC.md and vectors.json agree with the table, and three implementations with the vectors."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from binascii import unhexlify

import check_vectors
import pytest
import refresh
from cobs import cobs
from evenfall_wire import codes, frames, messages, settings
from wire_references import (
    PROTOCOL,
    VECTORS,
    build_frame,
    build_payload,
    parse_frame,
    parse_payload,
    record_dtype,
    run_micropython,
)


def _values(row):
    return tuple(unhexlify(v) if isinstance(v, str) else v for v in row)


def test_spec_table_and_vectors_are_current():
    done = subprocess.run(
        [sys.executable, PROTOCOL / "refresh.py", "--check"], capture_output=True, text=True, timeout=180
    )
    assert done.returncode == 0, done.stdout


def test_a_changed_table_is_noticed(monkeypatch, capsys):
    extra = (*messages.MESSAGES, (0x8E, "extra", (("x", "B", "", 1),), ()))
    monkeypatch.setattr(messages, "MESSAGES", extra)
    for table, fields in ((messages.HEAD, "<B"), (messages.EACH, "<")):
        monkeypatch.setitem(table, "extra", fields)
    monkeypatch.setitem(messages.BY_NAME, "extra", extra[-1])
    assert refresh.main(check=True) == 1
    said = capsys.readouterr().out
    assert "SPEC.md" in said and "extra" in said


def test_vectors_in_this_interpreter():
    wrong: list[str] = []
    checked = check_vectors.check(VECTORS, frames, messages, zlib.crc32, wrong.append)
    assert not wrong
    assert checked > 500


def test_vectors_in_micropython():
    said = run_micropython(PROTOCOL / "check_vectors.py", PROTOCOL)
    assert "0 differences (micropython)" in said, said
    assert int(said.split()[0]) > 500


def test_a_wrong_vector_is_noticed():
    changed = dict(VECTORS, crc32=[dict(VECTORS["crc32"][0], crc=1)])
    wrong: list[str] = []
    check_vectors.check(changed, frames, messages, zlib.crc32, wrong.append)
    assert len(wrong) == 1 and "313233343536373839" in wrong[0]


@pytest.mark.outside("construct, the cobs library, zlib: every golden vector both ways")
@pytest.mark.parametrize("v", VECTORS["frames"], ids=lambda v: f"{v['name']}-{v['kind']}")
def test_vectors_by_construct(v):
    """construct, the cobs library and zlib reproduce each vector both ways."""
    head, each = _values(v["head"]), [_values(row) for row in v["each"]]
    payload, wire = unhexlify(v["payload"]), unhexlify(v["wire"])
    assert build_payload(v["name"], head, each) == payload
    assert parse_payload(v["name"], payload) == (head, each)
    assert build_frame(v["type"], v["sequence"], payload) == wire
    assert parse_frame(wire) == (v["type"], v["sequence"], payload)
    assert messages.BY_TYPE[v["type"]][1] == v["name"]


@pytest.mark.outside(
    "worked examples of COBS (Cheshire and Baker 1999, and texts after it) by the cobs library"
)
@pytest.mark.parametrize("v", VECTORS["cobs"], ids=lambda v: v["source"][:30] + v["wire"][:8])
def test_cobs_vectors_by_the_cobs_library(v):
    assert cobs.encode(unhexlify(v["data"])).hex() == v["wire"]


def test_every_message_has_vectors_and_none_is_of_an_unknown_one():
    assert not refresh.missing_vectors(VECTORS)
    assert {v["name"] for v in VECTORS["frames"]} == set(messages.BY_NAME)


def test_table_is_well_formed():
    assert len(messages.BY_NAME) == len(messages.BY_TYPE) == len(messages.MESSAGES)
    for number, name, head, each in messages.MESSAGES:
        assert 0 < number < 0xC0
        field_names = [f[0] for f in (*head, *each)]
        assert len(set(field_names)) == len(field_names), name
        # two whole records at least, else there is nothing to repeat
        size = struct.calcsize(messages.HEAD[name]) + 2 * struct.calcsize(messages.EACH[name])
        assert size <= frames.MAX_PAYLOAD, name
        assert record_dtype(name).itemsize == struct.calcsize(messages.EACH[name])
        for field, code, _, scale in (*head, *each):
            assert code in "BHIbhi" or (code.endswith("s") and int(code[:-1]) > 0), field
            assert scale > 0


def test_code_tables_fit_their_bytes():
    for name in ("STATES", "TRIGGERS", "FAULTS", "VERDICTS", "REASONS", "EVENTS", "REFUSALS", "COMMANDS"):
        table = getattr(codes, name)
        assert len(set(table)) == len(table) <= 256, name
    for name, bits in (("STATUS_BITS", 16), ("TRACE_BITS", 16), ("RUN_BITS", 8)):
        table = getattr(codes, name)
        assert len(set(table)) == len(table) <= bits, name


def test_settings_table_is_well_formed():
    assert len(settings.BY_NUMBER) == len(settings.BY_NAME) == len(settings.SETTINGS)
    for number, name, _, default, low, high, _ in settings.SETTINGS:
        assert 0 < number < 1 << 16
        assert -(1 << 31) <= low <= default <= high < 1 << 31, name


def test_spec_says_the_limits_of_the_code():
    spec = (PROTOCOL / "SPEC.md").read_text()
    assert f"**{frames.MAX_DATA}** bytes (`MAX_DATA`)" in spec
    assert f"the body {frames.MAX_BODY}, a frame on the wire {frames.MAX_WIRE}" in spec
    assert f"Now {messages.PROTO_MAJOR}.{messages.PROTO_MINOR}." in spec
    for request in (m[1] for m in messages.MESSAGES if m[0] < 0x40):
        assert f"| `{request}` |" in spec
    for refusal in [r for r in codes.REFUSALS[1:] if not r.startswith("reserved_")]:
        assert f"`{refusal}`" in spec, refusal


@pytest.mark.parametrize("v", [v for v in VECTORS["frames"] if not v["each"] and v["payload"]])
def test_unknown_trailing_bytes_are_ignored(v):
    """A newer board may add fields at the end; an older host reads the rest as before."""
    payload = unhexlify(v["payload"])
    assert messages.unpack(v["name"], payload + b"\x07\x08\x09")[0] == _values(v["head"])


def test_a_short_head_is_said_so():
    with pytest.raises(ValueError, match="payload of status is 10 bytes, shorter than"):
        messages.unpack("status", bytes(10))
    with pytest.raises(ValueError, match="payload of hello is 0 bytes"):
        messages.unpack("hello", b"")


def test_half_a_record_is_left_out():
    assert messages.unpack("edge_times", bytes(4 * 3 + 2)) == ((), [(0,), (0,), (0,)])
