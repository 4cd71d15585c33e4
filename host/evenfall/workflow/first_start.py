"""The first start, led: what a new bench needs before its first run, each part seen at work.

Everything is kept as soon as it is known, so the next start asks only for what is still missing.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager

import numpy as np

from evenfall.archive.archive import Archive
from evenfall.archive.filing import check_name
from evenfall.board import code_texts, run_file
from evenfall.board.link import Link
from evenfall.board.settings import setting, shown, value_of
from evenfall.errors import EvenfallError, InputError
from evenfall.model import Calibration, Setup
from evenfall.reduction.calibration import (
    BUOYANCY,
    effective_arm,
    fit_span,
    implausible,
    make_calibration,
)
from evenfall.reduction.gravity import gravity_or_standard
from evenfall.reduction.reduce import check_inputs
from evenfall.units import typed
from evenfall.workflow.weights import Talk, WeightReading, hang

SEEN_S = 30.0  # how long something is waited for that a person does at the bench
LOOK_S = 0.1
ARM_U_M, ANGLE_U_DEG = 0.0003, 1.0  # as `evenfall calibrate span` takes them where nobody says
IN_PROGRESS = "weights-in-progress.csv"  # readings of a round that is not stored yet

Line = Callable[[], AbstractContextManager[Link]]


def missing(archive: Archive) -> list[str]:
    """What no run can be trusted without, in the order in which it is asked for."""
    setup = archive.active_record(Setup)
    return [
        *(["drive"] if setup is None else []),
        *(["calibration"] if archive.active("calibration") is None else []),
        *(["inertia"] if setup is None or setup.inertia_kg_m2 == 0 else []),
    ]


WORDS = {
    "drive": "teeth and magnets (set-up)",
    "calibration": "the load cell's calibration",
    "inertia": "the inertia of all that turns",
}


Rows = list[tuple[str, str, int]]  # of a self-test: part, result, reading


def guide_first_start(talk: Talk, archive: Archive, line: Line, read: Callable[[], list[float]]) -> Rows:
    """Ask for what is missing; a part that fails is said and left for the next start.

    Gives back the self-test, where one was made.  The inertia needs runs: the session asks for it later.
    """
    todo = [name for name in missing(archive) if name != "inertia"]
    tested: Rows = []
    if not todo:
        return tested
    talk.say("Not known yet: " + "; ".join(WORDS[name] for name in todo) + ".")
    options = {"now": "go through it, part by part", "later": "go on without; results will say so"}
    if talk.choose("Set the bench up now?", options, "now") == "later":
        return tested
    for name, part in (
        ("drive", lambda: tested.extend(_parts(talk, line))),
        ("drive", lambda: _drive(talk, archive, line)),
        ("calibration", lambda: _calibration(talk, archive, line, read)),
    ):
        if name in todo:
            try:
                part()
            except EvenfallError as error:
                talk.say(f"! {error}")
    return tested


def see(
    talk: Talk,
    what: str,
    found: Callable[[], bool],
    patience_s: float | None = None,
) -> bool:
    """Ask for something and look until `found()`; say whether it was seen."""
    talk.say(what)
    until = time.monotonic() + (SEEN_S if patience_s is None else patience_s)
    while time.monotonic() < until:
        if found():
            talk.say("  seen")
            return True
        time.sleep(LOOK_S)
    talk.say("! not seen")
    return False


def _count_of(board: Link, name: str) -> Callable[[], bool]:
    """Whether the board's count of that name has grown since now."""
    before = board.board_counters()[name]
    return lambda: board.board_counters()[name] != before


def see_button(talk: Talk, board: Link) -> None:
    """Pressed by the person, seen by the board; at rest it arms, so it is pressed twice."""
    if "presses_seen" in board.board_counters():
        pressed = _count_of(board, "presses_seen")
    else:  # an older firmware
        pressed = lambda: "button" in board.status()["flags"]  # noqa: E731
    if not see(talk, "Press the board's button now.", pressed):
        talk.say(f"  {code_texts.SELF_TEST_ADVICE['button']}")
        return
    armed = "That armed the board. Press once more: it is disarmed again."
    if not see(talk, armed, lambda: board.status()["state"] == "rest"):
        board.command("stop")


def see_pickup(talk: Talk, board: Link) -> None:
    """The shaft turned by hand: each magnet that passes is seen by the board."""
    if "edges_seen" not in board.board_counters():  # an older firmware: its self-test says
        talk.ask("Turn the shaft by hand, a few turns, then Enter")
        return
    seen = _count_of(board, "edges_seen")
    if not see(talk, "Engine off. Turn the brake's shaft by hand now, two turns.", seen):
        talk.say(f"  {code_texts.SELF_TEST_ADVICE['speed_pickup']}")


def tell_self_test(talk: Talk, results: Rows) -> None:
    """A row for each part; below it what to do where it failed."""
    for item, result, value in results:
        name = code_texts.say(code_texts.SELF_TEST_ITEMS, item)
        said = code_texts.say(code_texts.SELF_TEST_RESULTS, result)
        talk.say(f"  {name:16} {said:12} {code_texts.self_test_reading(item, result, value)}".rstrip())
        if result == "fail":
            talk.say(f"    {code_texts.say(code_texts.SELF_TEST_ADVICE, item)}")


LOOKED_AT = {  # what only a person sees: question, what to do where it was not so
    "led": ("Did the LED blink three times?", "Check the LED, its resistor and the setting pin_led."),
    "kill": (
        "Was the ignition cut for half a second?",
        "Check the relay and its wire. Until it works only your own kill switch stops the engine.",
    ),
}


def ask_what_was_seen(talk: Talk, results: Rows) -> None:
    """LED and kill output, where they are fitted: the board cannot see them."""
    looked = {item for item, result, _ in results if result == "ask_person"}
    for item, (question, advice) in LOOKED_AT.items():
        if item in looked and not _yes(talk, question):
            talk.say(f"! {advice}")


def _yes(talk: Talk, question: str) -> bool:
    return not talk.ask(f"{question} (yes, no)", "yes").strip().lower().startswith("n")


def _parts(talk: Talk, line: Line) -> Rows:
    """Button, pickup, amplifier, valve, LED, kill output: used by the person and seen by the board."""
    with line() as board:
        board.set_clock()
        see_button(talk, board)
        see_pickup(talk, board)
        talk.ask(
            "Now the board tests itself: it moves the valve, cuts the ignition for half a second and blinks "
            "the LED three times. Keep hands and hoses clear and watch them, then Enter"
        )
        results = board.self_test()
        tell_self_test(talk, results)
        ask_what_was_seen(talk, results)
        if ("servo", "ask_person") in {(item, result) for item, result, _ in results}:
            _valve_ends(talk, board)
    return results


def _valve_ends(talk: Talk, board: Link) -> None:
    """The servo's ends, tried until the valve goes from shut to open and back."""
    while True:
        values = board.settings()
        ends = {name: values[name] for name in ("servo_shut", "servo_open")}
        said = " to ".join(shown(setting(name), value) for name, value in ends.items())
        if _yes(talk, f"Did the valve go from shut to fully open and back (pulses {said})?"):
            return
        talk.say("Change an end by 50 us at a time. Hold the board's button down while you press Enter.")
        for name in ends:
            ends[name] = value_of(
                name, talk.ask(code_texts.SETTING_MEANINGS[name].rstrip("."), f"{ends[name]} us")
            )
        try:
            board.set_settings(ends)
            talk.say("The valve moves now: watch it.")
            board.self_test()
        except EvenfallError as error:
            talk.say(f"! {error}")


def _drive(talk: Talk, archive: Archive, line: Line) -> None:
    """Teeth and magnets, the same on the board and in the set-up."""
    with line() as board:
        now = board.settings()
    questions = {
        "engine_teeth": "Teeth of the engine's sprocket",
        "brake_teeth": "Teeth of the brake's sprocket",
        "magnets": "Magnets on the brake's shaft",
    }
    values = {}
    for name, question in questions.items():
        text = talk.ask(question, str(now[name])).strip()
        if not text.isdigit():
            raise InputError(f"{question.lower()}: '{text}' is no whole number")
        values[name] = int(text)
    label = talk.ask("A name for this set-up", "bench").strip()
    check_name(label, "set-up")
    made = Setup(**values)
    check_inputs(run_file.decode_run(b""), Calibration(0.0, 1.0, made_unix_s=1 << 40), made)
    changed = {name: value for name, value in values.items() if now[name] != value}
    if changed:
        with line() as board:
            board.set_settings(changed)
        if "magnets" in changed:
            talk.say("The number of magnets counts from the board's next start: evenfall board restart")
    with archive.change():
        archive.activate("setup", archive.add_record(made, label))
    talk.say(f"Set-up '{label}': {made.engine_teeth} : {made.brake_teeth} teeth, {made.magnets} magnets.")


def _calibration(talk: Talk, archive: Archive, line: Line, read: Callable[[], list[float]]) -> None:
    """Arm and hung weights; the board gets span and arm for its own load limit."""
    arm_m = typed(talk.ask("Arm: shaft centre to the cell's axis, with unit ('250 mm')"), "length", "arm")
    arm, arm_u = effective_arm(arm_m, 0.0, ARM_U_M, ANGLE_U_DEG)
    kept = archive.folder / IN_PROGRESS
    made = calibration_from(hang(talk, read, kept), arm, arm_u)
    with archive.change():
        number = archive.add_record(made, "first start")
        archive.activate("calibration", number)
    kept.replace(archive.folder / f"weights-{number}.csv")
    with line() as board:
        board.set_settings(
            {"span": round(made.span_count_per_N * 1000), "arm_length": round(made.arm_m * 1e6)}
        )
    talk.say(
        f"Calibration {number}: {made.span_count_per_N:.2f} counts/N ± {196 * made.span_u_rel:.2f} % (95 %)."
    )


def calibration_from(hung: list[WeightReading], arm_m: float, arm_u_m: float) -> Calibration:
    """The calibration of hung weights; InputError when it is not plausible."""
    gravity, gravity_u = gravity_or_standard(None, None)  # nobody was asked where the bench stands
    fit = fit_span(
        np.array([h.mass_kg for h in hung]),
        np.array([h.count for h in hung]),
        gravity=gravity,
        gravity_u=gravity_u,
        buoyancy=BUOYANCY,
    )
    if wrong := implausible(fit):
        raise InputError(
            f"this calibration is not plausible: {wrong}. Nothing was stored; the readings are kept, and "
            "'undo' takes one back at the next try"
        )
    return make_calibration(fit, arm_m, arm_u_m, int(time.time()), "first start")
