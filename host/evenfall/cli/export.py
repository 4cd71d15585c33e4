"""evenfall export: runs as CSV, Parquet or whole, and the schema of the tables."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from evenfall.cli._root import archive_option, echo, engine_option, root, standard_option
from evenfall.errors import InputError


@root.command()
@click.argument("specs", nargs=-1, metavar="RUNS...")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    help="File that ends in .csv, .parquet or .json, or a folder for run-N.json; without it CSV to stdout.",
)
@click.option(
    "--table",
    type=click.Choice(["bins", "runs", "samples"]),
    default="bins",
    show_default=True,
    help="Which table.",
)
@click.option(
    "--units", type=click.Choice(["si", "us"]), default="si", show_default=True, help="Units of a CSV file."
)
@click.option("--band", metavar="LOW:HIGH", help="Speeds of the mean power in --table runs, rpm.")
@click.option("--schema", is_flag=True, help="Print all columns with unit and meaning, and the SQL query.")
@engine_option
@standard_option
@archive_option
def export(
    specs: tuple[str, ...],
    out: Path | None,
    table: str,
    units: str,
    band: str | None,
    schema: bool,
    engine: str | None,
    standard: str | None,
    archive_dir: Path,
) -> None:  # longer than 60 lines by its options alone
    """Write RUNS as a CSV or Parquet table, or whole.

    RUNS: 3,5-8, or names of builds with --engine. A run written whole (.json, or into a folder) holds its
    raw frames and what it is filed under; `evenfall runs import` takes it into another archive.
    """
    from evenfall.archive.archive import Archive, write_whole
    from evenfall.output.tables import schema_text, to_csv, to_parquet
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.workflow.export_rows import export_rows
    from evenfall.workflow.run_groups import checked_target, run_numbers, speed_band

    if band and table != "runs":
        raise click.UsageError("--band is of the mean power in --table runs; give that, too")

    if schema:
        echo(schema_text(), nl=False)
        return
    if not specs:
        raise click.UsageError("say which runs, e.g. 3,5-8")
    folder = out if out is not None and out.is_dir() else None
    target = checked_target(out, (".csv", ".parquet", ".json")) if out and not folder else None
    ending = target.suffix.lower() if target else ".json" if folder else ".csv"
    if ending == ".parquet" and units != "si":
        raise click.UsageError("Parquet is always SI; US units are for CSV")
    with Archive(archive_dir) as archive:
        numbers = [n for spec in specs for n in run_numbers(archive, spec, engine)]
        if ending == ".json":
            if target is not None and len(numbers) != 1:
                raise InputError(f"{target.name} holds one run, {len(numbers)} are named; give a folder")
            for number in numbers:
                path = target or out / f"run-{number}.json"  # type: ignore[operator]
                write_whole(path, archive.export(number))
                echo(str(path))
            return
        rows = export_rows(archive, numbers, standard, speed_band(band, "--band") if band else None)
    if target is not None and ending == ".parquet":
        to_parquet(rows, target, table)
    else:
        text = to_csv(rows, table, UNIT_CHOICES["us"] if units == "us" else None)
        if target is None:
            if sys.stdout.isatty():
                echo(text.replace("\r\n", "\n"), nl=False)
            else:
                click.echo(text, nl=False)  # data: line ends and all, as in a file
            return
        write_whole(target, text.encode())
    echo(str(target))
