"""evenfall export: runs as CSV or Parquet, and the schema of both."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import archive_option, echo, root
from evenfall.cli.compare import engine_option, standard_option


@root.command()
@click.argument("specs", nargs=-1, metavar="RUNS...")
@click.option("--out", type=click.Path(path_type=Path), help="CSV or Parquet file; without it CSV to stdout.")
@click.option(
    "--table",
    type=click.Choice(["bins", "runs", "samples"]),
    default="bins",
    show_default=True,
    help="What.",
)
@click.option(
    "--units", type=click.Choice(["si", "us"]), default="si", show_default=True, help="Of a CSV file."
)
@click.option("--schema", is_flag=True, help="Print all columns with unit and meaning, and the SQL query.")
@engine_option
@standard_option
@archive_option
def export(
    specs: tuple[str, ...],
    out: Path | None,
    table: str,
    units: str,
    schema: bool,
    engine: str | None,
    standard: str | None,
    archive_dir: Path,
) -> None:
    """Write RUNS as a CSV or Parquet table.

    RUNS: 3,5-8, or names of builds with --engine.
    """
    from evenfall.archive.archive import Archive, write_whole
    from evenfall.output.tables import Row, schema_text, to_csv, to_parquet
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.workflow.run_groups import checked_target, pull_numbers, reduced

    if schema:
        echo(schema_text(), nl=False)
        return
    if not specs:
        raise click.UsageError("say which runs, e.g. 3,5-8")
    target = checked_target(out, (".csv", ".parquet")) if out else None
    with Archive(archive_dir) as archive:
        rows = []
        for number in [n for spec in specs for n in pull_numbers(archive, spec, engine)]:
            known = archive.row(number)
            rows.append(
                Row(
                    number,
                    reduced(archive, number, standard).reduction,
                    known["engine"] or "",
                    known["build"] or "",
                    known["started_unix_s"],
                )
            )
    if target is not None and target.suffix.lower() == ".parquet":
        if units != "si":
            raise click.UsageError("Parquet is always SI; US units are for CSV")
        to_parquet(rows, target, table)
    else:
        text = to_csv(rows, table, UNIT_CHOICES["us"] if units == "us" else None)
        if target is None:
            click.echo(text, nl=False)  # data: line ends and all, as in a file
            return
        write_whole(target, text.encode())
    echo(str(target))
