"""Run by MicroPython: packs, frames, unframes and unpacks messages given as JSON lines.

``micropython pack_in_micropython.py FOLDER_OF_PROTOCOL``; per line of stdin
{"name", "sequence", "head", "each", "wire"}: packs the values and prints the
wire bytes in hex, then takes `wire` (the same message from elsewhere) apart
and prints its values as JSON.
"""

import json
import sys
from binascii import hexlify, unhexlify

sys.path.insert(0, sys.argv[1])
from evenfall_wire import frames, messages

framer = frames.Framer()
parser = frames.Unframer()


def values(row):
    return tuple(unhexlify(v) if isinstance(v, str) else v for v in row)


def plain(row):
    return [hexlify(v).decode() if isinstance(v, bytes) else v for v in row]


def show(kind, sequence, payload):
    name = messages.BY_TYPE[kind][1]
    head, each = messages.unpack(name, payload)
    print(json.dumps([name, sequence, plain(head), [plain(row) for row in each]]))


while True:
    line = sys.stdin.readline()
    if not line:
        break
    m = json.loads(line)
    head = values(m["head"])
    each = [values(row) for row in m["each"]]
    n = messages.pack_into(m["name"], framer.payload, 0, head, each)
    kind = messages.BY_NAME[m["name"]][0]
    print(hexlify(framer.finish(kind, m["sequence"], n)).decode())
    parser.feed(unhexlify(m["wire"]), show)
print("bad", parser.bad)
