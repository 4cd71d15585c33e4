"""The first start, led: what a new bench needs before its first run, each part seen at work.

Everything is kept as soon as it is known, so the next start asks only for what is still missing.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import numpy as np

from evenfall.archive.archive import Archive
from evenfall.archive.filing import check_name
from evenfall.board import code_texts, run_file
from evenfall.board.link import Link
from evenfall.board.settings import setting, shown
from evenfall.errors import EvenfallError, InputError
from evenfall.model import Calibration, Setup
from evenfall.reduction.calibration import (
    BUOYANCY,
    effective_arm,
    fit_span,
    implausible,
    make_calibration,
)
from evenfall.reduction.reduce import check_inputs
from evenfall.units import typed
from evenfall.workflow.weights import Hung, Talk, hang

SEEN_S = 30.0  # how long something is waited for that a person does at the bench
LOOK_S = 0.1
ARM_U_M, ANGLE_U_DEG = 0.0003, 1.0  # as `evenfall calibrate span` takes them where nobody says
IN_PROGRESS = "weights-in-progress.csv"  # readings of a round that is not stored yet

Line = Callable[[], AbstractContextManager[Link]]


def missing(archive: Archive) -> list[str]:
    """What no run can be trusted without, in the order in which it is asked for."""
    found = archive.active("setup")
    setup = archive.record(Setup, int(found[0])) if found else None
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


def lead(talk: Talk, archive: Archive, line: Line, read: Callable[[], list[float]]) -> None:
    """Ask for what is missing; a part that fails is said and left for the next start."""
    todo = missing(archive)
    if not todo:
        return
    talk.say("Not known yet: " + "; ".join(WORDS[name] for name in todo) + ".")
    if todo == ["inertia"]:
        talk.say(INERTIA)
        return
    options = {"now": "go through it, part by part", "later": "go on without; results will say so"}
    if talk.choose("Set the bench up now?", options, "now") == "later":
        return
    for name, part in (
        ("drive", lambda: _parts(talk, line)),
        ("drive", lambda: _drive(talk, archive, line)),
        ("calibration", lambda: _calibration(talk, archive, line, read)),
    ):
        if name in todo:
            try:
                part()
            except EvenfallError as error:
                talk.say(f"! {error}")
    if "inertia" in todo:
        talk.say(INERTIA)


INERTIA = (
    "The inertia comes from two runs of one engine at different sweep times: make a few runs, then\n"
    "evenfall board set sweep_time='15 s'\n"
    "make as many again, set it back to '10 s', and\n"
    "evenfall inertia FIRST SECOND --store SETUP"
)


def see(
    talk: Talk,
    line: Link,
    what: str,
    found: Callable[[dict[str, Any]], bool],
    patience_s: float | None = None,
) -> bool:
    """Ask for something and look at the board until it is there; say whether it was seen."""
    talk.say(what)
    until = time.monotonic() + (SEEN_S if patience_s is None else patience_s)
    while time.monotonic() < until:
        if found(line.status()):
            talk.say("  seen")
            return True
        time.sleep(LOOK_S)
    talk.say("! not seen")
    return False


def _parts(talk: Talk, line: Line) -> None:
    """Button, pickup, amplifier, valve: each is used by the person and seen by the board."""
    with line() as board:
        board.set_clock()
        if see(talk, board, "Press the board's button now.", lambda s: "button" in s["flags"]):
            armed = "That armed the board. Press once more: it is disarmed again."
            if not see(talk, board, armed, lambda s: s["state"] == "rest" and "button" not in s["flags"]):
                board.command("stop")
        else:
            talk.say(f"  {code_texts.SELF_TEST_ADVICE['button']}")
        talk.ask("Turn the shaft by hand, a few turns. Nobody near the valve: it will move. Then Enter")
        for item, result, value in board.self_test():
            name = code_texts.say(code_texts.SELF_TEST_ITEMS, item)
            said = code_texts.say(code_texts.SELF_TEST_RESULTS, result)
            talk.say(f"  {name:16} {said:12} {code_texts.self_test_reading(item, result, value)}".rstrip())
            if result == "fail" or (item == "speed_pickup" and result != "pass"):
                talk.say(f"    {code_texts.say(code_texts.SELF_TEST_ADVICE, item)}")
        values = board.settings()
    ends = " and ".join(f"{n} {shown(setting(n), values[n])}" for n in ("servo_shut", "servo_open"))
    options = {"yes": "it did", "no": "it did not"}
    if talk.choose(f"Did the valve go from shut to open and back ({ends})?", options, "yes") == "no":
        talk.say("Find the ends by steps of 50 us, with the board's button held:")
        talk.say(f"evenfall board set servo_shut={values['servo_shut']} servo_open={values['servo_open']}")


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


def calibration_from(hung: list[Hung], arm_m: float, arm_u_m: float) -> Calibration:
    """The calibration of hung weights; InputError when it is not plausible."""
    fit = fit_span(np.array([h.mass_kg for h in hung]), np.array([h.count for h in hung]), buoyancy=BUOYANCY)
    if wrong := implausible(fit):
        raise InputError(
            f"this calibration is not plausible: {wrong}. Nothing was stored; the readings are kept, and "
            "'undo' takes one back at the next try"
        )
    return make_calibration(fit, arm_m, arm_u_m, int(time.time()), "first start")
