"""What the set-up part of the page asks and does: first start, calibration, air, engine, drive, settings."""

from __future__ import annotations

import math
import time
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from evenfall_wire.settings import AT_START

from evenfall.archive.archive import Archive
from evenfall.archive.filing import check_name
from evenfall.board import code_texts, run_file
from evenfall.board import settings as board_settings
from evenfall.board.link import Link
from evenfall.errors import BoardError, EvenfallError, InputError, NotFoundError
from evenfall.model import DEFAULT_STANDARD, Air, Calibration, Setup
from evenfall.reduction.air import STANDARDS, describe, standard_named
from evenfall.reduction.align import clamped_codes
from evenfall.reduction.calibration import (
    BUOYANCY,
    SpanFit,
    check_drift,
    check_reading,
    effective_arm,
    fit_span,
    implausible,
    make_calibration,
)
from evenfall.reduction.gravity import gravity_or_standard
from evenfall.reduction.reduce import check_inertia, check_inputs
from evenfall.screen.context import Answer, Context, GetHandler, PostHandler, int_field, text_field
from evenfall.units import typed
from evenfall.workflow.fetch import file_air
from evenfall.workflow.first_start import IN_PROGRESS
from evenfall.workflow.weights import (
    WeightReading,
    implausible_reading,
    mean_of,
    read_csv,
    save_readings,
    start_new_readings,
)

READINGS, PAUSE_S = 64, 0.05  # some four seconds: longer than a hanging weight swings


def get_setup(context: Context, _: dict[str, str]) -> Answer:
    """What new runs are filed under, and what is still missing."""
    with Archive(context.folder) as archive:
        calibration, drive, air, build = (archive.active(w) for w in ("calibration", "setup", "air", "build"))
        standard = archive.active("standard")
        out: dict[str, Any] = {
            "calibration": asdict(archive.record(Calibration, calibration.number)) if calibration else None,
            "drive": asdict(archive.record(Setup, drive.number)) if drive else None,
            "air": asdict(archive.record(Air, air.number)) if air else None,
            "air_since": air.since_unix_s if air else None,
            "build": _build(archive, build.number) if build else None,
            "engines": archive.engines(),
        }
    out["standard"] = standard.value if standard else DEFAULT_STANDARD
    out["standards"] = [{"name": s.key, "title": s.title} for s in STANDARDS.values()]
    out["board_teeth"] = context.worker.known_teeth()
    out["self_test"] = context.self_test
    return out


def _build(archive: Archive, number: int) -> dict[str, Any] | None:
    rows = archive.rows(
        "SELECT e.name AS engine, b.name AS build FROM builds b JOIN engines e ON e.id = b.engine_id "
        "WHERE b.id = ?",
        number,
    )
    return rows[0] if rows else None


def get_counters(context: Context, _: dict[str, str]) -> Answer:
    """What the board has counted since its start: presses, edges of the pickup."""
    return context.worker.call("counters", lambda line: line.board_counters())


def get_settings(context: Context, _: dict[str, str]) -> Answer:
    """All settings of the board as a person reads them; those of a newer board by name and number only."""
    rows = []
    for name, value in context.worker.settings(fresh=True).items():
        row = board_settings.TABLE.get(name)
        known = {
            "shown": board_settings.shown(row, value),
            "default": board_settings.shown(row, row.default),
            "low": board_settings.shown(row, max(row.low, 0) if row.unit == "GPIO" else row.low),
            "high": board_settings.shown(row, row.high),
            "pin": row.unit == "GPIO",
            "names": [] if row.unit == "GPIO" else board_settings.names_shown(row),
            "group": row.group,
            "at_start": row.group == "pins" or name in AT_START,
        } if row else {"shown": str(value), "group": "other"}  # fmt: skip
        rows.append(
            {
                "name": name,
                "meaning": code_texts.SETTING_MEANINGS.get(name, ""),
                "caution": code_texts.SETTING_CAUTIONS.get(name, ""),
                **known,
            }
        )
    return {"settings": rows}


def post_settings(context: Context, body: dict[str, Any]) -> Answer:
    """Write settings to the board, as typed ('250 mm', 'open', '12 s') or as numbers in the table's unit.

    Bounds are checked here; people's agreement to what guards them is asked for by the board.
    """
    values = body.get("values")
    if not isinstance(values, dict) or not values:
        raise InputError("'values' must be names of settings with their values")
    checked = {}
    for name, value in values.items():
        typed_text = text_field(values, name, 60) if isinstance(value, str) else str(int_field(values, name))
        checked[name] = board_settings.value_of(name, typed_text)
    context.worker.call("settings", lambda line: line.set_settings(checked))
    now = context.worker.settings(fresh=True)
    return {"values": {name: now[name] for name in checked}}


def post_restart(context: Context, _: dict[str, Any]) -> Answer:
    context.worker.call("restart", lambda line: line.command("restart"))
    return {}


def post_clock(context: Context, _: dict[str, Any]) -> Answer:
    context.worker.call("clock", lambda line: line.set_clock())
    return {}


def post_self_test(context: Context, _: dict[str, Any]) -> Answer:
    """Test each part; the result stays until the next test."""
    rows = context.worker.call("self-test", lambda line: line.self_test(), longest_s=120.0)
    context.self_test = [
        {
            "part": code_texts.say(code_texts.SELF_TEST_ITEMS, item),
            "result": result,
            "result_text": code_texts.say(code_texts.SELF_TEST_RESULTS, result),
            "reading": code_texts.self_test_reading(item, result, value),
            "advice": code_texts.say(code_texts.SELF_TEST_ADVICE, item)
            if result in ("fail", "ask_person")
            else "",
        }
        for item, result, value in rows
    ]
    return {"self_test": context.self_test}


# --- weights; the round in progress is the same file that `evenfall calibrate span` takes up ---


def read_load(line: Link) -> list[float]:
    """The load cell for four seconds, in order; BoardError when it does not answer or stands at its end."""
    seen: list[float] = []
    for _ in range(READINGS):
        status = line.status()
        if "load_ok" not in status["flags"]:
            raise BoardError("the load cell does not answer; check its plug and its four wires")
        seen.append(float(status["load_count"]))
        time.sleep(PAUSE_S)
    if clamped_codes(np.array(seen)).any():
        raise BoardError("the load cell reads its end value: take weight off, or check for a broken wire")
    return seen


def _weights_so_far(context: Context) -> list[WeightReading]:
    path = context.folder / IN_PROGRESS
    return [WeightReading(mass, count) for mass, count in read_csv(path)] if path.exists() else []


def _fit(context: Context, mass_u_rel: float = 0.001) -> SpanFit:
    hung = _weights_so_far(context)
    gravity, gravity_u = gravity_or_standard(None, None)
    return fit_span(
        np.array([h.mass_kg for h in hung]),
        np.array([h.count for h in hung]),
        gravity=gravity,
        gravity_u=gravity_u,
        mass_u_rel=mass_u_rel,
        buoyancy=BUOYANCY,
    )


def get_weights(context: Context, _: dict[str, str]) -> Answer:
    """The weights hung so far, and the line through them as soon as there is one."""
    hung = _weights_so_far(context)
    out: dict[str, Any] = {"weights": [asdict(h) for h in hung], "fit": None, "why": "", "pending": None}
    if context.pending is not None:
        reading, why = context.pending
        out["pending"] = {"mass_kg": reading.mass_kg, "why": why}
    if len({h.mass_kg for h in hung}) >= 2:
        try:
            fit = _fit(context)
        except EvenfallError as error:
            out["why"] = str(error)
        else:
            out["fit"] = {
                "span_count_per_N": fit.span_count_per_N,
                "span_half": 1.96 * fit.span_u_rel,
                "linearity": fit.linearity,
                "hysteresis": fit.hysteresis,
                "residual_N": fit.residual_N,
                "up": fit.up,
                "notes": fit.notes,
                "implausible": implausible(fit),
            }
    return out


def post_weigh(context: Context, body: dict[str, Any]) -> Answer:
    """Read the weight that hangs now; one that can hardly be it waits until the person confirms it."""
    mass = typed(text_field(body, "mass", 40), "mass", "weight")
    if mass < 0:
        raise InputError("a mass is not negative; type what hangs")
    counts = context.worker.call("reading the load", read_load)
    hung = _weights_so_far(context)
    fresh = WeightReading(mass, mean_of(counts))
    why = implausible_reading(counts, mass, hung)
    context.pending = (fresh, why) if why else None
    if not why:
        save_readings(context.folder / IN_PROGRESS, [*hung, fresh], time.time())
    return {"count": fresh.count, "why": why}


def post_weigh_keep(context: Context, _: dict[str, Any]) -> Answer:
    """Keep the reading that was asked about all the same."""
    if context.pending is None:
        raise InputError("no reading waits for an answer")
    reading, _why = context.pending
    save_readings(context.folder / IN_PROGRESS, [*_weights_so_far(context), reading], time.time())
    context.pending = None
    return {}


def post_weigh_undo(context: Context, _: dict[str, Any]) -> Answer:
    """Take the last reading back, or the one that was asked about."""
    hung = _weights_so_far(context)
    if context.pending is None:
        if not hung:
            raise InputError("there is nothing to take back")
        save_readings(context.folder / IN_PROGRESS, hung[:-1], time.time())
    context.pending = None
    return {}


def post_weigh_anew(context: Context, _: dict[str, Any]) -> Answer:
    """Begin anew; what was read stays in a file beside."""
    path = context.folder / IN_PROGRESS
    if path.exists():
        start_new_readings(path)
    context.pending = None
    return {}


def post_calibrate(context: Context, body: dict[str, Any]) -> Answer:
    """Keep the calibration of the hung weights and file new runs under it."""
    arm, arm_u = (typed(text_field(body, n, 40), "length", n) for n in ("arm", "arm_u"))
    weights_u = typed(text_field(body, "weights_u", 40), "ratio", "weights_u")
    note = text_field(body, "note", 300) if body.get("note") else ""
    fit = _fit(context, weights_u)
    wrong = implausible(fit)
    if wrong and body.get("accept") is not True:
        raise InputError(
            f"this calibration is not plausible: {wrong}. Nothing was kept. Look for a wrong weight or unit, "
            "a reading in the wrong place, or an arm that touches"
        )
    cell_arm, cell_u = effective_arm(arm, 0.0, arm_u, 1.0)
    made = make_calibration(fit, cell_arm, cell_u, int(time.time()), note)
    with Archive(context.folder) as archive, archive.change():
        number = archive.add_record(made, note)
        archive.activate("calibration", number)
    (context.folder / IN_PROGRESS).replace(context.folder / f"weights-{number}.csv")
    context.worker.filing_changed()
    return {
        "number": number,
        "span": round(made.span_count_per_N * 1000),
        "arm_length": round(made.arm_m * 1e6),
        "notes": fit.notes,
    }


def post_check_off(context: Context, _: dict[str, Any]) -> Answer:
    """The check weight's zero: nothing hangs."""
    context.check_zero = mean_of(context.worker.call("reading the load", read_load))
    return {"count": context.check_zero}


def post_check_on(context: Context, body: dict[str, Any]) -> Answer:
    """The check weight hangs: log it against the active calibration."""
    mass = typed(text_field(body, "mass", 40), "mass", "check weight")
    zero = context.check_zero
    if zero is None:
        raise InputError("read the cell without the weight first")
    with Archive(context.folder) as archive:
        calibration = archive.active_record(Calibration)
        if calibration is None:
            raise NotFoundError("no calibration is active: hang weights first")
        count = mean_of(context.worker.call("reading the load", read_load)) - zero
        fresh = (float(int(time.time())), mass, count)
        check_reading(calibration, fresh, buoyancy=BUOYANCY)  # a slip must not spoil the log
        archive.add_check_weight(*fresh)
        drift = check_drift(calibration, archive.check_weights(), buoyancy=BUOYANCY)
    context.check_zero = None
    return {"error": float(drift.error_rel[-1]), "notes": drift.notes}


# --- what runs are filed under ---


def post_air(context: Context, body: dict[str, Any]) -> Answer:
    """Air at the intake as typed, or the board's own barometer again."""
    with Archive(context.folder) as archive:
        if body.get("board"):
            archive.deactivate("air")
            said = ""
        else:
            texts = {n: text_field(body, n, 40) for n in ("pressure", "temperature", "humidity")}
            air = Air(
                typed(texts["pressure"], "pressure", "pressure"),
                typed(texts["temperature"], "temperature", "temperature"),
                typed(texts["humidity"], "ratio", "humidity"),
            )
            file_air(archive, air)
            said = describe(air)
        if body.get("standard"):
            archive.activate("standard", standard_named(text_field(body, "standard", 40)).key)
    context.worker.filing_changed()
    return {"said": said}


def post_engine(context: Context, body: dict[str, Any]) -> Answer:
    """Add what is new of engine and build, and file new runs under them."""
    engine, build = text_field(body, "engine", 200).strip(), text_field(body, "build", 200).strip()
    check_name(engine, "engine")
    with Archive(context.folder) as archive, archive.change():
        if engine.lower() not in [e["name"].lower() for e in archive.engines()]:
            archive.add_engine(engine)
        known = [b["build"].lower() for b in archive.builds(engine)]
        if build and build.lower() not in known:
            changed = text_field(body, "changed", 500) if body.get("changed") else ""
            by = text_field(body, "by", 200) if body.get("by") else ""
            number = archive.add_build(engine, build, changed, by)
        else:
            number = archive.build_id(engine, build or None)
        archive.activate("build", number)
        return {"filed": _build(archive, number)}


def post_drive(context: Context, body: dict[str, Any]) -> Answer:
    """Add a set-up on top of the last one of its name, and file new runs under it."""
    label = text_field(body, "label", 200).strip()
    check_name(label, "set-up")
    given: dict[str, Any] = {n: int_field(body, n) for n in ("engine_teeth", "brake_teeth", "magnets")}
    for name in ("inertia_kg_m2", "inertia_u_kg_m2", "drive_efficiency"):
        value = body.get(name)
        if value is not None:
            if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
                raise InputError(f"'{name}' must be a number")
            given[name] = float(value)
    with Archive(context.folder) as archive, archive.change():
        try:
            base = archive.record(Setup, archive.record_named(Setup, label))
        except NotFoundError:
            base = Setup()
        made = replace(base, **given)
        check_inertia(made)
        check_inputs(run_file.decode_run(b""), Calibration(0.0, 1.0, made_unix_s=1 << 40), made)
        archive.activate("setup", archive.add_record(made, label))
    context.worker.filing_changed()
    return {"drive": asdict(made)}


POST_HANDLERS: dict[str, PostHandler] = {
    "settings": post_settings,
    "restart": post_restart,
    "clock": post_clock,
    "self-test": post_self_test,
    "weigh": post_weigh,
    "weigh-keep": post_weigh_keep,
    "weigh-undo": post_weigh_undo,
    "weigh-anew": post_weigh_anew,
    "calibrate": post_calibrate,
    "check-off": post_check_off,
    "check-on": post_check_on,
    "air": post_air,
    "engine": post_engine,
    "drive": post_drive,
}
GET_HANDLERS: dict[str, GetHandler] = {
    "setup": get_setup,
    "board-settings": get_settings,
    "weights": get_weights,
    "counters": get_counters,
}
