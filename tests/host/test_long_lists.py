"""Lists as long as the archive: all of it, in the memory of a screenful."""

import io
import json
import sys
import tracemalloc
from pathlib import Path

import evenfall.cli
import pytest
from evenfall.archive.archive import Archive, Query

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "studies"))
from test_archive_size import build

RUNS = 3000


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("long")
    with Archive(folder) as archive:
        build(archive, RUNS)
    return folder


class Sink(io.TextIOBase):
    """Takes text, keeps its length and the first field of each line."""

    def __init__(self):
        self.lines = 0

    def write(self, text):
        self.lines += text.count("\n")
        return len(text)


def peak_bytes(monkeypatch, folder, *words):
    sink = Sink()
    monkeypatch.setattr("sys.stdout", sink)
    tracemalloc.start()
    try:
        assert evenfall.cli.run(["runs", "list", "--archive", str(folder), *words]) == 0
        return tracemalloc.get_traced_memory()[1], sink.lines
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("form", [[], ["--json"]], ids=["table", "json"])
def test_ten_times_as_many_lines_take_no_more_memory(folder, monkeypatch, form):
    peak_bytes(monkeypatch, folder, "--limit", "10", *form)  # what is loaded once
    some, few = peak_bytes(monkeypatch, folder, "--limit", "300", *form)
    all_of_them, many = peak_bytes(monkeypatch, folder, "--limit", "100000", *form)
    assert many > 9 * few
    assert all_of_them < 2 * some


def test_a_long_list_is_the_whole_list_in_order(folder, capsys):
    with Archive(folder) as archive:
        wanted = archive.find(Query(limit=-1))
    assert len(wanted) == RUNS
    assert evenfall.cli.run(["runs", "list", "--archive", str(folder), "--limit", "100000", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == wanted
    assert evenfall.cli.run(["runs", "list", "--archive", str(folder), "--limit", "100000"]) == 0
    lines = capsys.readouterr().out.splitlines()[1:]
    assert [int(line.split()[0]) for line in lines] == [r["run"] for r in wanted]
    # the columns of what was written as it came stand under those of the first rows
    at = [line.index("engine ") for line in lines]
    assert len(set(at)) == 1
    assert evenfall.cli.run(["runs", "list", "--archive", str(folder), "--verdict", "aborted", "--json"]) == 0
    assert capsys.readouterr().out == "[]\n"
