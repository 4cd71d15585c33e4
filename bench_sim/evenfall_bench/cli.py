"""Command line of the bench: `evenfall-bench sweep`, `live`, `scenarios`."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from . import scenario as scenarios
from .chip.parts import Parts, find
from .image import FIRMWARE, BenchError
from .models import MODELS
from .scenario import FAULT_KEYS, FAULTS, POINTS, SCHEMA, Key, ScenarioError
from .terminal import printable


def schema_text() -> str:  # longer than 60 lines by its text
    """SCENARIOS.md, made from the schema."""
    lines = [
        "# Scenarios of the simulated bench",
        "",
        "Made by `evenfall-bench scenarios --schema`; do not edit by hand.",
        "",
        "A scenario is a TOML file: one bench, its day and its faults. Every key may be left out; what is",
        "left out has the default below. Unknown tables and keys are refused. Speeds are crank speeds unless",
        "the text says brake. All engines that come with the bench are invented.",
        "",
        "```toml",
        "[bench]",
        'title = "our bench on Saturday"',
        "",
        "[engine]",
        'use = "clearing saw"     # or give torque_map = [[1500, 1.2], ..., [12600, 0]]',
        "torque_factor = 1.02        # 2 % better than the map",
        "",
        "[[faults]]",
        'name = "supply_low"',
        'from = "throttle"',
        "at_s = 6",
        "for_s = 2",
        "value = 0.6",
        "```",
        "",
    ]
    for table, (text, keys) in SCHEMA.items():
        lines += [f"## [{table}]", "", text, "", *_table(keys), "", *_models(table)]
    lines += [
        "## [board]",
        "",
        "Settings of the board by their names (protocol/evenfall_wire/settings.py), whole numbers. They are",
        "written to the board's settings file on top of what follows from the bench itself: teeth, magnets,",
        "arm, span, servo ends, barometer. Give other values here for a board that was set up wrongly.",
        "",
        "## [[faults]]",
        "",
        *_table(FAULT_KEYS),
        "",
        "| fault | what happens |",
        "|---|---|",
        *[f"| {name} | {fault.text} |" for name, fault in FAULTS.items()],
        "",
        "## Scenarios that come with the bench",
        "",
        "`--scenario` takes the name. What they break is what a controller might assume of its bench.",
        "",
        "| name | bench | breaks |",
        "|---|---|---|",
        *[f"| {name} | {b['title']} | {b['breaks']} |" for name, b in _bundled_benches().items()],
        "",
        "## Engines that come with the bench",
        "",
        "Invented data. `engine.use` takes the name.",
        "",
        "| name | cm3 | peak power hp | at rpm | for |",
        "|---|---|---|---|---|",
    ]
    lines += _engine_lines()
    return "\n".join(lines) + "\n"


def _engine_lines() -> list[str]:
    """A line of the table for each bundled engine."""
    lines = []
    for name, engine in scenarios.engines().items():
        rpm, watts = max(
            ((n, t * n * 3.141592653589793 / 30) for n, t in engine["torque_map"]), key=lambda p: p[1]
        )
        lines.append(
            f"| {name} | {engine['displacement_cc']} | {watts / 745.6998715822702:.1f} | {rpm} |"
            f" {engine['text']} |"
        )
    return lines


def _bundled_benches() -> dict[str, dict[str, Any]]:
    """[bench] of each bundled scenario."""
    return {name: scenarios.load(path)["bench"] for name, path in scenarios.bundled().items()}


def _models(table: str) -> list[str]:
    """What the models of a table are; empty where there is no choice."""
    if table not in MODELS:
        return []
    lines = ["| model | equation | typical numbers | source |", "|---|---|---|---|"]
    for name, made in MODELS[table].items():
        text = [part.replace("|", "\\|") for part in made.TEXT]
        lines.append(f"| {name} | {' | '.join(text)} |")
    return [*lines, ""]


def _table(keys: tuple[Key, ...]) -> list[str]:
    lines = ["| key | unit | default | bounds | meaning |", "|---|---|---|---|---|"]
    for k in keys:
        bounds = f"{k.low:g} to {k.high:g}" if isinstance(k.default, int | float) and k.high else ""
        default = json.dumps(k.default)
        unit = "[x, y] pairs" if k.unit == POINTS else k.unit
        of = f"{', '.join(k.models)}: " if k.models else ""
        lines.append(f"| {k.name} | {unit} | {default} | {bounds} | {of}{k.text} |")
    return lines


ALIASES = {"pull": "sweep", "run": "live"}  # the names until version 0.1


NEEDS_POSIX = ("fcntl", "termios", "tty", "pty")  # modules of Python that Windows lacks


def _echo(text: str, err: bool = False, nl: bool = True) -> None:
    """The one way to the terminal: control characters are shown."""
    click.echo(printable(text), err=err, nl=nl)


class Commands(click.Group):
    """Turns the bench's own errors into one sentence and exit code 2; knows old names of commands."""

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command, also by its old name."""
        return super().get_command(ctx, ALIASES.get(cmd_name, cmd_name))

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except (ScenarioError, BenchError) as error:
            _echo(f"evenfall-bench: {error}", err=True)
            ctx.exit(2)
        except BrokenPipeError:
            raise  # the reader of our output left
        except OSError as error:
            _echo(f"evenfall-bench: {error.filename or 'the output'}: {error.strerror}", err=True)
            try:
                sys.stdout.flush()
            except OSError:  # Python would try once more at its end, and say so
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            ctx.exit(1)
        except ImportError as error:
            if error.name not in NEEDS_POSIX:
                raise
            sentence = "the bench runs on Linux or macOS: its port is a pseudo-terminal, which is not here"
            _echo(f"evenfall-bench: {sentence}", err=True)
            ctx.exit(2)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """The simulated engine bench: physics, pins, and the board's real firmware."""


class RunsOption(click.Option):
    """--runs; --pulls, its name until version 0.1, stays out of the help."""

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """Its line in the help."""
        record = super().get_help_record(ctx)
        return record and (record[0].replace(", --pulls", ""), record[1])


def runs_option(text: str) -> Any:
    """The option --runs."""
    return click.option(
        "--runs",
        "--pulls",
        "runs",
        cls=RunsOption,
        type=click.IntRange(min=0),
        default=1,
        show_default=True,
        help=text,
    )


def chip_option(command: Callable[..., None]) -> Callable[..., None]:
    """`--chip IMAGE.uf2`, or `--chip=` for the image that EVENFALL_CHIP_IMAGE names."""
    return click.option(
        "--chip",
        help="Run the firmware on an emulated RP2040 under this MicroPython image (.uf2, your own download);"
        " --chip= takes the one that EVENFALL_CHIP_IMAGE names.",
    )(command)


def _chip(image: str | None) -> Parts | None:
    """The chip's parts when one was asked for; raises BenchError when something is missing."""
    if image is None:
        return None
    return find(image)


@main.command("scenarios")
@click.option("--schema", is_flag=True, help="Print the schema (SCENARIOS.md).")
@click.option("--json", "as_json", is_flag=True, help="Names and titles as JSON.")
def list_scenarios(schema: bool, as_json: bool) -> None:
    """List the bundled scenarios and engines."""
    if schema:
        _echo(schema_text(), nl=False)
        return
    found = {name: bench["title"] for name, bench in _bundled_benches().items()}
    if as_json:
        _echo(json.dumps({"scenarios": found, "engines": list(scenarios.engines())}, indent=1))
        return
    _echo("Scenarios (invented data):")
    for name, title in found.items():
        _echo(f"  {name:16} {title}")
    _echo("Engines for `use` in [engine] (invented data):")
    for name, engine in scenarios.engines().items():
        _echo(f"  {name:16} {engine['displacement_cc']} cc, {engine['text']}")


@main.command()
@click.option(
    "--scenario", "name", default="trail-crew", show_default=True, help="TOML file or bundled name."
)
@click.option("--seed", default=1, show_default=True, help="Seed of the random numbers.")
@runs_option("Sweeps the operator makes by script; 0: none.")
@click.option("--realtime", is_flag=True, help="At the pace of the clock; b, t, k on the keyboard act.")
@click.option("--control", type=click.Path(path_type=Path), help="Socket for `evenfall-bench act`.")
@click.option("--port-link", help="Make this symbolic link to the port.")
@click.option(
    "--image", type=click.Path(dir_okay=False, path_type=Path), help="Keep the board's flash in this file."
)
@click.option("--bare", is_flag=True, help="A board with MicroPython only: for `evenfall board install`.")
@click.option("--firmware", type=click.Path(path_type=Path), default=FIRMWARE, help="Board files.")
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(min=0),
    default=0.0,
    help="Stop after so many simulated seconds; 0: until Ctrl-C.",
)
@chip_option
def live(
    name: str,
    seed: int,
    runs: int,
    realtime: bool,
    control: Path | None,
    port_link: str | None,
    image: Path | None,
    bare: bool,
    firmware: Path,
    for_s: float,
    chip: str | None,
) -> None:
    """Switch the bench on and keep it on.

    Prints the port for the host first.  From a second terminal `evenfall-bench act help` lists what can be
    done at it.
    """
    from .control import free_socket
    from .live import run_live

    scenario = scenarios.load(name)
    run_live(
        scenario,
        seed,
        runs,
        realtime,
        port_link,
        image,
        firmware,
        for_s,
        _chip(chip),
        control or free_socket(),
        bare,
    )


@main.command(context_settings={"ignore_unknown_options": True})
@click.option("--control", type=click.Path(path_type=Path), help="Socket of the bench, when several run.")
@click.argument("words", nargs=-1)
def act(control: Path | None, words: tuple[str, ...]) -> None:
    """Be the person at a bench that `live` runs.

    `live` runs in another terminal; `act help` lists what can be done.

    For example: act hang 5 kg; act throttle open; act button; act cable out; act fault supply_lost.
    """
    from .control import ask, only_socket

    answer = ask(control or only_socket(), " ".join(words) or "help")
    if answer.startswith("error: "):
        raise BenchError(answer.removeprefix("error: "))
    _echo(answer)


@main.command()
@click.option("--scenario", "name", required=True, help="TOML file or bundled name.")
@click.option("--seed", default=1, show_default=True, help="Seed of a single run.")
@click.option("--seeds", help="Several: 1..5 or 1,4,9.")
@click.option("--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Runs side by side.")
@runs_option("Sweeps in one boot, so that learning shows.")
@click.option("--no-host", is_flag=True, help="No port and no reduction: only truth and what the board did.")
@click.option("--truth", is_flag=True, help="Put the truth records of each run into the output.")
@click.option("--json", "out", required=True, help="File for the result; - prints it.")
@click.option("--firmware", type=click.Path(path_type=Path), default=FIRMWARE, help="Board files.")
@chip_option
def sweep(
    name: str,
    seed: int,
    seeds: str | None,
    jobs: int,
    runs: int,
    no_host: bool,
    truth: bool,
    out: str,
    firmware: Path,
    chip: str | None,
) -> None:
    """Make full sweeps with the real firmware; write JSON.

    Board and host talk through the real port.  The fields are in bench_sim/SWEEP_JSON.md.  Exit code 1 when
    a run could not be made.
    """
    from .batch import run_seeds

    scenario = scenarios.load(name)
    result = run_seeds(
        scenario,
        _seeds(seeds, seed),
        runs=runs,
        jobs=jobs,
        host=not no_host,
        truth=truth,
        firmware=firmware,
        say=lambda text: _echo(text, err=True),
        chip=_chip(chip),
    )
    result["scenario"] = name
    text = json.dumps(result, indent=1, allow_nan=False)
    if out == "-":
        _echo(text)
    else:
        _write(out, text + "\n")
        _echo(f"{len(result['runs'])} runs written to {out}", err=True)
    if any("error" in r for r in result["boots"]):
        sys.exit(1)


@main.command()
@click.option(
    "--family",
    type=click.Choice(["all", "plain"]),
    default="all",
    show_default=True,
    help="Over all models, or the plain one.",
)
@click.option("--benches", type=click.IntRange(min=1), default=20, show_default=True, help="How many.")
@click.option("--first", default=1, show_default=True, help="Seed of the first.")
@click.option("--runs", default=3, show_default=True, help="Sweeps on each, in one boot.")
@click.option(
    "--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Benches side by side."
)
@click.option("--json", "out", help="File for the rows; - prints them.")
@click.option("--firmware", type=click.Path(path_type=Path), default=FIRMWARE, help="Board files.")
def families(
    family: str,
    benches: int,
    first: int,
    runs: int,
    jobs: int,
    out: str | None,
    firmware: Path,
) -> None:
    """Try random benches, beside the lower bound.

    Sweep times, tracking, false faults and torque on benches over every model.  The lower bound is the
    least tracking error of any causal controller on that bench.

    Times are given twice: on the line fitted to the true speed, and at its first passing of the end speed.
    """
    from .family_study import in_a_line, run_family, summary

    rows = run_family(
        family,
        list(range(first, first + benches)),
        runs=runs,
        jobs=jobs,
        firmware=firmware,
        say=lambda text: _echo(text, err=True),
    )
    if out == "-":
        _echo(json.dumps(rows, indent=1))
        return
    if out:
        _write(out, json.dumps(rows, indent=1) + "\n")
    _echo("seed, power, delays, models: fitted / first passing time and tracking of each run")
    for line in [*map(in_a_line, rows), "", *summary(rows)]:
        _echo(line)


def _write(path: str, text: str) -> None:
    """Write a file; raises BenchError."""
    try:
        Path(path).write_text(text)
    except OSError as error:
        raise BenchError(f"cannot write {path}: {error.strerror}; give another file with --json") from None


def _seeds(text: str | None, one: int) -> list[int]:
    """Seeds of `1..5`, `1,4,9` or the single seed; raises BenchError."""
    if text is None:
        return [one]
    seeds: list[int] = []
    try:
        for part in text.split(","):
            first, dots, last = part.partition("..")
            seeds += range(int(first), int(last) + 1) if dots else [int(first)]
    except ValueError:
        seeds = []
    if not seeds or len(seeds) > 100000:
        raise BenchError(f"--seeds {text!r} names no seeds; write 1..5 or 1,4,9")
    return seeds


if __name__ == "__main__":
    main()
