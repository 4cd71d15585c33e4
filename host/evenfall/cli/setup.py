"""evenfall setup ...: what lies between crank and brake."""

from __future__ import annotations

from pathlib import Path

import click

from evenfall.cli._root import archive_option, json_option, noun, print_json, print_table, when

setup = noun("setup", "Set-ups of the bench: teeth, magnets, inertia, drive efficiency.")


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
    from evenfall.board import run_file
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
    """All set-ups, newest first; * is active."""
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
