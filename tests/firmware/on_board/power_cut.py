"""Cuts power in every flash operation of one action; prints how many cuts were tried.

Arguments: action, share (quarters of the cut operation that still happen).
After each cut the flash is mounted anew and everything is checked.
"""

import sys

from rig import Flash, PowerCut, Recorder, mount, run_of, unmount, whole

from evenfall_board.settings import Learned, Settings, BootCounter
from evenfall_board.store import ACKNOWLEDGED, COMPLETE, TRUNCATED, Store
from evenfall_wire.frames import Unframer
from evenfall_wire.settings import BY_NAME

ACTION = sys.argv[1]
SHARE = int(sys.argv[2])
SMALL = Recorder(120, 300, 60)
LONG = Recorder(900, 2400, 900)  # over 30 kB: two synchronisations and more


class World:
    """What a started board holds."""

    def __init__(self):
        self.settings = Settings("/f/settings.json")
        self.settings.load()
        self.learned = Learned("/f/learned.json")
        self.learned.load()
        self.starts = BootCounter("/f/starts.json")
        self.starts.load()
        self.store = Store(self.starts, "/f/runs")
        self.store.open()


def store_a_run(world):
    for _ in world.store.write(run_of(LONG)):
        pass


def acknowledge(world):
    world.store.acknowledge(world.store.entry(2))


def delete(world):
    world.store.remove(world.store.entry(1))


def save_settings(world):
    assert world.settings.change([(BY_NAME["sweep_time"][0], 12000), (BY_NAME["magnets"][0], 2)]) == (
        "none",
        0,
    )


def save_learned(world):
    world.learned.store([(0, 999), (7, -5)])


def start(world):
    World()  # a start writes too: the count of starts, the name of a truncated file


def make_room(world):
    world.store.make_room(world.store.free + 1)


ACTIONS = {
    "store": store_a_run,
    "acknowledge": acknowledge,
    "delete": delete,
    "settings": save_settings,
    "learned": save_learned,
    "start": start,
    "make_room": make_room,
}


def made():
    """Flash with three runs, the first acknowledged, and saved settings."""
    flash = Flash(64)
    mount(flash, new=True)
    world = World()
    for i in range(3):
        for _ in world.store.write(run_of(SMALL, 1700000000 + i)):
            pass
    world.store.acknowledge(world.store.entry(1))
    world.settings.change([(BY_NAME["arm_length"][0], 300000)])
    world.learned.store([(0, 5), (1, 6)])
    if ACTION == "start":  # a truncated file to settle
        with open("/f/runs/00000009.tmp", "wb") as f:
            f.write(whole("/f/runs/00000003.run")[:3000])
    return flash


base = made()
copies = {n: whole("/f/runs/%08x.run%s" % (n, ".ok" if n == 1 else "")) for n in (1, 2, 3)}
unmount()

# how many operations, and what the whole new run looks like
flash = Flash(data=base.data)
mount(flash)
world = None if ACTION == "start" else World()
before = flash.operations
ACTIONS[ACTION](world)
count = flash.operations - before
full = whole("/f/runs/00000004.run") if ACTION == "store" else b""
unmount()
assert count >= 1, count


def check(n):
    world = World()
    store = world.store
    assert store.ok
    # settings: old or new, never neither
    values = world.settings.values
    assert values["arm_length"] == 300000 and not world.settings.problems, (n, world.settings.problems)
    pair = (values["sweep_time"], values["magnets"])
    assert pair == (10000, 1) or (ACTION == "settings" and pair == (12000, 2)), (n, pair)
    learned = world.learned.values
    assert learned == {0: 5, 1: 6} or (ACTION == "learned" and learned == {0: 999, 1: 6, 7: -5}), (n, learned)
    # runs that were there are there, byte for byte, and say so
    found = {entry.run_id: entry for entry in store.entries()}
    for run_id in copies:
        if run_id == 1 and run_id not in found and ACTION in ("delete", "make_room"):
            continue
        entry = found.pop(run_id)
        for _ in store.checksum(entry):
            pass
        with store.open_run(entry) as f:
            assert f.read() == copies[run_id], (n, run_id)
        flags = entry.flags()
        assert flags & COMPLETE and not flags & TRUNCATED, (n, run_id, flags)
        if run_id == 1:
            assert flags & ACKNOWLEDGED
        elif flags & ACKNOWLEDGED:
            assert run_id == 2 and ACTION == "acknowledge", (n, run_id)
    state = "none"
    if ACTION == "store" and 4 in found:
        entry = found.pop(4)
        with store.open_run(entry) as f:
            data = f.read()[: entry.size]
        if entry.flags() & TRUNCATED:
            state = "truncated"
            assert full.startswith(data) and data.endswith(b"\x00"), n
        else:
            state = "whole"
            assert data == full and entry.flags() & COMPLETE, n
        frames = []
        unframer = Unframer()
        unframer.feed(data, lambda kind, sequence, payload: frames.append(sequence))
        assert frames == list(range(entry.frames)) and unframer.bad == 0, n
    if ACTION == "start" and 9 in found:
        entry = found.pop(9)
        assert entry.flags() & TRUNCATED and entry.size > 2500
        state = "truncated"
    assert not found, (n, list(found))
    # and the board goes on working, with a number never used before
    for _ in store.write(run_of(SMALL)):
        pass
    new = store.entries()[-1]
    assert new.run_id == store.last_run() and new.run_id >= 4
    assert state == "none" or new.run_id > 4
    return state


seen = {}
for n in range(1, count + 1):
    flash = Flash(data=base.data)
    mount(flash)
    world = None if ACTION == "start" else World()
    flash.cut_at = flash.operations + n
    flash.share = SHARE
    try:
        ACTIONS[ACTION](world)
        raise AssertionError("no cut in operation %d" % n)
    except PowerCut:
        pass
    try:
        unmount()
    except PowerCut:
        pass
    after = Flash(data=flash.data)
    mount(after)
    state = check(n)
    seen[state] = seen.get(state, 0) + 1
    unmount()
print(count, seen)
