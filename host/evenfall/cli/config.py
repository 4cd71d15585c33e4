"""evenfall config: what is remembered, so that it need not be typed each time."""

from __future__ import annotations

import os

import click

from evenfall import config as kept
from evenfall.cli._root import echo, json_option, print_json, print_table, progress, root
from evenfall.errors import InputError

_ENVIRONMENT = {"port": "EVENFALL_PORT", "units": "EVENFALL_UNITS", "archive": "EVENFALL_ARCHIVE"}
_ELSE = {
    "port": "the only likely port",
    "units": "us",
    "archive": "~/evenfall",
    "bench": "",
    "standard": "iso1585",
}


@root.command()
@click.argument("changes", nargs=-1, metavar="[NAME=VALUE...]")
@json_option
def config(changes: tuple[str, ...], as_json: bool) -> None:
    """Show or set what is remembered.

    NAME=VALUE remembers, NAME= forgets: evenfall config units=si bench='crew bench'. Names: port, units,
    archive, bench, standard. Options and environment variables go before it.
    """
    values = kept.load()
    if len({change.partition("=")[0] for change in changes}) < len(changes):
        raise InputError("a name is given twice; give it once")
    for change in changes:
        name, sign, text = change.partition("=")
        if not sign:
            raise InputError(f"'{change}': write NAME=VALUE, or NAME= to forget it")
        if name not in kept.NAMES:
            raise InputError(f"'{name}' cannot be remembered; names are {', '.join(kept.NAMES)}")
        if text.strip():
            values[name] = _checked(name, text.strip())
        else:
            values.pop(name, None)
    if changes:
        kept.save(values)
        if any(c.startswith("archive=") for c in changes) and not os.path.isdir(values.get("archive", ".")):
            progress("this folder is not there yet: the first run makes it")
    if as_json:
        print_json({"file": kept.path(), **{name: values.get(name) for name in kept.NAMES}})
        return
    rows = []
    for name, what in kept.NAMES.items():
        other = os.environ.get(_ENVIRONMENT.get(name, ""))
        if other:
            rows.append([name, other, f"${_ENVIRONMENT[name]}", what])
        elif name in values:
            rows.append([name, values[name], "remembered", what])
        else:
            rows.append([name, _ELSE[name], "usual", what])
    print_table(["name", "value", "from", "what it is"], rows)
    echo(f"file: {kept.path()}")


def _checked(name: str, text: str) -> str:
    """The value as it is kept; InputError when it cannot be one."""
    from pathlib import Path

    from evenfall.output.text import UNIT_CHOICES
    from evenfall.reduction.air import standard_named

    if not text.isprintable():
        raise InputError(f"{name}: use printable characters")
    if name == "units" and text not in UNIT_CHOICES:
        raise InputError(f"units={text}: choose one of {', '.join(UNIT_CHOICES)}")
    if name == "standard":
        return standard_named(text).key
    if name == "archive":
        return str(Path(text).expanduser().absolute())
    return text
