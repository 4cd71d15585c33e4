"""What the set-up part finds from runs: the inertia from two sweep times, drag from a coast-down."""

from __future__ import annotations

import math
from typing import Any

from evenfall.archive.archive import Archive
from evenfall.errors import InputError
from evenfall.model import Setup
from evenfall.screen.context import Answer, Context, GetHandler, PostHandler, text_field
from evenfall.workflow.drive_from_runs import (
    drag_of,
    drag_sentence,
    inertia_of,
    inertia_sentence,
    keep_drag,
    keep_inertia,
)

MAX_SCATTER = 0.1  # of the engine from run to run, as the command takes it


def float_field(body: dict[str, Any], name: str) -> float:
    """A number the page sent, as typed."""
    text = text_field(body, name, 40).strip().replace(",", ".")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"'{name}' must be a number, not '{text}'")
    return value


def post_inertia(context: Context, body: dict[str, Any]) -> Answer:
    """The inertia at the crank from runs of two sweep times; kept in a set-up when `label` names one."""
    scatter = float_field(body, "scatter") / 100
    if not 0 <= scatter <= MAX_SCATTER:
        raise InputError(f"the scatter must lie between 0 and {100 * MAX_SCATTER:g} %")
    names = text_field(body, "runs", 500).split()
    if not names or any(not part.replace(",", "").replace("-", "").isdigit() for part in names):
        raise InputError("say which runs by their numbers, such as 3-5,8")
    fit, of_runs = inertia_of(names, context.folder, None, scatter)
    label = text_field(body, "label", 200).strip() if body.get("label") else ""
    if label:
        keep_inertia(context.folder, label, fit, of_runs, new=False)
        context.worker.filing_changed()
    return {"sentence": inertia_sentence(fit), "notes": fit.notes, "kept": label}


def post_drag(context: Context, body: dict[str, Any]) -> Answer:
    """Drag outside the brake's housing from a coast-down; kept in a set-up when `label` names one."""
    run = text_field(body, "run", 40).strip()
    if not run.isdigit():
        raise InputError("say which run by its number, such as 12")
    found = drag_of(
        run, context.folder, float_field(body, "inertia") / 1000, float_field(body, "inertia_u") / 1000
    )
    label = text_field(body, "label", 200).strip() if body.get("label") else ""
    if label:
        keep_drag(context.folder, label, found)
        context.worker.filing_changed()
    rows = zip(found.speed_rpm, found.total_Nm, found.felt_Nm, found.loss_Nm, found.loss_u_Nm, strict=True)
    return {
        "sentence": drag_sentence(found),
        "notes": found.notes,
        "kept": label,
        "rows": [
            {"speed_rpm": n, "total_Nm": all_, "felt_Nm": felt, "loss_Nm": loss, "loss_half_Nm": 1.96 * u}
            for n, all_, felt, loss, u in rows
        ],
    }


def get_setups(context: Context, _: dict[str, str]) -> Answer:
    """Names of the set-ups, the active one first."""
    with Archive(context.folder) as archive:
        rows = archive.records(Setup)
        now = archive.active("setup")
    rows.sort(key=lambda r: not (now and now.value == str(r["number"])))
    return {"names": list(dict.fromkeys(r["label"] for r in rows if r["label"]))}


POST_HANDLERS: dict[str, PostHandler] = {"inertia": post_inertia, "drag": post_drag}
GET_HANDLERS: dict[str, GetHandler] = {"setups": get_setups}
