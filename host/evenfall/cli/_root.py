"""The root group, and what command modules share."""

from __future__ import annotations

import getpass
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from evenfall import config
from evenfall.errors import InputError
from evenfall.json_values import json_ready
from evenfall.printable import printable
from evenfall.printable import when as when

if TYPE_CHECKING:
    from evenfall.archive.filing import Active
    from evenfall.board.link import Link
    from evenfall.model import Air

F = TypeVar("F", bound=Callable[..., Any])


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="evenfall")
def root() -> None:
    """Runs from the bench: fetch, keep, correct, compare.

    Shell completion: `eval "$(_EVENFALL_COMPLETE=bash_source evenfall)"`
    (or zsh_source, fish_source) in your shell's start file.
    """


def noun(name: str, help_text: str) -> click.Group:
    """The group of that name under the root, made on first use.

    Several modules may hang verbs on one noun.
    """
    group = root.commands.get(name)
    if group is None:
        group = click.Group(name, help=help_text, short_help=help_text)
        root.add_command(group)
    assert isinstance(group, click.Group)
    return group


def json_option(command: F) -> F:
    """`--json`: print the table as JSON instead."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")(command)


def archive_option(command: F) -> F:
    """`--archive DIR`, passed on as `archive_dir: Path`."""
    return click.option(
        "--archive",
        "archive_dir",
        type=click.Path(path_type=Path, file_okay=False),
        envvar="EVENFALL_ARCHIVE",
        default=default_archive_dir,
        show_default="~/evenfall, $EVENFALL_ARCHIVE, evenfall config",
        help="Folder of the archive.",
    )(command)


def port_option(command: F) -> F:
    """`--port URL`, passed on as `port: str | None`."""
    return click.option(
        "--port",
        envvar="EVENFALL_PORT",
        default=lambda: config.get("port"),
        help="Serial port or URL; else $EVENFALL_PORT, else the remembered port, else the only board found.",
    )(command)


def user_name() -> str:
    """Who sits here; empty where the system does not know."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return ""


def default_archive_dir() -> Path:
    """Where runs are kept when nothing else is said."""
    told = config.get("archive")
    return Path(told) if told else config.home() / "evenfall"


def print_json(value: Any) -> None:
    """JSON on stdout; NaN becomes null, as JSON has none."""
    json.dump(json_ready(value), sys.stdout, indent=2, allow_nan=False)
    sys.stdout.write("\n")


def echo(text: object = "", err: bool = False, nl: bool = True) -> None:
    """The one way of plain text to the terminal: control characters are shown, lines wrap at words."""
    said = str(text)
    said = printable(said, 6 * len(said) + 1)  # all of it: a table may be long
    width = _terminal_width(sys.stderr if err else sys.stdout)
    if width:
        from evenfall.output.columns import wrapped

        said = wrapped(said, width)
    # while a progress bar is drawn, text must go above it: click alone would write past the bar's console
    bar = sys.modules.get("rich.file_proxy")
    above = sys.stderr if err and bar and isinstance(sys.stderr, bar.FileProxy) else None
    click.echo(said, file=above, err=err, nl=nl)


def wrapped_for(err: bool, text: str, room: int = 0) -> list[str]:
    """Lines of text as they fit into the terminal with `room` columns to spare."""
    width = _terminal_width(sys.stderr if err else sys.stdout)
    if not width:
        return [text]
    from evenfall.output.columns import wrapped

    return wrapped(text, width - room).split("\n")


def progress(text: str) -> None:
    """One line of progress on stderr."""
    echo(text, err=True)


def print_json_list(items: Iterable[Any]) -> None:
    """The same text as `print_json` of a list, written item by item in the memory of one."""
    opened = False
    for item in items:
        text = json.dumps(json_ready(item), indent=2, allow_nan=False).replace("\n", "\n  ")
        sys.stdout.write((",\n  " if opened else "[\n  ") + text)
        opened = True
    sys.stdout.write("\n]\n" if opened else "[]\n")


def print_table(columns: list[str], rows: Iterable[list[Any]], right: set[str] | None = None) -> None:
    """A plain table on stdout; columns named in `right` are right-aligned numbers.

    However long it is, it takes the memory of its first rows.
    """
    from evenfall.output.columns import table_lines

    cells = ([_cell(cell) for cell in row] for row in rows)
    for line in table_lines(columns, cells, frozenset(right or ()), _terminal_width(sys.stdout)):
        click.echo(line)


def print_pairs(rows: Iterable[tuple[str, object]]) -> None:
    """Names and what is said of them, side by side on stdout."""
    from evenfall.output.columns import pairs_text

    cells = [(_cell(name), _cell(text)) for name, text in rows]
    click.echo(pairs_text(cells, _terminal_width(sys.stdout)))


def _cell(value: Any) -> str:
    return "" if value is None else printable(str(value))


def _terminal_width(stream: Any) -> int | None:
    """Characters of a line of the terminal; None where it is none."""
    try:
        return shutil.get_terminal_size().columns if stream.isatty() else None
    except (AttributeError, ValueError):
        return None


def open_link(port: str | None) -> Link:
    """The line to the board at `port`, or at the only likely port; use as a context manager."""
    from evenfall.board.link import Link, find_port

    return Link(port or find_port(), say=progress)


def mark(row: dict[str, Any], active: Active | None) -> str:
    """Before a record in a list: * active, - retired."""
    return "*" if active and active.value == str(row["number"]) else "-" if row["retired"] else ""


def complete(column: str) -> Callable[[click.Context, click.Parameter, str], list[str]]:
    """Shell completion from the archive: engine, build, tag or flag."""

    def words(context: click.Context, _parameter: click.Parameter, start: str) -> list[str]:
        from evenfall.archive.archive import Archive

        folder = (
            context.params.get("archive_dir") or os.environ.get("EVENFALL_ARCHIVE") or default_archive_dir()
        )
        if not (Path(folder) / "evenfall.sqlite").exists():
            return []
        with Archive(folder) as archive:
            return [w for w in archive.words(column) if w.lower().startswith(start.lower())]

    return words


def units_option(command: F) -> F:
    """`--units`, passed on as `units: str`."""
    return click.option(
        "--units",
        type=click.Choice(["us", "si", "metric"]),
        default=lambda: config.get("units") or "us",
        envvar="EVENFALL_UNITS",
        show_default="us, or as in evenfall config",
        help="us: lb-ft and hp; si: N·m and kW; metric: N·m and metric hp.",
    )(command)


def air_options(command: F) -> F:
    """`--pressure --temperature --humidity`, typed with their units; see `typed_air`."""
    for name, sample, what in (
        ("humidity", "45 %", "Relative humidity"),
        ("temperature", "68 F", "Temperature of the air at the intake"),
        ("pressure", "29.92 inHg", "Station pressure (not reduced to sea level)"),
    ):
        command = click.option(f"--{name}", help=f"{what}, e.g. '{sample}'.")(command)
    return command


def typed_air(pressure: str | None, temperature: str | None, humidity: str | None) -> Air | None:
    """The air a person typed, or None when nothing was typed; all three or none."""
    from evenfall.model import Air
    from evenfall.units import typed

    given = {"--pressure": pressure, "--temperature": temperature, "--humidity": humidity}
    if not any(given.values()):
        return None
    missing = [name for name, text in given.items() if not text]
    if missing:
        raise InputError(f"air needs all three readings; {' and '.join(missing)} missing")
    return Air(
        typed(pressure or "", "pressure", "--pressure"),
        typed(temperature or "", "temperature", "--temperature"),
        typed(humidity or "", "ratio", "--humidity"),
    )


engine_option = click.option(
    "--engine", shell_complete=complete("engine"), help="Engine whose builds are named."
)
standard_option = click.option("--standard", help="Air standard for all these runs, else as filed.")
all_option = click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Count excluded, poor, aborted, warm-up runs and several builds too.",
)
plot_option = click.option("--plot", type=click.Path(path_type=Path), help="Draw to this PNG or SVG file.")
bench_option = click.option(
    "--bench", default=lambda: config.get("bench") or "", help="Name of the bench, for the heading."
)


class _RunList(click.ParamType):
    """`3,5-8` -> [3, 5, 6, 7, 8]."""

    name = "runs"

    def convert(self, value: Any, param: click.Parameter | None, context: click.Context | None) -> list[int]:
        from evenfall.workflow.run_groups import listed

        if isinstance(value, list):
            return value
        numbers = listed(str(value))
        if numbers is None:
            raise InputError(f"'{value}' is no list of runs; write it like 7 or 3,5-8")
        return numbers


RUN_LIST = _RunList()


def every_run(lists: tuple[list[int], ...]) -> list[int]:
    """Several lists as one, each run once, in the order they were named."""
    return list(dict.fromkeys(n for numbers in lists for n in numbers))


ROOM = 12  # columns for an answer


class Terminal:
    """The person at the terminal; on stderr where stdout is for the result."""

    def __init__(self, err: bool = False) -> None:
        self.err = err

    def say(self, text: str) -> None:
        echo(text, err=self.err)

    def ask(self, question: str, default: str = "") -> str:
        asked = printable(f"{question} [{default}]" if default else question)
        *first, last = wrapped_for(self.err, asked, ROOM)
        for line in first:  # else the terminal would cut in the middle of a word
            click.echo(line, err=self.err)
        return str(click.prompt(last, default=default, show_default=False, err=self.err))

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        echo(question, err=self.err)
        for key, meaning in options.items():
            echo(f"  {key:7} {meaning}", err=self.err)
        return str(
            click.prompt("Your choice", type=click.Choice(list(options)), default=default, err=self.err)
        )
