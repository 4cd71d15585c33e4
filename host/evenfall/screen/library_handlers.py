"""What the library part of the page asks: runs by pages, curves, sessions, comparisons, control chart."""

from __future__ import annotations

import math
import re
import tempfile
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from starlette.responses import Response

from evenfall.archive.archive import Archive, Query
from evenfall.errors import InputError, NotFoundError
from evenfall.model import Calibration
from evenfall.output.plain import comparison_as_json
from evenfall.output.text import UNIT_CHOICES, Units, chart_lines, verdict_sentence
from evenfall.reduction.calibration import BUOYANCY, check_drift
from evenfall.screen.context import Answer, Context, GetHandler, PostHandler, int_param, text_field
from evenfall.screen.run_summary import curve, row_summary
from evenfall.statistics import counting
from evenfall.statistics.compare import compare
from evenfall.statistics.control_chart import control_chart
from evenfall.statistics.precision import precision
from evenfall.workflow.run_groups import (
    counts,
    engine_of,
    group_of,
    reference_sessions,
    run_numbers,
    scatter_between_sessions,
    speed_band,
)

PAGE_RUNS = 25  # lines of one page of the list
MAX_CURVES = 6
MAX_OF_SESSION = 500
PAGE_SESSIONS = 25
MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)
_REPORT = re.compile(r"[\w.-]+\.html")


def units_of(params: dict[str, Any]) -> Units:
    """The units that the page shows."""
    name = params.get("units", "us")
    if name not in UNIT_CHOICES:
        raise InputError(f"'units' must be one of {', '.join(UNIT_CHOICES)}")
    return UNIT_CHOICES[name]


def date_param(params: dict[str, str], name: str, later: int = 0) -> int | None:
    """Start of the day '2026-03-31' here, or the last second of it (`later` 1); None when not asked for."""
    if not params.get(name):
        return None
    try:
        return int((datetime.strptime(params[name], "%Y-%m-%d") + timedelta(days=later)).timestamp()) - later
    except (ValueError, OverflowError, OSError):
        raise InputError(f"'{name}' must be a date like 2026-03-31, not '{params[name][:40]}'") from None


def float_param(params: dict[str, str], name: str) -> float | None:
    """A number of the address, in SI; None when not asked for."""
    if not params.get(name):
        return None
    try:
        value = float(params[name])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"'{name}' must be a number, not '{params[name][:40]}'")
    return value


def get_runs(context: Context, params: dict[str, str]) -> Answer:
    """One page of the runs that match, and whether more follow."""
    page = int_param(params, "page") if "page" in params else 0
    excluded = {"": False, "also": None, "only": True}.get(params.get("excluded", ""), False)
    query = Query(
        engine=params.get("engine") or None,
        build=params.get("build") or None,
        session=int_param(params, "session") if params.get("session") else None,
        words=params.get("words", "").strip() or None,
        tags=(params["tag"],) if params.get("tag") else (),
        verdict=params.get("verdict") or None,
        since_unix_s=date_param(params, "since"),
        until_unix_s=date_param(params, "until", 1),
        power_W=(float_param(params, "power_from"), float_param(params, "power_to")),
        excluded=excluded,
        sort=params.get("sort") or "date",
        limit=PAGE_RUNS + 1,
        offset=page * PAGE_RUNS,
    )
    with Archive(context.folder) as archive:
        rows = archive.find(query)
        hidden = archive.also_excluded(replace(query, offset=0)) if query.words or not rows else 0
    return {
        "runs": [row_summary(r) for r in rows[:PAGE_RUNS]],
        "more": len(rows) > PAGE_RUNS,
        "page": page,
        "excluded": hidden,
    }


def get_engines(context: Context, _: dict[str, str]) -> Answer:
    with Archive(context.folder) as archive:
        return {"engines": archive.engines()}


def get_builds(context: Context, params: dict[str, str]) -> Answer:
    with Archive(context.folder) as archive:
        return {"builds": archive.builds(params.get("engine", ""))}


def get_curves(context: Context, params: dict[str, str]) -> Answer:
    """Curves of up to six runs, as they were last reduced; a run without one is named."""
    numbers = [int_param({"run": text}, "run") for text in params.get("runs", "").split(",") if text]
    if len(numbers) > MAX_CURVES:
        raise InputError(f"up to {MAX_CURVES} curves can be shown together; {len(numbers)} were asked for")
    found, without = [], []
    with Archive(context.folder) as archive:
        for number in numbers:
            row = archive.row(number)
            bins = archive.current_bins(number)
            if bins is None:
                without.append(number)
            else:
                found.append({**row_summary(row), "curve": curve(bins)})
    return {"curves": found, "without": without}


def get_sessions(context: Context, params: dict[str, str]) -> Answer:
    page = int_param(params, "page") if "page" in params else 0
    with Archive(context.folder) as archive:
        rows = archive.sessions()
    part = rows[page * PAGE_SESSIONS : (page + 1) * PAGE_SESSIONS]
    return {"sessions": part, "more": len(rows) > (page + 1) * PAGE_SESSIONS, "page": page}


def get_session(context: Context, params: dict[str, str]) -> Answer:
    """Runs of a session, and for each build the scatter of peak power among those that count."""
    with Archive(context.folder) as archive:
        number = int_param(params, "session")
        rows = archive.find(Query(session=number, excluded=None, limit=MAX_OF_SESSION))
    builds: dict[tuple[str, str], list[float]] = {}
    for row in rows:
        if counts(row):
            builds.setdefault((row["engine"] or "", row["build"] or ""), []).append(row["peak_power_W"])
    scatter = []
    for (engine, build), watts in builds.items():
        one = precision([np.array(watts)]) if len(watts) > 1 else None
        scatter.append(
            {
                "engine": engine,
                "build": build,
                "runs": len(watts),
                "mean_W": float(np.mean(watts)),
                "s_r_W": one.s_r if one else None,
                "r_W": one.r if one else None,
            }
        )
    left_out = [(r["run"], why) for r in rows if (why := counting.why_left_out(r))]
    return {
        "session": number,
        "runs": [row_summary(r) for r in rows],
        "scatter": scatter,
        "left_out": counting.sentence(left_out),
    }


def post_compare(context: Context, body: dict[str, Any]) -> Answer:
    """Before and after with the verdict; a POST, because runs that were never reduced are reduced now."""
    units = units_of(body)
    engine = text_field(body, "engine", 200) if body.get("engine") else None
    band = text_field(body, "band", 40) if body.get("band") else None
    with Archive(context.folder) as archive:
        a, b = (group_of(archive, text_field(body, name, 500), engine) for name in ("before", "after"))
        if a.label == b.label:
            a, b = replace(a, label="before"), replace(b, label="after")
        one = engine_of(archive, [p.key for g in (a, b) for p in g.runs])
        between = scatter_between_sessions(archive, one)
        result = compare(a, b, between=between, band_rpm=speed_band(band, "band") if band else None)
    found = comparison_as_json(result)
    found["verdict"] = verdict_sentence(result, units)
    found["left_out"] = [g.left_out for g in (result.before, result.after) if g.left_out]
    return found


def get_chart(context: Context, params: dict[str, str]) -> Answer:
    """The control chart of a reference engine."""
    units = units_of(params)
    with Archive(context.folder) as archive:
        sessions, left_out = reference_sessions(
            archive, params.get("engine", ""), params.get("build") or None
        )
    result = control_chart(sessions)
    return {
        "labels": [s.label for s in result.sessions],
        "runs": [len(s.peak_power_W) for s in result.sessions],
        "mean_W": result.mean_W,
        "z": result.z,
        "centre_W": result.centre_W,
        "limits_W": result.limits_W,
        "alarms": [asdict(a) for a in result.alarms],
        "lines": [*chart_lines(result, units), *([left_out] if left_out else [])],
    }


def get_calibrations(context: Context, _: dict[str, str]) -> Answer:
    """Calibrations, newest first, which one is active, and the check-weight log held against it."""
    with Archive(context.folder) as archive:
        rows = archive.records(Calibration)
        now = archive.active("calibration")
        readings = archive.check_weights() if not archive.read_only else []
        active = archive.record(Calibration, now.number) if now else None
    drift = check_drift(active, readings, buoyancy=BUOYANCY) if active and readings else None
    return {
        "calibrations": [{**r, "active": bool(now and now.value == str(r["number"]))} for r in rows],
        "check_weights": [
            {"unix_s": t, "mass_kg": kg, "count": count, "error": error}
            for (t, kg, count), error in zip(
                sorted(readings), drift.error_rel if drift else [None] * len(readings), strict=True
            )
        ],
        "drift_per_year": drift.per_year if drift else None,
        "drift_half_per_year": 1.96 * drift.per_year_u if drift else None,
        "warnings": drift.notes if drift else [],
    }


def post_report(context: Context, body: dict[str, Any]) -> Answer:
    """Write the printable page of one group, or of two; the answer says under which name it is shown."""
    from evenfall.workflow.report_page import write_page

    specs = [text_field(body, name, 500) for name in ("runs", "after") if body.get(name)]
    if not specs:
        raise InputError("say which runs the report is of, such as 3,5-8")
    engine = text_field(body, "engine", 200) if body.get("engine") else None
    units_of(body)
    with Archive(context.folder) as archive:
        path = write_page(
            archive,
            tuple(specs),
            None,
            engine=engine,
            units=body.get("units", "us"),
            invented=context.hands is not None,
            everything=bool(body.get("everything")),
        )
    return {"name": path.name, "path": str(path)}


def report_page(context: Context, name: str) -> Response:
    """A report that was written before, by its file's name; without scripts, whatever is in it."""
    path = context.folder / "pages" / name
    if not _REPORT.fullmatch(name) or not path.is_file():
        raise NotFoundError(f"there is no report '{name[:80]}'")
    return Response(
        path.read_bytes(), media_type="text/html", headers={"content-security-policy": REPORT_POLICY}
    )


def post_export(context: Context, body: dict[str, Any]) -> Answer:
    """Runs as a file: `table` is bins, runs or samples, `form` csv or parquet."""
    from evenfall.output.tables import to_csv, to_parquet
    from evenfall.workflow.export_rows import export_rows

    table, form = text_field(body, "table", 20), body.get("form", "csv")
    if table not in ("bins", "runs", "samples"):
        raise InputError("'table' must be bins, runs or samples")
    if form not in MEDIA_TYPES:
        raise InputError("'form' must be csv or parquet")
    units = units_of(body)
    engine = text_field(body, "engine", 200) if body.get("engine") else None
    with Archive(context.folder) as archive:
        rows = export_rows(archive, run_numbers(archive, text_field(body, "runs", 500), engine))
    if form == "parquet":
        with tempfile.TemporaryDirectory(prefix="evenfall-export-") as temporary:
            data = to_parquet(rows, Path(temporary) / "runs.parquet", table).read_bytes()
    else:
        data = to_csv(rows, table, units if body.get("units") == "us" else None).encode()
    named = {"content-disposition": f'attachment; filename="{table}.{form}"'}
    return Response(data, media_type=MEDIA_TYPES[form], headers=named)


POST_HANDLERS: dict[str, PostHandler] = {
    "compare": post_compare,
    "report": post_report,
    "export": post_export,
}
GET_HANDLERS: dict[str, GetHandler] = {
    "runs": get_runs,
    "engines": get_engines,
    "builds": get_builds,
    "curves": get_curves,
    "sessions": get_sessions,
    "session": get_session,
    "chart": get_chart,
    "calibrations": get_calibrations,
}
