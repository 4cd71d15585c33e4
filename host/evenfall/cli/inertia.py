"""evenfall inertia: the inertia at the crank, from runs of two sweep times."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from evenfall.cli._root import archive_option, echo, json_option, print_json, root


@root.command()
@click.argument("runs", nargs=-1, metavar="RUN RUN...")
@click.option("--standard", help="Air standard between the runs, else the default one.")
@click.option(
    "--scatter", type=click.FloatRange(0, 10), default=0.3, show_default=True,
    help="How far the engine itself varies from run to run, %.",
)  # fmt: skip
@click.option("--store", metavar="SETUP", help="Keep the result in this set-up and use it for new runs.")
@click.option("--new", is_flag=True, help="Allow --store to make a new set-up of that name.")
@archive_option
@json_option
def inertia(
    runs: tuple[str, ...],
    standard: str | None,
    scatter: float,
    store: str | None,
    new: bool,
    archive_dir: Path,
    as_json: bool,
) -> None:
    """Find the inertia from runs of two sweep times.

    Runs of one engine at different sweep times; the inertia of all that turns, at the crank.
    """
    from evenfall.workflow.drive_from_runs import inertia_of, inertia_sentence, keep_inertia

    fit, of_runs = inertia_of(runs, archive_dir, standard, scatter / 100)
    if store:
        keep_inertia(archive_dir, store, fit, of_runs, new)
    if as_json:
        kept: dict[str, Any] = {k: v for k, v in vars(fit).items() if k != "residual_Nm"}
        print_json(kept)
        return
    echo(inertia_sentence(fit))
    for note in fit.notes:
        echo(f"Note: {note}")
    if store:
        echo(f"stored in set-up '{store}', active: new runs are filed under it")
        echo(f"runs made before keep theirs until: evenfall runs file RUNS --setup '{store}'")
