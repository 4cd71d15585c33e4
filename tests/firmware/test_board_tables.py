"""The table of states holds together; the document made from the tables is up to date."""

from __future__ import annotations

import board_tables
from board_tables import PROJECT, codes, guard, states


def test_the_states_hold_together():
    names = set(codes.STATES)
    assert {t[0] for t in states.TRANSITIONS} | {t[2] for t in states.TRANSITIONS} <= names
    assert len({(t[0], t[1]) for t in states.TRANSITIONS}) == len(
        states.TRANSITIONS
    )  # one way out per state and event
    # each state can be reached from the start, and rest from each
    reached, back = {"start"}, {"rest"}
    for _ in names:
        reached |= {b for a, _, b in states.TRANSITIONS if a in reached}
        back |= {a for a, _, b in states.TRANSITIONS if b in back}
    assert reached == names and back == names
    # a fault leads to safe from everywhere but safe itself and the writing of a run
    assert {a for a, event, _ in states.TRANSITIONS if event == "fault"} == names - {"safe", "store"}
    assert states.step("rest", "ramp") is None


def test_every_fault_has_one_row():
    assert sorted(row[0] for row in guard.TABLE) == sorted(f for f in codes.FAULTS if f != "none")
    assert {row[guard.ACTION] for row in guard.TABLE} == set(board_tables.ACTIONS)


def test_the_document_is_up_to_date():
    assert (PROJECT / "firmware" / "BOARD.md").read_text() == board_tables.document(), (
        "run: python tests/firmware/board_tables.py > firmware/BOARD.md"
    )


def test_no_two_states_blink_alike():
    """Somebody beside the engine tells them apart by the LED alone."""
    patterns = board_tables.led.PATTERNS
    assert len(set(patterns.values())) == len(patterns)
    states = set(codes.STATES) - {"safe"}  # which counts the fault's blinks
    assert set(patterns) == states | {"few_left"}
