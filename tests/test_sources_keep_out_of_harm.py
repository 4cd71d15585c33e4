"""What the sources of host, protocol and bench never do with data, shared folders and terminals."""

import ast
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

ROOT = Path(__file__).resolve().parents[1]
# the shims run inside the bench's interpreter: there exec starts the board's own boot.py, as the port does
SOURCES = [
    path
    for package in ("host/evenfall", "protocol/evenfall_wire", "bench_sim/evenfall_bench")
    for path in sorted((ROOT / package).rglob("*.py"))
    if "shims" not in path.parts
]
RUNS_DATA = {"eval", "exec", "compile", "__import__"}
RUNS_DATA_MODULES = {"pickle", "marshal", "shelve", "dill", "joblib", "yaml", "code", "runpy"}
FORETOLD = {"mktemp", "gettempdir"}  # of tempfile
ANY_TERMINAL = {"host/evenfall/cli/_root.py", "host/evenfall/cli/export.py"}


def name_of(call: ast.Call) -> str:
    return ast.unparse(call.func)


def calls() -> list[tuple[str, ast.Call]]:
    found = []
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call):
                found.append((path.relative_to(ROOT).as_posix(), node))
    assert len(found) > 5000
    return found


def test_nothing_that_was_read_is_executed_or_unpickled():
    for where, call in calls():
        assert name_of(call) not in RUNS_DATA, (where, call.lineno)
        assert name_of(call) not in ("os.system", "os.popen"), (where, call.lineno)
        for word in call.keywords:
            shell = word.arg == "shell" and not (
                isinstance(word.value, ast.Constant) and word.value.value is False
            )
            assert not shell and word.arg != "allow_pickle", (where, call.lineno)
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                assert not {a.name.partition(".")[0] for a in node.names} & RUNS_DATA_MODULES, path
            if isinstance(node, ast.ImportFrom) and not node.level:
                assert (node.module or "").partition(".")[0] not in RUNS_DATA_MODULES, path


def test_no_name_in_a_shared_folder_can_be_foretold():
    for where, call in calls():
        assert name_of(call).rpartition(".")[2] not in FORETOLD, (where, call.lineno)
        if name_of(call) == "tempfile.NamedTemporaryFile":
            assert "delete" not in {k.arg for k in call.keywords}, (where, call.lineno)
    for path in SOURCES:
        nodes = list(ast.walk(ast.parse(path.read_text())))
        # a folder of one's own below it has a name that nobody knows before
        random = {
            word.value
            for call in nodes
            if isinstance(call, ast.Call) and name_of(call) == "tempfile.TemporaryDirectory"
            for word in call.keywords
            if word.arg == "dir"
        }
        for node in nodes:
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and node not in random:
                assert not node.value.startswith(("/tmp", "/var/tmp", "/dev/shm")), (path, node.lineno)


def test_text_reaches_a_terminal_by_one_function_of_each_program():
    for where, call in calls():
        name = name_of(call)
        if where.startswith("host/"):
            plain = name in ("print", "click.echo", "click.secho", "sys.stdout.write", "sys.stderr.write")
            assert not plain or where in ANY_TERMINAL, (where, call.lineno, name)
        if where == "bench_sim/evenfall_bench/cli.py" and name == "click.echo":
            assert ast.unparse(call.args[0]) == "printable(text)"


def clean(text: str) -> bool:
    return not [c for c in text if (ord(c) < 32 and c not in "\n\t\r") or 127 <= ord(c) < 160]


def test_what_a_scenario_says_cannot_move_the_cursor(tmp_path):
    """TOML allows control characters by escapes: in a name that is not known, quoted by the error."""
    bad = tmp_path / "bench.toml"
    bad.write_text('"a\\u001b[2J\\u001b]0;x\\u0007" = 1\n')
    code = "from evenfall_bench.cli import main; main()"
    words = [sys.executable, "-c", code, "sweep", "--scenario", bad, "--json", "-"]
    done = subprocess.run(words, capture_output=True, text=True, cwd=tmp_path)
    said = done.stdout + done.stderr
    assert done.returncode == 2 and clean(said) and "Traceback" not in said and "\\x1b" in said, said


@pytest.mark.parametrize("words", ["the archive a\x1b[2Jb", "c\x9b31md"])
def test_notices_and_questions_show_control_characters(words, capsys):
    import logging

    from evenfall import cli
    from evenfall.cli._root import Terminal

    cli._Notices().emit(logging.LogRecord("evenfall", logging.WARNING, "", 0, words, (), None))
    said = capsys.readouterr().err
    assert clean(said) and "\\x" in said

    @click.command()
    def ask() -> None:
        Terminal().ask(words, "d\x1be")

    asked = CliRunner().invoke(ask, input="\n").output
    assert clean(asked) and "\\x" in asked
