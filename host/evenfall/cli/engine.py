"""evenfall engine ...: engines and their builds."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from evenfall.cli._root import archive_option, complete, json_option, noun, print_json, print_table, when

engine = noun("engine", "Engines and their builds: what was changed, when, by whom.")


@engine.command("add")
@click.argument("name")
@click.option("--cc", type=click.FloatRange(1, 2000), help="Displacement, cm³.")
@click.option("--remark", default="", help="A few words.")
@click.option("--use", is_flag=True, help="File new runs under it.")
@archive_option
def add_engine(name: str, cc: float | None, remark: str, use: bool, archive_dir: Path) -> None:
    """Add an engine."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        archive.add_engine(name, cc, remark)
        if use:
            archive.activate("build", archive.build_id(name))


@engine.command("build")
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.argument("name")
@click.option("--changed", default="", help="What was changed against the build before.")
@click.option("--by", default=getpass.getuser, show_default="you", help="Who changed it.")
@archive_option
def add_build(engine_name: str, name: str, changed: str, by: str, archive_dir: Path) -> None:
    """Add a build of an engine and file new runs under it."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        archive.activate("build", archive.add_build(engine_name, name, changed, by))


@engine.command("use")
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.argument("build", required=False, shell_complete=complete("build"))
@archive_option
def use_engine(engine_name: str, build: str | None, archive_dir: Path) -> None:
    """File new runs under this engine.

    Under its latest build, or under BUILD.
    """
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        archive.activate("build", archive.build_id(engine_name, build))


@engine.command("list")
@archive_option
@json_option
def list_engines(archive_dir: Path, as_json: bool) -> None:
    """All engines."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        rows = archive.engines()
    if as_json:
        print_json(rows)
        return
    print_table(
        ["engine", "cm³", "builds", "runs", "remark"],
        [[r["name"], r["displacement_cc"], r["builds"], r["runs"], r["remark"]] for r in rows],
        {"cm³", "builds", "runs"},
    )


@engine.command("show")
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@archive_option
@json_option
def show_engine(engine_name: str, archive_dir: Path, as_json: bool) -> None:
    """An engine's builds."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        rows = archive.builds(engine_name)
    if as_json:
        print_json(rows)
        return
    print_table(
        ["build", "since", "by", "runs", "best, W", "changed"],
        [
            [r["build"], when(r["made_unix_s"]), r["changed_by"], r["runs"],
             None if r["best_power_W"] is None else f"{r['best_power_W']:.0f}", r["changed"]]
            for r in rows
        ],
        {"runs", "best, W"},
    )  # fmt: skip
