"""evenfall demo: one run, start to end, on the bench in software."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import click

from evenfall.cli._root import echo, progress, root, units_option
from evenfall.cli.pull import pull


@root.command()
@click.option("--scenario", help="A scenario of evenfall-bench, by name or TOML file.")
@click.option("--seed", type=int, default=1, show_default=True, help="Chance starts here.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    help="Archive for the demonstration, else a new temporary folder.",
)
@units_option
@click.pass_context
def demo(context: click.Context, scenario: str | None, seed: int, folder: Path | None, units: str) -> None:
    """One run on the bench in software (invented data).

    The bench's person presses the button, the firmware sweeps and stores, and
    this program lists, fetches, verifies, acknowledges, corrects and prints.
    """
    from evenfall.archive.archive import Archive
    from evenfall.workflow.demo import (
        CALIBRATION,
        ENGINE,
        SCENARIO,
        SETUP,
        bench_running,
        check_folder,
        wait_for_runs,
    )

    start = time.monotonic()
    folder = folder or Path(tempfile.mkdtemp(prefix="evenfall-demo-"))
    with Archive(folder) as archive:
        check_folder(archive)
    progress("Invented data: the engine bench of a volunteer trail crew.")
    with tempfile.TemporaryDirectory(prefix="evenfall-port-") as place:
        port = Path(place) / "board"
        with bench_running(port, scenario or SCENARIO, seed, 1, progress) as check:
            wait_for_runs(port, 1, check, progress)
            if scenario is None:
                with Archive(folder) as archive, archive.change():
                    if ENGINE not in archive.words("engine"):
                        archive.add_engine(ENGINE, remark="invented")
                    archive.activate("calibration", archive.add_record(CALIBRATION, CALIBRATION.note))
                    archive.activate("setup", archive.add_record(SETUP, "crew's bench"))
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
