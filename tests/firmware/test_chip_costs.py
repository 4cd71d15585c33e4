"""The interpreter's bench charges what the emulated chip took for files, room check, learning and the line.

Without these charges a flood on the line and a store cost the board nothing, and a test that the sweep is
not moved by them says nothing of the chip.
"""

from __future__ import annotations

import pytest
from bench_rig import Rig
from evenfall_bench.chip_costs import COSTS_US

NOISE_BYTES = 40
# takes the place of /main.py: each call's time goes to the bench's log
TIMED = b"""
import gc, os, time
import exchange
from evenfall_board.link import Link
from evenfall_board.settings import Learned
from evenfall_wire.frames import Framer, Unframer

def timed(name, work):
    before = time.ticks_us()
    work()
    spent = time.ticks_diff(time.ticks_us(), before)
    exchange.exchange(exchange.NOTE, 0, b"cost %s %d" % (name, spent))

link, framer, unframer, learned = Link(None), Framer(), Unframer(), Learned()
request = bytes(framer.finish(2, 5, 0))
open("/a", "wb").close()
timed("collect", gc.collect)
timed("open_read", lambda: open("/a", "rb").close())
timed("open_write", lambda: open("/b", "wb").close())
timed("rename", lambda: os.rename("/a", "/c"))
timed("room", lambda: os.statvfs("/"))
timed("learned_store", lambda: learned.store([(k, 100000 + k) for k in range(60)]))
timed("frame_out", lambda: framer.finish(2, 5, 4))
timed("frame_in", lambda: unframer.feed(request, lambda kind, sequence, payload: None))
for _ in range(150):
    time.sleep_ms(10)  # the noise comes meanwhile
timed("noise", link._receive)
time.sleep_ms(3000)
"""
EXPECTED_US = {
    "open_read": COSTS_US["open_read"],
    "open_write": COSTS_US["open_write"],
    "rename": COSTS_US["rename"],
    "room": COSTS_US["room"],
    "learned_store": 25_200,  # what the emulated chip takes for it, chip_study.py costs
    "frame_out": COSTS_US["frame"],
    "frame_in": COSTS_US["frame"],
    "noise": NOISE_BYTES * COSTS_US["byte"],
}


def spent_us(port_costs: int) -> dict[str, int]:
    """Board time of each call in TIMED, flash operations at no time."""
    bench = {"port_costs": port_costs, "loop_cost_us": 0.0}
    parts = {"bench": bench, "flash": {"erase_ms": 0.0, "page_ms": 0.0}}
    with Rig(parts, extra={"/main.py": TIMED}) as rig:
        rig.run(1.0)
        rig.line.to_board += b"\xa5" * NOISE_BYTES
        rig.run(2.5)
        found = [text.split() for _, what, text in rig.board.log if what == "note" and text[:5] == "cost "]
        assert len(found) == len(EXPECTED_US) + 1, rig.trouble()
        return {name: int(us) for _, name, us in found}


@pytest.fixture(scope="module")
def charged() -> dict[str, int]:
    return spent_us(1)


@pytest.mark.parametrize("call", EXPECTED_US)
def test_the_bench_charges_what_the_chip_measured(charged: dict[str, int], call: str) -> None:
    assert charged[call] == pytest.approx(EXPECTED_US[call], rel=0.1, abs=20)


def test_a_collection_is_charged(charged: dict[str, int]) -> None:
    assert 25_000 < charged["collect"] < 30_000


def test_without_charges_they_cost_nothing() -> None:
    """As it was before: this is what the tests above must find."""
    free = spent_us(0)
    assert max(free[call] for call in EXPECTED_US) < 1000


def test_a_reset_that_a_program_asks_for_reads_as_this_port_reads_it() -> None:
    """machine.reset() and a bite of the watchdog have one cause; the register REASON tells them apart."""
    main = (
        b"import exchange, machine\nfrom evenfall_board.drivers import reset\n"
        b"told = machine.reset_cause(), reset.by_watchdog()\n"
        b"exchange.exchange(exchange.NOTE, 0, b'cause %d %d' % told)\n"
        b"machine.reset()\n"
    )
    with Rig(extra={"/main.py": main}) as rig:
        rig.run(1.0)
        told = [text for _, what, text in rig.board.log if what == "note"]
        assert told[:2] == ["cause 1 0", "cause 3 0"]
