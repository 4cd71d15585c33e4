"""evenfall runs ...: what the archive holds, found and kept in order."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.board import code_texts
from evenfall.cli._root import (
    RUN_LIST,
    F,
    archive_option,
    complete,
    echo,
    every_run,
    json_option,
    noun,
    print_json,
    print_json_list,
    print_pairs,
    print_table,
    progress,
    units_option,
    user_name,
    when,
)
from evenfall.cli.pull import print_run
from evenfall.errors import EvenfallError, InputError, NotFoundError
from evenfall.printable import began

if TYPE_CHECKING:
    from evenfall.archive.archive import Archive, Query

runs = noun("runs", "The runs in the archive: list, find, show, note, tag, exclude, file, import.")


HOST_CLOCK = "; the board had no clock: dated by this computer's clock and the board's ticks"


def find_options(command: F) -> F:
    """Filters shared by list and find, and by any other command that chooses runs; see `query_of`."""
    options = [
        click.option("--engine", shell_complete=complete("engine"), help="Engine by name."),
        click.option("--build", shell_complete=complete("build"), help="Build by name."),
        click.option("--session", type=int, help="Session by number."),
        click.option(
            "--since", metavar="DATE", help="From this day (2026-05-31) or moment (2026-05-31 14:00)."
        ),
        click.option("--until", metavar="DATE", help="Up to and with this day or moment."),
        click.option("--power-from", metavar="POWER", help="Peak power at least, e.g. '3 hp'."),
        click.option("--power-to", metavar="POWER", help="Peak power at most."),
        click.option("--torque-from", metavar="TORQUE", help="Peak torque at least, e.g. '2 lb-ft'."),
        click.option("--torque-to", metavar="TORQUE", help="Peak torque at most."),
        click.option(
            "--flag", multiple=True, shell_complete=complete("flag"), help="damaged, incomplete, a fault."
        ),
        click.option("--tag", multiple=True, shell_complete=complete("tag"), help="A tag; repeatable."),
        click.option("--verdict", type=click.Choice(list(code_texts.VERDICTS)), help="The board's verdict."),
        click.option("--excluded", is_flag=True, help="Only excluded runs."),
        click.option("--all", "everything", is_flag=True, help="Show excluded runs too."),
        click.option(
            "--sort", type=click.Choice(["date", "power", "torque"]), default="date", show_default=True
        ),
        click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True),
    ]
    for option in reversed(options):
        command = option(command)
    return command


def query_of(
    words: str | None,
    *,
    engine: str | None,
    build: str | None,
    session: int | None,
    since: str | None,
    until: str | None,
    power_from: str | None,
    power_to: str | None,
    torque_from: str | None,
    torque_to: str | None,
    flag: tuple[str, ...],
    tag: tuple[str, ...],
    verdict: str | None,
    excluded: bool,
    everything: bool,
    sort: str,
    limit: int,
) -> Query:
    """The query that the options of `find_options` describe."""
    from evenfall.archive.archive import Query
    from evenfall.units import typed

    def number(text: str | None, kind: str, name: str) -> float | None:
        return typed(text, kind, name) if text else None

    begin, end = _moment(since, "--since", last=False), _moment(until, "--until", last=True)
    if begin is not None and end is not None and begin > end:
        raise InputError(f"--since {since} is after --until {until}: no run can be between them")
    return Query(
        engine=engine,
        build=build,
        session=session,
        since_unix_s=begin,
        until_unix_s=end,
        words=words,
        power_W=(number(power_from, "power", "--power-from"), number(power_to, "power", "--power-to")),
        torque_Nm=(
            number(torque_from, "torque", "--torque-from"),
            number(torque_to, "torque", "--torque-to"),
        ),
        flags=flag,
        tags=tag,
        verdict=verdict,
        excluded=None if everything else excluded,
        sort=sort,
        limit=limit,
    )


def _moment(text: str | None, name: str, last: bool) -> int | None:
    if not text:
        return None
    for form, length in (("%Y-%m-%d", timedelta(days=1)), ("%Y-%m-%d %H:%M", timedelta(minutes=1))):
        try:
            start = datetime.strptime(text, form)
            # by the calendar: a day on which the clocks change has 23 or 25 hours
            return int((start + length).timestamp()) - 1 if last else int(start.timestamp())
        except (ValueError, OverflowError):
            continue
    raise InputError(f"{name}: '{text}' is no date; write it like 2026-05-31 or '2026-05-31 14:00'")


@runs.command("list")
@archive_option
@find_options
@units_option
@json_option
def list_runs(archive_dir: Path, units: str, as_json: bool, **filters: Any) -> None:
    """Runs, newest first."""
    _print_found(archive_dir, query_of(None, **filters), units, as_json)


@runs.command()
@click.argument("words", nargs=-1, required=True)
@archive_option
@find_options
@units_option
@json_option
def find(words: tuple[str, ...], archive_dir: Path, units: str, as_json: bool, **filters: Any) -> None:
    """Find runs by words.

    Notes, tags, engine, build or the reason of an exclusion (with --all) hold all WORDS; beginnings of words
    will do.
    """
    asked = " ".join(words)
    if not asked.strip():
        raise InputError(f"'{asked}' holds no word to look for; evenfall runs list shows all")
    _print_found(archive_dir, query_of(asked, **filters), units, as_json)


def check_names(archive: Archive, query: Query) -> None:
    """NotFoundError for an engine, build, session, tag or flag that the archive does not know."""
    if query.engine is not None:
        archive.engine_id(query.engine)
        if query.build is not None:
            archive.build_id(query.engine, query.build)
    given = [("tag", word) for word in query.tags] + [("flag", word) for word in query.flags]
    if query.build is not None and query.engine is None:
        given.append(("build", query.build))
    for column, word in given:
        known = archive.words(column)
        if word.lower() not in [w.lower() for w in known]:
            here = f"{column}s here: {', '.join(known[:12])}" if known else f"no run has a {column} yet"
            raise NotFoundError(f"there is no {column} '{word}'; {here}")
    if query.session is not None and query.session not in [s["session"] for s in archive.sessions()]:
        raise NotFoundError(f"there is no session {query.session}; look at evenfall session list")


def _started(row: dict[str, Any]) -> str:
    """When a run began; ~ where the board had no clock and this computer's dates it; ? when fetched."""
    mark = {"host": "~", "unknown": "?"}.get(row["clock"], "")
    return mark + when(row["pulled_unix_s" if mark == "?" else "started_unix_s"])


def _print_found(archive_dir: Path, query: Query, units: str, as_json: bool) -> None:
    from evenfall.archive.archive import Archive
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.printable import printable

    u = UNIT_CHOICES[units]
    shown = dated_here = unknown = 0

    def peak(value: float | None, speed: float | None, scale: float) -> tuple[str, str]:
        if value is None or speed is None or not value > 0:  # none, or of a run that failed
            return "–", ""
        return f"{value / scale:.2f}", f"{speed:,.0f}"

    def line(r: dict[str, Any]) -> list[Any]:
        nonlocal shown, dated_here, unknown
        shown += 1
        unknown += r["clock"] == "unknown"
        dated_here += r["clock"] == "host"
        power, power_at = peak(r["peak_power_W"], r["peak_power_rpm"], u.power_scale)
        torque, torque_at = peak(r["peak_torque_Nm"], r["peak_torque_rpm"], u.torque_scale)
        about = ", ".join(w for w in (r["tags"], r["flags"]) if w)
        if r["excluded"]:
            about = printable(f"excluded: {r['excluded']}")
        return [r["run"], _started(r), r["engine"], r["build"], power, power_at,
                torque, torque_at, code_texts.say(code_texts.VERDICTS, r["verdict"]), about]  # fmt: skip

    numbers = [u.power_name, "at rpm", u.torque_name, "at rpm "]
    columns = ["run", "started", "engine", "build", *numbers, "verdict", ""]
    with Archive(archive_dir) as archive:
        check_names(archive, query)
        if as_json:
            print_json_list(archive.each(query))
            return
        print_table(columns, map(line, archive.each(query)), {"run", *numbers})
        excluded = archive.also_excluded(query) if query.words or not shown else 0
    if dated_here:
        progress(f"~{HOST_CLOCK.lstrip(';')}")
    if unknown:
        progress("? time unknown, fetched at the time shown")
    if not shown:
        progress("no run found")
    if excluded:
        progress(f"excluded, so not shown: {excluded}; --all shows them")
    if shown == query.limit:
        progress(f"the first {query.limit}; --limit shows more")


@runs.command()
@click.argument("run", type=int)
@click.option("--standard", help="Correct by another air standard.")
@click.option("--bin", "bin_rpm", type=float, default=250.0, show_default=True, help="Bin width, rpm.")
@archive_option
@units_option
@json_option
def show(
    run: int, standard: str | None, bin_rpm: float, archive_dir: Path, units: str, as_json: bool
) -> None:
    """Show all about one run, reduced anew."""
    from evenfall.archive.archive import Archive
    from evenfall.details import lines
    from evenfall.output.plain import run_as_json
    from evenfall.reduction.air import describe
    from evenfall.workflow.reduce_service import inputs_of, reduce_stored

    with Archive(archive_dir) as archive:
        row, notes = archive.row(run), archive.notes(run)
        reduction = reduce_stored(archive, run, standard, bin_rpm)
        calibration, setup, air, _ = inputs_of(archive, run)
        if as_json:
            print_json(
                {
                    **run_as_json(archive, run, reduction),
                    "filed": {"calibration": vars(calibration), "setup": vars(setup), "air": vars(air)},
                    "remarks": notes,
                }
            )
            return
        rows = [
            ("engine", f"{row['engine'] or '–'}, build {row['build'] or '–'}"),
            ("changed", " by ".join(w for w in (row["changed"], row["changed_by"]) if w)),
            ("started", f"{began(row)}, session {row['session']}" + HOST_CLOCK * (row["clock"] == "host")),
            ("board", f"{row['board_uid']}, run {row['board_run']}, SHA-256 {row['sha256'][:16]}"),
            ("air", describe(air)),
            ("drive", f"{setup.engine_teeth} : {setup.brake_teeth} teeth, "
                      f"inertia {setup.inertia_kg_m2 * 1e3:g} g·m², efficiency {setup.drive_efficiency:g}"),
            ("load cell", f"{calibration.span_count_per_N:.1f} counts/N, "
                          f"arm {calibration.arm_m * 1e3:.1f} mm "
                          f"({calibration.note or 'calibration'})"),
            ("tags", row["tags"]),
            ("flags", row["flags"]),
            ("excluded", row["excluded"]),
        ]  # fmt: skip
        rows += [(what.lower(), value) for what, value in lines(archive.details(run))]
        rows += [("damage", line) for line in archive.run(run).damage]
        rows += [
            (f"note {note['number']}", f"{when(note['made_unix_s'])} {note['author']}: {note['text']}")
            for note in notes
        ]
        print_pairs((name, text) for name, text in rows if text)
        print_run(archive, run, reduction, units)


@runs.command("set")
@click.argument("runs", type=RUN_LIST)
@click.argument("changes", nargs=-1, required=True, metavar="NAME=VALUE...")
@archive_option
def set_details(runs: list[int], changes: tuple[str, ...], archive_dir: Path) -> None:
    """Note temperatures read at the bench.

    Names: head_temperature, exhaust_temperature (start; _end: end of the sweep), water_temperature, with
    unit. NAME= forgets one.
    """
    from evenfall.archive.archive import Archive
    from evenfall.details import checked, lines

    values = checked("run", changes)
    with Archive(archive_dir) as archive, archive.change():
        for run in runs:
            known = archive.set_run_details(run, values)
            echo(
                f"run {run}: "
                + ("; ".join(f"{what.lower()} {v}" for what, v in lines(known)) or "nothing noted")
            )


@runs.command("retire-note")
@click.argument("number", type=int)
@archive_option
def retire_note(number: int, archive_dir: Path) -> None:
    """Retire a note; it is kept.

    NUMBER is that of the note, as `runs show` gives it.
    """
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        echo(f"retired: {archive.retire_note(number)}")


def _runs(numbers: list[int]) -> str:
    """`run 3`, `runs 3, 5-8`."""
    from evenfall.workflow.run_groups import spans

    return f"run{'s' if len(numbers) > 1 else ''} {spans(numbers, ', ')}"


@runs.command()
@click.argument("runs", type=RUN_LIST)
@click.argument("text")
@click.option("--author", default=user_name, show_default="you", help="Author of the note.")
@archive_option
def note(runs: list[int], text: str, author: str, archive_dir: Path) -> None:
    """Add a note to runs."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        for run in runs:
            archive.add_note(run, text, author)
    echo(f"{_runs(runs)}: noted")


@runs.command()
@click.argument("runs", type=RUN_LIST)
@click.argument("tags", nargs=-1, required=True, shell_complete=complete("tag"))
@click.option("--remove", is_flag=True, help="Take the tags off.")
@archive_option
def tag(runs: list[int], tags: tuple[str, ...], remove: bool, archive_dir: Path) -> None:
    """Tag runs."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        for run in runs:
            for word in tags:
                (archive.remove_tag if remove else archive.add_tag)(run, word)
    echo(f"{_runs(runs)}: {', '.join(tags)} {'taken off' if remove else 'tagged'}")


@runs.command()
@click.argument("runs", type=RUN_LIST)
@click.argument("reason", required=False)
@archive_option
def exclude(runs: list[int], reason: str | None, archive_dir: Path) -> None:
    """Leave runs out of lists and comparisons.

    With a REASON; nothing is deleted, and `include` counts it again.
    """
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        for run in runs:
            archive.exclude(run, reason or "")
    echo(f"{_runs(runs)}: excluded; evenfall runs include counts again")


@runs.command()
@click.argument("runs", type=RUN_LIST)
@archive_option
def include(runs: list[int], archive_dir: Path) -> None:
    """Include excluded runs again."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        for run in runs:
            archive.include(run)
    echo(f"{_runs(runs)}: included")


@runs.command("file")
@click.argument("lists", metavar="RUNS...", type=RUN_LIST, nargs=-1, required=True)
@click.option("--engine", shell_complete=complete("engine"), help="Engine; its latest build unless --build.")
@click.option("--build", shell_complete=complete("build"), help="Build of that engine.")
@click.option("--setup", "setup_name", help="Set-up by label or number.")
@click.option("--calibration", help="Calibration by label or number.")
@click.option("--air", "air_number", type=int, help="Air reading by number.")
@click.option("--standard", help="Air standard.")
@click.option("--session", type=int, help="Session by number.")
@archive_option
def file_under(
    lists: tuple[list[int], ...],
    engine: str | None,
    build: str | None,
    setup_name: str | None,
    calibration: str | None,
    air_number: int | None,
    standard: str | None,
    session: int | None,
    archive_dir: Path,
) -> None:
    """File runs under another engine or set-up.

    Or under another build, calibration, air, standard or session; they are reduced anew.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import Air, Calibration, Setup
    from evenfall.reduction.air import standard_named
    from evenfall.workflow.reduce_service import reduce_stored

    runs = every_run(lists)
    with Archive(archive_dir) as archive, archive.change():
        columns: dict[str, Any] = {}
        if engine:
            columns["build_id"] = archive.build_id(engine, build)
        elif build:
            raise click.UsageError("--build needs --engine")
        if setup_name:
            columns["setup_id"] = archive.record_named(Setup, setup_name)
        if calibration:
            columns["calibration_id"] = archive.record_named(Calibration, calibration)
        if air_number:
            archive.record(Air, air_number)
            columns["air_id"] = air_number
        if standard:
            columns["standard"] = standard_named(standard).key
        if session:
            if session not in [s["session"] for s in archive.sessions()]:
                raise NotFoundError(f"there is no session {session}; look at evenfall session list")
            columns["session_id"] = session
        if not columns:
            raise click.UsageError("say what to file the runs under, e.g. --engine NAME")
        for number in runs:
            archive.refile(number, **columns)
            try:
                reduce_stored(archive, number)
            except EvenfallError as error:
                progress(f"run {number} is filed but cannot be reduced: {error}")
    echo(f"{_runs(runs)}: filed")


@runs.command("import")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@archive_option
def import_files(files: tuple[Path, ...], archive_dir: Path) -> None:
    """Import run files into the archive.

    Exported runs, or run files as they lie on a board.
    """
    from evenfall.archive.archive import Archive, read_export
    from evenfall.workflow.reduce_service import reduce_stored

    failed: list[EvenfallError] = []
    with Archive(archive_dir) as archive:
        for path in files:
            try:
                number, new = archive.import_file(read_export(path))
            except EvenfallError as error:
                failed.append(type(error)(f"{path}: {error}"))
                if len(files) > 1:
                    progress(f"evenfall: {path}: {error}")
                continue
            if new:
                try:
                    reduce_stored(archive, number)
                except EvenfallError as error:
                    progress(f"run {number} is kept but cannot be reduced: {error}")
            echo(f"{path}: run {number}" + ("" if new else ", was here already"))
    if failed:
        said = f"{len(failed)} of {len(files)} files failed; see above"
        raise failed[0] if len(files) == 1 else type(failed[0])(said)


@runs.command()
@click.argument("lists", metavar="[RUNS...]", type=RUN_LIST, nargs=-1)
@click.option("--again", is_flag=True, help="Also runs whose figures are up to date.")
@click.option(
    "--jobs", type=click.IntRange(1, 256), help="Processes; one per core where there are many runs."
)
@archive_option
@find_options
@click.pass_context
def reduce(
    context: click.Context,
    lists: tuple[list[int], ...],
    again: bool,
    jobs: int | None,
    archive_dir: Path,
    **filters: Any,
) -> None:
    """Reduce runs anew.

    RUNS, or all that the filters find. Older results stay beside the new ones. Runs that are up to date are
    skipped, so a stopped command continues where it was when it is given again.
    """
    from contextlib import closing

    from evenfall.archive.archive import Archive
    from evenfall.workflow.reduce_many import due, reduce_many

    start = time.monotonic()
    done = skipped = 0
    with Archive(archive_dir) as archive:
        query = query_of(None, **filters)
        check_names(archive, query)
        if context.get_parameter_source("limit") is click.core.ParameterSource.DEFAULT:
            query = replace(query, limit=-1)  # all
        typed = every_run(lists)
        asked = typed or [r["run"] for r in archive.find(query)]
        for number in typed:
            archive.row(number)
        numbers = asked if again else due(archive, asked)
        try:
            with _bar(len(numbers)) as advance, closing(reduce_many(archive, numbers, jobs or 0)) as batches:
                for batch in batches:
                    done += len(batch)
                    for outcome in batch:
                        if outcome.error:
                            skipped += 1
                            progress(f"run {outcome.number}: {outcome.error}")
                    advance(done)
        except KeyboardInterrupt:
            progress(f"{done} of {len(numbers)} runs are done and kept; the same command does the rest")
            raise
    fresh = len(asked) - len(numbers)
    echo(
        f"{done - skipped} runs reduced in {time.monotonic() - start:.1f} s, {skipped} skipped"
        + (f", {fresh} were up to date (--again reduces them too)" if fresh else "")
    )


@contextmanager
def _bar(total: int) -> Iterator[Callable[[int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("reducing"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task("", total=total)
        yield lambda done: bar.update(task, completed=done)
