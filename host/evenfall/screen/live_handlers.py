"""What the live part of the page asks and does."""

from __future__ import annotations

from typing import Any

from evenfall.archive.archive import Archive, Query
from evenfall.board import code_texts
from evenfall.board.link import Link
from evenfall.errors import InputError
from evenfall.output.strokes import COLOURS, STROKES
from evenfall.screen import run_summary
from evenfall.screen.context import Answer, Context, GetHandler, PostHandler, int_field, int_param, text_field

SENTENCES = {
    "states": code_texts.STATES,
    "faults": code_texts.FAULTS,
    "verdicts": code_texts.VERDICTS,
    "reasons": code_texts.REASONS,
    "status": code_texts.STATUS_BITS,
}


# --- what the page may be told to do; each is a POST ---


def post_zero(context: Context, _: dict[str, Any]) -> Answer:
    return {"zero": context.worker.call("zero", lambda line: line.zero())}


def post_arm(context: Context, _: dict[str, Any]) -> Answer:
    context.worker.call("arm", lambda line: line.command("arm"))
    return {}


def post_measure_valve(context: Context, _: dict[str, Any]) -> Answer:
    """Make the armed board measure its valve in place of a sweep: the person's throttle begins it."""

    def prepare(line: Link) -> None:
        status = line.status()
        if status["state"] != "ready":
            raise InputError("the valve is measured in place of a sweep: arm first, with the engine idling")
        if status["speed"] > 0:
            raise InputError("the shaft turns already: let it stop, then choose this again")
        line.command("characterise")

    context.worker.call("measure the valve", prepare)
    context.worker.valve_next = True
    context.worker.changed()
    return {}


def post_stop(context: Context, _: dict[str, Any]) -> Answer:
    context.worker.stop()
    return {}


def post_clear(context: Context, _: dict[str, Any]) -> Answer:
    context.worker.call("clear", lambda line: line.command("clear_fault"))
    return {}


def post_fetch(context: Context, _: dict[str, Any]) -> Answer:
    got = context.worker.fetch()
    return {"runs": list(got.numbers), "unreduced": list(got.unreduced)}


def post_fetching(context: Context, body: dict[str, Any]) -> Answer:
    context.worker.fetching = bool(body.get("on"))
    return {}


def post_exclude(context: Context, body: dict[str, Any]) -> Answer:
    with Archive(context.folder) as archive:
        archive.exclude(int_field(body, "run"), text_field(body, "reason"))
    return {}


def post_include(context: Context, body: dict[str, Any]) -> Answer:
    with Archive(context.folder) as archive:
        archive.include(int_field(body, "run"))
    return {}


def post_note(context: Context, body: dict[str, Any]) -> Answer:
    with Archive(context.folder) as archive:
        archive.add_note(int_field(body, "run"), text_field(body, "text"))
    return {}


def post_tag(context: Context, body: dict[str, Any]) -> Answer:
    with Archive(context.folder) as archive:
        if body.get("off"):
            archive.remove_tag(int_field(body, "run"), text_field(body, "tag", 200))
        else:
            archive.add_tag(int_field(body, "run"), text_field(body, "tag", 200))
    return {}


def post_hands(context: Context, body: dict[str, Any]) -> Answer:
    if context.hands is None:
        raise InputError("this is a real bench: its throttle and button are moved by hand")
    return {"said": context.hands(text_field(body, "words", 200))}


POST_HANDLERS: dict[str, PostHandler] = {
    "zero": post_zero,
    "arm": post_arm,
    "stop": post_stop,
    "measure-valve": post_measure_valve,
    "clear": post_clear,
    "fetch": post_fetch,
    "fetching": post_fetching,
    "exclude": post_exclude,
    "include": post_include,
    "note": post_note,
    "tag": post_tag,
    "hands": post_hands,
}

# --- what it may be asked; each is a GET and changes nothing ---


def get_run(context: Context, params: dict[str, str]) -> Answer:
    with Archive(context.folder) as archive:
        return run_summary.run_summary(archive, int_param(params, "run"))


def get_newest(context: Context, params: dict[str, str]) -> Answer:
    with Archive(context.folder) as archive:
        rows = archive.find(Query(excluded=None, limit=1))
        return run_summary.run_summary(archive, rows[0]["run"]) if rows else {}


def get_start(context: Context, params: dict[str, str]) -> Answer:
    return {
        "texts": SENTENCES,
        "units": context.units,
        "practice": context.hands is not None,
        "strokes": [list(pair) for pair in zip(COLOURS, STROKES, strict=True)],
    }


GET_HANDLERS: dict[str, GetHandler] = {
    "run": get_run,
    "newest": get_newest,
    "start": get_start,
}
