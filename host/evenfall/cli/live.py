"""evenfall live: the bench on the screen while it runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.board import code_texts
from evenfall.cli._root import archive_option, json_option, port_option, print_json, root, units_option
from evenfall.printable import began

if TYPE_CHECKING:
    from collections.abc import Callable

    from evenfall.board.link import Link
    from evenfall.workflow.live_view import LastRun


@root.command()
@port_option
@click.option("--once", is_flag=True, help="Show one reading and stop.")
@click.option("--pull", "fetching", is_flag=True, help="Fetch new runs whenever the board is at rest.")
@click.option("--seconds", type=float, help="Stop after so many seconds.")
@units_option
@json_option
@archive_option
def live(
    port: str | None,
    once: bool,
    fetching: bool,
    seconds: float | None,
    units: str,
    as_json: bool,
    archive_dir: Path,
) -> None:
    """Watch the board: speed, torque, power, state.

    Finds a lost board again by itself.

    Asks for the status alone, four times a second at rest, twice during a run;
    with --pull also fetches, keeps and reduces new runs, at rest only.
    """
    from rich.console import Console

    from evenfall.board.link import Link, find_port
    from evenfall.errors import InputError, LinkError
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.workflow.fetch_service import active_standard
    from evenfall.workflow.live_view import Watcher, render, watch

    watcher = Watcher(lambda: Link(port or find_port()), fetch=fetcher(archive_dir) if fetching else None)
    chosen = UNIT_CHOICES[units]
    standard, air = active_standard(archive_dir)
    if once or as_json:
        view = watcher.step()
        watcher.close()
        if not view.connected:
            raise LinkError(view.sentence)
        if as_json:
            print_json(view.status)
        else:
            Console().print(render(view, last_runs(archive_dir), chosen, standard, air))
        return
    if not Console().is_terminal:
        raise InputError("the live view needs a terminal; for one reading write --once or --json")
    watch(watcher, lambda: last_runs(archive_dir), chosen, standard, air, seconds)


def fetcher(archive_dir: Path) -> Callable[[Link], str]:
    """Fetch, keep, acknowledge and reduce every run that waits; say what came."""
    from evenfall.workflow.fetch_service import fetch_waiting

    return lambda line: fetch_waiting(line, archive_dir).sentence


def last_runs(archive_dir: Path) -> list[LastRun]:
    """The newest runs of the archive; an archive that is not there yet holds none."""
    from evenfall.archive.archive import FILE_NAME, Archive, Query
    from evenfall.workflow.live_view import MAX_RUNS, LastRun

    if not (archive_dir / FILE_NAME).exists():
        return []
    with Archive(archive_dir) as archive:
        rows = archive.find(Query(limit=MAX_RUNS))
    return [
        LastRun(
            " ".join(str(w) for w in (r["run"], r["engine"], r["build"]) if w),
            began(r),
            code_texts.say(code_texts.VERDICTS, r["verdict"]),
            r["peak_power_W"],
            r["peak_power_rpm"],
        )
        for r in rows
    ]
