"""evenfall air ...: the air that runs are corrected with, and the standards."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli._root import (
    air_options,
    archive_option,
    echo,
    json_option,
    mark,
    noun,
    print_json,
    print_table,
    typed_air,
    when,
)
from evenfall.errors import InputError, NotFoundError

if TYPE_CHECKING:
    from evenfall.reduction.air import Correction

air = noun("air", "Air readings new runs are corrected with.")


@air.command("set")
@air_options
@click.option("--where", default="", help="Where it was read, e.g. 'at the intake, in the shade'.")
@archive_option
def set_air(
    pressure: str | None, temperature: str | None, humidity: str | None, where: str, archive_dir: Path
) -> None:
    """Enter the air at the engine's intake.

    New runs are corrected with it.
    """
    from evenfall.archive.archive import Archive
    from evenfall.reduction.air import describe
    from evenfall.workflow.fetch import file_air

    reading = typed_air(pressure, temperature, humidity)
    if reading is None:
        raise InputError("type the air: --pressure '29.92 inHg' --temperature '68 F' --humidity '45 %'")
    reading = replace(reading, where=where.strip())
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


@air.command("list")
@click.option("--all", "retired", is_flag=True, help="Show retired ones too.")
@archive_option
@json_option
def list_air(retired: bool, archive_dir: Path, as_json: bool) -> None:
    """Air readings, newest first; * is active, - retired."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Air
    from evenfall.reduction.air import describe

    with Archive(archive_dir) as archive:
        rows = archive.records(Air, retired)
        now = archive.active("air")
        readings = [archive.record(Air, r["number"]) for r in rows]
    if as_json:
        print_json(rows)
        return
    print_table(
        ["", "number", "entered", "reading"],
        [[mark(r, now), r["number"],
          when(r["filed_unix_s"]), describe(a)] for r, a in zip(rows, readings, strict=True)],
        {"number"},
    )  # fmt: skip


@air.command("retire")
@click.argument("number", type=int)
@click.option("--back", is_flag=True, help="Bring it back.")
@archive_option
def retire_air(number: int, back: bool, archive_dir: Path) -> None:
    """Take an air reading out of the lists.

    Runs filed under it keep it; --back undoes it.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import Air

    with Archive(archive_dir) as archive:
        archive.retire_record(Air, str(number), back)
    echo(f"air {number}: {'brought back' if back else 'retired'}")


@air.command("standard")
@click.argument("name", required=False)
@archive_option
def air_standard(name: str | None, archive_dir: Path) -> None:
    """List the air standards, or choose one.

    New runs are corrected by the chosen one.
    """
    from evenfall.archive.archive import Archive
    from evenfall.reduction.air import STANDARDS, standard_named
    from evenfall.workflow.fetch import default_standard

    with Archive(archive_dir) as archive:
        if name:
            archive.activate("standard", standard_named(name).key)
        now = archive.active("standard")
    active = now.value if now else default_standard()
    print_table(
        ["", "name", "standard", "source"],
        [["*" if s.key == active else "", s.key, s.title, s.source] for s in STANDARDS.values()],
    )


def _height(text: str | None) -> float | None:
    from evenfall.units import typed

    return None if text is None else typed(text, "length", "--height")


@air.command()
@air_options
@click.option("--height", help="Height of the place, e.g. '900 ft': checks the pressure against it.")
@archive_option
@json_option
def factor(
    pressure: str | None,
    temperature: str | None,
    humidity: str | None,
    height: str | None,
    archive_dir: Path,
    as_json: bool,
) -> None:
    """Show the factor of every air standard.

    For the air that is typed, else for the active reading.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import Air
    from evenfall.reduction.air import (
        STANDARDS,
        correction,
        density,
        density_altitude_m,
        describe,
        height_warnings,
    )

    reading = typed_air(pressure, temperature, humidity)
    if reading is None:
        with Archive(archive_dir) as archive:
            reading = archive.active_record(Air)
        if reading is None:
            raise NotFoundError("no air reading is active; type --pressure, --temperature and --humidity")
    all_of_them = [correction(reading, key) for key in STANDARDS]
    metres = _height(height)
    warnings = [] if metres is None else height_warnings(reading.pressure_Pa, metres)
    if as_json:
        print_json(
            {
                "air": vars(reading),
                "density_kg_m3": density(reading),
                "density_altitude_m": density_altitude_m(reading),
                "factors": {
                    c.standard.key: {"factor": c.factor, "u": c.u, "outside": c.outside} for c in all_of_them
                },
                "warnings": warnings,
            }
        )
        return
    echo(
        f"{describe(reading)}; density {density(reading):.4f} kg/m³, density altitude "
        f"{density_altitude_m(reading):.0f} m ({density_altitude_m(reading) / 0.3048:.0f} ft)"
    )
    _print_factors(all_of_them)
    for warning in warnings:
        echo(f"Warning: {warning}")


def _print_factors(all_of_them: list[Correction]) -> None:
    print_table(
        ["name", "standard", "factor", "± (95 %)", "range"],
        [
            [
                c.standard.key,
                c.standard.title,
                f"{c.factor:.4f}",
                f"{1.96 * c.u:.4f}",
                "; ".join(c.outside) or "inside",
            ]
            for c in all_of_them
        ],
        {"factor", "± (95 %)"},
    )


@air.command()
@click.option("--altimeter", help="Altimeter setting (QNH) of a nearby airfield, e.g. '30.05 inHg'.")
@click.option("--sea-level", help="Pressure reduced to sea level, as a weather report gives it.")
@click.option("--temperature", help="Air temperature here, e.g. '68 F' (with --sea-level).")
@click.option("--height", required=True, help="Height of this place, e.g. '900 ft'.")
@json_option
def station(
    altimeter: str | None, sea_level: str | None, temperature: str | None, height: str, as_json: bool
) -> None:
    """Turn sea-level pressure into station pressure.

    Station pressure is what a barometer at the bench would show.
    """
    from evenfall.reduction.air import station_from_altimeter, station_from_sea_level
    from evenfall.units import from_si, typed

    metres = _height(height)
    assert metres is not None
    if not -500 <= metres <= 5000:
        raise InputError(f"--height: {metres:.0f} m is outside -500 to 5000 m")
    if (altimeter is None) == (sea_level is None):
        raise InputError("give either --altimeter or --sea-level")
    typed_pressure = typed(altimeter or sea_level or "", "pressure", "the reading")
    if not 90000 <= typed_pressure <= 110000:
        raise InputError(
            f"{typed_pressure / 100:.1f} hPa is no sea-level pressure (900 to 1100 hPa); check the unit"
        )
    if altimeter is not None:
        result = station_from_altimeter(typed_pressure, metres)
    else:
        if temperature is None:
            raise InputError("a sea-level pressure needs the air's --temperature here, too")
        result = station_from_sea_level(
            typed_pressure, metres, typed(temperature, "temperature", "--temperature")
        )
    if as_json:
        print_json({"station_pressure_Pa": result})
        return
    inches = from_si(result, "inHg", "pressure")
    echo(f"Station pressure {inches:.2f} inHg ({result / 100:.1f} hPa)")
    echo(f"Use it with: evenfall air set --pressure '{inches:.2f} inHg' --temperature … --humidity …")
