"""Bring SPEC.md's tables, protocol.json, table_hash.py and vectors.json up to date with the code.

``python protocol/refresh.py`` writes them; ``--check`` only says whether they
are current (exit 1 if not).  A vector once written is never rewritten: old
boards and old run files hold those bytes.  A change that would need it is a
new message, or a new major version.

protocol.json is the same tables for a program.  The hash of them stands in
table_hash.py: a board tells it in board_info, so that a host whose tables differ
notices, although both count the same version.
"""

import json
import sys
from binascii import crc32
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import document  # noqa: E402
from evenfall_wire import codes, frames, messages, settings  # noqa: E402

BEGIN = "<!-- {}: begin (made by refresh.py; do not edit) -->"
END = "<!-- {}: end -->"


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


def code_tables():
    """The numbers of codes.py as Markdown."""
    lines = []
    for table_name, (title, where, notes) in document.CODES.items():
        names = getattr(codes, table_name)
        lines += [f"**{title}** ({where})", ""]
        if notes:
            lines += ["| number | name | |", "|---|---|---|"]
            lines += [f"| {n} | `{name}` | {notes.get(name, '')} |" for n, name in enumerate(names)]
        else:
            lines.append(", ".join(f"{n} `{name}`" for n, name in enumerate(names)))
        lines.append("")
    return "\n".join(lines)


def setting_table():
    """The settings as Markdown."""
    lines = [
        "| number | name | unit | default | bounds | group | from the next start |",
        "|---|---|---|---|---|---|---|",
    ]
    for number, name, unit, default, low, high, group in settings.SETTINGS:
        late = "yes" if group == "pins" or name in settings.AT_START else ""
        lines.append(f"| {number} | `{name}` | {unit} | {default} | {low} to {high} | {group} | {late} |")
    return "\n".join(lines) + "\n"


def slot_table():
    """The learned slots as Markdown."""
    lines = ["| slot | name | unit | what |", "|---|---|---|---|"]
    lines += [f"| {slot} | {name} | {unit} | {what} |" for slot, name, unit, what in document.LEARNED_SLOTS]
    return "\n".join(lines) + "\n"


def described():
    """All tables as plain data: what protocol.json holds, and what the hash covers."""

    def fields(rows):
        return [{"name": n, "code": c, "unit": u, "scale": s} for n, c, u, s in rows]

    return {
        "messages": [
            {"type": number, "name": name, "once": fields(head), "each": fields(each)}
            for number, name, head, each in messages.MESSAGES
        ],
        "codes": {name.lower(): list(getattr(codes, name)) for name in document.CODES},
        "settings": [
            {
                "number": number, "name": name, "unit": unit, "default": default, "low": low, "high": high,
                "group": group, "from_next_start": group == "pins" or name in settings.AT_START,
            }
            for number, name, unit, default, low, high, group in settings.SETTINGS
        ],
        "learned_slots": [
            {"slot": slot, "name": name, "unit": unit, "what": what}
            for slot, name, unit, what in document.LEARNED_SLOTS
        ],
    }  # fmt: skip


def table_hash():
    """CRC-32 of the tables as JSON without spaces, keys sorted."""
    return crc32(json.dumps(described(), sort_keys=True, separators=(",", ":")).encode())


def description():
    """Text of protocol.json."""
    whole = {
        "about": "The tables of SPEC.md for a program. Made by refresh.py; do not edit.",
        "protocol": {"major": messages.PROTO_MAJOR, "minor": messages.PROTO_MINOR},
        "table_hash": table_hash(),
        "frame": {
            "max_data": frames.MAX_DATA, "max_payload": frames.MAX_PAYLOAD, "max_body": frames.MAX_BODY,
            "max_wire": frames.MAX_WIRE, "crc": "CRC-32/ISO-HDLC", "stuffing": "COBS", "delimiter": 0,
        },
        "tick": {"hz": messages.TICK_HZ, "modulo": messages.TICK_WRAP},
        "tables": described(),
    }  # fmt: skip
    return json.dumps(whole, indent=1) + "\n"


TABLES = {"messages": table, "codes": code_tables, "settings": setting_table, "learned slots": slot_table}


def spec_with_tables(text):
    """SPEC.md's text with each table put between its marks."""
    for name, made in TABLES.items():
        begin, end = BEGIN.format(name), END.format(name)
        before, rest = text.split(begin)
        after = rest.split(end)[1]
        text = f"{before}{begin}\n\n{made()}\n{end}{after}"
    return text


def made_files():
    """{path: text} of every file that is made from the code, vectors.json apart."""
    spec = HERE / "SPEC.md"
    hash_text = (
        '"""Hash of all tables; made by protocol/refresh.py, told in board_info."""\n\n'
        f"TABLE_HASH = 0x{table_hash():08X}\n"
    )
    return {
        spec: spec_with_tables(spec.read_text()),
        HERE / "protocol.json": description(),
        HERE / "evenfall_wire" / "table_hash.py": hash_text,
    }


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
    path = HERE / "vectors.json"
    vectors = json.loads(path.read_text())
    new = missing_vectors(vectors)
    stale = {p: text for p, text in made_files().items() if not p.exists() or p.read_text() != text}
    if check:
        for p in stale:
            print(f"protocol/{p.relative_to(HERE)}: out of date; run python protocol/refresh.py")
        if new:
            print(f"protocol/vectors.json: no vectors of {new[0]['name']}; run python protocol/refresh.py")
        return int(bool(new or stale))
    for p, text in stale.items():
        p.write_text(text)
    vectors["frames"] += new
    write_vectors(path, vectors)
    changed = ", ".join(str(p.relative_to(HERE)) for p in stale) or "nothing"
    print(f"{changed} changed, {len(new)} vectors added")
    return 0


if __name__ == "__main__":
    sys.exit(main(check="--check" in sys.argv[1:]))
