"""From what a person types to reduced runs: `3,5-8` or the name of a build."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from evenfall.archive.archive import Archive, Query
from evenfall.board import code_texts, run_file
from evenfall.errors import InputError, NotFoundError
from evenfall.model import DEFAULT_STANDARD, Air, Calibration, Run, Setup
from evenfall.printable import began, when
from evenfall.reduction.air import air_from_run, standard_named
from evenfall.reduction.diagnostics import diagnose
from evenfall.reduction.reduce import calibration_from_settings, setup_from_settings
from evenfall.statistics import counting
from evenfall.statistics.control_chart import Session
from evenfall.statistics.groups import Group, group
from evenfall.statistics.reduced_run import ReducedRun
from evenfall.statistics.sessions import Scatter, session_scatter
from evenfall.workflow.reduce_service import NO_AIR, inputs_of, reduce_stored

_NUMBERS = re.compile(r"\d+(-\d+)?(,\d+(-\d+)?)*")
MAX_SESSION_RUNS = 2000  # the newest, from which the scatter between sessions is taken
MAX_GROUP_RUNS = 200  # in one group; more is a slip of the keyboard


def listed(text: str) -> list[int] | None:
    """'3,5-8' -> [3, 5, 6, 7, 8]; None when it is no list of numbers.

    Raises InputError for one that runs backwards, is too long or names a number twice.
    """
    plain = text.replace(" ", "")
    if not _NUMBERS.fullmatch(plain):
        return None
    numbers: list[int] = []
    for part in plain.split(","):
        low, _, high = part.partition("-")
        last = int(high or low)
        if last < int(low):
            raise InputError(f"'{part}' runs backwards; write {last}-{low}")
        if last - int(low) >= MAX_GROUP_RUNS:
            raise InputError(f"'{part}' names more than {MAX_GROUP_RUNS} runs; name fewer")
        numbers += range(int(low), last + 1)
    if len(set(numbers)) < len(numbers):
        raise InputError(f"'{text}' names a run twice")
    return numbers


def run_numbers(archive: Archive, spec: str, engine: str | None) -> list[int]:
    """Numbers of the runs that `spec` names, in the order they were made.

    `3,5-8`: these runs.  Else the name of a build of `engine`.
    """
    numbers = listed(spec)
    if engine is not None:
        archive.engine_id(engine)
    if numbers is not None:
        rows = [archive.row(n) for n in numbers]
    else:
        if engine is None:
            raise InputError(
                f"'{spec}' is no list of runs like 3,5-8; a build's name needs its engine too",
                ": give --engine",
            )
        archive.build_id(engine, spec)
        rows = archive.find(Query(engine=engine, build=spec, excluded=None, limit=MAX_GROUP_RUNS))
        if not rows:
            raise NotFoundError(f"build '{spec}' of '{engine}' has no run")
    return [r["run"] for r in sorted(rows, key=lambda r: (r["started_unix_s"], r["run"]))]


def reduced(archive: Archive, number: int, standard: str | None = None, bin_rpm: float = 250.0) -> ReducedRun:
    """One run from the archive, reduced, with its circumstances; what ails the bench joins its notes."""
    run = archive.run(number)
    calibration, setup, air, _ = inputs_of(archive, number, run)
    reduction = reduce_stored(archive, number, standard, bin_rpm, run)
    faults_found = [
        f"{f.name.capitalize()}: {f.sentence}" for f in diagnose(run, calibration, setup) if f.found
    ]
    if run.verdict and run.verdict["verdict"] in ("poor", "aborted"):
        verdict = code_texts.say(code_texts.VERDICTS, run.verdict["verdict"])
        faults_found.append(
            f"The board judged it {verdict}: {code_texts.say(code_texts.REASONS, run.verdict['reason'])}."
        )
    reduction = replace(reduction, notes=[*reduction.notes, *faults_found])
    session = archive.row(number)["session"]
    return ReducedRun(reduction, calibration, setup, air, run.started_unix_s, number, session)


def group_of(
    archive: Archive,
    spec: str,
    engine: str | None,
    label: str | None = None,
    standard: str | None = None,
    bin_rpm: float = 250.0,
    everything: bool = False,
) -> Group:
    """The group that `spec` names; its label is the build's name where all its runs share one.

    Runs that do not count (`counting.why_left_out`) are left out, and named, unless `everything`.
    Raises NotFoundError when none is left, InputError when they are of several builds, unless `everything`.
    """
    numbers = run_numbers(archive, spec, engine)
    left_out: list[tuple[int, str]] = []
    if not everything:
        why = {n: counting.why_left_out(archive.row(n)) for n in numbers}
        left_out = [(n, reason) for n, reason in why.items() if reason]
        numbers = [n for n in numbers if not why[n]]
    runs = [reduced(archive, n, standard, bin_rpm) for n in numbers]
    if not everything:
        left_out += [(r.key, counting.FAILED) for r in runs if r.reduction.failed]
        runs = [r for r in runs if not r.reduction.failed]
    if not runs:
        raise NotFoundError(
            f"of the runs '{spec}' none counts: {counting.sentence(left_out)}", counting.ALL_OPTION
        )
    numbers = [r.key for r in runs]
    builds = list(dict.fromkeys((row["engine"], row["build"]) for row in map(archive.row, numbers)))
    if len(builds) > 1 and not everything:
        named = "; ".join(", ".join(word or "not filed" for word in pair) for pair in builds)
        raise InputError(
            f"runs {spec} are of several builds ({named}): their scatter says nothing of one. Name the runs "
            "of one build",
            "; --all takes them together all the same",
        )
    only = builds[0][1] if len(builds) == 1 else None
    found = group(runs, label or only or f"runs {spec}")
    return replace(found, left_out=counting.sentence(left_out))


def counts(row: dict[str, Any]) -> bool:
    """Whether a reduced run of the archive counts in statistics."""
    power = row["peak_power_W"]
    return power is not None and power > 0 and counting.why_left_out(row) is None


def scatter_between_sessions(archive: Archive, engine: str | None) -> Scatter | None:
    """What this bench has shown between sessions: builds of the engine (any, when it is unknown) that were
    run in several sessions; None when none was."""
    builds: dict[tuple[str, str, str], dict[int, list[float]]] = {}
    for row in archive.find(Query(engine=engine or None, limit=MAX_SESSION_RUNS)):
        if counts(row) and row["build"] is not None:
            key = (row["engine"], row["build"], row["standard"])
            builds.setdefault(key, {}).setdefault(row["session"], []).append(row["peak_power_W"])
    history = []
    for sessions in builds.values():
        mean = float(np.mean([v for values in sessions.values() for v in values]))
        history.append([np.array(values) / mean for values in sessions.values()])
    return session_scatter(history)


def engine_of(archive: Archive, numbers: list[int]) -> str:
    """The one engine of these runs; empty when unknown; InputError when there are several."""
    names = {archive.row(n)["engine"] or "" for n in numbers}
    if len(names) > 1:
        raise InputError(
            f"these runs are of several engines ({', '.join(sorted(n or 'no engine' for n in names))}); "
            "compare runs of one"
        )
    return names.pop() if names else ""


def spans(numbers: list[int], between: str = "_") -> str:
    """Numbers as a person would name them: `3_5-8`, which is fit for a file name, or `3, 5-8`."""
    parts: list[list[int]] = []
    for n in sorted(numbers):
        if parts and n == parts[-1][-1] + 1:
            parts[-1].append(n)
        else:
            parts.append([n])
    return between.join(str(p[0]) if len(p) == 1 else f"{p[0]}-{p[-1]}" for p in parts)


def span_of_dates(rows: list[dict[str, Any]]) -> str:
    """When these runs of the archive's list were made: a moment, a day, or from a day to a day."""
    if len(rows) == 1:
        return began(rows[0])
    days = sorted({when(r["started_unix_s"])[:10] for r in rows if r["clock"] != "unknown"})
    said = [days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"] if days else []
    unknown = sum(r["clock"] == "unknown" for r in rows)
    if unknown:
        said.append(f"{unknown} run{'s' * (unknown > 1)} at an unknown time")
    return ", ".join(said)


def picture_words(archive: Archive, numbers: list[int], standard: str | None = None) -> tuple[str, str]:
    """(title, line below it) of a picture of these runs: engine and builds; runs, standard and dates."""
    rows = [archive.row(n) for n in numbers]
    engines = dict.fromkeys(r["engine"] for r in rows if r["engine"])
    builds = dict.fromkeys(r["build"] for r in rows if r["build"])
    keys = [standard] if standard else dict.fromkeys(r["standard"] for r in rows)
    standards = dict.fromkeys(standard_named(key).title for key in keys)
    made = span_of_dates(rows)
    runs = f"run{'s' if len(numbers) > 1 else ''} {spans(numbers, ', ')}"
    title = ": ".join(w for w in (", ".join(engines) or "engine not named", ", ".join(builds)) if w)
    return title, " · ".join((runs, ", ".join(standards), made))


def checked_target(path: Path, endings: tuple[str, ...]) -> Path:
    """A file to write: known ending, folder there."""
    if path.suffix.lower() not in endings:
        raise InputError(f"'{path}' must end in {' or '.join(endings)}")
    if not path.parent.is_dir():
        raise InputError(f"there is no folder {path.parent} to write {path.name} into")
    return path


def speed_band(text: str, option: str) -> tuple[float, float]:
    """'6000:9000' -> (6000.0, 9000.0) rpm."""
    try:
        low, high = (float(v) for v in text.split(":"))
    except ValueError:
        raise InputError(f"{option}: '{text}' is no range; write it like 6000:9000") from None
    if low > high:
        raise InputError(f"{option}: '{text}' runs backwards; write {high:g}:{low:g}")
    return low, high


def reference_sessions(
    archive: Archive, engine: str, build: str | None, everything: bool = False
) -> tuple[list[Session], str]:
    """(the engine's runs that count, by session, as the control chart wants them; which were left out)."""
    archive.engine_id(engine)
    if build is not None:
        archive.build_id(engine, build)
    rows = archive.find(Query(engine=engine, build=build, excluded=None, limit=100_000))
    builds = sorted({r["build"] for r in rows if r["build"]})
    if build is None and len(builds) > 1:
        raise InputError(
            f"'{engine}' has runs of several builds ({', '.join(builds)}); a chart shows one",
            f": evenfall chart '{engine}' BUILD",
        )
    left_out = [] if everything else [(r["run"], why) for r in rows if (why := counting.why_left_out(r))]
    rows = [r for r in rows if counts(r) or (everything and r["peak_power_W"] is not None)]
    standards = sorted({r["standard"] for r in rows})
    if len(standards) > 1:
        raise InputError(
            f"runs of '{engine}' are filed under several air standards ({', '.join(standards)}); "
            "file them under one",
            ": evenfall runs file",
        )
    found: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(row["session"], []).append(row)
    sessions = [
        Session(
            f"{when(min(r['started_unix_s'] for r in of))[:10]} ({number})",
            min(r["started_unix_s"] for r in of),
            np.array([r["peak_power_W"] for r in of]),
        )
        for number, of in found.items()
    ]
    return sessions, counting.sentence(left_out)


def the_run(name: str, archive_dir: Path) -> tuple[Run, Calibration, Setup, Air, str]:
    """A run of the archive by number, or a run file, with what it is reduced with.

    One of the archive is numbered as there, whatever its number on the board.
    """
    if name.isdigit():
        with Archive(archive_dir) as archive:
            run = archive.run(int(name))
            return (replace(run, run_id=int(name)), *inputs_of(archive, int(name), run))
    path = Path(name)
    if not path.is_file():
        raise NotFoundError(f"'{name}' is neither a run's number nor a run file")
    if path.stat().st_size > 64 << 20:
        raise InputError(f"{name} is larger than any run (64 MiB); it is no run file")
    run = run_file.decode_run(path.read_bytes())
    run_file.check_holds_a_run(run)
    air = air_from_run(run)
    standard = DEFAULT_STANDARD if air else "none"
    return run, calibration_from_settings(run), setup_from_settings(run), air or NO_AIR, standard
