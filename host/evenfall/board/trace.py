"""Frames of a link or of a saved capture, decoded for whoever writes another client.

The formats are `construct` declarations made from the message table; nothing of the
host's own decoding is used, so that the two can be held against each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import construct
from cobs import cobs
from evenfall_wire import messages

from evenfall.board import run_file

SHOWN_ROWS = 4  # repeating records shown of each frame; the rest is counted


def frames(capture: bytes) -> Iterator[dict[str, Any]]:
    """Each frame of `capture`, in order: offset, size, and what it is or why it is none.

    A sound frame has type, name, sequence, fields (wire integers by name, bytes as hex) and
    `rows`, the number of repeating records, of which the first SHOWN_ROWS are in fields["each"].
    """
    at = 0
    while at < len(capture):
        end = capture.find(b"\x00", at)
        chunk = capture[at : end if end >= 0 else len(capture)]
        if chunk:
            yield {
                "offset": at,
                "size": len(chunk),
                **(_decoded(chunk) if end >= 0 else {"damage": "no delimiter"}),
            }
        at += len(chunk) + 1


def _decoded(chunk: bytes) -> dict[str, Any]:
    try:
        body = cobs.decode(chunk)
        frame = run_file.frame_construct().parse(body, size=len(body)).checked.value
    except cobs.DecodeError as error:
        return {"damage": f"not COBS: {error}"}
    except construct.ChecksumError:
        return {"damage": "the CRC differs"}
    except construct.ConstructError:
        return {"damage": f"{len(body)} bytes are too few"}
    entry = messages.BY_TYPE.get(frame.type)
    out: dict[str, Any] = {
        "type": frame.type,
        "sequence": frame.sequence,
        "name": entry[messages.NAME] if entry else "unknown",
    }
    if entry is None:
        return {**out, "payload": frame.payload.hex()}
    try:
        parsed = run_file.constructs()[entry[messages.NAME]].parse(frame.payload)
    except construct.ConstructError:
        return {**out, "damage": "shorter than its fields", "payload": frame.payload.hex()}
    fields = _plain(parsed)
    rows = fields.get("each", [])
    if rows:
        out["rows"] = len(rows)
        if entry[messages.NAME] == "run_data":
            fields["each"] = bytes(r["byte"] for r in rows).hex()
        else:
            fields["each"] = rows[:SHOWN_ROWS]
    return {**out, "fields": fields}


def _plain(value: Any) -> Any:
    """construct's containers as plain data."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items() if not k.startswith("_")}
    if isinstance(value, list):
        return [_plain(v) for v in value]
    return value.hex() if isinstance(value, bytes) else value


def line_of(frame: dict[str, Any]) -> str:
    """One frame as one line of text."""
    start = f"{frame['offset']:8}"
    if "type" not in frame:
        return f"{start}  damaged, {frame['size']} bytes: {frame['damage']}"
    text = f"{start}  0x{frame['type']:02X} {frame['name']} #{frame['sequence']}"
    if "damage" in frame:
        return f"{text}  damaged: {frame['damage']}"
    fields = dict(frame.get("fields", {"payload": frame.get("payload", "")}))
    each = fields.pop("each", [])
    text += "".join(f" {k}={v}" for k, v in fields.items())
    if isinstance(each, str):
        return f"{text} bytes={each[:32]}{'...' if len(each) > 32 else ''} ({frame['rows']})"
    rows = "".join(" {" + ", ".join(f"{k}={v}" for k, v in row.items()) + "}" for row in each)
    more = frame.get("rows", 0) - len(each)
    return f"{text}{rows}{f' and {more} more' if more > 0 else ''}"
