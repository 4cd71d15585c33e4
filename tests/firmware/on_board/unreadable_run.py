"""A block of flash gives read errors: the list still comes, the rest is read, a deliberate delete works."""

import hashlib
import struct
from binascii import crc32

from link_port import Board, Poller, Port
from rig import Flash, Recorder, mount, run_of

from evenfall_board.link import Link
from evenfall_board.settings import BootCounter
from evenfall_board.store import Store
from evenfall_wire.codes import REFUSALS, RUN_BITS
from evenfall_wire.frames import Framer, Unframer
from evenfall_wire.messages import BY_NAME, BY_TYPE, pack_into, unpack

SESSION = 99


class RottingFlash(Flash):
    """Reads of `rotten` blocks fail as a block device says so: OSError EIO."""

    rotten = ()

    def readblocks(self, block, buf, offset=0):
        if block in self.rotten:
            raise OSError(5)
        Flash.readblocks(self, block, buf, offset)


flash = RottingFlash(96)
mount(flash, new=True)


def started():
    board = Board()
    board.room_changed = lambda: None
    board.starts = BootCounter("/f/starts.json")
    board.starts.load()
    board.store = Store(board.starts, "/f/runs")
    board.store.open()
    return board


board = started()
for recorder in (Recorder(2000, 3000, 600), Recorder(600, 1500, 300)):
    for _ in board.store.write(run_of(recorder)):
        pass
with open("/f/runs/00000001.run", "rb") as f:
    whole = f.read()
piece = whole[9000:9100]
flash.rotten = [i // 4096 for i in range(0, len(flash.data)) if flash.data[i : i + 100] == piece][:1]
assert flash.rotten
assert piece not in whole[:9000] and bytes(flash.data).count(piece) == 1
board = started()
board.room_changed = lambda: None
port = Port()
link = Link(board, port, port)
link._poll_in = link._poll_out = Poller(port)
framer = Framer()
sequence = 0


def ask(name, *head):
    """The replies to a request, decoded."""
    global sequence
    sequence += 1
    port.taken = bytearray()
    size = pack_into(name, framer.payload, 0, head)
    port.waiting += bytes(framer.finish(BY_NAME[name][0], sequence, size))
    for _ in range(400):
        link.poll(2)
    found = []

    def take(kind, sequence, payload):
        name = BY_TYPE[kind][1]
        found.append((name, unpack(name, payload)))

    Unframer().feed(bytes(port.taken), take)
    return found


def refusal(found):
    name, ((_, error, detail), _) = found[-1]
    assert name == "refused", found
    return REFUSALS[error], detail


assert ask("hello", 2, 0, SESSION)[0][0] == "board_info"
((name, (head, rows)),) = ask("list_runs", SESSION, 0)
assert name == "run_list" and [r[0] for r in rows] == [1, 2]
unreadable = 1 << RUN_BITS.index("unreadable")
assert rows[0][4] & unreadable and not rows[1][4] & unreadable
assert rows[0][1] == len(whole)
# read what can be read: from the start until the refusal says where, then on behind it
got = ask("read_run", SESSION, 1, 0, len(whole))
error, at = refusal(got)
assert error == "store_unreadable" and 0 < at <= 9000, (error, at)
head = b"".join([bytes([b[0] for b in each]) for name, (_, each) in got if name == "run_data"])
assert head == whole[:at]
while True:
    at += 512
    got = ask("read_run", SESSION, 1, at, len(whole))
    if got[-1][0] == "read_done":
        break
    assert refusal(got) == ("store_unreadable", at), got
tail = b"".join([bytes([b[0] for b in each]) for name, (_, each) in got if name == "run_data"])
# littlefs reaches some blocks by way of others: one rotten block may cost two
assert tail == whole[at:] and len(head) + len(tail) >= len(whole) - 2 * 4096 - 1024
challenge = got[-1][1][0][4]
digest = hashlib.sha256(struct.pack("<I", challenge) + whole).digest()
proof = struct.unpack("<I", digest[:4])[0]
assert refusal(ask("ack_run", SESSION, 1, len(whole), crc32(whole), proof))[0] == "store_unreadable"
assert refusal(ask("delete_run", SESSION, 1, 0))[0] == "not_acknowledged"
assert refusal(ask("delete_run", SESSION, 2, 1))[0] == "not_acknowledged"  # that one is sound
assert ask("delete_run", SESSION, 1, 1)[0][0] == "done"
((name, (head, rows)),) = ask("list_runs", SESSION, 0)
assert [r[0] for r in rows] == [2]
print("ok")
