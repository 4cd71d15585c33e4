"""Some hundreds of mistakes at the keyboard: one sentence, the right exit code, nothing lost.

Most are made from the commands themselves: every command with an unknown option, a missing argument, a word
where a number belongs, a choice that is none; every command that takes runs with lists that are none.
"""

from __future__ import annotations

import io
import sqlite3
import sys
from contextlib import closing

import click
import pytest
from evenfall import cli
from evenfall.archive.archive import Archive
from evenfall.workflow.reduce_service import reduce_stored
from sample_runs import sample_run

USAGE, LINK, DAMAGE, NOT_FOUND, ARCHIVE = 2, 3, 5, 6, 7
NO_PORT = "/nonexistent/port"


def commands(command, path=()):
    if not isinstance(command, click.Group) or command.invoke_without_command:
        yield list(path), command
    if not isinstance(command, click.Group):
        return
    context = click.Context(command)
    for name in command.list_commands(context):
        yield from commands(command.get_command(context, name), (*path, name))


# a question comes first, or a server that waits for the board to be plugged in
ASKS = (
    ["screen"],
    ["calibrate", "span"],
    ["calibrate", "check"],
    ["calibrate", "hose"],
    ["calibrate", "shake"],
    ["day"],
    ["session"],
    ["board", "delete"],
)
ALL = list(commands(cli.load_commands()))
TWO_WEIGHTS = ["--arm", "250 mm", "--reading", "0 kg=1", "--reading", "5 kg=2000000"]
LISTS = ["0", "999", "a", "5-1", "1-", "-", "1,,2", "1,1", "1-9999", "1;2", "1 to 3", ""]
QUANTITIES = ["5", "5 parsecs", "x", "nan mm", "1e999 mm", "mm", "5 mm 3", "", "--5 mm"]


def made_from_the_commands():
    """(words, exit codes that are right) of each mistake."""
    for path, command in ALL:
        yield [*path, "--nonsense"], {USAGE}
        arguments = [p for p in command.params if isinstance(p, click.Argument)]
        if any(p.required for p in arguments):
            yield path, {USAGE}
        elif not any(p.nargs == -1 for p in arguments):
            yield [*path, *["surplus"] * (len(arguments) + 1)], {USAGE}
        filler = ["1"] * len([p for p in arguments if p.required])
        for option in command.params:
            if not isinstance(option, click.Option) or option.is_flag:
                continue
            name, kind = option.opts[0], option.type
            yield [*path, *filler, name], {USAGE}
            if isinstance(kind, click.Choice):
                yield [*path, *filler, name, "nonsense"], {USAGE}
            elif isinstance(kind, (click.types.IntParamType, click.types.FloatParamType)):
                yield [*path, *filler, name, "soon"], {USAGE}
                if getattr(kind, "min", None) is not None:
                    yield [*path, *filler, name, "-1e9"], {USAGE}


def typed_by_hand():
    # longer than 60 lines: a list of what people type
    for text in LISTS:
        yield ["repeat", "--", text], {USAGE, NOT_FOUND}
        yield ["compare", "--", "1-2", text], {USAGE, NOT_FOUND}
        yield ["page", "--", text], {USAGE, NOT_FOUND}
        yield ["plot", "--out", "x.png", "--", text], {USAGE, NOT_FOUND}
        yield ["export", "--", text], {USAGE, NOT_FOUND}
        yield ["runs", "show", "--", text or "x"], {USAGE, NOT_FOUND}
        yield ["budget", "--", text or "x"], {USAGE, NOT_FOUND}
        yield ["health", "--", text or "x"], {USAGE, NOT_FOUND}
    for text in QUANTITIES:
        yield (
            ["calibrate", "span", "--arm", text, "--reading", "0 kg=1", "--reading", "5 kg=2000000"],
            {USAGE},
        )
        yield (
            ["calibrate", "span", "--arm", "250 mm", "--reading", f"{text}=5", "--reading", "0 kg=1"],
            {USAGE},
        )
        yield ["setup", "add", "x", f"--height={text or ' '}"], {USAGE}
        yield ["air", "set", f"--pressure={text}", "--temperature=20 C", "--humidity=40 %"], {USAGE}
        yield ["compare", "1-2", "3-4", f"--decide={text or 'x'}"], {USAGE}
    for words in (
        ["air", "set", "--pressure", "3 inHg", "--temperature", "68 F", "--humidity", "40 %"],
        ["air", "set", "--pressure", "29.92 inHg", "--temperature", "680 F", "--humidity", "40 %"],
        ["air", "set", "--pressure", "29.92 inHg", "--temperature", "68 F", "--humidity", "400 %"],
        ["air", "set", "--pressure", "29.92 inHg"],
        ["setup", "add", "x", "--engine-teeth", "0"],
        ["setup", "add", "x", "--engine-teeth", "14000"],
        ["setup", "add", "x", "--inertia", "-1"],
        ["setup", "add", "x", "--inertia", "nan"],
        ["setup", "add", "x", "--efficiency", "98"],
        ["setup", "add", ""],
        ["calibrate", "span", "--arm", "250", "--reading", "0 kg=1"],
        ["calibrate", "span", "--arm", "250 mm", "--reading", "0 kg=1"],
        ["calibrate", "span", "--arm", "250 mm", "--reading", "5 kg:1"],
        ["calibrate", "span", "--arm", "250 mm", "--reading", "0 kg=1", "--reading", "0 kg=2"],
        ["calibrate", "span", "--arm", "250 mm", "--reading", "0 kg=1", "--reading", "5 kg=20"],
        ["calibrate", "span", "--arm", "9 m", "--reading", "0 kg=1", "--reading", "5 kg=2000000"],
        ["calibrate", "span", "--arm", "250 mm", "--file", "absent.csv"],
        ["engine", "add", "post auger"],
        ["engine", "add", ""],
        ["engine", "add", "two\nlines"],
        ["plot", "1", "--out", "picture.doc"],
        ["plot", "1", "--out", "absent/picture.png"],
        ["page", "1", "--out", "page.doc"],
        ["page", "1", "2", "3"],
        ["export", "1", "--out", "table.doc"],
        ["inertia", "1"],
        ["inertia", "1", "1"],
        ["inertia", "1", "2"],
        ["runs", "exclude", "1"],
        ["runs", "file", "1"],
        ["runs", "file", "1", "--build", "stock"],
        ["compare", "1-3", "3-5"],
        ["compare", "stock", "cut"],
        ["repeat", "stock"],
        ["config", "colour=blue"],
        ["config", "units=imperial"],
        ["config", "standard=absent"],
        ["config", "units"],
        ["drag", "1"],
        ["drag", "1", "--inertia", "0.001"],
        ["drag", "1", "--inertia", "nan", "--inertia-u", "1e-5"],
        ["drag", "1", "--inertia", "-1", "--inertia-u", "1e-5"],
        ["export", "1", "--table", "runs", "--band", "9000:5000"],
        ["export", "1", "--table", "runs", "--band", "5000"],
        ["export", "1", "--standard", "absent"],
        ["export", "stock"],
        ["export", "1", "--out", "absent/x.csv"],
        ["export", "1-2", "--out", "one.json"],
        ["session", "rename", "1", ""],
        ["session", "list", "surplus"],
        ["board", "trace", "absent.bin"],
        ["board", "wiring", "--out", "wiring.svg"],
        ["board", "set", "nonsense=1", "--port", NO_PORT],
        ["board", "set", "sweep_time", "--port", NO_PORT],
        ["board", "set", "sweep_time=soon", "--port", NO_PORT],
        ["board", "set", "sweep_time=10 mm", "--port", NO_PORT],
        ["board", "set", "arm_length=9 m", "--port", NO_PORT],
        ["board", "set", "engine_teeth=0", "--port", NO_PORT],
        ["board", "set", "fail_valve=ajar", "--port", NO_PORT],
        ["board", "settings", "absent", "--port", NO_PORT],
        ["board", "delete", "x", "--port", NO_PORT],
        ["board", "rescue", "surplus"],
        ["runs", "set", "1", "nonsense=1"],
        ["runs", "set", "1", "plug=hot"],
        ["runs", "set", "1", "head_temperature=hot"],
        ["runs", "set", "1", "head_temperature"],
        ["engine", "set", "post auger", "bore=38 parsecs"],
        ["engine", "set", "post auger", "nonsense=1"],
        ["engine", "rename", "post auger", ""],
        ["engine", "build", "post auger", "stock"],
        ["air", "station", "29.92 inHg", "--height", "90 parsecs"],
        ["air", "station", "29.92", "--height", "900 ft"],
        ["air", "factor", "--pressure", "29.92 inHg"],
        ["runs", "tag", "1", ""],
        ["runs", "note", "1", ""],
        ["runs", "exclude", "1", ""],
        ["runs", "list", "--since", "yesterday"],
        ["runs", "list", "--since", "2026-13-45"],
        ["runs", "list", "--power-from", "3"],
        ["runs", "list", "--power-from", "3 parsecs"],
        ["calibrate", "span", *TWO_WEIGHTS, "--temperature", "-300 C"],
        ["calibrate", "span", *TWO_WEIGHTS, "--span-tc", "50 %"],
        ["calibrate", "span", *TWO_WEIGHTS, "--arm-u", "300 mm"],
        ["calibrate", "span", *TWO_WEIGHTS, "--angle", "95 deg"],
        ["calibrate", "span", *TWO_WEIGHTS, "--hanger", "0 mm"],
        ["calibrate", "span", *TWO_WEIGHTS, "--latitude", "95"],
        ["calibrate", "span", *TWO_WEIGHTS, "--weights-u", "0.1"],
        ["calibrate", "span", *TWO_WEIGHTS, "--reading", "10 kg=8388607"],
        ["calibrate", "hose", "--reading", "5 kg=1"],
        ["calibrate", "hose", "--reading", "5 kg=a:b"],
        ["calibrate", "shake", "--reading", "nan kg=1:2"],
        ["calibrate", "rename", "1", ""],
        ["setup", "add", "x", "--inertia", "0.002", "--inertia-u", "1"],
        ["setup", "add", "x", "--inertia-u", "0.1"],
        ["setup", "add", "x", "--inertia", "5"],
        ["setup", "add", "x", "--efficiency", "0"],
        ["setup", "add", "x", "--efficiency-u", "-1"],
        ["setup", "add", "x", "--height", "90000 m"],
        ["setup", "add", "x", "--magnets", "0"],
        ["engine", "set", "post auger", "cc=fifty"],
        ["engine", "set", "post auger", "cc=-5"],
        ["engine", "set", "post auger", "bore=0mm"],
        ["engine", "set", "post auger", "bore=38 m"],
        ["engine", "set", "post auger", "stroke=-3 mm"],
        ["engine", "set", "post auger", "plug_gap=6 mm"],
        ["engine", "set", "post auger", "maker_limit=9000"],
        ["engine", "set", "post auger", "maker_limit=9 rpm"],
        ["engine", "set", "post auger", "maker_limit=9000 mm"],
        ["engine", "set", "post auger", "fuel"],
        ["engine", "build", "post auger", ""],
        ["runs", "set", "1", "head_temperature=900 C"],
        ["runs", "set", "1", "water_temperature=40 F", "exhaust_temperature=9000 F"],
        ["drag", "1", "--inertia", "0", "--inertia-u", "1e-5"],
        ["drag", "1", "--inertia", "0.001", "--inertia-u", "1e-5", "--store", "absent"],
        ["inertia", "1-6", "--scatter", "50"],
        ["inertia", "1-3", "4-6"],
        ["budget", "1", "2"],
        ["budget", "1", "--at", "fast"],
        ["chart", "post auger", "stock", "--plot", "x.doc"],
        ["chart", "post auger", "stock", "--baseline", "99"],
        ["repeat", "1-6"],
        ["repeat", "1-3", "4-6"],
        ["page", "1-6"],
        ["plot", "1-6", "--out", "x.png"],
        ["compare", "1-4", "5-6"],
        ["compare", "1-3", "4-6", "--decide", "-1"],
        ["export", "1", "--band", "5000:9000"],
        ["export", "1-3", "--out", "x.xlsx"],
        ["export", "1-3", "--units", "metric"],
        ["export", "1", "--out", "absent/deep/y.csv"],
        ["screen", "--practice", "--port", NO_PORT],
        ["screen", "--http-port", "-1"],
        ["config", "units=SI"],
        ["config", "units=us", "units=si"],
        ["config", "=5"],
        ["runs", "find", '"'],
        ["runs", "list", "--limit", "0"],
        ["runs", "list", "--since", "2030-01-01", "--until", "2020-01-01"],
        ["runs", "include", "1"],
        ["runs", "exclude", "1-3"],
        ["session", "rename", "1"],
        ["demo", "--recorded", "--scenario", "x"],
        ["board", "build", "surplus"],
        ["board", "trace", "."],
        ["board", "install", "--checkout", ".", "--port", NO_PORT],
        ["board", "set", "sweep_time=10 s", "sweep_time=12 s", "--port", NO_PORT],
        ["board", "set", "overspeed=13.5k", "--port", NO_PORT],
        ["board", "set", "span=142719 counts/kg", "--port", NO_PORT],
        ["board", "set", "arm_length=1e400 mm", "--port", NO_PORT],
        ["board", "set", "=5", "--port", NO_PORT],
        ["board", "delete", "1-9999", "--yes", "--port", NO_PORT],
        ["page", "1-3", "1-3"],
        ["page", "1-3", "4-6", "--band", "9000"],
        ["plot", "1-3", "--out", "x.png", "--set-speed"],
        ["pull", "--standard", "absent", "--port", NO_PORT],
        ["air", "station", "--height", "900 ft"],
        ["air", "set", "--pressure", "1013 hPa", "--temperature", "20 C", "--humidity", "40"],
        ["air", "factor", "--pressure", "1013 hPa", "--temperature", "20 C", "--humidity", "-4 %"],
        ["chart", "post auger"],
        ["inertia", "1", "2", "--store", "absent"],
        ["compare", "1-3", "4-6", "--band", "5:4"],
        ["compare", "1-3", "4-6", "--band", "x"],
        ["compare", "1-3", "4-6", "--plot", "x.doc"],
        ["compare", "1-3", "4-6", "--decide", "400"],
        ["compare", "stock", "stock", "--engine", "post auger"],
        ["plot", "1,2,3,4,5,6,1", "--out", "x.png"],
        ["plot", "1", "--out", "."],
        ["screen", "--http-port", "99999"],
        ["pull", "--build", "x", "--port", NO_PORT],
    ):
        yield words, {USAGE}
    for words in (
        ["engine", "show", ""],
        ["engine", "use", "post auger", "absent"],
        ["calibrate", "shake", "--reading", "0 kg=1:2"],
        ["calibrate", "hose", "--reading", "0 kg=1:2"],
        ["calibrate", "check", "5 kg", "--count", "5"],
        ["calibrate", "check", "--undo"],
        ["calibrate", "retire", "x"],
        ["calibrate", "use", "0"],
        ["setup", "retire", ""],
        ["drag", "1-3", "--inertia", "0.001", "--inertia-u", "1e-5"],
        ["budget", "1-3"],
        ["health", "stock"],
        ["runs", "tag", "1", "word", "--remove"],
        ["runs", "file", "1", "--session", "99"],
        ["runs", "file", "1", "--calibration", "absent"],
        ["runs", "file", "1-3", "--air", "99"],
        ["pull", "--calibration", "absent", "--port", NO_PORT],
        ["pull", "--setup", "absent", "--port", NO_PORT],
        ["engine", "show", "absent"],
        ["engine", "use", "absent"],
        ["engine", "build", "absent", "x"],
        ["setup", "use", "absent"],
        ["calibrate", "use", "77"],
        ["chart", "absent"],
        ["repeat", "absent", "--engine", "post auger"],
        ["compare", "absent", "stock", "--engine", "post auger"],
        ["runs", "note", "999", "words"],
        ["runs", "tag", "999", "word"],
        ["runs", "exclude", "999", "why"],
        ["export", "999", "--out", "out.json"],
        ["runs", "file", "999", "--engine", "post auger"],
        ["runs", "file", "1", "--engine", "absent"],
        ["drag", "999", "--inertia", "0.001", "--inertia-u", "1e-5"],
        ["export", "1", "--engine", "absent"],
        ["session", "rename", "99", "title"],
        ["runs", "set", "999", "head_temperature=90 C"],
        ["engine", "set", "absent", "bore=38 mm"],
        ["engine", "set", "post auger", "--build", "absent", "plug=hot"],
        ["engine", "rename", "absent", "new"],
        ["engine", "retire", "absent"],
        ["engine", "retire", "post auger", "--build", "absent"],
        ["setup", "rename", "absent", "new"],
        ["setup", "retire", "absent"],
        ["calibrate", "rename", "99", "new"],
        ["calibrate", "retire", "99"],
        ["air", "retire", "99"],
        ["runs", "retire-note", "99"],
        ["runs", "include", "999"],
        ["archive", "check", "--archive", "absent"],
        ["archive", "backup", "b.sqlite", "--archive", "absent"],
        ["runs", "list", "--engine", "absent"],
        ["runs", "list", "--build", "absent"],
        ["runs", "list", "--tag", "absent"],
        ["runs", "list", "--session", "99"],
        ["runs", "reduce", "999"],
        ["chart", "post auger", "absent"],
        ["inertia", "1", "999"],
        ["compare", "stock", "absent", "--engine", "post auger"],
        ["pull", "--engine", "absent", "--port", NO_PORT],
    ):
        yield words, {NOT_FOUND}
    yield ["air", "standard", "absent"], {USAGE, NOT_FOUND}
    for words in (
        ["runs", "import", "absent.run"],
        ["runs", "import", "."],
        ["board", "trace", "junk.bin"],
        ["runs", "import", "junk.bin"],
        ["archive", "restore", "junk.bin", "--yes"],
        ["calibrate", "span", "--arm", "250 mm", "--file", "junk.bin"],
        ["demo", "--folder", "ARCHIVE"],
        ["budget", "junk.bin"],
        ["health", "junk.bin"],
        ["drag", "junk.bin", "--inertia", "0.001", "--inertia-u", "1e-5"],
        ["archive", "restore", "absent", "--yes"],
    ):
        yield words, {USAGE, DAMAGE, NOT_FOUND, ARCHIVE}
    for path, command in ALL:
        if any("--port" in p.opts for p in command.params) and path not in ASKS:
            required = [p for p in command.params if isinstance(p, click.Argument) and p.required]
            values = [
                "1" if isinstance(p.type, click.types.IntParamType) else "sweep_time=10000" for p in required
            ]
            yield [*path, *values, "--port", NO_PORT], {USAGE, LINK}


MISTAKES = [*made_from_the_commands(), *typed_by_hand()]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("mistakes") / "archive"
    with Archive(path) as archive:
        archive.add_engine("post auger")
        builds = [archive.add_build("post auger", name) for name in ("stock", "cut")]
        for i in range(1, 7):
            data = sample_run(i, flow=1 + 0.001 * i, started_unix_s=1_700_000_000 + 300 * i)
            reduce_stored(archive, archive.store_run(data, build_id=builds[i > 3]))
    return path


def contents(folder):
    """All lines of all tables but the reductions, which any look at a run may add."""
    with closing(sqlite3.connect(folder / "evenfall.sqlite")) as db:
        tables = [
            r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
        ]
        return {t: db.execute(f"SELECT * FROM '{t}'").fetchall() for t in tables if t in KEPT}


KEPT = ("engines", "builds", "sessions", "records", "active", "raw", "flags", "tags", "notes")


SAID = [
    (["budget", "junk.bin"], "these bytes hold no run"),
    (["compare", "1-3", "4-6", "--band", "9000:6000"], "runs backwards; write 6000:9000"),
    (["board", "status", "--port", "/dev/null"], "/dev/null is no serial port; "),
    (["calibrate", "span", "--arm", "250 mm", "--file", "absent"], "absent cannot be read: No such file"),
    (["calibrate", "span", "--arm", "250 mm", "--file", "junk.bin"], "it is no text file"),
    (["runs", "find", ""], "holds no word to look for"),
    (["calibrate", "rename", "absent", "x"], "there is no calibration 'absent'"),
    (["setup", "use", "absent"], "there is no set-up 'absent'; the archive holds none yet"),
    (["air", "retire", "99"], "there is no air reading '99'"),
    (["archive", "check", "--archive", "absent"], "there is no archive in absent"),
]


@pytest.mark.parametrize(
    ("words", "sentence"), SAID, ids=lambda v: " ".join(v) if isinstance(v, list) else ""
)
def test_the_sentence_names_the_true_cause(words, sentence, folder, tmp_path, monkeypatch, capsys):
    """Each of these once said something else, or nothing."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(folder))
    (tmp_path / "junk.bin").write_bytes(b"\x01\x02\xff\x00garbage")
    assert cli.run(words) not in (0, 70)
    assert sentence in " ".join(capsys.readouterr().err.split())
    assert not (tmp_path / "absent").exists()


def test_there_are_some_hundreds():
    assert len({tuple(words) for words, _ in MISTAKES}) > 850
    assert {tuple(path) for path, _ in ALL} <= {
        tuple(words[: len(path)]) for words, _ in MISTAKES for path in [words[:1], words[:2]]
    }, "a command that nobody has mistyped"


@pytest.mark.parametrize(
    ("words", "codes"), MISTAKES, ids=lambda v: " ".join(v) if isinstance(v, list) else ""
)
def test_a_mistake_is_one_sentence_a_code_and_no_loss(words, codes, folder, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(folder))
    monkeypatch.delenv("EVENFALL_PORT", raising=False)
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    monkeypatch.setenv("EVENFALL_CONFIG", str(tmp_path / "config.toml"))
    (tmp_path / "junk.bin").write_bytes(b"\x01\x02\x03\x00garbage")
    words = [str(folder) if w == "ARCHIVE" else w for w in words]
    before = contents(folder)
    with pytest.raises(SystemExit) as left:
        cli.main([str(w) for w in words])
    said = capsys.readouterr()
    assert left.value.code in codes, said
    assert "Traceback" not in said.err + said.out
    lines = [line for line in said.err.splitlines() if line.strip()]
    assert lines and lines[-1].startswith(("evenfall: ", "Error: ")), said.err
    assert len(lines[-1]) > 20
    assert not (tmp_path / "config.toml").exists()
    assert contents(folder) == before
