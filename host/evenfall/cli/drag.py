"""evenfall drag: drag that the load cell does not feel, from a coast-down without water."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import archive_option, echo, json_option, print_json, print_table, root


@root.command()
@click.argument("run", metavar="RUN")
@click.option(
    "--inertia", type=float, required=True, help="Inertia of what coasts, at the brake's shaft, kg·m²."
)
@click.option("--inertia-u", type=float, required=True, help="Its standard uncertainty, kg·m².")
@click.option("--store", metavar="SETUP", help="Keep the loss in this set-up and use it for new runs.")
@archive_option
@json_option
def drag(
    run: str, inertia: float, inertia_u: float, store: str | None, archive_dir: Path, as_json: bool
) -> None:
    """Find drag outside the brake's housing from a coast-down.

    RUN is a recorded coast-down: drive off (chain off, guards on), brake drained, zero taken at rest, shaft
    spun up by a drill within its speed rating, let go, recorded until it nearly stands.
    """
    from evenfall.workflow.drive_from_runs import drag_of, drag_sentence, keep_drag

    found = drag_of(run, archive_dir, inertia, inertia_u)
    if as_json:
        if store:
            keep_drag(archive_dir, store, found)
        print_json(vars(found))
        return
    print_table(
        ["brake rpm", "all drag, N·m", "felt by the cell", "not felt", "±"],
        [
            [f"{rpm:.0f}", f"{total:.4f}", f"{felt:.4f}", f"{loss:.4f}", f"{1.96 * loss_u:.4f}"]
            for rpm, total, felt, loss, loss_u in zip(
                found.speed_rpm, found.total_Nm, found.felt_Nm, found.loss_Nm, found.loss_u_Nm, strict=True
            )
        ][::-1],
        {"brake rpm", "all drag, N·m", "felt by the cell", "not felt", "±"},
    )
    echo(drag_sentence(found))
    for note in found.notes:
        echo(f"Note: {note}")
    if store:
        keep_drag(archive_dir, store, found)
        echo(f"stored in set-up '{store}', active: new runs are filed under it")
        echo(f"runs made before keep theirs until: evenfall runs file RUNS --setup '{store}'")
