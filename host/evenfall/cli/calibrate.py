"""evenfall calibrate span, check, list, use: the load cell against hung weights."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from evenfall.cli._root import (
    Terminal,
    archive_option,
    echo,
    json_option,
    mark,
    noun,
    open_link,
    port_option,
    print_json,
    print_table,
    progress,
    when,
)
from evenfall.errors import BoardError, InputError

if TYPE_CHECKING:
    from evenfall.model import Calibration
    from evenfall.reduction.calibration import SpanFit

calibrate = noun("calibrate", "Calibrate the load cell: span, check weight, hoses, vibration.")


def load_counts(port: str | None, seconds: float = 4.0) -> list[float]:
    """The board's load readings over a few seconds, in order."""
    seen: list[float] = []
    with open_link(port) as line:
        until = time.monotonic() + seconds
        while time.monotonic() < until or len(seen) < 8:
            status = line.status()
            if "load_ok" not in status["flags"]:
                raise BoardError(
                    "the board's load cell does not answer; look at its wiring and run the self-test"
                )
            seen.append(float(status["load_count"]))
            time.sleep(0.05)
    return seen


def _readings(
    given: tuple[str, ...], file: Path | None, port: str | None, kept: Path
) -> tuple[list[float], list[float]]:
    """(masses in kg, counts): typed, from a file, or hung now on the board."""
    from evenfall.units import plain_number, typed
    from evenfall.workflow.weights import hang, read_csv

    pairs: list[tuple[float, float]] = []
    for text in given:
        mass, _, count = text.partition("=")
        number = plain_number(count, f"weight '{mass}'")
        if number is None:
            raise InputError(f"weight '{mass}': reading '{count}' is not a number of counts")
        pairs.append((typed(mass, "mass", "weight"), number))
    if file is not None:
        pairs += read_csv(file)
    if not given and file is None:
        pairs = [(h.mass_kg, h.count) for h in hang(Terminal(err=True), lambda: load_counts(port), kept)]
    return [mass for mass, _ in pairs], [count for _, count in pairs]


@calibrate.command()
@click.option("--reading", multiple=True, metavar="MASS=COUNT", help="E.g. '5 kg=2109341'; repeatable.")
@click.option(
    "--file", type=click.Path(path_type=Path, dir_okay=False), help="CSV: mass, count; heading or not."
)
@click.option("--arm", required=True, help="Arm: shaft centre to the cell's axis, e.g. '250 mm'.")
@click.option("--arm-u", default="0.3 mm", show_default=True, help="Its standard uncertainty.")
@click.option(
    "--angle", default="0 deg", show_default=True, help="Deviation from a right angle between arm and cell."
)
@click.option("--angle-u", default="1 deg", show_default=True, help="Its standard uncertainty.")
@click.option("--hanger", help="Where the weights hang, from the shaft's centre, if not at the cell.")
@click.option("--hanger-u", default="0.3 mm", show_default=True, help="Its standard uncertainty.")
@click.option("--weights-u", default="0.1 %", show_default=True, help="Standard uncertainty of the weights.")
@click.option("--latitude", type=float, help="For local gravity, degrees.")
@click.option("--height", help="For local gravity, e.g. '300 m'.")
@click.option("--zero-u", type=click.FloatRange(0, 10), default=0.02, show_default=True,
              help="How far the zero may drift in a run, N.")  # fmt: skip
@click.option("--temperature", help="Of the cell while the weights hang, e.g. '68 F'.")
@click.option("--span-tc", help="The maker's limit for the span over 10 K, e.g. '0.02 %'.")
@click.option("--note", default="", help="A short text.")
@click.option("--plot", type=click.Path(path_type=Path), help="Residuals, PNG or SVG.")
@click.option("--dry-run", is_flag=True, help="Show the result, store nothing.")
@click.option("--accept", is_flag=True, help="Keep a calibration that is not plausible.")
@port_option
@archive_option
@json_option
def span(
    reading: tuple[str, ...],
    file: Path | None,
    arm: str,
    arm_u: str,
    angle: str,
    angle_u: str,
    hanger: str | None,
    hanger_u: str,
    weights_u: str,
    latitude: float | None,
    height: str | None,
    zero_u: float,
    temperature: str | None,
    span_tc: str | None,
    note: str,
    plot: Path | None,
    dry_run: bool,
    accept: bool,
    port: str | None,
    archive_dir: Path,
    as_json: bool,
) -> None:  # longer than 60 lines by its options alone
    """Find span and zero from hung weights.

    Readings are typed, come from a file, or are taken step by step on the board.
    """
    import numpy as np

    from evenfall.reduction.calibration import BUOYANCY, fit_span, implausible, make_calibration
    from evenfall.reduction.gravity import gravity_or_standard
    from evenfall.units import typed
    from evenfall.workflow.first_start import IN_PROGRESS

    geometry = _geometry(arm, arm_u, angle, angle_u, hanger, hanger_u)
    g, g_u = gravity_or_standard(latitude, typed(height, "length", "--height") if height else None)
    weights_rel = typed(weights_u, "ratio", "--weights-u")
    kept = archive_dir / IN_PROGRESS
    hung = not reading and file is None
    masses, counts = _readings(reading, file, port, kept)
    fit = fit_span(
        np.array(masses),
        np.array(counts),
        gravity=g,
        gravity_u=g_u,
        mass_u_rel=weights_rel,
        lever=geometry.lever,
        lever_u_rel=geometry.lever_u_rel,
        buoyancy=BUOYANCY,
    )
    wrong = implausible(fit)
    if wrong and not (dry_run or accept):
        again = " The readings are kept: the same command goes on with them, 'undo' takes one back."
        raise InputError(
            f"this calibration is not plausible: {wrong}. Nothing was stored. Look for a wrong weight or "
            "unit, a reading in the wrong place, or an arm that touches; --accept stores it all the same."
            + (again if hung else "")
        )
    made = make_calibration(
        fit, geometry.arm_m, geometry.arm_u_m, int(time.time()), note, zero_u,
        typed(temperature, "temperature", "--temperature") if temperature else None,
        typed(span_tc, "ratio", "--span-tc") / 10 if span_tc else None,
    )  # fmt: skip
    number = None if dry_run else _store(archive_dir, made, note, hung)
    if plot:
        from evenfall.output.plots import calibration_figure, save

        called = f"Calibration {number}" if number else "Calibration, not stored"
        title = f"{called}, {when(made.made_unix_s)}{': ' + note if note else ''}"
        save(calibration_figure(fit.force_N, fit.residual_N, fit.up.tolist(), title=title), plot)
    _print_span(masses, fit, made, number, as_json)


class _Geometry(NamedTuple):
    """The arm that counts, and how far out the weights hang against it."""

    arm_m: float
    arm_u_m: float
    lever: float
    lever_u_rel: float


def _geometry(arm: str, arm_u: str, angle: str, angle_u: str, hanger: str | None, hanger_u: str) -> _Geometry:
    import math

    from evenfall.reduction.calibration import effective_arm
    from evenfall.reduction.reduce import check_arm
    from evenfall.units import typed

    def degrees(text: str, what: str) -> float:
        return math.degrees(typed(text, "angle", what))

    cell_arm, cell_u = effective_arm(
        typed(arm, "length", "--arm"),
        degrees(angle, "--angle"),
        typed(arm_u, "length", "--arm-u"),
        degrees(angle_u, "--angle-u"),
    )
    if hanger is None:
        return _Geometry(cell_arm, cell_u, 1.0, 0.0)
    at = typed(hanger, "length", "--hanger")
    check_arm(at)
    # torque of the weight is known by the hanger's distance: the cell's own arm then cancels
    return _Geometry(cell_arm, 0.0, at / cell_arm, typed(hanger_u, "length", "--hanger-u") / at)


def _store(archive_dir: Path, made: Calibration, note: str, hung: bool) -> int:
    """Keep and activate a calibration; the readings that were `hung` for it lie beside the archive."""
    from evenfall.archive.archive import Archive
    from evenfall.workflow.first_start import IN_PROGRESS

    with Archive(archive_dir) as archive, archive.change():
        number = archive.add_record(made, note)
        archive.activate("calibration", number)
    if hung:
        (archive_dir / IN_PROGRESS).replace(archive_dir / f"weights-{number}.csv")
    return number


def _print_span(
    masses: list[float], fit: SpanFit, made: Calibration, number: int | None, as_json: bool
) -> None:
    if as_json:
        print_json(
            {
                "number": number,
                "calibration": vars(made),
                "causes": fit.causes,
                "linearity": fit.linearity,
                "hysteresis": fit.hysteresis,
                "residual_N": fit.residual_N,
                "notes": fit.notes,
            }
        )
        return
    print_table(
        ["weight, kg", "force, N", "reads off, N", ""],
        [
            [f"{m:g}", f"{f:.3f}", f"{r:+.4f}", "up" if up else "down"]
            for m, f, r, up in zip(masses, fit.force_N, fit.residual_N, fit.up, strict=True)
        ],
        {"weight, kg", "force, N", "reads off, N"},
    )
    echo(f"Span {made.span_count_per_N:.2f} counts/N ± {1.96 * made.span_u_rel * 100:.2f} % (95 %)")
    for cause, u in sorted(fit.causes.items(), key=lambda kv: -kv[1]):
        echo(f"  {cause:11} {u * 100:.3f} %")
    echo(
        f"Linearity {fit.linearity * 100:.3f} %, hysteresis {fit.hysteresis * 100:.3f} % of the largest load"
    )
    echo(
        f"Arm {made.arm_m * 1e3:.2f} ± {1.96 * made.arm_u_m * 1e3:.2f} mm; zero {made.zero_count:.0f} counts"
    )
    for line in fit.notes:
        echo(f"Note: {line}")
    if number is not None:
        echo(f"calibration {number} is active: new runs are filed under it")
        echo("For the board's own load limit, type:")
        echo(
            f"evenfall board set span='{made.span_count_per_N:.3f} counts/N' "
            f"arm_length='{made.arm_m * 1e3:.3f} mm'"
        )


@calibrate.command()
@click.option(
    "--reading", multiple=True, metavar="MASS=OFF:ON", help="E.g. '5 kg=2109341:2109520'; repeatable."
)
@port_option
@archive_option
@json_option
def hose(reading: tuple[str, ...], port: str | None, archive_dir: Path, as_json: bool) -> None:
    """Find the force of hoses and jet on the cell.

    Weights are hung with the water off and on; the brake stands still, hoses as in a run. The active
    calibration is stored again with the result.
    """
    _find_push(_HOSE, reading, port, archive_dir, as_json)


@calibrate.command()
@click.option(
    "--reading", multiple=True, metavar="MASS=OFF:ON", help="E.g. '0 kg=2109341:2109520'; repeatable."
)
@port_option
@archive_option
@json_option
def shake(reading: tuple[str, ...], port: str | None, archive_dir: Path, as_json: bool) -> None:
    """Find what the running engine's vibration adds to the cell.

    The brake is drained and its water shut off, nothing hangs on the arm: the load is read with the engine
    still and with it running, at several speeds. What the drained brake drags is in it, so it is an upper
    limit. Stay below the lowest speed rating on the shaft, guards on, out of the plane of chain and rotor.
    The active calibration is stored again with the result.
    """
    _find_push(_SHAKE, reading, port, archive_dir, as_json)


class _Push(NamedTuple):
    """A force that is found by reading the cell without and with it."""

    name: str  # `NAME_u_N` of the calibration; the readings lie in NAME-in-progress.csv
    title: str  # of its column
    caution: str
    steps: tuple[str, str, str]  # asks for the weight, then for what is done before either reading
    nothing: str  # said when nothing was read
    still: bool  # nothing shakes the second reading


_HOSE = _Push(
    "hose",
    "water pushes, N",
    "Engine off, brake still, hoses as in a run, and nobody near its outlet.",
    (
        "Hang a weight ('0 kg' first; 'undo', empty ends it)",
        "  water off, then Enter",
        "  water on as in a run, then Enter",
    ),
    "no weight was read; hang nothing, half and full load, each with the water off and on",
    True,
)
_SHAKE = _Push(
    "shake",
    "vibration adds, N",
    "Brake drained, water off, nothing on the arm, guards on; keep within the lowest speed rating on the "
    "shaft. Without load the engine races: open the throttle with care, hand on the kill switch.",
    (
        "One speed after the other: '0 kg' ('undo'; empty ends it)",
        "  engine still, then Enter",
        "  engine running steadily, then Enter",
    ),
    "nothing was read; read the load with the engine still and running, at two speeds or more",
    False,
)


def _find_push(
    push: _Push, given: tuple[str, ...], port: str | None, archive_dir: Path, as_json: bool
) -> None:
    """Readings typed, or taken on the board and kept as they come; the active calibration gets the result."""
    from dataclasses import replace

    import numpy as np

    from evenfall.archive.archive import Archive
    from evenfall.errors import NotFoundError
    from evenfall.model import Calibration
    from evenfall.reduction.calibration import hose_push, shake_push
    from evenfall.workflow.weights import hang_twice

    rows = [_typed_row(text) for text in given]
    with Archive(archive_dir) as archive:
        calibration = archive.active_record(Calibration)
    if calibration is None:
        raise NotFoundError("no calibration is active; make one with evenfall calibrate span")
    kept = archive_dir / f"{push.name}-in-progress.csv"
    if not given:
        progress(push.caution)
        rows = hang_twice(Terminal(err=True), lambda: load_counts(port), push.steps, push.still, kept)
    if not rows:
        raise InputError(push.nothing)
    mass, off, on = (np.array(column) for column in zip(*rows, strict=True))
    found = (shake_push if push.name == "shake" else hose_push)(calibration, mass, off, on)
    changed: dict[str, Any] = {f"{push.name}_u_N": found.u_N}
    with Archive(archive_dir) as archive, archive.change():
        number = archive.add_record(replace(calibration, **changed), calibration.note)
        archive.activate("calibration", number)
    if not given:
        kept.replace(archive_dir / f"{push.name}-{number}.csv")
    if as_json:
        print_json({"number": number, **vars(found)})
        return
    print_table(
        ["weight, kg", push.title],
        [[f"{m:g}", f"{p:+.3f}"] for m, p in zip(found.mass_kg, found.push_N, strict=True)],
        {"weight, kg", push.title},
    )
    echo(f"Every run gets ± {1.96 * found.u_N:.3f} N (95 %) from it, on the cell")
    for line in found.notes:
        echo(f"Note: {line}")
    echo(f"calibration {number} is active: new runs are filed under it")


def _typed_row(text: str) -> tuple[float, ...]:
    """`5 kg=2109341:2109520` -> (mass kg, count before, count with it on)."""
    from evenfall.units import typed

    mass, _, counts = text.partition("=")
    off, _, on = counts.partition(":")
    try:
        return typed(mass, "mass", "weight"), float(off), float(on)
    except ValueError:
        raise InputError(
            f"'{text}' is not MASS=OFF:ON with two counts, e.g. '5 kg=2109341:2109520'"
        ) from None


@calibrate.command()
@click.argument("number")
@click.argument("label")
@archive_option
def rename(number: str, label: str, archive_dir: Path) -> None:
    """Give a calibration another label."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Calibration

    with Archive(archive_dir) as archive:
        archive.rename_record(Calibration, number, label)
    echo(f"calibration {number} is labelled '{label}'")


@calibrate.command()
@click.argument("number")
@click.option("--back", is_flag=True, help="Bring it back.")
@archive_option
def retire(number: str, back: bool, archive_dir: Path) -> None:
    """Take a calibration out of the lists.

    Runs filed under it keep it; --back undoes it.
    """
    from evenfall.archive.archive import Archive
    from evenfall.model import Calibration

    with Archive(archive_dir) as archive:
        archive.retire_record(Calibration, number, back)
    echo(f"calibration {number}: {'brought back' if back else 'retired'}")


@calibrate.command("list")
@click.option("--all", "retired", is_flag=True, help="Show retired ones too.")
@archive_option
@json_option
def list_calibrations(retired: bool, archive_dir: Path, as_json: bool) -> None:
    """Calibrations, newest first; * is active, - retired."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Calibration

    with Archive(archive_dir) as archive:
        rows = archive.records(Calibration, retired)
        now = archive.active("calibration")
    if as_json:
        print_json(rows)
        return
    print_table(
        ["", "number", "made", "counts/N", "± % (95 %)", "arm, mm", "note"],
        [[mark(r, now), r["number"], when(r["made_unix_s"]),
          f"{r['span_count_per_N']:.2f}", f"{196 * r['span_u_rel']:.2f}", f"{r['arm_m'] * 1e3:.2f}",
          r["label"] or r["note"]] for r in rows],
        {"number", "counts/N", "± % (95 %)", "arm, mm"},
    )  # fmt: skip


@calibrate.command("use")
@click.argument("number", type=int)
@archive_option
def use_calibration(number: int, archive_dir: Path) -> None:
    """File new runs under this calibration."""
    from evenfall.archive.archive import Archive
    from evenfall.model import Calibration

    with Archive(archive_dir) as archive:
        archive.record(Calibration, number)
        archive.activate("calibration", number)
    echo(f"calibration {number} is active: new runs are filed under it")


@calibrate.command()
@click.argument("mass", required=False)
@click.option(
    "--count", type=float, help="Reading above the zero; else the board is read, weight off and on."
)
@click.option("--hanger", help="Where the weight hangs, from the shaft's centre, if not at the cell.")
@click.option("--latitude", type=float, help="For local gravity, degrees.")
@click.option("--height", help="For local gravity, e.g. '300 m'.")
@click.option("--plot", type=click.Path(path_type=Path), help="Drift over time, PNG or SVG.")
@click.option("--undo", is_flag=True, help="Take the newest reading back first.")
@port_option
@archive_option
@json_option
def check(
    mass: str | None,
    count: float | None,
    hanger: str | None,
    latitude: float | None,
    height: str | None,
    plot: Path | None,
    undo: bool,
    port: str | None,
    archive_dir: Path,
    as_json: bool,
) -> None:  # longer than 60 lines by its options alone
    """Log a check weight and show the cell's drift.

    MASS is typed with its unit: '5 kg'. Without MASS the log so far is shown.
    """
    from evenfall.archive.archive import Archive
    from evenfall.errors import NotFoundError
    from evenfall.model import Calibration
    from evenfall.reduction.calibration import BUOYANCY, check_drift, check_reading
    from evenfall.reduction.gravity import gravity_or_standard
    from evenfall.units import typed
    from evenfall.workflow.weights import mean_of

    with Archive(archive_dir) as archive:
        calibration = archive.active_record(Calibration)
        if calibration is None:
            raise NotFoundError("no calibration is active; make one with evenfall calibrate span")
        if undo:
            _, kg, _ = archive.undo_check_weight()
            progress(f"taken back: the newest reading, {kg:g} kg")
        lever = typed(hanger, "length", "--hanger") / calibration.arm_m if hanger else 1.0
        g, _ = gravity_or_standard(latitude, typed(height, "length", "--height") if height else None)
        if mass:
            kg = typed(mass, "mass", "check weight")
            if count is None:
                click.prompt("weight off, then Enter", default="", show_default=False, err=True)
                zero = mean_of(load_counts(port))
                click.prompt("weight on, then Enter", default="", show_default=False, err=True)
                count = mean_of(load_counts(port)) - zero
            fresh = (float(int(time.time())), kg, count)
            # judged before it is kept: a slip of the keyboard must not spoil the log
            check_reading(calibration, fresh, gravity=g, lever=lever, buoyancy=BUOYANCY)
            archive.add_check_weight(*fresh)
        readings = archive.check_weights()
    if undo and not readings:
        echo("The log is empty now.")
        return
    drift = check_drift(calibration, readings, gravity=g, lever=lever, buoyancy=BUOYANCY)
    if plot:
        from evenfall.output.diagnostic_plots import check_weight_figure
        from evenfall.output.plots import save

        last = when(int(drift.time_s[-1]))
        told = f"{len(readings)} reading{'s' if len(readings) > 1 else ''}"
        save(check_weight_figure(drift, title=f"Check weight, {told} to {last}"), plot)
    if as_json:
        print_json(vars(drift))
    else:
        echo(
            f"Check weight reads {drift.error_rel[-1] * 100:+z.2f} % off, "
            f"{len(readings)} reading{'s' if len(readings) > 1 else ''}, "
            f"trend {drift.per_year * 100:+.2f} ± {196 * drift.per_year_u:.2f} % a year"
        )
        for line in drift.notes:
            echo(f"Warning: {line}")
    if drift.notes:
        click.get_current_context().exit(1)
