"""Full flash, worn blocks, foreign and damaged files: one case per run of the script."""

import os
import sys

from rig import Flash, Recorder, mount, run_of, unmount, whole

from evenfall_board.settings import Settings, BootCounter
from evenfall_board.store import COMPLETE, TRUNCATED, Store

RUN = Recorder(200, 500, 200)  # about 7 kB


def started():
    starts = BootCounter("/f/starts.json")
    starts.load()
    store = Store(starts, "/f/runs")
    store.open()
    assert store.ok
    return store


def put(store):
    for _ in store.write(run_of(RUN)):
        pass


def full():
    """Room is made from acknowledged runs only; without any the board knows before the sweep."""
    mount(Flash(48), new=True)
    store = started()
    need = 16384
    stored = 0
    promised = []
    while store.make_room(need):
        promised.append(store.fits)
        put(store)
        stored += 1
    assert stored >= 8
    assert store.fits == 0
    for before, fits in enumerate(promised):
        assert 1 <= fits <= stored - before, "runs that were said to fit did not"
    assert store.count == stored, "an unacknowledged run went"
    copies = {e.run_id: whole("/f/runs/%08x.run" % e.run_id) for e in store.entries()}
    # writing all the same fails and harms nothing
    failed = False
    while not failed:
        try:
            put(store)
            copies[store.last_run()] = whole("/f/runs/%08x.run" % store.last_run())
        except OSError:
            failed = True
    store = started()
    assert store.free < need  # littlefs counts a truncated file's blocks twice: must not wrap round
    for entry in store.entries():
        if entry.run_id in copies:
            with store.open_run(entry) as f:
                assert f.read() == copies[entry.run_id]
        else:
            assert entry.flags() & TRUNCATED
    assert len([e for e in store.entries() if e.run_id in copies]) == len(copies)
    # acknowledged ones make room, oldest first, the others stay
    for run_id in (2, 3, 5):
        store.acknowledge(store.entry(run_id))
    assert store.make_room(need)
    assert store.fits >= 1
    left = [e.run_id for e in store.entries()]
    assert 2 not in left and set((1, 4, 6)) <= set(left), left
    put(store)
    print("runs", stored)


def foreign():
    """Files that are not ours stay; damaged ones of ours are told apart."""
    mount(Flash(48), new=True)
    store = started()
    put(store)
    put(store)
    good = whole("/f/runs/00000001.run")
    names = {
        "readme.txt": b"hello",
        "0000000g.run": good,
        "00000001.bak": good,
        "zzzzzzzz.tmp": b"x",
        "a": b"",
    }
    for name, data in names.items():
        with open("/f/runs/" + name, "wb") as f:
            f.write(data)
    with open("/f/runs/00000007.tmp", "wb") as f:  # cut in the middle of a frame
        f.write(good[: len(good) // 2])
    with open("/f/runs/00000008.tmp", "wb") as f:  # nothing whole in it
        f.write(good[:50])
    with open("/f/runs/00000009.tmp", "wb") as f:  # whole, only its name was missing
        f.write(good)
    with open("/f/runs/0000000a.run", "wb") as f:  # damaged in the middle
        f.write(good[:3000] + b"\x55" + good[3001:])
    with open("/f/runs/0000000b.run", "wb") as f:  # ours by name only
        f.write(b"not a run at all" * 100)
    with open("/f/runs/0000000c.run", "wb") as f:
        pass
    with open("/f/runs/00000006.torn", "wb") as f:  # so named by earlier firmware
        f.write(good[:3000])
    os.mkdir("/f/runs/folder")
    store = started()
    for name, data in names.items():
        assert whole("/f/runs/" + name) == data, name
    found = {e.run_id: e for e in store.entries()}
    assert sorted(found) == [1, 2, 6, 7, 9, 10, 11, 12], sorted(found)
    assert found[7].flags() & TRUNCATED and not found[7].flags() & COMPLETE
    assert good.startswith(whole("/f/runs/00000007.trunc")[: found[7].size]) and found[7].frames > 3
    assert found[6].flags() == TRUNCATED and found[6].frames > 3
    store.acknowledge(found[6])
    assert whole("/f/runs/00000006.torn.ok") == good[:3000]
    assert found[9].flags() == COMPLETE
    assert found[10].size == len(good) and found[10].frames > 0  # the host sees the damage by CRC
    assert found[11].frames == 0 and found[12].frames == 0
    put(store)
    assert store.last_run() == 13
    # a number is not given out twice, even when the newest run is deleted and the board restarts
    store.acknowledge(store.entry(13))
    store.remove(store.entry(13))
    store = started()
    put(store)
    assert store.last_run() == 14
    try:
        store.remove(store.entry(1))
        raise AssertionError("removed an unacknowledged run")
    except ValueError:
        pass
    print("ok")


def worn():
    """Blocks that no longer take data: littlefs finds them by reading back and moves on."""
    flash = Flash(48)
    mount(flash, new=True)
    store = started()
    put(store)
    flash.worn = (9, 10, 11, 15, 20, 21, 30)
    for _ in range(4):
        put(store)
    unmount()
    mount(Flash(data=flash.data, worn=flash.worn))
    store = started()
    assert [e.run_id for e in store.entries()] == [1, 2, 3, 4, 5]
    for entry in store.entries():
        assert entry.flags() == COMPLETE
        with store.open_run(entry) as f:
            data = f.read()
        assert data[200:] == whole("/f/runs/00000001.run")[200:]
    print("ok")


def life():
    """Erases per stored, acknowledged and removed run, mean and worst block."""
    flash = Flash(352)  # 1.4 MB, what a 2 MB part leaves to files
    mount(flash, new=True)
    store = started()
    run = Recorder(1400, 2600, 800)  # a usual pull of 16 s
    flash.erased = [0] * flash.blocks
    n = 500  # past the first time that littlefs moves the directory (its block_cycles is 100 here)
    for i in range(n):
        assert store.make_room(80000)
        for _ in store.write(run_of(run)):
            pass
        store.acknowledge(store.entries()[-1])
    print(n, store.entries()[-1].size, sum(flash.erased), max(flash.erased))


def settings():
    """Bad values name themselves and fall back; the rest stays."""
    mount(Flash(24), new=True)

    def load(text):
        with open("/f/s.json", "w") as f:
            f.write(text)
        s = Settings("/f/s.json")
        s.load()
        return s

    s = Settings("/f/none.json")
    s.load()
    assert not s.problems and s.values["sweep_time"] == 10000
    s = load('{"sweep_time": 12000, "magnets": 99, "arm_length": "long", "end_speed": true, "unknown": 1}')
    assert sorted(s.problems) == ["arm_length", "end_speed", "magnets"], s.problems
    assert s.values["sweep_time"] == 12000 and s.values["magnets"] == 1 and s.values["arm_length"] == 250000
    for text in ("", "{", "[1,2]", '"x"', "null", '{"sweep_time": 1e99}', "\x00\xff", "{" + " " * 9000 + "}"):
        s = load(text)
        assert s.problems, text[:20]
        assert s.values["sweep_time"] == 10000
    s = load('{"pin_led": 6}')  # the servo's pin
    assert s.problems == ["pin_led"] and s.values["pin_led"] == 9 and s.values["pin_servo"] == 6
    s = load('{"pin_servo": 9, "pin_led": 6}')  # swapped: no contradiction
    assert not s.problems and s.values["pin_servo"] == 9
    s = load('{"pin_servo": 9}')  # against a default: one of the two falls back, nothing is doubled
    assert s.problems and s.values["pin_servo"] != s.values["pin_led"], s.problems
    s = load('{"servo_shut": 1500, "servo_open": 1520, "end_speed": 15000, "hall_timeout": 20}')
    assert s.values["servo_open"] == 2000 and s.values["end_speed"] == 5000, s.problems
    s = load('{"end_speed": 1500, "hall_timeout": 60}')  # 40 ms a turn: three must pass
    assert s.values["hall_timeout"] == 150 and s.problems == ["hall_timeout"]
    s = load('{"barometer": 1, "pin_sda": 13, "pin_scl": 14}')
    assert "pin_sda" in s.problems
    # a change that contradicts is refused whole, and says which
    s = load("{}")
    assert s.change([(20, 9000), (75, 6)]) == ("out_of_bounds", 75)
    assert s.change([(20, 9000), (999, 1)]) == ("no_such_setting", 999)
    assert s.change([(20, 9000), (3, 17)]) == ("out_of_bounds", 3)
    assert s.values["sweep_time"] == 10000
    assert s.change([(20, 9000)]) == ("none", 0)
    again = Settings("/f/s.json")
    again.load()
    assert again.values["sweep_time"] == 9000
    print("ok")


globals()[sys.argv[1]]()
