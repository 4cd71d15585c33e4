"""Every command's short help is whole: a list of commands is read before any page of help."""

import subprocess
import sys

import click
import pytest
from evenfall.archive.archive import Archive
from evenfall.cli import load_commands
from sample_runs import sample_run

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


def test_the_list_of_commands_waits_for_no_heavy_library():
    heavy = {
        "numpy",
        "scipy",
        "matplotlib",
        "pandas",
        "pyarrow",
        "rich",
        "serial",
        "construct",
        "jinja2",
        "webbrowser",
    }
    code = (
        "import sys; from evenfall.cli import run; assert run(['--help']) == 0; "
        "print(*sorted({m.partition('.')[0] for m in sys.modules}), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert not heavy & set(done.stderr.split())


def test_a_list_of_runs_waits_for_no_numerical_library(tmp_path):
    """SciPy's parts take a second to load; what only shows what is kept does without."""
    with Archive(tmp_path) as archive:
        archive.store_run(sample_run(1))
    code = (
        "import sys; from evenfall.cli import run; "
        f"assert run(['runs', 'list', '--archive', {str(tmp_path)!r}]) == 0; "
        "print(*sorted(m for m in sys.modules if m.startswith('scipy.')), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    heavy = {"scipy.stats", "scipy.signal", "scipy.ndimage", "scipy.special", "scipy.optimize", "matplotlib"}
    assert not heavy & set(done.stderr.split())
