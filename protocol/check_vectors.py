"""Check this interpreter against vectors.json; runs in CPython and MicroPython.

``python protocol/check_vectors.py [folder of protocol]``.  Prints one line per
difference and a count; exits 1 if there is any.
"""

import json
import sys
from binascii import hexlify, unhexlify


def _values(row):
    return tuple(unhexlify(v) if isinstance(v, str) else v for v in row)


def _hex(data):
    return hexlify(bytes(data)).decode()


def check(vectors, frames, messages, crc32, say):
    """Run every vector; `say(text)` once per difference; return the number checked."""
    checked = 0

    def expect(what, got, wanted):
        nonlocal checked
        checked += 1
        if got != wanted:
            say("%s: got %s, wanted %s" % (what, got, wanted))

    def received(wire, step):
        got = []
        parser = frames.Unframer()
        for at in range(0, len(wire), step):
            parser.feed(
                wire[at : at + step],
                lambda kind, sequence, payload: got.append([kind, sequence, _hex(payload)]),
            )
        return got, parser.bad

    for v in vectors["crc32"]:
        expect("crc32 of " + v["data"], crc32(unhexlify(v["data"])) & 0xFFFFFFFF, v["crc"])

    for v in vectors["cobs"]:
        wire = unhexlify(v["wire"])
        out = bytearray(len(wire))
        n = frames.unstuff(bytearray(wire), len(wire), out)
        expect("unstuffed " + v["wire"], _hex(out[:n]) if n >= 0 else n, v["data"])

    framer = frames.Framer()
    for v in vectors["frames"]:
        what = v["name"] + " " + v["kind"]
        head = _values(v["head"])
        each = [_values(row) for row in v["each"]]
        n = messages.pack_into(v["name"], framer.payload, 0, head, each)
        expect(what + " packed", _hex(framer.payload[:n]), v["payload"])
        expect(what + " wire", _hex(framer.finish(v["type"], v["sequence"], n)), v["wire"])
        expect(what + " unpacked", messages.unpack(v["name"], unhexlify(v["payload"])), (head, each))
        wire = unhexlify(v["wire"])
        wanted = ([[v["type"], v["sequence"], v["payload"]]], 0)
        expect(what + " whole", received(wire, len(wire)), wanted)
        expect(what + " by bytes", received(wire, 1), wanted)

    for v in vectors["streams"]:
        wire = unhexlify(v["wire"])
        for step in (1, 2, 7, len(wire)):
            expect(v["why"] + ", by %d" % step, received(wire, step), (v["frames"], v["bad"]))

    for v in vectors["tick_distances"]:
        got = messages.tick_distance(v["from"], v["to"])
        expect("ticks from %d to %d" % (v["from"], v["to"]), got, v["distance"])
    return checked


def main(folder):
    sys.path.insert(0, folder)
    from binascii import crc32

    from evenfall_wire import frames, messages

    with open(folder + "/vectors.json") as f:
        vectors = json.load(f)
    wrong = []
    checked = check(vectors, frames, messages, crc32, wrong.append)
    for line in wrong:
        print(line)
    print("%d checks, %d differences (%s)" % (checked, len(wrong), sys.implementation.name))
    return 1 if wrong else 0


if __name__ == "__main__":
    if len(sys.argv) > 1:
        place = sys.argv[1]
    else:
        place = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
    sys.exit(main(place))
