"""Attacks on the board's link alone, with its real store: `flips STEP BITS` and `strangers COUNT`.

flips: every STEP-th byte of a stored run, BITS bits of it: the run must be listed, read whole as it
lies there, and its acknowledgement taken.  strangers: requests that change something, of a client
without the session: none may be done.
"""

import hashlib
import random
import struct
import sys
from binascii import crc32

from link_port import Board, Poller, Port
from rig import Flash, Recorder, mount, run_of, whole

from evenfall_board.link import Link
from evenfall_board.settings import BootCounter
from evenfall_board.store import Store
from evenfall_wire import codes
from evenfall_wire.frames import Framer, Unframer
from evenfall_wire.messages import BY_NAME, BY_TYPE, HEAD, pack_into, unpack

SESSION = 0x12345678
framer = Framer()


class Watched(Board):
    """Counts what the link asks of it."""

    changes = 0

    def room_changed(self):
        pass

    def turning(self):
        return False

    def _change(self, *_):
        self.changes += 1
        return "none", 0

    change_settings = set_clock = ask_zero = self_test = _change

    def command(self, name, argument):
        if name != "stop":
            self.changes += 1
        return "none", 0


def started():
    board = Watched()
    board.starts = BootCounter("/f/starts.json")
    board.starts.load()
    board.store = Store(board.starts, "/f/runs")
    board.store.open()
    port = Port()
    link = Link(board, port, port)
    link._poll_in = link._poll_out = Poller(port)
    return board, port, link


def ask(port, link, sequence, name, *head):
    port.taken = bytearray()
    size = pack_into(name, framer.payload, 0, head)
    port.waiting += bytes(framer.finish(BY_NAME[name][0], sequence, size))
    for _ in range(60):
        link.poll(2)
        if link._send is None and not link._job and not port.waiting:
            break
    data = bytearray()
    last = []

    def take(kind, sequence, payload):
        if BY_TYPE[kind][1] == "run_data":
            data.extend(payload[4:])
        else:
            last.append((BY_TYPE[kind][1], unpack(BY_TYPE[kind][1], payload)))

    Unframer().feed(bytes(port.taken), take)
    assert len(last) == 1, (name, last)
    return last[0][0], last[0][1], bytes(data)


def flips(step, bits):
    board = started()[0]
    for _ in board.store.write(run_of(Recorder(150, 300, 60))):
        pass
    good = whole("/f/runs/00000001.run")
    tried = fetched = 0
    for at in range(0, len(good), step):
        for bit in range(bits):
            bad = bytearray(good)
            bad[at] ^= 1 << (bit if bits == 8 else at % 8)
            with open("/f/runs/00000001.run", "wb") as f:
                f.write(bad)
            board, port, link = started()
            tried += 1
            assert ask(port, link, 1, "hello", 2, 0, SESSION)[0] == "board_info"
            name, (_, rows), _ = ask(port, link, 2, "list_runs", SESSION, 0)
            assert rows[0][0] == 1 and rows[0][1] == len(bad) and rows[0][2] == crc32(bad), at
            name, (head, _), data = ask(port, link, 3, "read_run", SESSION, 1, 0, len(bad))
            assert name == "read_done" and data == bytes(bad), at
            digest = hashlib.sha256(struct.pack("<I", head[4]) + data).digest()
            proof = struct.unpack("<I", digest[:4])[0]
            done = ask(port, link, 4, "ack_run", SESSION, 1, len(data), crc32(data), proof)
            assert done[0] == "done", (at, done)
            fetched += 1
            import os

            os.remove("/f/runs/00000001.run.ok")
    print(tried, fetched)


def strangers(count):
    board, port, link = started()
    for _ in board.store.write(run_of(Recorder(150, 300, 60))):
        pass
    random.seed(5)
    names = ("ack_run", "delete_run", "set_settings", "set_clock", "zero", "command", "self_test")
    size = board.store.entries()[0].size
    crc = crc32(whole("/f/runs/00000001.run"))
    assert ask(port, link, 0, "hello", 2, 0, SESSION)[0] == "board_info"
    refused = 0
    for i in range(count):
        name = names[i % len(names)]
        session = random.getrandbits(32) if i & 1 else 0
        if session == SESSION:
            continue
        head = [session] + [random.getrandbits(30) & 0xFF for _ in range(len(HEAD[name]) - 2)]
        if name == "ack_run":
            head = [session, 1, size, crc, random.getrandbits(30)]
        elif name == "delete_run":
            head = [session, 1, i & 1]
        elif name == "command":
            head = [session, random.choice([1, 2, 4, 5, 6, 7]), 0]
        elif name == "set_clock":
            head = [session, 1750000000 + i]
        got = ask(port, link, i & 0xFFFF, name, *head)
        assert got[0] == "refused" and codes.REFUSALS[got[1][0][1]] == "no_session", got
        refused += 1
        if i % 500 == 0:
            assert ask(port, link, i & 0xFFFF, "hello", 2, 0, SESSION)[0] == "board_info"
    entry = board.store.entries()[0]
    assert entry.ending == ".run" and whole("/f/runs/00000001.run")
    print(refused, board.changes)


mount(Flash(64), new=True)
{"flips": flips, "strangers": strangers}[sys.argv[1]](*[int(a) for a in sys.argv[2:]])
