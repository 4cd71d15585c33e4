"""evenfall pull: everything the board holds, verified, kept, corrected and printed."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from evenfall.board import code_texts
from evenfall.cli._root import (
    RUN_LIST,
    air_options,
    archive_option,
    complete,
    echo,
    every_run,
    json_option,
    open_link,
    port_option,
    print_json,
    progress,
    root,
    typed_air,
    units_option,
)
from evenfall.errors import ArchiveError, BoardError, EvenfallError, NotFoundError, missing_part

if TYPE_CHECKING:
    from collections.abc import Iterator

    from evenfall.archive.archive import Archive
    from evenfall.board.link import Link, RunEntry
    from evenfall.model import Air, Reduction
    from evenfall.workflow.fetch import Filing


@root.command()
@port_option
@archive_option
@click.option("--engine", shell_complete=complete("engine"), help="File under this engine's latest build.")
@click.option("--build", shell_complete=complete("build"), help="... or under this build of it.")
@click.option("--setup", "setup_name", help="Set-up by label or number, else the active one.")
@click.option("--calibration", help="Calibration by label or number, else the active one.")
@click.option("--standard", help="Air standard, else the active one.")
@air_options
@click.option(
    "--run", "lists", type=RUN_LIST, multiple=True, help="Only these runs of the board, e.g. 3,5-8."
)
@click.option("--all", "everything", is_flag=True, help="Fetch runs acknowledged before, too.")
@click.option("--bin", "bin_rpm", type=float, default=250.0, show_default=True, help="Bin width, rpm.")
@click.option("--plot", type=click.Path(path_type=Path), help="File for the plot, PNG or SVG.")
@click.option("--no-plot", is_flag=True, help="Draw no plot.")
@click.option("--delete", "delete_after", is_flag=True, help="Delete acknowledged runs on the board.")
@units_option
@json_option
def pull(
    port: str | None,
    archive_dir: Path,
    engine: str | None,
    build: str | None,
    setup_name: str | None,
    calibration: str | None,
    standard: str | None,
    pressure: str | None,
    temperature: str | None,
    humidity: str | None,
    lists: tuple[list[int], ...],
    everything: bool,
    bin_rpm: float,
    plot: Path | None,
    no_plot: bool,
    delete_after: bool,
    units: str,
    as_json: bool,
) -> None:
    """Fetch new runs from the board and print them.

    Each run is verified (size and CRC-32), written to the archive, read back
    from disk, and only then acknowledged to the board.
    """
    from evenfall.archive.archive import Archive
    from evenfall.workflow.fetch import active_filing, teeth_warning

    air = typed_air(pressure, temperature, humidity)
    with Archive(archive_dir) as archive:
        named = _named(archive, engine, build, setup_name, calibration, standard, air)
        filing = replace(active_filing(archive, progress), **named)
        results: list[dict[str, Any]] = []
        failed: list[EvenfallError] = []
        with open_link(port) as line:
            info = line.info
            assert info
            progress(f"board {info.uid} on {line.url}, firmware {info.firmware}, protocol {info.protocol}")
            entries = _choose(line.runs_at_rest(), every_run(lists), everything)
            _set_clock_once(line)
            if wrong := teeth_warning(line, archive, filing):
                progress(f"WARNING: {wrong}")
            _fetch(line, archive, entries, filing, delete_after, results, failed)
            counters = line.counters
        progress(f"line: {counters.sentence()}")
        draw = _Drawing(archive, plot, len(results) > 1, units, off=no_plot)
        for result in results:
            _reduce(archive, result, bin_rpm, draw, failed)
            if "error" not in result and not as_json:
                print_run(archive, result["run"], draw.reductions[result["run"]], units)
                if "plot" in result:
                    echo(f"Plot: {result['plot']}")
        if as_json:
            print_json({"board": vars(info), "runs": results, "link": counters.as_dict()})
        elif not results and not failed:
            echo("the board holds no run that was not pulled before (--all fetches those too)")
    if failed:
        raise type(failed[0])(f"{len(failed)} run{'s' * (len(failed) > 1)} failed; see above")


def _named(
    archive: Archive,
    engine: str | None,
    build: str | None,
    setup_name: str | None,
    calibration: str | None,
    standard: str | None,
    air: Air | None,
) -> dict[str, Any]:
    """What the options say that new runs are filed under, as fields of a `Filing`."""
    from evenfall.model import Calibration, Setup
    from evenfall.reduction.air import standard_named
    from evenfall.workflow.fetch import file_air

    named: dict[str, Any] = {}
    if build and not engine:
        raise click.UsageError("--build needs --engine")
    if engine:
        named["build_id"] = archive.build_id(engine, build)
    if setup_name:
        named["setup_id"] = archive.record_named(Setup, setup_name)
    if calibration:
        named["calibration_id"] = archive.record_named(Calibration, calibration)
    if standard:
        named["standard"] = standard_named(standard).key
    if air:
        named["air_id"] = file_air(archive, air)
    return named


def _fetch(
    line: Link,
    archive: Archive,
    entries: list[RunEntry],
    filing: Filing,
    delete_after: bool,
    results: list[dict[str, Any]],
    failed: list[EvenfallError],
) -> None:
    """Take the runs in; one that cannot be had is said, and the rest still come."""
    from evenfall.workflow.fetch import take_runs

    while entries:
        try:
            with _bars(entries) as bars:
                for entry, number, new in take_runs(line, archive, entries, filing, bars):
                    how = f"{entry.size} bytes " + (
                        "verified, archived and acknowledged" if new else "was here already; acknowledged"
                    )
                    if entry.damage:
                        how = _damaged(entry)
                    progress(f"run {entry.run_id} of the board: run {number} here, {how}")
                    results.append({"run": number, "board_run": entry.run_id, "new": new})
                    if delete_after and not entry.damage:
                        line.delete(entry.run_id)
                    entries = entries[1:]
        except EvenfallError as error:
            if line.info is None or not _still_there(line):
                raise
            failed.append(error)
            progress(f"evenfall: {error}")
            # what the archive cannot take of one run, it cannot take of the next; the board keeps them
            entries = [] if isinstance(error, ArchiveError) else entries[1:]


def _reduce(
    archive: Archive, result: dict[str, Any], bin_rpm: float, draw: _Drawing, failed: list[EvenfallError]
) -> None:
    """Reduce and draw one fetched run; what it came to joins `result`."""
    from evenfall.output.plain import run_as_json
    from evenfall.workflow.reduce_service import reduce_stored

    number = result["run"]
    try:
        reduction = reduce_stored(archive, number, bin_rpm=bin_rpm)
    except EvenfallError as error:
        failed.append(error)
        result["error"] = str(error)
        progress(f"run {number} is kept but cannot be reduced: {error}")
        return
    drawn = draw.run(number, reduction)
    if drawn:
        result["plot"] = str(drawn)
    result.update(run_as_json(archive, number, reduction))


def _damaged(entry: RunEntry) -> str:
    return (
        f"the board cannot read it whole ({'; '.join(entry.damage)}); what came is archived, not "
        f"acknowledged. To remove it from the board: evenfall board delete {entry.run_id} --damaged"
    )


def _choose(entries: list[RunEntry], wanted: list[int], everything: bool) -> list[RunEntry]:
    progress(f"{len(entries)} runs on the board")
    if not wanted:
        return [e for e in entries if everything or "acknowledged" not in e.flags]
    missing = sorted(set(wanted) - {e.run_id for e in entries})
    if missing:
        has = ", ".join(str(e.run_id) for e in entries) or "none"
        raise NotFoundError(f"the board has no run {missing[0]}; it has: {has}")
    return [e for e in entries if e.run_id in wanted]


def _set_clock_once(line: Link) -> None:
    """A board whose clock was never set gets this computer's time."""
    if "clock_set" not in line.status()["flags"]:
        try:
            line.set_clock()
        except BoardError as error:
            progress(f"the board's clock was not set: {error}")


def _still_there(line: Link) -> bool:
    try:
        line.status()
        return True
    except EvenfallError:
        return False


@contextmanager
def _bars(entries: list[RunEntry]) -> Iterator[Callable[[int, int, int], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed}/{task.total} bytes"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bars:
        tasks = {e.run_id: bars.add_task(f"run {e.run_id}", total=e.size, visible=False) for e in entries}
        yield lambda run_id, here, _: bars.update(tasks[run_id], completed=here, visible=True)


class _Drawing:
    """Draws each run that was pulled; without the part that draws that is said once."""

    def __init__(self, archive: Archive, path: Path | None, several: bool, units: str, off: bool) -> None:
        self.archive = archive
        self.path = path
        self.several = several
        self.units = units
        self.off = off
        self.reductions: dict[int, Reduction] = {}

    def run(self, number: int, reduction: Reduction) -> Path | None:
        self.reductions[number] = reduction
        if self.off:
            return None
        try:
            return self._draw(number, reduction)
        except ImportError as error:
            self.off = True
            progress(missing_part(error) or str(error))
            return None

    def _draw(self, number: int, reduction: Reduction) -> Path:
        from evenfall.output.plots import plot_curves
        from evenfall.output.text import UNIT_CHOICES
        from evenfall.workflow.run_groups import picture_words

        path = self.path or self.archive.folder / "plots" / f"run-{number}.png"
        if self.path and self.several:
            path = self.path.with_stem(f"{self.path.stem}-{number}")
        path.parent.mkdir(parents=True, exist_ok=True)
        above, below = picture_words(self.archive, [number])
        label = [f"run {number}"]
        return Path(plot_curves([reduction], path, label, UNIT_CHOICES[self.units], above, below))


def print_run(archive: Archive, number: int, reduction: Reduction, units: str) -> None:
    """Table, peaks, verdict and notes of one run on stdout."""
    from rich.console import Console

    from evenfall.output.text import UNIT_CHOICES, run_report

    row = archive.row(number)
    size = archive.engine_size(number)
    Console().print(run_report(replace(reduction, run_id=number), UNIT_CHOICES[units], size))
    verdict = code_texts.say(code_texts.VERDICTS, row["verdict"])
    reason = code_texts.say(code_texts.REASONS, row["reason"])
    echo(f"Verdict of the board: {verdict}" + (f": {reason}" if row["reason"] != "none" else ""))
    for flag in (row["flags"] or "").split(", "):
        if flag in code_texts.FAULTS:
            echo(f"Fault: {code_texts.FAULTS[flag]}")
