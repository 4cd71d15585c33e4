"""The commands as a person runs them: results on stdout, one sentence and a code when it goes wrong."""

import csv
import io
import json
import os
import subprocess
import sys
import threading
import time
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import evenfall.cli
import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.board import run_file
from evenfall.cli import load_commands
from evenfall.cli.runs import query_of
from evenfall.errors import EvenfallError
from evenfall.printable import printable
from faulty_board import Faults, FaultyBoard
from sample_runs import UID, sample_run

EVENFALL = Path(sys.executable).with_name("evenfall")
AIR = ("--pressure", "29.5 inHg", "--temperature", "70 F", "--humidity", "40 %")


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """run("runs", "list") -> (stdout, stderr), with an archive of its own.

    Commands run in this process, through the same function the program calls,
    or as a program of their own with `program=True`.
    """

    def command(*args, port=None, rc=0, env=None, program=False):
        words = [str(a) for a in args]
        ours = {
            "EVENFALL_ARCHIVE": str(tmp_path / "kept"),
            **({"EVENFALL_PORT": port} if port else {}),
            **(env or {}),
        }
        outside = {k: v for k, v in os.environ.items() if not k.startswith(("EVENFALL", "_EVENFALL"))}
        if program:
            result = subprocess.run(
                [EVENFALL, *words],
                capture_output=True,
                text=True,
                timeout=180,
                stdin=subprocess.DEVNULL,
                env={**outside, **ours},
            )
            code, out, err = result.returncode, result.stdout, result.stderr
        else:
            with monkeypatch.context() as patch:
                for name in set(os.environ) - set(outside):
                    patch.delenv(name)
                for name, value in ours.items():
                    patch.setenv(name, value)
                patch.setattr("sys.stdin", io.StringIO())
                patch.setattr("serial.tools.list_ports.comports", lambda: [])  # whatever is plugged in here
                capsys.readouterr()
                code = evenfall.cli.run(words)
                out, err = capsys.readouterr()
        assert code == rc, out + err
        assert "Traceback" not in err
        if rc not in (0, 2):
            assert err.strip().splitlines()[-1].startswith("evenfall: ")
        return out, err

    return command


@pytest.fixture
def board(tmp_path):
    with FaultyBoard(tmp_path, {3: sample_run(3), 4: sample_run(4, flow=1.05)}) as board:
        yield board


def test_pull_lists_verifies_archives_acknowledges_and_prints(run, board, tmp_path):
    run("engine", "add", "post auger", "--cc", 52)
    out, err = run("pull", "--engine", "post auger", *AIR, port=board.url)
    assert "2 runs on the board" in err
    assert err.count("verified, archived and acknowledged") == 2
    assert "Peak power: " in out and "at 10,5" in out  # the held speed, where power is largest
    assert "10,250" in out and "5,250" in out  # the 250 rpm table
    plots = [line.removeprefix("Plot: ") for line in out.splitlines() if line.startswith("Plot: ")]
    assert len(plots) == 2
    assert Path(plots[0]).read_bytes().startswith(b"\x89PNG")
    assert set(board.acknowledged) == {3, 4}
    assert board.deleted == []
    assert list((tmp_path / "kept" / "incoming").iterdir()) == []
    with Archive(tmp_path / "kept") as archive:
        assert archive.raw(1) == board.runs[3]
    out, _ = run("pull", port=board.url)
    assert "no run that was not pulled before" in out


def test_without_matplotlib_the_numbers_come_and_a_sentence_says_why_no_curves(run, board, monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib", None)  # its import is refused, as if it were not installed
    for name in ("evenfall.output.plots", "evenfall.output.page"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    out, err = run("pull", *AIR, port=board.url)
    assert out.count("Peak power: ") == 2 and "Plot: " not in out
    assert err.count("evenfall[curves]") == 1
    _, err = run("page", "1", rc=2)
    assert "evenfall[curves]" in err


def test_pull_json_has_every_bin_in_si(run, board):
    out, _ = run("pull", "--json", "--no-plot", "--run", 3, *AIR, "--standard", "j607", port=board.url)
    data = json.loads(out)
    assert set(data) == {"board", "runs", "link"}
    (told,) = data["runs"]
    assert told["board_run"] == 3
    bins = told["bins"]
    assert all(b["speed_rpm"] % 250 == 0 for b in bins)
    middle = next(b for b in bins if b["speed_rpm"] == 7500)
    # the sample run's torque is 3 N.m at 7,500 rpm, geared 1:1, nothing taken off for inertia
    assert middle["torque_observed_Nm"] == pytest.approx(3.0, rel=0.005)
    assert middle["torque_Nm"] == pytest.approx(middle["torque_observed_Nm"] * told["air_factor"], rel=1e-9)
    assert told["sweep_time_s"] == pytest.approx(10, abs=0.01)
    assert data["link"]["bad"] == 0


def test_a_run_that_is_here_already_is_acknowledged_from_the_archive(run, board, tmp_path):
    with Archive(tmp_path / "kept") as archive:
        archive.store_run(board.runs[3])
    _, err = run("pull", "--no-plot", "--run", 3, port=board.url)
    assert "was here already; acknowledged" in err
    assert "read_run" in board.requests  # for its challenge, not for the bytes
    assert board._sent < len(board.runs[3]) / 10
    assert set(board.acknowledged) == {3}


def test_delete_is_an_explicit_step_and_only_after_acknowledging(run, board):
    _, err = run("board", "delete", 3, "--yes", port=board.url, rc=4)
    assert "keeps this run until a verified copy is acknowledged" in err
    run("pull", "--no-plot", "--run", 3, "--delete", port=board.url)
    assert board.deleted == [3]
    _, err = run("board", "delete", 4, port=board.url, rc=130)  # no one says yes


def test_a_run_that_cannot_be_decoded_is_archived_as_damaged(run, board, tmp_path):
    """Nothing of it is a frame: its bytes are kept under what the board's list says; it does not stick."""
    board.runs = {5: b"\x05ABCD\x00" * 40}
    _, err = run("pull", "--no-plot", port=board.url, rc=5)
    assert "is kept but cannot be reduced" in err
    assert set(board.acknowledged) == {5}
    with Archive(tmp_path / "kept") as archive:
        (row,) = archive.find(Query())
        assert row["board_run"] == 5 and row["board_uid"] == UID.hex()
        assert archive.raw(row["run"]) == board.runs[5]
        assert any("hold no whole frame" in d for d in archive.run(row["run"]).damage)


def test_a_run_of_another_board_is_not_archived(run, board, tmp_path):
    """Listed as one, headed as another: said, kept apart, not acknowledged."""
    board.runs = {5: board.runs[3]}
    _, err = run("pull", "--no-plot", port=board.url, rc=5)
    assert "what came is run 3 of board" in err
    assert board.acknowledged == {}
    with Archive(tmp_path / "kept") as archive:
        assert archive.find(Query()) == []


def board_uid(board):
    return run_file.decode_run(board.runs[3]).board_uid


def test_a_damaged_run_is_pulled_bit_for_bit_and_marked(run, board, tmp_path):
    chunks = sample_run(6).split(b"\0")
    chunks[20] = chunks[20][:-3] + b"\x01\x02\x03"
    board.runs = {6: b"\0".join(chunks)}
    out, _err = run("pull", "--no-plot", *AIR, port=board.url)
    assert set(board.acknowledged) == {6}
    out, _ = run("runs", "show", 1)
    assert "damaged" in out
    with Archive(tmp_path / "kept") as archive:
        assert archive.raw(1) == board.runs[6]


def test_nobody_is_asked_to_press_the_button_of_an_armed_board(run, board):
    """The board refuses a self-test then; the prompt to press came first."""
    _, err = run("board", "self-test", port=board.url, rc=4)  # its first part fails
    assert "Press the board's button" in err
    board.faults.state, board.faults.refuse = "ready", {"self_test": "busy_state"}
    _, err = run("board", "self-test", port=board.url, rc=4)
    assert "refused 'self-test'" in err and "Press" not in err


def test_two_programs_at_once(run, board):
    """The second gets a clear refusal while the first runs on."""
    board.faults.bytes_per_s = 1_000  # the first is at it until the second has asked
    results = {}

    def first():
        results["first"] = run("pull", "--no-plot", "--run", 3, port=board.url, program=True)

    thread = threading.Thread(target=first)
    thread.start()
    while "read_run" not in board.requests:
        assert thread.is_alive()
        time.sleep(0.02)
    try:
        _, err = run("board", "status", port=board.url, rc=3, program=True)
        assert "in use by another program" in err
    finally:
        board.faults.bytes_per_s = 0
    thread.join()
    assert "verified" in results["first"][1]


@pytest.mark.parametrize(
    ("faults", "rc", "sentence"),
    [
        (Faults(silent=True), 3, "no answer from"),
        (Faults(garbage=b"OK\r\n"), 3, "is not an evenfall board"),
        (Faults(major=3), 3, "speaks protocol 3.1, this evenfall speaks 2.1: update evenfall"),
        (Faults(refuse={"hello": "other_session"}), 4, "Another program talks to this board"),
        (Faults(refuse={"list_runs": "store_unreadable"}), 4, "cannot read this run from its flash"),
    ],
    ids=lambda f: str(f)[:30],
)
def test_what_is_wrong_with_the_board_is_one_sentence(run, tmp_path, faults, rc, sentence):
    with FaultyBoard(tmp_path, {3: sample_run(3)}, faults) as board:
        _, err = run("pull", "--no-plot", port=board.url, rc=rc)
    assert sentence in err


@pytest.mark.parametrize(
    ("args", "rc", "sentence"),
    [
        (("board", "status", "--port", "/dev/nowhere"), 3, "there is no port /dev/nowhere"),
        (("board", "status"), 3, "no board found"),
        (("pull", "--engine", "lawn mower"), 6, "there is no engine 'lawn mower'"),
        (("pull", "--build", "b"), 2, "--build needs --engine"),
        (("pull", "--pressure", "29.92"), 2, "--temperature and --humidity missing"),
        (
            ("air", "set", "--pressure", "29.92", "--temperature", "68 F", "--humidity", "40 %"),
            2,
            "has no unit",
        ),
        (("air", "set", "--pressure", "29.92 hPa", "--temperature", "68 F", "--humidity", "40 %"), 2, "inHg"),
        (("air", "standard", "nonsense"), 2, "choose one of"),
        (("runs", "show", 7), 6, "there is no run 7"),
        (("runs", "list", "--since", "yesterday"), 2, "is no date"),
        (("runs", "list", "--power-from", "3"), 2, "has no unit"),
        (("runs", "import", "/nonexistent.json"), 2, "/nonexistent.json: it cannot be read"),
        (("runs", "exclude", 1), 2, "needs a reason"),
        (("runs", "note", 1, "words"), 6, "there is no run 1"),
        (("setup", "add", "x", "--inertia", 4), 2, "outside 0 to 1"),
        (("setup", "add", "x", "--engine-teeth", 0), 2, "count them"),
        (("setup", "use", "x"), 6, "no set-up 'x'"),
        (("archive", "restore", "/nonexistent", "--yes"), 7, "there is no backup"),
        (("archive", "backup", "/nonexistent/dir/file"), 6, "there is no archive in"),
        (("board", "set", "sweep_time=soon"), 2, "a whole number of ms"),
        (("board", "set", "sweep_tim=5"), 2, "did you mean sweep_time"),
        (("board", "settings", "nonsense"), 2, "groups are drive"),
        (("nonsense",), 2, "No such command"),
    ],
    ids=str,
)
def test_bad_input_is_one_sentence_and_a_code(run, args, rc, sentence):
    _, err = run(*args, rc=rc)
    assert sentence in err.replace("\n", " ")


def test_a_backup_into_a_folder_that_is_not_there(run):
    run("engine", "add", "post auger")
    _, err = run("archive", "backup", "/nonexistent/dir/file", rc=7)
    assert "no backup was made" in err


def test_a_file_in_place_of_the_archive(run, tmp_path):
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "evenfall.sqlite").write_text("no database " * 1000)
    _, err = run("runs", "list", rc=5)
    assert "evenfall archive restore" in err


def test_board_commands(run, board):
    out, _ = run("board", "status", port=board.url)
    assert "load cell answers" in out
    out, _ = run("board", "status", "--json", port=board.url)
    assert json.loads(out)["status"]["flags"] == ["load_ok"]
    out, _ = run("board", "runs", "--json", port=board.url)
    assert [r["run_id"] for r in json.loads(out)] == [3, 4]
    out, _ = run("board", "settings", "sweep", "--json", port=board.url)
    assert json.loads(out)["sweep_time"] == 10000
    out, said = run("board", "set", "servo_rate=333", "overspeed=14500", port=board.url)
    assert "servo_rate = 333 Hz" in out and said.count("caution") == 1 and "overheat" in said
    out, said = run("board", "set", "servo_rate=50", port=board.url)
    assert "servo_rate = 50 Hz" in out and "caution" not in said
    out, _ = run("board", "set", "sweep_time=8000", "end_speed=4500", port=board.url)
    assert "sweep_time = 8000 ms" in out
    out, _ = run("board", "zero", port=board.url)
    assert "51234" in out
    out, _err = run("board", "self-test", port=board.url, rc=4)
    assert "load cell" in out and "Check the cell's four wires" in out
    for name in ("arm", "stop", "clear-fault", "forget-learned"):
        run("board", name, port=board.url)
    assert board.commands == ["arm", "stop", "clear_fault", "forget_learned"]
    run("board", "clock", port=board.url)
    assert abs(board.clock - time.time()) < 60


def test_library_from_import_to_find_to_export(run, tmp_path):
    files = []
    for n in (1, 2, 3):
        path = tmp_path / f"{n}.run"
        path.write_bytes(sample_run(n, flow=1 + n / 50, started_unix_s=1_700_000_000 + n * 86_400))
        files.append(path)
    out, _ = run("runs", "import", *files)
    assert "run 3" in out
    out, _ = run("runs", "import", files[0])
    assert "was here already" in out
    run("engine", "add", "post auger", "--use")
    run(
        "engine",
        "build",
        "post auger",
        "wide port",
        "--changed",
        "exhaust port 0.5 mm wider",
        "--by",
        "Robin",
    )
    run("runs", "file", 2, 3, "--engine", "post auger")
    run("runs", "note", 2, "smells of oil", "--author", "Robin")
    run("runs", "tag", 3, "warm", "best")
    run("runs", "exclude", 1, "hose off")
    found = json.loads(run("runs", "list", "--json")[0])
    assert [r["run"] for r in found] == [3, 2]
    assert json.loads(run("runs", "find", "oil", "wider", "--json")[0])[0]["run"] == 2
    assert [r["run"] for r in json.loads(run("runs", "list", "--tag", "WARM", "--json")[0])] == [3]
    assert [r["run"] for r in json.loads(run("runs", "list", "--excluded", "--json")[0])] == [1]
    day = time.strftime("%Y-%m-%d", time.localtime(1_700_000_000 + 2 * 86_400))
    on_day = json.loads(run("runs", "list", "--since", day, "--until", day, "--json")[0])
    assert [r["run"] for r in on_day] == [2]
    weak = run(
        "runs", "list", "--power-to", f"{found[1]['peak_power_W'] / 745.69987 + 0.001:.5f} hp", "--json"
    )
    assert [r["run"] for r in json.loads(weak[0])] == [2]
    out, _ = run("runs", "show", 2)
    assert "exhaust port 0.5 mm wider by Robin" in out and "smells of oil" in out
    shown = json.loads(run("runs", "show", 2, "--json")[0])
    assert shown["remarks"][0]["text"] == "smells of oil"
    assert shown["filed"]["setup"]["engine_teeth"] == 10
    out, _ = run("export", 2, "--out", tmp_path)
    run("runs", "import", out.strip(), env={"EVENFALL_ARCHIVE": str(tmp_path / "other")})
    out, _ = run("runs", "find", "smells", "--json", env={"EVENFALL_ARCHIVE": str(tmp_path / "other")})
    assert json.loads(out)[0]["changed_by"] == "Robin"
    assert "3 runs" in run("archive", "check")[0]
    run("runs", "reduce", "--engine", "post auger")
    run("archive", "backup", tmp_path / "copy.sqlite")
    assert "--yes" in run("archive", "backup", tmp_path / "copy.sqlite", rc=2)[1]
    run("archive", "backup", tmp_path / "copy.sqlite", "--yes")
    run("archive", "restore", tmp_path / "copy.sqlite", "--yes")
    assert len(json.loads(run("runs", "list", "--all", "--json")[0])) == 3


def test_what_people_typed_cannot_steer_the_terminal(run, tmp_path):
    (tmp_path / "1.run").write_bytes(sample_run(1))
    run("runs", "import", tmp_path / "1.run")
    run("runs", "note", 1, "red \x1b[31m alert \x07")
    out, _ = run("runs", "show", 1)
    assert "\x1b" not in out and "\x07" not in out
    assert "red" in out and "alert" in out


@pytest.mark.parametrize(
    ("words", "efficiency", "half_width_95"),
    [
        (("0.97",), 0.97, None),
        (("97 %",), 0.97, None),
        (("97%",), 0.97, None),
        (("97,5 %",), 0.975, None),
        (("97+-1 %",), 0.97, 0.01),
        (("97 % ± 1.5 %",), 0.97, 0.015),
        (("0.97 +/- 0.01",), 0.97, 0.01),
        (("97 %", "--efficiency-u", "0.5 %"), 0.97, 1.96 * 0.005),
        (("0.97", "--efficiency-u", "0.005"), 0.97, 1.96 * 0.005),
    ],
)
def test_a_drive_efficiency_is_typed_like_other_quantities(run, words, efficiency, half_width_95):
    run("setup", "add", "auger", "--efficiency", *words)
    (row,) = json.loads(run("setup", "list", "--json")[0])
    assert row["drive_efficiency"] == pytest.approx(efficiency, rel=1e-12)
    if half_width_95 is None:
        assert row["drive_efficiency_u"] is None
    else:  # what follows the sign is a 95 % interval, as in all that is printed
        assert 1.96 * row["drive_efficiency_u"] == pytest.approx(half_width_95, rel=1e-4)


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("97",), "--efficiency: '97' has no unit; write it with %, e.g. '97 %'"),
        (("97 +- 1",), "--efficiency: '97 +- 1' has no unit; write it with %, e.g. '97 +- 1 %'"),
        (("97 % +- 1",), "--efficiency: '97 % +- 1' has no unit at its end; write for instance '97 +- 1 %'"),
        (("97 +- -1 %",), "--efficiency: '97 +- -1 %' has no width; write for instance '97 +- 1 %'"),
        (("97 +- %",), "is not a number with a unit"),
        (("+- 1 %",), "is not a number with a unit"),
        (("970 %",), "a drive efficiency of 9.7 is outside 0.5 to 1"),
        (("0.97 +- 1 %",), "a drive efficiency of 0.0097 is outside 0.5 to 1"),
        (("97 mm",), "--efficiency: unit 'mm' is not known for a ratio; use one of %"),
        (
            ("97 +- 1 %", "--efficiency-u", "0.5 %"),
            "--efficiency: leave out --efficiency-u or what follows +-",
        ),
        (("97 %", "--efficiency-u", "2"), "--efficiency-u: '2' has no unit; write it with %, e.g. '2 %'"),
    ],
)
def test_a_drive_efficiency_that_is_none_is_refused_in_a_sentence(run, words, sentence):
    _, err = run("setup", "add", "auger", "--efficiency", *words, rc=2)
    assert sentence in err and len(err.strip().splitlines()) == 1
    assert json.loads(run("setup", "list", "--json")[0]) == [], "what is refused leaves no set-up"


def test_a_set_up_in_force_is_used_for_new_runs(run, board):
    run("setup", "add", "auger", "--engine-teeth", 10, "--brake-teeth", 12, "--inertia", 0.002)
    shown = " ".join(run("setup", "list")[0].split())
    assert "at the brake not measured" in shown, "what was never told is no efficiency of 1, no drag of 0"
    run("setup", "add", "auger", "--efficiency", 0.98)  # the rest stays
    rows = json.loads(run("setup", "list", "--json")[0])
    assert (rows[0]["brake_teeth"], rows[0]["drive_efficiency"], rows[0]["inertia_kg_m2"]) == (
        12,
        0.98,
        0.002,
    )
    run("air", "set", *AIR)
    run("air", "standard", "j1349")
    out, _ = run("pull", "--json", "--no-plot", "--run", 3, port=board.url)
    (told,) = json.loads(out)["runs"]
    assert told["standard"] == "SAE J1349"
    shown = json.loads(run("runs", "show", told["run"], "--json")[0])
    assert shown["filed"]["setup"]["brake_teeth"] == 12
    assert shown["filed"]["air"]["source"] == "typed"


def test_output_that_no_one_reads_to_the_end(run, tmp_path):
    files = [tmp_path / f"{n}.run" for n in range(4)]
    for n, path in enumerate(files):
        path.write_bytes(sample_run(n))
    run("runs", "import", *files)
    result = subprocess.run(
        f"{EVENFALL} runs show 1 --json --archive {tmp_path / 'kept'} | head -1",
        shell=True,
        capture_output=True,
        text=True,
    )
    assert result.stderr == ""


def test_every_noun_and_verb_has_help_and_no_two_modules_claim_one(capsys):
    root = load_commands()
    seen = 0
    for name, command in root.commands.items():
        assert command.help, name
        for verb, inner in getattr(command, "commands", {}).items():
            assert inner.help, f"{name} {verb}"
            assert inner.callback is not None
            seen += 1
    assert seen > 30


def test_exit_codes_are_distinct_and_listed():
    def kinds(cls):
        return [cls, *(k for s in cls.__subclasses__() for k in kinds(s))]

    codes = {k.exit_code for k in kinds(EvenfallError)}
    assert codes == {1, 2, 3, 4, 5, 6, 7}
    for code in codes:
        assert f"{code} " in (evenfall.cli.__doc__ or "")


def test_shell_completion_knows_engines(run, tmp_path):
    run("engine", "add", "post auger")
    out, _ = run(
        program=True,
        env={
            "_EVENFALL_COMPLETE": "bash_complete",
            "COMP_WORDS": "evenfall engine use po",
            "COMP_CWORD": "3",
        },
    )
    assert "post auger" in out


def test_csv_of_the_list_is_not_needed_json_is_a_table(run, tmp_path):
    """`--json` rows have the same keys in every line, so that any tool makes a table of them."""
    for n in (1, 2):
        (tmp_path / f"{n}.run").write_bytes(sample_run(n))
    run("runs", "import", tmp_path / "1.run", tmp_path / "2.run")
    rows = json.loads(run("runs", "list", "--json")[0])
    assert rows[0].keys() == rows[1].keys()
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    assert len(out.getvalue().splitlines()) == 3


@pytest.mark.outside("length of local days on which clocks change: the time zone database (zoneinfo)")
@pytest.mark.skipif(
    not Path("/usr/share/zoneinfo/America/St_Johns").exists(), reason="this system has no time zones"
)
@pytest.mark.parametrize(("day", "hours"), [("2026-03-08", 23), ("2026-11-01", 25), ("2026-06-01", 24)])
def test_a_day_on_which_the_clocks_change_is_searched_whole(monkeypatch, day, hours):
    """The last hour of the longer day was left out."""
    zone = "America/St_Johns"
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        found = query_of(None, **{**NO_FILTERS, "since": day, "until": day})
    finally:
        monkeypatch.undo()
        time.tzset()
    begin = datetime.fromisoformat(day).replace(tzinfo=ZoneInfo(zone)).timestamp()
    assert (found.since_unix_s, found.until_unix_s) == (begin, begin + 3600 * hours - 1)


NO_FILTERS = dict.fromkeys(
    ("engine", "build", "session", "since", "until", "power_from", "power_to", "torque_from", "torque_to",
     "verdict")
) | {"flag": (), "tag": (), "excluded": False, "everything": False, "sort": "date", "limit": 50}  # fmt: skip


def test_query_defaults_hide_what_is_excluded():
    assert Query().excluded is False


def test_a_run_that_cannot_be_reduced_is_filed_all_the_same(run, tmp_path):
    (tmp_path / "1.run").write_bytes(sample_run(1)[:3000])
    _, err = run("runs", "import", tmp_path / "1.run")
    assert "is kept but cannot be reduced" in err
    run("engine", "add", "post auger")
    _, err = run("runs", "file", 1, "--engine", "post auger")
    assert "is filed but cannot be reduced" in err
    assert json.loads(run("runs", "list", "--engine", "post auger", "--flag", "damaged", "--json")[0])


EVIL = "a\x1b[2J\x1b]0;x\x07\x9b31mb\r"


def test_control_characters_from_outside_never_reach_the_terminal(run, tmp_path):
    """From the board's firmware name, a note, a tag, a set-up, a file that is refused."""
    shown = ""
    with FaultyBoard(tmp_path, {3: sample_run(3)}, Faults(firmware=EVIL.encode("latin-1")[:16])) as board:
        shown += "".join(run("board", "status", port=board.url))
        shown += "".join(run("pull", "--no-plot", *AIR, port=board.url))
    run("runs", "note", 1, EVIL)
    shown += "".join(run("setup", "add", EVIL, "--inertia", "0.003", rc=2))
    shown += "".join(run("runs", "show", 1)) + "".join(run("runs", "list")) + "".join(run("setup", "list"))
    bad = tmp_path / "bad\x1b[2J.run"
    bad.write_bytes(b"no run")
    shown += "".join(run("runs", "import", bad, rc=5))
    assert "\\x1b[2J" in shown
    assert not [c for c in shown if (ord(c) < 32 and c not in "\n\t") or 127 <= ord(c) < 160]


def test_text_that_is_safe_is_shown_as_it_is():
    assert printable("zwölf µm → 3\n\tN·m") == "zwölf µm → 3\n N·m"
    assert printable("a\x00\x1b\x7f\x85\u202eb") == "a\\x00\\x1b\\x7f\\x85\\u202eb"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
@pytest.mark.parametrize("more", [{}, {"PYTHONUNBUFFERED": "1"}], ids=["buffered", "unbuffered"])
@pytest.mark.parametrize("words", [["--help"], ["runs", "list"]], ids=" ".join)
def test_a_full_output_is_one_sentence(tmp_path, words, more):
    """Python tried once more at its end, said so in three lines, and changed the exit code to 120."""
    env = {name: text for name, text in os.environ.items() if name != "PYTHONUNBUFFERED"}
    env |= {"EVENFALL_ARCHIVE": str(tmp_path)} | more
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [Path(sys.executable).with_name("evenfall"), *words],
            stdout=full,
            stderr=subprocess.PIPE,
            env=env,
            text=True,
            timeout=180,
        )
    assert done.returncode == 1 and done.stderr.count("\n") == 1 and "disk is full" in done.stderr
