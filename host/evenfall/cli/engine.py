"""evenfall engine ...: engines and their builds."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import (
    archive_option,
    complete,
    echo,
    json_option,
    noun,
    print_json,
    print_table,
    user_name,
    when,
)
from evenfall.errors import InputError

engine = noun("engine", "Engines and their builds: what was changed, when, by whom.")


@engine.command("add")
@click.argument("name")
@click.option("--cc", type=click.FloatRange(1, 2000), help="Displacement, cm³.")
@click.option("--remark", default="", help="A short text.")
@click.option("--use", is_flag=True, help="File new runs under it.")
@archive_option
def add_engine(name: str, cc: float | None, remark: str, use: bool, archive_dir: Path) -> None:
    """Add an engine."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        archive.add_engine(name, cc, remark)
        if use:
            archive.activate("build", archive.build_id(name))
    if use:
        _say_active(name)
    else:
        echo(f"engine '{name}' is added; new runs are filed under it after: evenfall engine use '{name}'")


def _say_active(name: str, build: str | None = None) -> None:
    echo(f"{name}{', ' + build if build else ''} is active: new runs are filed under it")


@engine.command("build")
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.argument("name")
@click.option("--changed", default="", help="What was changed against the build before.")
@click.option("--by", default=user_name, show_default="you", help="Who changed it.")
@archive_option
def add_build(engine_name: str, name: str, changed: str, by: str, archive_dir: Path) -> None:
    """Add a build of an engine and file new runs under it."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive, archive.change():
        archive.activate("build", archive.add_build(engine_name, name, changed, by))
    _say_active(engine_name, name)


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
        build = build or archive.latest_build(engine_name)
    _say_active(engine_name, build)


@engine.command()
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.argument("new")
@click.option("--build", shell_complete=complete("build"), help="Rename this build of it instead.")
@archive_option
def rename(engine_name: str, new: str, build: str | None, archive_dir: Path) -> None:
    """Give an engine or a build another name."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        if build:
            archive.rename_build(engine_name, build, new)
        else:
            archive.rename_engine(engine_name, new)
    echo(f"renamed to '{new}'")


@engine.command()
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.option("--build", shell_complete=complete("build"), help="Only this build of it.")
@click.option("--back", is_flag=True, help="Bring it back.")
@archive_option
def retire(engine_name: str, build: str | None, back: bool, archive_dir: Path) -> None:
    """Take an engine or a build out of the lists.

    Its runs stay and are found as before; --back undoes it.
    """
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        archive.retire_engine(engine_name, build, back)
    echo(f"{build or engine_name}: {'brought back' if back else 'retired'}")


@engine.command("set")
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.argument("changes", nargs=-1, required=True, metavar="NAME=VALUE...")
@click.option(
    "--build", shell_complete=complete("build"), help="Build that its details are of, else the latest."
)
@archive_option
def set_details(engine_name: str, changes: tuple[str, ...], build: str | None, archive_dir: Path) -> None:
    """Note details of an engine or its build.

    Engine: cc, bore, stroke, cylinders, maker_limit. Build: fuel, fuel_mix, jetting, plug, plug_gap,
    ignition, exhaust.
    Found by `runs find`, printed on the page; NAME= forgets one.
    """
    from evenfall.archive.archive import Archive
    from evenfall.details import DETAILS, checked, lines

    own = {c for c in changes if DETAILS.get(_name(c), ("build",))[0] == "engine"}
    size = [c for c in changes if _name(c) == "cc"]
    of_engine = checked("engine", tuple(c for c in changes if c in own))
    of_build = checked("build", tuple(c for c in changes if c not in own and c not in size))
    with Archive(archive_dir) as archive, archive.change():
        if size:
            archive.set_displacement(engine_name, _cc(size[-1]))
        known = archive.set_details(engine_name, None, of_engine)
        if size or {"bore", "stroke", "cylinders"} & set(of_engine):
            archive.check_size(engine_name)
        if of_build:
            build_name = build or archive.latest_build(engine_name)
            known |= archive.set_details(engine_name, build_name, of_build)
    for what, value in lines(known):
        echo(f"{what}: {value}")


def _name(change: str) -> str:
    return change.partition("=")[0].strip().replace("-", "_")


def _cc(change: str) -> float:
    from evenfall.units import plain_number

    cc = plain_number(change.partition("=")[2].removesuffix("cc").strip(), "cc")
    if cc is None or not 1 <= cc <= 2000:
        raise InputError(f"'{change}': write the displacement in cm³, 1 to 2000, such as cc=51")
    return cc


@engine.command("list")
@click.option("--all", "retired", is_flag=True, help="Show retired ones too.")
@archive_option
@json_option
def list_engines(retired: bool, archive_dir: Path, as_json: bool) -> None:
    """All engines."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        rows = archive.engines(retired)
    if as_json:
        print_json(rows)
        return
    print_table(
        ["engine", "cm³", "builds", "runs", "remark"],
        [
            [
                r["name"],
                r["displacement_cc"],
                r["builds"],
                r["runs"],
                "; ".join(w for w in (r["remark"], "retired" if r["retired_unix_s"] else "") if w),
            ]
            for r in rows
        ],
        {"cm³", "builds", "runs"},
    )


@engine.command("show")
@click.argument("engine_name", metavar="ENGINE", shell_complete=complete("engine"))
@click.option("--all", "retired", is_flag=True, help="Show retired builds too.")
@archive_option
@json_option
def show_engine(engine_name: str, retired: bool, archive_dir: Path, as_json: bool) -> None:
    """An engine, its builds, and what is known of them."""
    from evenfall.archive.archive import Archive
    from evenfall.details import lines

    with Archive(archive_dir) as archive:
        archive.engine_id(engine_name)
        about = next(e for e in archive.engines(True) if e["name"].lower() == engine_name.lower())
        rows = archive.builds(engine_name, retired)
    if as_json:
        print_json(rows)
        return
    size = f", {about['displacement_cc']:g} cm³" if about["displacement_cc"] else ""
    echo(f"{about['name']}{size}{'; ' + about['remark'] if about['remark'] else ''}")
    for what, value in lines(about["details"]):
        echo(f"  {what}: {value}")
    print_table(
        ["build", "since", "by", "runs", "best, W", "changed"],
        [
            [r["build"], when(r["made_unix_s"]), r["changed_by"], r["runs"],
             None if r["best_power_W"] is None else f"{r['best_power_W']:.0f}", r["changed"]]
            for r in rows
        ],
        {"runs", "best, W"},
    )  # fmt: skip
    for r in rows:
        if r["details"]:
            echo(
                f"{r['build']}: "
                + "; ".join(f"{what.lower()} {value}" for what, value in lines(r["details"]))
            )
