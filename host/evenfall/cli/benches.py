"""evenfall engine, setup, air, session ...: what runs are filed under."""

from __future__ import annotations

import getpass
from pathlib import Path

import click

from evenfall.board import run_file
from evenfall.cli._root import (
    air_options,
    archive_option,
    complete,
    echo,
    json_option,
    noun,
    print_json,
    print_table,
    typed_air,
    when,
)
from evenfall.errors import InputError

engine = noun("engine", "Engines and their builds: what was changed, when, by whom.")
setup = noun("setup", "Set-ups of the bench: teeth, magnets, inertia, drive efficiency.")
air = noun("air", "Air readings new runs are corrected with.")
session = noun("session", "Sessions of runs.")


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


@setup.command("add")
@click.argument("label")
@click.option("--engine-teeth", type=int, help="Teeth of the engine's sprocket.")
@click.option("--brake-teeth", type=int, help="Teeth of the brake's sprocket.")
@click.option("--magnets", type=int, help="Magnets per turn of the brake shaft.")
@click.option("--inertia", type=float, help="Inertia referred to the crank, kg·m².")
@click.option("--inertia-u", type=float, help="Its standard uncertainty, kg·m².")
@click.option("--efficiency", type=float, help="Drive efficiency, 0.5 to 1; 1: results at the brake.")
@click.option("--efficiency-u", type=float, help="Its standard uncertainty, for instance 0.006.")
@click.option("--height", help="Of the place above sea level, e.g. '900 ft': checks a typed air pressure.")
@click.option("--arm-changed", is_flag=True, help="The arm or cell was moved just now: calibrate again.")
@archive_option
def add_setup(
    label: str,
    engine_teeth: int | None,
    brake_teeth: int | None,
    magnets: int | None,
    inertia: float | None,
    inertia_u: float | None,
    efficiency: float | None,
    efficiency_u: float | None,
    height: str | None,
    arm_changed: bool,
    archive_dir: Path,
) -> None:
    """Add a set-up and file new runs under it.

    What is not given stays as in the last set-up of that name.
    """
    import time
    from dataclasses import replace

    from evenfall.archive.archive import Archive
    from evenfall.archive.filing import check_name
    from evenfall.errors import NotFoundError
    from evenfall.model import Calibration, Setup
    from evenfall.reduction.reduce import check_inputs
    from evenfall.units import typed

    given = {
        "engine_teeth": engine_teeth,
        "brake_teeth": brake_teeth,
        "magnets": magnets,
        "inertia_kg_m2": inertia,
        "inertia_u_kg_m2": inertia_u,
        "drive_efficiency": efficiency,
        "drive_efficiency_u": efficiency_u,
        "height_m": typed(height, "length", "--height") if height else None,
        "arm_changed_unix_s": int(time.time()) if arm_changed else None,
    }
    check_name(label, "set-up")
    with Archive(archive_dir) as archive, archive.change():
        try:
            base = archive.record(Setup, archive.record_named(Setup, label))
        except NotFoundError:
            base = Setup()
        if inertia is not None and inertia_u is None:
            given["inertia_u_kg_m2"] = 0.0  # that of the inertia before is not that of this one
        made = replace(base, **{k: v for k, v in given.items() if v is not None})
        check_inputs(run_file.decode_run(b""), Calibration(0.0, 1.0, made_unix_s=1 << 40), made)
        archive.activate("setup", archive.add_record(made, label))


@setup.command("use")
@click.argument("label")
@archive_option
def use_setup(label: str, archive_dir: Path) -> None:
    """File new runs under this set-up."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Setup

    with Archive(archive_dir) as archive:
        archive.activate("setup", archive.record_named(Setup, label))


@setup.command("list")
@archive_option
@json_option
def list_setups(archive_dir: Path, as_json: bool) -> None:
    """All set-ups, newest first; * is in force."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Setup

    with Archive(archive_dir) as archive:
        rows = archive.records(Setup)
        now = archive.active("setup")
    if as_json:
        print_json(rows)
        return
    print_table(
        ["", "number", "label", "since", "teeth", "magnets", "inertia, g·m²", "efficiency"],
        [
            ["*" if now and now[0] == str(r["number"]) else "", r["number"], r["label"],
             when(r["filed_unix_s"]), f"{r['engine_teeth']} : {r['brake_teeth']}", r["magnets"],
             f"{r['inertia_kg_m2'] * 1e3:g} ± {r['inertia_u_kg_m2'] * 1e3:g}", r["drive_efficiency"]]
            for r in rows
        ],
        {"number", "magnets"},
    )  # fmt: skip


@air.command("set")
@air_options
@archive_option
def set_air(pressure: str | None, temperature: str | None, humidity: str | None, archive_dir: Path) -> None:
    """Enter the air at the engine's intake.

    New runs are corrected with it.
    """
    from evenfall.archive.archive import Archive
    from evenfall.reduction.air import describe
    from evenfall.workflow.fetch import file_air

    reading = typed_air(pressure, temperature, humidity)
    if reading is None:
        raise InputError("type the air: --pressure '29.92 inHg' --temperature '68 F' --humidity '45 %'")
    with Archive(archive_dir) as archive:
        number = file_air(archive, reading)
    echo(f"air {number}: {describe(reading)}")


@air.command("clear")
@archive_option
def clear_air(archive_dir: Path) -> None:
    """Use the board's own barometer again for new runs."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        archive.deactivate("air")


@air.command("standard")
@click.argument("name", required=False)
@archive_option
def air_standard(name: str | None, archive_dir: Path) -> None:
    """List the air standards, or choose one.

    New runs are corrected by the chosen one.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import DEFAULT_STANDARD
    from evenfall.reduction.air import STANDARDS, standard_named

    with Archive(archive_dir) as archive:
        if name:
            archive.activate("standard", standard_named(name).key)
        now = archive.active("standard")
    in_force = now[0] if now else DEFAULT_STANDARD
    print_table(
        ["", "name", "standard", "source"],
        [["*" if s.key == in_force else "", s.key, s.title, s.source] for s in STANDARDS.values()],
    )


@session.command("new")
@click.option("--title", default="", help="A few words.")
@archive_option
def new_session(title: str, archive_dir: Path) -> None:
    """Open a session.

    Runs join it until hours pass without one.
    """
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        echo(f"session {archive.add_session(title=title)}")


@session.command("list")
@archive_option
@json_option
def list_sessions(archive_dir: Path, as_json: bool) -> None:
    """All sessions, newest first."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        rows = archive.sessions()
    if as_json:
        print_json(rows)
        return
    print_table(
        ["session", "started", "runs", "title"],
        [[r["session"], when(r["started_unix_s"]), r["runs"], r["title"]] for r in rows],
        {"session", "runs"},
    )
