"""A host that stops taking bytes: the link waits without blocking, then drops the answer and goes on."""

from link_port import Board, Port
from rig import Flash, Recorder, mount, run_of

from evenfall_board.link import GIVE_UP_MS, Link
from evenfall_board.settings import BootCounter
from evenfall_board.store import Store
from evenfall_wire.frames import Framer, Unframer
from evenfall_wire.messages import BY_NAME, BY_TYPE, pack_into


mount(Flash(64), new=True)
board = Board()
board.starts = BootCounter("/f/starts.json")
board.starts.load()
board.store = Store(board.starts, "/f/runs")
board.store.open()
for _ in board.store.write(run_of(Recorder(600, 1500, 300))):
    pass
port = Port()
link = Link(board, port, port)
framer = Framer()


def ask(name, *head):
    size = pack_into(name, framer.payload, 0, head)
    port.waiting += bytes(framer.finish(BY_NAME[name][0], 7, size))


def names():
    found = []
    unframer = Unframer()
    unframer.feed(bytes(port.taken), lambda kind, sequence, payload: found.append(BY_TYPE[kind][1]))
    port.taken = bytearray()
    return found


# the host stops reading in the middle of a run
ask("hello", 2, 0, 99)
for _ in range(40):
    link.poll(2)
assert names() == ["board_info"]
ask("read_run", 99, 1, 0, 1 << 24)
for _ in range(6):
    link.poll(2)
assert len(port.taken) > 500
port.open = False
for _ in range(GIVE_UP_MS // 2 + 10):
    link.poll(2)
port.open = True
port.taken = bytearray()
ask("hello", 2, 0, 99)
for _ in range(40):
    link.poll(2)
assert names() == ["board_info"]
# a sweep that begins while a run is being read: the reading ends with a refusal
ask("read_run", 99, 1, 0, 1 << 24)
for _ in range(4):
    link.poll(2)
board.quiet = True
for _ in range(400):
    link.poll(2)
assert names()[-1] == "refused"
assert len(port.taken) == 0
# in a sweep one byte goes out at a time, at most 24 a pass
ask("hello", 2, 0, 99)
for _ in range(3):
    before = len(port.taken)
    link.poll(2)
    assert len(port.taken) - before <= 24
for _ in range(20):
    link.poll(2)
assert names() == ["board_info"]
print("ok")
