"""evenfall demo: one run, start to end, on the simulated bench."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import click

from evenfall.cli._root import echo, progress, root, units_option
from evenfall.cli.pull import print_run, pull
from evenfall.errors import InputError


@root.command()
@click.option("--scenario", help="A scenario of evenfall-bench, by name or TOML file.")
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the random numbers.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Archive for the demonstration, else a new temporary folder.",
)
@click.option("--recorded", is_flag=True, help="Show runs recorded on that bench: quick, and on any system.")
@units_option
@click.pass_context
def demo(
    context: click.Context,
    scenario: str | None,
    seed: int,
    folder: Path | None,
    recorded: bool,
    units: str,
) -> None:
    """One run on the simulated bench (invented data).

    A simulated operator presses the button, the firmware sweeps and stores, and
    this program lists, fetches, verifies, acknowledges, corrects and prints.
    """
    from evenfall.archive.archive import Archive
    from evenfall.workflow.demo import (
        ENGINE,
        SCENARIO,
        add_demo_set_up,
        bench_program,
        bench_running,
        check_folder,
        wait_for_runs,
    )

    start = time.monotonic()
    if recorded and scenario:
        raise InputError("--recorded shows the runs that come with this program; leave --scenario out")
    if not recorded:
        bench_program()  # before a folder is made
    folder = folder or Path(tempfile.mkdtemp(prefix="evenfall-demo-"))
    with Archive(folder) as archive:
        check_folder(archive)
    progress("Invented data: the engine bench of a volunteer trail crew.")
    if recorded:
        _show_recorded(context, folder, units)
        return
    with tempfile.TemporaryDirectory(prefix="evenfall-port-") as folder_name:
        port = Path(folder_name) / "board"
        with bench_running(port, scenario or SCENARIO, seed, 1, progress) as check:
            wait_for_runs(port, 1, check, progress)
            if scenario is None:
                with Archive(folder) as archive:
                    add_demo_set_up(archive)
            context.invoke(
                pull,
                port=str(port),
                archive_dir=folder,
                engine=None if scenario else ENGINE,
                everything=True,
                units=units,
            )
    echo(f"Archive: {folder}  (evenfall runs list --archive {folder})")
    progress(f"done in {time.monotonic() - start:.0f} s")


def _show_recorded(context: click.Context, folder: Path, units: str) -> None:
    """Take in the runs that come with this program; print the newest and before against after."""
    from evenfall.archive.archive import Archive
    from evenfall.cli.compare import compare
    from evenfall.workflow.demo import BUILD_AFTER, BUILD_BEFORE, ENGINE, take_in_recorded
    from evenfall.workflow.reduce_service import reduce_stored

    with Archive(folder) as archive:
        numbers = take_in_recorded(archive)
        for number in numbers:
            reduction = reduce_stored(archive, number)
        print_run(archive, numbers[-1], reduction, units)
    echo()
    context.invoke(
        compare, before=BUILD_BEFORE, after=BUILD_AFTER, engine=ENGINE, units=units, archive_dir=folder
    )
    first, last = min(numbers), max(numbers)
    half = len(numbers) // 2
    echo(f"Archive: {folder}")
    echo(f"  evenfall runs list --archive {folder}")
    echo(f"  evenfall page {first}-{first + half - 1} {first + half}-{last} --archive {folder}")
