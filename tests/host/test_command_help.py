"""Every command's short help is whole: a list of commands is read before any page of help."""

import click
import pytest
from evenfall.cli import load_commands

WIDTH = 80
LONGEST_NAME = 16


def commands(command, path=("evenfall",)):
    yield path, command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            yield from commands(command.get_command(context, name), (*path, name))


@pytest.mark.parametrize(("path", "command"), [(p, c) for p, c in commands(load_commands())], ids=str)
def test_short_help_is_a_whole_sentence_in_80_columns(path, command):
    short = command.get_short_help_str(limit=WIDTH - LONGEST_NAME - 4)
    assert command.help, "a command says what it does"
    assert short and not short.endswith("..."), f"cut: {short}"
    assert "(e.g" not in short and short.count("(") == short.count(")"), f"cut inside brackets: {short}"
    assert short.endswith("."), short


def test_no_help_line_is_wider_than_a_terminal():
    for path, command in commands(load_commands()):
        context = click.Context(command, info_name=path[-1], max_content_width=WIDTH, terminal_width=WIDTH)
        for line in command.get_help(context).splitlines():
            assert len(line) <= WIDTH, (path, line)
