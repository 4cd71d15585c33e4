"""What the live part of the page asks and does."""

from __future__ import annotations

from typing import Any

from evenfall.archive.archive import Archive, Query
from evenfall.board import code_texts
from evenfall.board.link import Link
from evenfall.errors import InputError
from evenfall.output.strokes import COLOURS, STROKES
from evenfall.screen import after_run
from evenfall.screen.bench import Action, Answer, Bench, Question, number_of, text_of, whole

SENTENCES = {
    "states": code_texts.STATES,
    "faults": code_texts.FAULTS,
    "verdicts": code_texts.VERDICTS,
    "reasons": code_texts.REASONS,
    "status": code_texts.STATUS_BITS,
}


# --- what the page may be told to do; each is a POST ---


def do_zero(bench: Bench, _: dict[str, Any]) -> Answer:
    return {"zero": bench.owner.ask("zero", lambda line: line.zero())}


def do_arm(bench: Bench, _: dict[str, Any]) -> Answer:
    bench.owner.ask("arm", lambda line: line.command("arm"))
    return {}


def do_measure_valve(bench: Bench, _: dict[str, Any]) -> Answer:
    """Make the armed board measure its valve in place of a sweep: the person's throttle begins it."""

    def prepare(line: Link) -> None:
        status = line.status()
        if status["state"] != "ready":
            raise InputError("the valve is measured in place of a sweep: arm first, with the engine idling")
        if status["speed"] > 0:
            raise InputError("the shaft turns already: let it stop, then choose this again")
        line.command("characterise")

    bench.owner.ask("measure the valve", prepare)
    bench.owner.valve_next = True
    bench.owner.changed()
    return {}


def do_stop(bench: Bench, _: dict[str, Any]) -> Answer:
    bench.owner.stop()
    return {}


def do_clear(bench: Bench, _: dict[str, Any]) -> Answer:
    bench.owner.ask("clear", lambda line: line.command("clear_fault"))
    return {}


def do_fetch(bench: Bench, _: dict[str, Any]) -> Answer:
    got = bench.owner.fetch()
    return {"runs": list(got.numbers), "unreduced": list(got.unreduced)}


def do_fetching(bench: Bench, body: dict[str, Any]) -> Answer:
    bench.owner.fetching = bool(body.get("on"))
    return {}


def do_exclude(bench: Bench, body: dict[str, Any]) -> Answer:
    with Archive(bench.folder) as archive:
        archive.exclude(number_of(body, "run"), text_of(body, "reason"))
    return {}


def do_include(bench: Bench, body: dict[str, Any]) -> Answer:
    with Archive(bench.folder) as archive:
        archive.include(number_of(body, "run"))
    return {}


def do_note(bench: Bench, body: dict[str, Any]) -> Answer:
    with Archive(bench.folder) as archive:
        archive.add_note(number_of(body, "run"), text_of(body, "text"))
    return {}


def do_tag(bench: Bench, body: dict[str, Any]) -> Answer:
    with Archive(bench.folder) as archive:
        if body.get("off"):
            archive.remove_tag(number_of(body, "run"), text_of(body, "tag", 200))
        else:
            archive.add_tag(number_of(body, "run"), text_of(body, "tag", 200))
    return {}


def practise(bench: Bench, body: dict[str, Any]) -> Answer:
    if bench.hands is None:
        raise InputError("this is a real bench: its throttle and button are moved by hand")
    return {"said": bench.hands(text_of(body, "words", 200))}


ACTIONS: dict[str, Action] = {
    "zero": do_zero,
    "arm": do_arm,
    "stop": do_stop,
    "measure-valve": do_measure_valve,
    "clear": do_clear,
    "fetch": do_fetch,
    "fetching": do_fetching,
    "exclude": do_exclude,
    "include": do_include,
    "note": do_note,
    "tag": do_tag,
    "hands": practise,
}

# --- what it may be asked; each is a GET and changes nothing ---


def see_run(bench: Bench, asked: dict[str, str]) -> Answer:
    with Archive(bench.folder) as archive:
        return after_run.after(archive, whole(asked, "run"))


def see_newest(bench: Bench, asked: dict[str, str]) -> Answer:
    with Archive(bench.folder) as archive:
        rows = archive.find(Query(excluded=None, limit=1))
        return after_run.after(archive, rows[0]["run"]) if rows else {}


def see_start(bench: Bench, asked: dict[str, str]) -> Answer:
    return {
        "texts": SENTENCES,
        "units": bench.units,
        "practice": bench.hands is not None,
        "strokes": [list(pair) for pair in zip(COLOURS, STROKES, strict=True)],
    }


QUESTIONS: dict[str, Question] = {
    "run": see_run,
    "newest": see_newest,
    "start": see_start,
}
