"""evenfall setup ...: what lies between crank and brake."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from evenfall.cli._root import archive_option, echo, json_option, mark, noun, print_json, print_table, when

setup = noun("setup", "Set-ups of the bench: teeth, magnets, inertia, drive efficiency.")


@setup.command("add")
@click.argument("label")
@click.option("--engine-teeth", type=int, help="Teeth of the engine's sprocket.")
@click.option("--brake-teeth", type=int, help="Teeth of the brake's sprocket.")
@click.option("--magnets", type=int, help="Magnets per turn of the brake shaft.")
@click.option("--inertia", type=float, help="Inertia referred to the crank, kg·m².")
@click.option("--inertia-u", type=float, help="Its standard uncertainty, kg·m².")
@click.option(
    "--efficiency",
    help="Drive efficiency: '97 %', or with its 95 % interval '97 +- 1 %'; '100 %': results at the brake.",
)
@click.option("--efficiency-u", help="Its standard uncertainty, for instance '0.6 %'.")
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
    efficiency: str | None,
    efficiency_u: str | None,
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
    from evenfall.reduction.reduce import check_inertia, check_inputs
    from evenfall.units import typed

    given = {
        "engine_teeth": engine_teeth,
        "brake_teeth": brake_teeth,
        "magnets": magnets,
        "inertia_kg_m2": inertia,
        "inertia_u_kg_m2": inertia_u,
        **_drive(efficiency, efficiency_u),
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
        check_inertia(made)
        check_inputs(run_file.decode_run(b""), Calibration(0.0, 1.0, made_unix_s=1 << 40), made)
        number = archive.add_record(made, label)
        archive.activate("setup", number)
    echo(f"set-up {number} '{label}' is active: new runs are filed under it")


@setup.command("use")
@click.argument("label")
@archive_option
def use_setup(label: str, archive_dir: Path) -> None:
    """File new runs under this set-up."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Setup

    with Archive(archive_dir) as archive:
        number = archive.record_named(Setup, label)
        archive.activate("setup", number)
    echo(f"set-up {number} is active: new runs are filed under it")


@setup.command()
@click.argument("label")
@click.argument("new")
@archive_option
def rename(label: str, new: str, archive_dir: Path) -> None:
    """Give a set-up another name.

    LABEL renames all of that name, a number only that one.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import Setup

    with Archive(archive_dir) as archive:
        count = archive.rename_record(Setup, label, new)
    echo(f"{count} renamed to '{new}'")


@setup.command()
@click.argument("label")
@click.option("--back", is_flag=True, help="Bring it back.")
@archive_option
def retire(label: str, back: bool, archive_dir: Path) -> None:
    """Take a set-up out of the lists.

    LABEL or number. Runs filed under it keep it; --back undoes it.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import Setup

    with Archive(archive_dir) as archive:
        count = archive.retire_record(Setup, label, back)
    echo(f"set-up '{label}': {count} {'brought back' if back else 'retired'}")


@setup.command("list")
@click.option("--all", "retired", is_flag=True, help="Show retired ones too.")
@archive_option
@json_option
def list_setups(retired: bool, archive_dir: Path, as_json: bool) -> None:
    """Set-ups, newest first; * is active, - retired."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Setup

    with Archive(archive_dir) as archive:
        rows = archive.records(Setup, retired)
        now = archive.active("setup")
    if as_json:
        print_json(rows)
        return
    print_table(
        ["", "number", "label", "since", "teeth", "magnets", "inertia, g·m² (95 %)", "efficiency", "drag"],
        [
            [mark(r, now), r["number"], r["label"],
             when(r["filed_unix_s"]), f"{r['engine_teeth']} : {r['brake_teeth']}", r["magnets"],
             _inertia(r), _efficiency(r), "not measured" if r["shaft_loss_u_Nm"] is None else "measured"]
            for r in rows
        ],
        {"number", "magnets"},
    )  # fmt: skip


def _drive(efficiency: str | None, efficiency_u: str | None) -> dict[str, float | None]:
    """What was typed of the drive's efficiency, as fields of a `Setup`."""
    from evenfall.errors import InputError
    from evenfall.units import typed_share, typed_share_and_width

    share, width = (None, None) if efficiency is None else typed_share_and_width(efficiency, "--efficiency")
    u = None if width is None else width / 1.96  # as shown: a 95 % interval
    if efficiency_u is not None:
        if width is not None:
            raise InputError(f"--efficiency: leave out --efficiency-u or what follows +- in '{efficiency}'")
        u = typed_share(efficiency_u, "--efficiency-u")
    return {"drive_efficiency": share, "drive_efficiency_u": u}


def _efficiency(row: dict[str, Any]) -> str:
    """Drive efficiency with its 95 % half-width; 1 means that the loss of the drive is not removed."""
    if row["drive_efficiency"] == 1.0:
        return "at the brake"
    u = row["drive_efficiency_u"]
    return f"{row['drive_efficiency']:g}" + ("" if u is None else f" ± {1.96 * u:.2g}")


def _inertia(row: dict[str, Any]) -> str:
    """Inertia with its 95 % half-width, g·m²."""
    if not row["inertia_kg_m2"]:
        return "not known"
    half = 1.96 * row["inertia_u_kg_m2"] * 1e3
    return f"{row['inertia_kg_m2'] * 1e3:.3g} ± " + (f"{half:.2g}" if half else "not known")
