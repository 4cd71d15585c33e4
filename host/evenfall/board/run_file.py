"""Bytes of the board to records and back, every format derived from `evenfall_wire.messages`.

The fast path (`decode_run`) splits at the delimiters, undoes COBS in C, checks
the CRC and reads bulk samples with `numpy.frombuffer`; `constructs()` offers
the same formats as `construct` declarations, for inspection and for checking
one path against the other.
"""

from __future__ import annotations

import functools
import hashlib
from binascii import crc32
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np
from cobs import cobs
from evenfall_wire import codes, messages, settings
from evenfall_wire.frames import MAX_BODY, MAX_WIRE, Framer
from numpy.typing import NDArray

from evenfall.errors import DamageError
from evenfall.model import AirSample, Event, FloatArray, IntArray, Run, Zero
from evenfall.printable import printable

MAX_RUN_BYTES = 16 << 20  # a board's whole flash: no run is larger
MAX_SENTENCES = 20  # of one kind about a run's damage; then a count
TICK_S = 1.0 / messages.TICK_HZ
_HALF = messages.TICK_WRAP >> 1
_CRC_RESIDUE = crc32(crc32(b"").to_bytes(4, "little"))
_NUMPY = {"b": "i1", "B": "u1", "h": "<i2", "H": "<u2", "i": "<i4", "I": "<u4", "q": "<i8", "Q": "<u8"}
# integer codes that stand for names, by field name
_NAMES = {
    "state": codes.STATES,
    "fault": codes.FAULTS,
    "verdict": codes.VERDICTS,
    "reason": codes.REASONS,
    "trigger": codes.TRIGGERS,
    "event": codes.EVENTS,
    "error": codes.REFUSALS,
    "counter": codes.COUNTERS,
    "item": codes.SELF_TEST_ITEMS,
    "result": codes.SELF_TEST_RESULTS,
}


def _dtype(fields: Iterable[tuple[str, str, str, float]]) -> np.dtype[Any]:
    return np.dtype(
        [(name, "S" + code[:-1] if code.endswith("s") else _NUMPY[code]) for name, code, *_ in fields]
    )


# numpy dtypes of the repeated part of each message
DTYPES: dict[str, np.dtype[Any]] = {name: _dtype(each) for _, name, _, each in messages.MESSAGES if each}
TYPE_OF: dict[str, int] = {name: number for number, name, _, _ in messages.MESSAGES}
RUN_DATA = TYPE_OF["run_data"]


class Frame(NamedTuple):
    """A whole, checked frame."""

    kind: int
    sequence: int
    payload: bytes


class Message(NamedTuple):
    """A decoded payload: `head` by field name (wire integers), `each` as tuples."""

    name: str
    head: dict[str, Any]
    each: list[tuple[Any, ...]]


def _sound(body: bytes) -> bool:
    # the CRC over data and its own CRC is one constant for every sound frame
    return crc32(body) == _CRC_RESIDUE and 7 <= len(body) <= MAX_BODY


def open_frame(chunk: bytes) -> Frame | None:
    """Undo COBS of `chunk` (no delimiter) and check its CRC; None when damaged."""
    if len(chunk) >= MAX_WIRE:
        return None
    try:
        body = cobs.decode(chunk)
    except cobs.DecodeError:
        return None
    return Frame(body[0], body[1] | body[2] << 8, body[3:-4]) if _sound(body) else None


def frame_bytes(
    name: str, sequence: int, head: Sequence[Any] = (), each: Iterable[Sequence[Any]] = ()
) -> bytes:
    """One frame on the wire, delimiter included."""
    framer = Framer()
    size = messages.pack_into(name, framer.payload, 0, tuple(head), each)
    return bytes(framer.finish(TYPE_OF[name], sequence, size))


def has_session(name: str) -> bool:
    """True for requests that begin with the number of the session that asks."""
    return messages.BY_NAME[name][2][:1] == (("session", "I", "", 1),)


def proof(challenge: int, copy: bytes) -> int:
    """What shows the board that `copy` is here: the first 4 bytes of SHA-256(challenge u32, copy)."""
    return int.from_bytes(hashlib.sha256(challenge.to_bytes(4, "little") + copy).digest()[:4], "little")


def decode_message(kind: int, payload: bytes) -> Message | None:
    """Decode a payload; None for a type this host does not know.

    Raises ValueError when the payload is shorter than the message's head.
    """
    entry = messages.BY_TYPE.get(kind)
    if entry is None:
        return None
    name = entry[messages.NAME]
    head, each = messages.unpack(name, payload)
    fields = [field for field, *_ in entry[messages.HEAD_FIELDS]]
    return Message(name, dict(zip(fields, head, strict=True)), each)


def code_name(field: str, value: int) -> str:
    """The name that stands for an integer code of `field`; '<field> N' for one not known here."""
    names = _NAMES[field]
    return names[value] if 0 <= value < len(names) else f"{field} {value}"


def scaled(name: str, head: dict[str, Any]) -> dict[str, Any]:
    """Head fields in their units, codes as names, bytes as text or hex."""
    out: dict[str, Any] = {}
    for field, code, _unit, scale in messages.BY_NAME[name][2]:
        value = head[field]
        if field in _NAMES:
            out[field] = code_name(field, value)
        elif code.endswith("s"):
            out[field] = value.hex() if field.endswith("uid") else text(value)
        else:
            out[field] = value if scale == 1 else value * scale
    return out


def bit_names(names: Sequence[str], flags: int) -> list[str]:
    """Names of the bits set in `flags`."""
    return [name for bit, name in enumerate(names) if flags >> bit & 1]


def unwrap_ticks(ticks: NDArray[Any], start_tick: int) -> IntArray:
    """Ticks modulo 2**30 -> ticks from `start_tick`, shape (n,), signed.

    Neighbours, and the first tick and `start_tick`, must lie within half a wrap
    (134 s) of each other.
    """
    if len(ticks) == 0:
        return np.zeros(0, np.int64)
    steps = np.empty(len(ticks), np.int64)
    steps[0] = int(ticks[0]) - start_tick
    steps[1:] = ticks[1:].astype(np.int64) - ticks[:-1].astype(np.int64)
    steps += _HALF
    steps &= messages.TICK_WRAP - 1
    steps -= _HALF
    return np.cumsum(steps)


def split_run(data: bytes) -> tuple[dict[int, list[bytes]], list[str]]:
    """Payloads of a run file's whole frames by message type, in file order, and what is wrong with it.

    Unknown types and frames that came twice are named and left out.  This is the
    inner loop of every decode: it works on whole chunks, in C where it can.
    """
    chunks = data.split(b"\x00")
    tail = chunks.pop()
    parts: dict[int, list[bytes]] = {kind: [] for kind in messages.BY_TYPE}
    seen: dict[int, None] = {}  # sequences in file order
    bad: list[int] = []  # places in chunks
    unknown: Counter[int] = Counter()
    doubled = 0
    decode = cobs.decode
    for position, chunk in enumerate(chunks):
        try:
            body = decode(chunk)
        except cobs.DecodeError:
            body = b""
        if crc32(body) != _CRC_RESIDUE or not 7 <= len(body) <= MAX_BODY:  # _sound, without the call
            if chunk:
                bad.append(position)
            continue
        sequence = body[1] | body[2] << 8
        if sequence in seen:
            doubled += 1
            continue
        seen[sequence] = None
        try:
            parts[body[0]].append(body[3:-4])
        except KeyError:
            unknown[body[0]] += 1

    damage = []
    at = done = 0
    for position in bad[:MAX_SENTENCES]:
        at += sum(map(len, chunks[done:position])) + position - done
        done = position
        damage.append(f"bytes {at} to {at + len(chunks[position]) - 1} hold no whole frame")
    if len(bad) > MAX_SENTENCES:
        damage.append(f"{len(bad) - MAX_SENTENCES} more places hold no whole frame")
    if tail:
        damage.append(f"the last frame is truncated ({len(tail)} bytes after the last whole frame)")
    if doubled:
        damage.append(f"{doubled} frames came twice; the first of each is used")
    damage += _gaps(list(seen))
    for kind, count in sorted(unknown.items()):
        damage.append(f"{count} frames of type 0x{kind:02X} skipped: this host does not know them")
    return parts, damage


def _head(parts: dict[int, list[bytes]], name: str, damage: list[str]) -> dict[str, Any] | None:
    """Fields of the first whole message of that name; adds to `damage`."""
    for payload in parts[TYPE_OF[name]]:
        try:
            message = decode_message(TYPE_OF[name], payload)
        except ValueError:
            damage.append(f"the {name} frame is shorter than it should be")
            continue
        assert message is not None
        return message.head
    return None


def _records(parts: dict[int, list[bytes]], name: str) -> NDArray[Any]:
    """All whole records of the messages of that name."""
    dtype = DTYPES[name]
    payloads = parts[TYPE_OF[name]]
    whole = [p if len(p) % dtype.itemsize == 0 else p[: -(len(p) % dtype.itemsize)] for p in payloads]
    return np.frombuffer(b"".join(whole), dtype)


def _scales(name: str) -> dict[str, float]:
    """Field of each record -> what its integer is multiplied with."""
    return {field: scale for field, _, _, scale in messages.BY_NAME[name][messages.EACH_FIELDS]}


def _events(rows: NDArray[Any], time_s: FloatArray) -> list[Event]:
    names = [code_name("event", e) for e in rows["event"].tolist()]
    return list(map(Event, time_s.tolist(), names, rows["value"].tolist()))


def _air(rows: NDArray[Any], time_s: FloatArray) -> list[AirSample]:
    scale = _scales("air")
    return [
        AirSample(t, float(p), c * scale["temperature"], h * scale["humidity"])
        for t, (_, p, c, h) in zip(time_s.tolist(), rows.tolist(), strict=True)
    ]


def _zeros(rows: NDArray[Any], time_s: FloatArray) -> list[Zero]:
    scale = _scales("zeros")
    return [
        Zero(t, m * scale["mean_x16"], float(s), n)
        for t, (_, m, s, n) in zip(time_s.tolist(), rows.tolist(), strict=True)
    ]


def decode_run(data: bytes) -> Run:
    """Decode a run file: stored record frames, one after the other.

    Never raises for damage: what is lost is named in `Run.damage`, what is
    whole is decoded.  Verdict fields keep the names of the message table;
    values are scaled, codes are names, and tick fields are seconds from
    `run_header.start_tick`.
    """
    parts, damage = split_run(data)

    header = _head(parts, "run_header", damage)
    if header is None:
        damage.append("the run_header frame is missing: run number, board and start are not known")
        header = {field: 0 for field, *_ in messages.BY_NAME["run_header"][messages.HEAD_FIELDS]}
        header.update(board_uid=b"", firmware=b"")
    start_tick = header["start_tick"]

    loads, edges, trace = (
        _records(parts, "load_samples"),
        _records(parts, "edge_times"),
        _records(parts, "control_trace"),
    )
    events, air, zeros = _records(parts, "events"), _records(parts, "air"), _records(parts, "zeros")
    end = _head(parts, "run_end", damage)
    if end is None:
        damage.append("the run_end frame is missing: the recording was cut off")
    else:
        for what, told, found in (("load samples", end["loads"], loads), ("edges", end["edges"], edges)):
            if told != len(found):
                damage.append(f"{told} {what} were recorded, {len(found)} are here")
    verdict = _head(parts, "verdict", damage)
    trace_scale = _scales("control_trace")

    def seconds(rows: NDArray[Any]) -> FloatArray:
        return np.asarray(unwrap_ticks(rows["tick"], start_tick) * TICK_S, np.float64)

    return Run(
        run_id=header["run_id"],
        board_uid=header["board_uid"].hex(),
        firmware=text(header["firmware"]),
        started_unix_s=header["started_unix_s"],
        trigger=code_name("trigger", header["trigger"]),
        settings={setting_name(int(n)): int(v) for n, v in _records(parts, "run_settings").tolist()},
        load_time_s=seconds(loads),
        load_count=loads["count"].astype(np.int64),
        edge_time_s=seconds(edges),
        trace_time_s=seconds(trace),
        trace_set_speed_rpm=trace["set_speed"] * float(trace_scale["set_speed"]),
        trace_speed_rpm=trace["speed"] * float(trace_scale["speed"]),
        trace_valve_us=trace["valve"].astype(np.float64),
        trace_flags=trace["flags"].astype(np.int64),
        events=_events(events, seconds(events)),
        air=_air(air, seconds(air)),
        zeros=_zeros(zeros, seconds(zeros)),
        verdict=None if verdict is None else _verdict(verdict, start_tick),
        complete=bool(end and end["complete"]),
        damage=damage,
        start_tick=start_tick,
        boot_count=header["boot_count"],
    )


def check_holds_a_run(run: Run) -> None:
    """DamageError when no board recorded these bytes."""
    if not run.board_uid:
        raise DamageError("these bytes hold no run: " + "; ".join(run.damage[:3]))


def _verdict(head: dict[str, Any], start_tick: int) -> dict[str, Any]:
    out = scaled("verdict", head)
    for field in out:
        if field.endswith("_tick"):
            out[field] = float(unwrap_ticks(np.array([head[field]]), start_tick)[0]) * TICK_S
    return out


def _gaps(sequences: list[int]) -> list[str]:
    """Sentences for the frame numbers that are not there, counted from 0; few, however many are missing."""
    out: list[str] = []
    if sequences == list(range(len(sequences))):
        return out
    expected = 0
    for sequence in sorted(sequences):
        if sequence > expected:
            last = sequence - 1
            out.append(
                f"frame {last} is missing" if last == expected else f"frames {expected} to {last} are missing"
            )
        expected = sequence + 1
    if len(out) > MAX_SENTENCES:
        missing = expected - len(sequences)
        gaps = len(out) - MAX_SENTENCES
        out[MAX_SENTENCES:] = [f"{gaps} more gaps; {missing} frames are missing in all"]
    return out


def setting_name(number: int) -> str:
    """The name of a setting; setting_<number> for one not known here."""
    entry = settings.BY_NUMBER.get(number)
    if entry is None:
        return f"setting_{number}"
    _number, name, *_ = entry
    return name


def text(raw: bytes) -> str:
    return printable(raw.split(b"\x00")[0].decode("ascii", "replace"))


@functools.cache
def constructs() -> dict[str, Any]:
    """`construct` formats by message name: Struct(head..., each=GreedyRange(Struct(...)))."""
    import construct as c

    whole = {"b": c.Int8sl, "B": c.Int8ul, "h": c.Int16sl, "H": c.Int16ul, "i": c.Int32sl, "I": c.Int32ul}

    def struct_of(fields: Iterable[tuple[str, str, str, float]]) -> list[Any]:
        return [
            name / (c.Bytes(int(code[:-1])) if code.endswith("s") else whole[code])
            for name, code, *_ in fields
        ]

    return {
        name: c.Struct(
            *struct_of(once), *(["each" / c.GreedyRange(c.Struct(*struct_of(each)))] if each else [])
        )
        for _, name, once, each in messages.MESSAGES
    }


@functools.cache
def frame_construct() -> Any:
    """`construct` format of a frame's body (COBS undone); parse with `size=len(body)`."""
    import construct as c

    checked = c.Struct("type" / c.Int8ul, "sequence" / c.Int16ul, "payload" / c.GreedyBytes)
    return c.Struct(
        "checked" / c.RawCopy(c.FixedSized(c.this._params.size - 4, checked)),
        "crc32" / c.Checksum(c.Int32ul, crc32, c.this.checked.data),
    )
