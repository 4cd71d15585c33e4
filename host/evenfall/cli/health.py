"""evenfall health: faults of the bench that show in a run."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import archive_option, json_option, print_json, print_pairs, progress, root


@root.command()
@click.argument("run", metavar="RUN")
@click.option("--flow", help="Water through the brake, e.g. '6 L/min', to check its warming.")
@click.option("--tank", help="Water in the tank, e.g. '20 kg'.")
@click.option(
    "--links", type=click.IntRange(10, 1000), help="Links of the chain, to check the chain's own frequency."
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for plots of what was found, SVG.",
)
@archive_option
@json_option
def health(
    run: str,
    flow: str | None,
    tank: str | None,
    links: int | None,
    plot: Path | None,
    archive_dir: Path,
    as_json: bool,
) -> None:
    """Look for faults of the bench in RUN.

    Exit code 1 when one is found.
    """
    from evenfall.reduction.diagnostics import diagnose
    from evenfall.units import typed
    from evenfall.workflow.run_groups import the_run

    raw, calibration, setup, _, _ = the_run(run, archive_dir)
    findings = diagnose(
        raw,
        calibration,
        setup,
        flow_kg_s=typed(flow, "flow", "--flow") if flow else None,
        tank_kg=typed(tank, "mass", "--tank") if tank else None,
        chain_links=links,
    )
    if plot:
        from evenfall.output.diagnostic_plots import finding_figure
        from evenfall.output.plots import save

        plot.mkdir(parents=True, exist_ok=True)
        for f in findings:
            save(finding_figure(f), plot / f"{f.name.replace(' ', '-')}.svg")
        progress(f"plots of the findings: {plot}")
    if as_json:
        print_json([{k: v for k, v in vars(f).items() if k != "curve"} for f in findings])
    else:
        marks = ["FOUND" if f.found else "  –" if f.value != f.value else " ok" for f in findings]
        print_pairs((m, f"{f.name}: {f.sentence}") for m, f in zip(marks, findings, strict=True))
    if any(f.found for f in findings):
        click.get_current_context().exit(1)
