"""evenfall page: the report to print and hand over."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import (
    all_option,
    archive_option,
    bench_option,
    echo,
    engine_option,
    root,
    standard_option,
    units_option,
)


@root.command()
@click.argument("specs", nargs=-1, required=True, metavar="RUNS [AFTER]")
@click.option("--band", metavar="LOW:HIGH", help="Before and after: speeds of the mean power, rpm.")
@click.option(
    "--out", type=click.Path(path_type=Path), help="HTML file, else in the archive's folder 'pages'."
)
@bench_option
@click.option("--note", default="", help="A note for the page.")
@click.option("--invented", is_flag=True, help="Say on the page that the data are invented.")
@engine_option
@standard_option
@all_option
@units_option
@archive_option
def page(
    specs: tuple[str, ...],
    band: str | None,
    out: Path | None,
    bench: str,
    note: str,
    invented: bool,
    engine: str | None,
    standard: str | None,
    everything: bool,
    units: str,
    archive_dir: Path,
) -> None:
    """Write a report page to print or hand over.

    Of one run (7), of a group (3,5-8), or before and after (1-4 5-8).
    """
    from evenfall.archive.archive import Archive
    from evenfall.workflow.report_page import write_page
    from evenfall.workflow.run_groups import checked_target

    target = checked_target(out, (".html",)) if out else None
    with Archive(archive_dir) as archive:
        path = write_page(
            archive, specs, target, engine, standard, units, bench, note, invented, band, everything
        )
    echo(str(path))
