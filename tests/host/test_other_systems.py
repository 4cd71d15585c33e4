"""The host part where the system is not Linux: a double of what Windows refuses, and its console code pages.

The double refuses as the C library and the Win32 calls there are documented to (from memory): `_commit` wants
a descriptor that may write; a folder cannot be opened as a file; a file that is open is neither replaced,
renamed nor removed.  What it cannot show is in the README's list of what is not tried.
"""

import errno
import fcntl
import io
import os
import subprocess
import sys
from pathlib import Path

import evenfall.board.link  # pyserial is there before the double: on this system it needs termios itself
import evenfall.cli
import pytest
from evenfall.archive.archive import Archive
from faulty_board import FaultyBoard
from sample_runs import sample_run


def is_open(path):
    """Whether this process has the file open (Linux says so in /proc)."""
    if os.path.islink(path):
        return False
    wanted = os.path.realpath(path)
    for number in os.listdir("/proc/self/fd"):
        try:
            if os.readlink(f"/proc/self/fd/{number}") == wanted:
                return True
        except OSError:
            continue
    return False


@pytest.fixture
def refusing(monkeypatch):
    """Patches `os`; yields the list of what was refused."""
    refused = []
    real = {name: getattr(os, name) for name in ("open", "fsync", "replace", "rename", "unlink", "remove")}

    def refuse(what, number, path):
        refused.append(what)
        raise PermissionError(number, os.strerror(number), str(path))

    def open_(path, flags, *args, **kwargs):
        if isinstance(path, (str, os.PathLike)) and os.path.isdir(path):
            refuse("open a folder", errno.EACCES, path)
        return real["open"](path, flags, *args, **kwargs)

    def fsync(descriptor):
        number = descriptor if isinstance(descriptor, int) else descriptor.fileno()
        if fcntl.fcntl(number, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            refused.append("fsync")
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        real["fsync"](number)

    def moving(name):
        def move(source, target, **kwargs):
            for path in (source, target):
                if is_open(path):
                    refuse(f"{name} an open file", errno.EACCES, path)
            real[name](source, target, **kwargs)

        return move

    def removing(name):
        def remove(path, **kwargs):
            if is_open(path):
                refuse(f"{name} an open file", errno.EACCES, path)
            real[name](path, **kwargs)

        return remove

    monkeypatch.setattr(os, "open", open_)
    monkeypatch.setattr(os, "fsync", fsync)
    for name in ("replace", "rename"):
        monkeypatch.setattr(os, name, moving(name))
    for name in ("unlink", "remove"):
        monkeypatch.setattr(os, name, removing(name))
    return refused


def test_the_double_refuses(refusing, tmp_path):
    for attempt in (
        lambda: os.open(tmp_path, os.O_RDONLY),
        lambda: os.fsync((tmp_path / "a").open("rb")),
        lambda: (tmp_path / "a").unlink(),
        lambda: os.replace(tmp_path / "b", tmp_path / "a"),
    ):
        (tmp_path / "b").write_text("")
        with (tmp_path / "a").open("w"), pytest.raises(OSError):
            attempt()
    assert len(refusing) == 4


def test_an_archive_is_begun_filled_backed_up_and_restored_where_the_system_refuses(
    refusing, tmp_path, monkeypatch, capsys
):
    monkeypatch.setenv("EVENFALL_ARCHIVE", str(tmp_path / "kept"))
    monkeypatch.setattr("sys.stdin", io.StringIO())

    def run(*words):
        code = evenfall.cli.run([str(w) for w in words])
        said = capsys.readouterr()
        assert code == 0, said.err
        return said.out

    run("engine", "add", "post auger", "--use")
    with FaultyBoard(tmp_path, {3: sample_run(3), 4: sample_run(4)}) as board:
        run("pull", "--port", board.url)
        assert set(board.acknowledged) == {3, 4}
    run("archive", "backup", tmp_path / "copy.sqlite")
    run("runs", "note", 1, "after the backup")
    run("archive", "restore", tmp_path / "copy.sqlite", "--yes")
    assert "sound" in run("archive", "check")
    run("export", "1", "--out", tmp_path / "bins.csv")
    run("page", "1")
    run("plot", "1", "--out", tmp_path / "curve.png")
    with Archive(tmp_path / "kept") as archive:
        assert [archive.raw(n) for n in (1, 2)] == [sample_run(3), sample_run(4)]
    assert not [what for what in refusing if what != "open a folder"]


ALL_THAT_PRINTS = """
import sys
from evenfall.cli import run
folder = sys.argv[1]
kept = ["--archive", folder + "/kept"]
for words in (
    ["demo", "--recorded", "--folder", folder + "/kept"],
    ["runs", "list", *kept], ["runs", "show", "1", *kept], ["runs", "find", "clearing", *kept],
    ["engine", "add", "S\\u00e4ge \\u2013 gr\\u00f6\\u00dfe \\u65b0", *kept], ["engine", "list", *kept],
    ["air", "station", "--altimeter", "30.12 inHg", "--height", "900 ft"],
    ["budget", "1", *kept], ["health", "1", *kept],
    ["repeat", "1-3", *kept], ["compare", "1-3", "4-6", *kept], ["setup", "list", *kept],
    ["calibrate", "list", *kept], ["export", "1", *kept], ["board", "wiring", "--out", folder],
    ["board", "build"], ["archive", "check", *kept], ["runs", "show", "99", *kept],
    ["engine", "list", "--json", *kept],
):
    code = run(words)
    print("CODE", code, *words[:2], file=sys.stderr)
"""


@pytest.mark.parametrize("page", ["cp850", "cp1252"])
def test_no_code_page_of_a_console_stops_the_output(page, tmp_path):
    environment = {k: v for k, v in os.environ.items() if not k.startswith("EVENFALL")}
    done = subprocess.run(
        [sys.executable, "-c", ALL_THAT_PRINTS, str(tmp_path)],
        capture_output=True,
        env={**environment, "PYTHONIOENCODING": page, "HOME": str(tmp_path)},
    )
    said = done.stderr.decode(page)
    codes = [line.split()[1:] for line in said.splitlines() if line.startswith("CODE ")]
    assert done.returncode == 0 and len(codes) == 19, said
    assert not [c for c in codes if c[0] == "70"], said
    assert [c for c in codes if c[0] != "0"] == [["6", "runs", "show"]], said
    assert "Traceback" not in said
    assert "hp" in done.stdout.decode(page)


def test_where_no_pseudo_terminal_is_the_demo_offers_recorded_runs(monkeypatch, capsys, tmp_path):
    monkeypatch.setitem(sys.modules, "termios", None)  # as on Windows: it cannot be imported
    folder = tmp_path / "demo"
    assert evenfall.cli.run(["demo", "--folder", str(folder)]) == 1
    said = capsys.readouterr().err.strip().splitlines()
    assert len(said) == 1 and "needs Linux or macOS" in said[0] and "demo --recorded" in said[0]
    assert not folder.exists()
    assert evenfall.cli.run(["demo", "--recorded", "--folder", str(folder)]) == 0
    out, err = capsys.readouterr()
    assert "Invented data" in err
    assert "Verdict of the board: good" in out and "raised port against as found" in out
    with Archive(folder) as archive:
        assert archive.check() == []
        assert len(list((Path(evenfall.__file__).parent / "workflow/recorded").glob("*.json"))) == 6


def test_the_bench_says_in_a_sentence_what_it_needs():
    code = (
        "import sys; sys.modules['termios'] = sys.modules['fcntl'] = None; sys.argv[1:] = ['live']; "
        "from evenfall_bench.cli import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 2
    assert done.stderr.strip().count("\n") == 0 and "Linux or macOS" in done.stderr


def test_a_user_without_an_entry_and_without_a_home(tmp_path, monkeypatch, capsys):
    """As in a container that runs under a bare number; it ended in "a fault of this program"."""
    import pwd

    def no_entry(uid):
        raise KeyError(f"getpwuid(): uid not found: {uid}")

    monkeypatch.setattr(pwd, "getpwuid", no_entry)
    for name in ("HOME", "LOGNAME", "USER", "LNAME", "USERNAME", "EVENFALL_CONFIG", "XDG_CONFIG_HOME",
                 "XDG_CACHE_HOME"):  # fmt: skip
        monkeypatch.delenv(name, raising=False)
    assert evenfall.cli.run(["engine", "add", "auger"]) == 2
    assert "home folder is not known" in (said := capsys.readouterr().err) and "--archive" in said
    assert evenfall.cli.run(["config", "units=si"]) == 2
    kept = ["--archive", str(tmp_path / "a")]
    for words in (["engine", "add", "auger"], ["engine", "build", "auger", "bored"],
                  ["runs", "list"]):  # fmt: skip
        assert evenfall.cli.run([*words, *kept]) == 0, capsys.readouterr().err
    with Archive(tmp_path / "a") as archive:
        assert [b["changed_by"] for b in archive.builds("auger")] == [""]


@pytest.mark.parametrize("home", [None, "/proc/absent"])
def test_the_bench_without_a_place_for_its_images_says_so(monkeypatch, home):
    from evenfall_bench.image import BenchError, image_cache

    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", lambda: Path(home) if home else _no_home())
    with pytest.raises(BenchError, match="XDG_CACHE_HOME"):
        image_cache()


@pytest.mark.parametrize(
    ("closed", "words", "code"),
    [(">&-", ["engine", "add", "auger"], 0), (">&- 2>&-", ["engine", "list"], 0),
     ("<&-", ["archive", "restore", "absent"], 130)],
)  # fmt: skip
def test_streams_that_the_shell_closed(tmp_path, closed, words, code):
    """As under a scheduler: they ended in "a fault of this program"."""
    program = Path(sys.executable).with_name("evenfall")
    line = ["sh", "-c", f'exec "$@" {closed}', "sh", program, *words, "--archive", tmp_path / "a"]
    done = subprocess.run(line, capture_output=True, text=True, timeout=180)
    assert done.returncode == code, done.stderr
    if "add" in words:
        with Archive(tmp_path / "a") as archive:
            assert [e["name"] for e in archive.engines()] == ["auger"] and archive.check() == []


def _no_home():
    raise RuntimeError("Could not determine home directory.")
