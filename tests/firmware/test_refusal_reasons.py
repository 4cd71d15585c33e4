"""Every request that a board refuses names the true reason, in every state it can be in."""

from __future__ import annotations

import json

import pytest
from bench_rig import Rig
from evenfall.board.link import refusal
from evenfall_wire import codes, settings

IDLE = {"operator": {"ready_s": 600.0}}
SWEEP_TIME = settings.BY_NAME["sweep_time"][0]


def asked(rig: Rig, name: str) -> tuple[str, int]:
    """(refusal or "done", its detail) of a request or a command of that name."""
    if name in codes.COMMANDS:
        reply = rig.ask("command", (codes.COMMANDS.index(name), 0))
    elif name == "set_settings":
        reply = rig.ask(name, (), [(SWEEP_TIME, 10_000)])
    else:
        head = {"ack_run": (1, 0, 0, 0), "delete_run": (1, 0), "list_runs": (0,)}.get(name, ())
        reply = rig.ask(name, head, seconds=8.0)
    if reply.name != "refused":
        return "done", 0
    return codes.REFUSALS[reply.head["error"]], reply.head["detail"]


def busy(state: str) -> tuple[str, int]:
    return "busy_state", codes.STATES.index(state)


DONE = ("done", 0)
NOBODY = ("busy_state", codes.STATES.index("rest"))  # nothing is armed
MOVING = ("moving", 0)
NO_RUN = ("no_such_run", 1)
AT_ANY_RUN = {
    name: "busy"
    for name in (
        "arm", "start", "characterise", "forget_learned", "restart", "zero", "self_test", "list_runs",
        "ack_run", "delete_run", "set_settings",
    )
}  # fmt: skip
# state -> request -> what is said; "busy" stands for busy_state with that state
EXPECTED = {
    "rest": {"start": NOBODY, "characterise": NOBODY, "clear_fault": DONE, "stop": DONE, "zero": DONE,
             "self_test": DONE, "ack_run": NO_RUN, "delete_run": NO_RUN, "set_settings": DONE},
    "ready": {"arm": "busy", "start": "busy", "forget_learned": "busy", "restart": "busy",
              "self_test": "busy", "clear_fault": DONE, "zero": DONE, "set_settings": DONE},
    "steady": {**AT_ANY_RUN, "clear_fault": MOVING},
    "sweep": {**AT_ANY_RUN, "clear_fault": MOVING},
    "release": AT_ANY_RUN,
    "store": {"arm": "busy", "start": "busy", "characterise": "busy", "forget_learned": "busy",
              "restart": "busy", "self_test": "busy", "clear_fault": "busy"},
}  # fmt: skip


def test_a_board_from_rest_through_a_sweep() -> None:
    with Rig({"operator": {"arm_before_s": 30.0, "ready_s": 60.0}}) as rig:
        rig.run(2.5)
        said = {}
        for state, requests in EXPECTED.items():
            status = rig.until(state, 90.0, step=0.02)
            while state == "store" and status["speed"]:  # nothing is written before the shaft stands
                rig.run(0.02)
                status = rig.status()
            wanted = {name: busy(state) if what == "busy" else what for name, what in requests.items()}
            said[state] = {name: asked(rig, name) for name in requests}
            assert said[state] == wanted, state
    assert set(EXPECTED) | {"start", "safe", "record", "characterise"} == set(codes.STATES)


def test_a_board_that_records_a_run_that_nobody_started() -> None:
    with Rig({"operator": {"arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 6.0}}) as rig:
        rig.until("record", 30.0, step=0.02)
        for name in AT_ANY_RUN:
            assert asked(rig, name) == busy("record"), name


def test_a_shaft_that_turns_at_rest() -> None:
    """Too slow for a run, too quick for flash: turned by a drill."""
    with Rig({"operator": {"ready_s": 3.0, "arm_before_s": 0.0, "press_after_s": 0.0, "give_up_s": 60.0},
              "board": {"spin_up_speed": 20_000}}) as rig:  # fmt: skip
        while rig.status()["speed"] < 2 * 1000:
            rig.run(0.1)
            assert rig.now < 30
        assert codes.STATES[rig.ask("get_status").head["state"]] == "rest"
        for name in ("zero", "self_test", "ack_run", "delete_run", "set_settings", "restart", "clear_fault"):
            assert asked(rig, name) == MOVING, name


def test_a_fault_that_stands() -> None:
    with Rig(IDLE) as rig:
        rig.run(2.5)
        rig.board.fault("cell_open")
        rig.until("safe", 3.0, step=0.02)
        fault = rig.status()["fault"]
        assert fault.startswith("load_")
        for name in ("arm", "start", "characterise", "zero"):
            assert asked(rig, name) == ("fault_stands", codes.FAULTS.index(fault)), name
        assert asked(rig, "self_test") == DONE


@pytest.mark.parametrize(
    ("absent", "named", "zeroes"),
    [("pin_load_data", "pin_load_data", False), ("pin_load_clock", "pin_load_clock", False),
     ("pin_hall", "pin_hall", True), ("pin_servo", "pin_servo", True)],
)  # fmt: skip
def test_a_part_that_is_not_fitted(absent: str, named: str, zeroes: bool) -> None:
    values = json.dumps({absent: -1, "kill_fitted": 0}).encode()
    with Rig(IDLE, extra={"/settings.json": values}) as rig:
        rig.run(2.5)
        wanted = ("part_missing", settings.BY_NAME[named][0])
        for name in ("arm", "start", "characterise"):
            assert asked(rig, name) == wanted, name
        assert asked(rig, "zero") == (DONE if zeroes else wanted)


def sentence(name: str, detail: int = 0, command: str = "") -> str:
    head = {"error": codes.REFUSALS.index(name), "detail": detail}
    return refusal("command" if command else "zero", head, command).for_command_line


@pytest.mark.parametrize("state", codes.STATES)
def test_the_sentence_of_a_busy_board_suits_its_state(state: str) -> None:
    said = sentence(*busy(state))
    words = {
        "start": "starting", "rest": "not armed", "ready": "armed", "steady": "sweep", "sweep": "sweep",
        "release": "load", "store": "flash", "safe": "fault", "characterise": "valve", "record": "record",
    }  # fmt: skip
    assert words[state] in said and said.count("(") == 0
    assert ("evenfall board stop" in said) == (state in ("ready", "steady", "sweep", "characterise"))


def test_a_start_of_an_armed_board_whose_shaft_stands() -> None:
    assert "open the throttle" in sentence(*busy("ready"), "start")
    assert "armed already" in sentence(*busy("ready"), "arm")


def test_a_fault_and_a_missing_part_are_named() -> None:
    said = sentence("fault_stands", codes.FAULTS.index("flash_full"))
    assert "no room" in said and "clear-fault" in said
    assert "pin_hall" in sentence("part_missing", settings.BY_NAME["pin_hall"][0])
