"""Bring SPEC.md's table and vectors.json up to date with message_table.py.

``python protocol/refresh.py`` writes them; ``--check`` only says whether they
are current (exit 1 if not).  A vector once written is never rewritten: old
boards and old run files hold those bytes.  A change that would need it is a
new message, or a new major version.
"""

import json
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from evenfall_wire import frames, messages  # noqa: E402

BEGIN = "<!-- table: begin (made by refresh.py from message_table.py; do not edit) -->"
END = "<!-- table: end -->"


def table():
    """The messages as Markdown."""
    lines = []
    for number, name, head, each in messages.MESSAGES:
        kind = "request" if number < 0x40 else "reply" if number < 0x80 else "record"
        size = messages.struct.calcsize(messages.HEAD[name])
        text = f"**0x{number:02X} `{name}`** ({kind}), {size} bytes"
        if each:
            size = messages.struct.calcsize(messages.EACH[name])
            room = (frames.MAX_PAYLOAD - messages.struct.calcsize(messages.HEAD[name])) // size
            text += f", then {size} bytes each, at most {room}"
        lines += [text, ""]
        if head or each:
            lines += ["| | field | code | unit | scale |", "|---|---|---|---|---|"]
        for when, fields in (("once", head), ("each", each)):
            for field, code, unit, scale in fields:
                # 1/TICK_HZ is a binary fraction: write it as people read it
                shown = "1/4,000,000" if scale == 1 / messages.TICK_HZ else str(scale)
                lines.append(f"| {when} | {field} | {code} | {unit} | {shown} |")
        if head or each:
            lines.append("")
    return "\n".join(lines)


def spec_with_table(text):
    """SPEC.md's text with the table put between its marks."""
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    return f"{before}{BEGIN}\n\n{table()}\n{END}{after}"


def _plain(values):
    return [v.hex() if isinstance(v, bytes) else v for v in values]


def _limits(fields):
    """Smallest value of signed fields, greatest of the others."""
    values = []
    for _, code, _, _ in fields:
        size = messages.struct.calcsize("<" + code)
        if code.endswith("s"):
            values.append(b"\xff" * size)
        else:
            values.append(-(1 << 8 * size - 1) if code.islower() else (1 << 8 * size) - 1)
    return values


def make_vector(name, kind):
    """One frame of message `name`.

    "counting": payload bytes 01 02 03 ..., two records; "zeros": the same of
    zeros, the worst case of the stuffing; "full": fields at their limits, as
    many records as fit.  Each can be checked by eye.
    """
    number, _, head, each = messages.BY_NAME[name]
    head_size = messages.struct.calcsize(messages.HEAD[name])
    each_size = messages.struct.calcsize(messages.EACH[name])
    if kind == "full":
        count = (frames.MAX_PAYLOAD - head_size) // each_size if each else 0
        payload = messages.struct.pack(messages.HEAD[name], *_limits(head))
        payload += messages.struct.pack(messages.EACH[name], *_limits(each)) * count
    else:
        size = head_size + 2 * each_size
        payload = bytes((1 + i if kind == "counting" else 0) for i in range(size))
    head_values, each_values = messages.unpack(name, payload)
    sequence = {"counting": 0x0201, "zeros": 0, "full": 0xFFFF}[kind]
    framer = frames.Framer()
    framer.payload[: len(payload)] = payload
    return {
        "name": name,
        "kind": kind,
        "type": number,
        "sequence": sequence,
        "head": _plain(head_values),
        "each": [_plain(r) for r in each_values],
        "payload": payload.hex(),
        "wire": bytes(framer.finish(number, sequence, len(payload))).hex(),
    }


def missing_vectors(vectors):
    """Vectors of the messages that have none yet."""
    have = {(v["name"], v["kind"]) for v in vectors["frames"]}
    out = []
    for _, name, head, each in messages.MESSAGES:
        for kind in ("counting", "zeros", "full") if head or each else ("zeros",):
            if (name, kind) not in have:
                out.append(make_vector(name, kind))
    return out


def write_vectors(path, vectors):
    """One vector a line, so that a diff shows which was added."""
    parts = []
    for key, value in vectors.items():
        if isinstance(value, list):
            rows = ",\n".join("  " + json.dumps(v) for v in value)
            parts.append(f"{json.dumps(key)}: [\n{rows}\n]")
        else:
            parts.append(f"{json.dumps(key)}: {json.dumps(value)}")
    path.write_text("{\n" + ",\n".join(parts) + "\n}\n")


def main(check=False):
    """Write what is out of date; with `check`, only report it."""
    spec = HERE / "SPEC.md"
    path = HERE / "vectors.json"
    text = spec.read_text()
    new_text = spec_with_table(text)
    vectors = json.loads(path.read_text())
    new = missing_vectors(vectors)
    if check:
        if new_text != text:
            print("protocol/SPEC.md: the table is out of date; run python protocol/refresh.py")
        if new:
            print(f"protocol/vectors.json: no vectors of {new[0]['name']}; run python protocol/refresh.py")
        return int(bool(new) or new_text != text)
    spec.write_text(new_text)
    vectors["frames"] += new
    write_vectors(path, vectors)
    print(f"SPEC.md {'changed' if new_text != text else 'unchanged'}, {len(new)} vectors added")
    return 0


if __name__ == "__main__":
    sys.exit(main(check="--check" in sys.argv[1:]))
