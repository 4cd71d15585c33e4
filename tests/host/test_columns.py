"""Tables on a terminal of 80 columns: nothing is cut, numbers stay on one line, words wrap."""

from __future__ import annotations

import doctest
import os
import pty
import re
import struct
import sys
import termios
from fcntl import ioctl

import pytest
from evenfall.archive.archive import Archive
from evenfall.output import columns
from evenfall.output.columns import pairs_text, table_lines, wrapped
from hypothesis import given
from hypothesis import strategies as st
from sample_runs import sample_run

COLUMNS = ["run", "started", "engine", "build", "hp", "verdict"]
RIGHT = frozenset({"run", "hp"})
WORDS = st.lists(st.text("abcdefgh-.", min_size=1, max_size=12), max_size=8).map(" ".join)
NUMBERS = st.integers(0, 99_999).map(str)
ROW = st.tuples(NUMBERS, WORDS, WORDS, WORDS, NUMBERS, WORDS)


@given(st.lists(ROW, max_size=5), st.integers(30, 120))
def test_every_word_is_there_and_no_line_is_too_wide(rows, width):
    text = "\n".join(table_lines(COLUMNS, rows, RIGHT, width))
    assert all(len(line) <= width for line in text.splitlines())
    there = text.split()
    for word in (word for row in rows for cell in row for word in cell.split()):
        assert word in there


def test_a_table_of_any_length_takes_the_widths_of_its_first_rows():
    rows = ([str(n), "x" * (n % 5), "auger", "stock", "1", "good"] for n in range(5000))
    lines = list(table_lines(COLUMNS, rows, RIGHT, 80))
    assert len(lines) == 5001 and len({len(line) for line in lines[1:200]}) == 1


def test_where_nothing_fits_each_row_is_a_block():
    text = "\n".join(table_lines(COLUMNS, [["1", "2026-05-31", "auger", "stock", "3.9", "good"]], RIGHT, 20))
    assert text.splitlines()[0] == "run      1" and "verdict  good" in text


def test_prose_wraps_at_words_and_commands_do_not():
    command = "evenfall board set " + "span='42000.123 counts/N' " * 4
    text = wrapped(f"  a long sentence {'of words ' * 20}\n{command}", 40)
    *prose, last = text.splitlines()
    assert last == command
    assert all(len(line) <= 40 and line.startswith("  ") for line in prose)


@pytest.fixture
def kept(tmp_path):
    with Archive(tmp_path / "kept") as archive:
        archive.add_engine("auger 12 with the long shaft", 51.7, "of the volunteer trail crew's second team")
        build = archive.add_build(
            "auger 12 with the long shaft", "stock-pipe-and-wide-port", "port 0.5 mm wider", "Robin"
        )
        for n in (1, 2):
            archive.store_run(sample_run(n), build_id=build)
    return tmp_path / "kept"


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["runs", "list"], ["stock-pipe-and-wide-port", "auger 12 with the long shaft"]),
        (["engine", "list"], ["auger 12 with the long shaft"]),
        (["engine", "show", "auger 12 with the long shaft"], ["stock-pipe-and-wide-port"]),
        (["air", "standard"], ["din70020", "j1349"]),
        (["config"], ["standard", "$EVENFALL_ARCHIVE"]),
    ],
)
def test_no_name_is_cut_on_a_terminal_of_80_columns(kept, words, names):
    child, terminal = pty.fork()
    if not child:
        for name in ("COLUMNS", "LINES"):
            os.environ.pop(name, None)
        os.environ["EVENFALL_ARCHIVE"] = str(kept)
        os.execv(sys.executable, [sys.executable, "-c", "from evenfall.cli import main; main()", *words])
    ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    said = b""
    while True:
        try:
            said += os.read(terminal, 4096)
        except OSError:
            break
    os.waitpid(child, 0)
    text = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", said.decode()).replace("\r", "")
    assert "…" not in text
    assert max(map(len, text.splitlines())) <= 80
    for word in (word for name in names for word in name.split()):
        assert word in text


@given(st.lists(st.tuples(WORDS, WORDS), max_size=5), st.integers(40, 120))
def test_pairs_keep_every_word(rows, width):
    text = pairs_text(rows, width)
    assert all(len(line) <= width for line in text.splitlines())
    there = text.split()
    assert all(word in there for row in rows for cell in row for word in cell.split())


def test_the_examples_in_the_text_hold():
    assert doctest.testmod(columns).failed == 0
