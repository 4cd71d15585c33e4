"""Hands at a bench that runs: words from a second terminal."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from evenfall_bench import scenario
from evenfall_bench.cli import main
from evenfall_bench.control import HELP, Hands
from evenfall_bench.session import Session

TOOLS = Path(sys.executable).parent


class Practice:
    """`evenfall-bench live` as a program, and `act` as another."""

    def __init__(self, folder: Path) -> None:
        self.control, self.port = folder / "control", folder / "port"
        self.log = folder / "log"
        words = [
            TOOLS / "evenfall-bench",
            "live",
            "--runs",
            "0",
            "--control",
            self.control,
            "--port-link",
            self.port,
        ]
        with self.log.open("w") as log:
            self.process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self.until(lambda: self.control.exists())

    def until(self, what, seconds: float = 120.0) -> None:
        end = time.monotonic() + seconds
        while not what():
            assert time.monotonic() < end and self.process.poll() is None, self.log.read_text()
            time.sleep(0.1)

    def bench_time_s(self) -> float:
        return float(self.act("state").split(" s ")[0])

    def until_bench_time(self, seconds: float) -> None:
        self.until(lambda: self.bench_time_s() > seconds)

    def act(self, words: str, rc: int = 0) -> str:
        done = CliRunner().invoke(main, ["act", "--control", str(self.control), *words.split()])
        assert done.exit_code == rc, done.output
        assert "Traceback" not in done.output
        return done.output.strip()

    def host(self, *words: str) -> subprocess.CompletedProcess[str]:
        command = [TOOLS / "evenfall", *words, "--port", str(self.port)]
        return subprocess.run(command, capture_output=True, text=True, timeout=180, check=False)


def load_count(practice: Practice) -> int:
    """What the board's amplifier reads now."""
    return int(json.loads(practice.host("board", "status", "--json").stdout)["status"]["load_count"])


@pytest.fixture
def practice(tmp_path: Path) -> Iterator[Practice]:
    made = Practice(tmp_path)
    yield made
    made.process.kill()
    made.process.wait()


def test_a_person_practises_from_a_second_terminal(practice: Practice) -> None:
    assert practice.act("help").splitlines()[0] == HELP.splitlines()[0]
    practice.until(lambda: "boot power-on" in practice.log.read_text())
    practice.until(lambda: practice.host("board", "status").returncode == 0)

    # a weight is seen by the board through its own amplifier: 5 kg in standard gravity
    practice.until_bench_time(3.0)
    counts = [load_count(practice)]
    assert practice.act("hang 5 kg") == "5 kg hang on the arm"
    assert "weight 5 kg" in practice.act("state")
    practice.until_bench_time(practice.bench_time_s() + 1.5)  # let down, not dropped; the bench may be slow
    counts.append(load_count(practice))
    per_newton = scenario.load("trail-crew")["load_cell"]["counts_per_N"]
    assert (counts[1] - counts[0]) / per_newton == pytest.approx(5 * 9.80665, rel=0.02)
    assert practice.act("take off") == "no weight hangs on the arm"

    practice.act("throttle open")
    practice.until(lambda: "throttle 100%" in practice.act("state"))
    practice.act("throttle close")
    practice.act("button")

    # out with the cable: the host finds no board; in with it: there it is
    practice.act("cable out")
    gone = practice.host("board", "status")
    assert gone.returncode != 0 and "Traceback" not in gone.stderr
    practice.act("cable in")
    practice.until(lambda: practice.host("board", "status").returncode == 0)

    practice.act("fault supply_lost for 2")
    practice.act("power off 1")
    practice.until(lambda: practice.log.read_text().count("boot power-on") == 2)
    assert "fault supply_lost" in practice.log.read_text()
    assert practice.act("quit") == "the bench is switched off"
    assert practice.process.wait(120) == 0
    assert not practice.control.exists()
    assert "no bench listens" in practice.act("state", rc=2)


@pytest.fixture(scope="module")
def hands() -> Iterator[Hands]:
    with Session(scenario.load("trail-crew"), runs=0) as session:
        yield Hands(session)


NOT_UNDERSTOOD = """
hang | hang 5 | hang five kg | hang -1 kg | hang 1.2.3 kg | hang 900 kg | throttle | throttle wide
throttle 120 | throttle nan | button long | button 0 | button 900 | cable | cable sideways | power
power on | power off never | power off 0.1 | fault | fault chain | fault leak | fault leak much
turn far | turn 0 | turn 900 | drill | drill fast | drill 0 | drill 90000
fault supply_lost for ever | fault leak nan | fault leak 1 2 | jump | FAULT leak inf
"""


@pytest.mark.parametrize(
    "line", [*NOT_UNDERSTOOD.strip().replace("\n", " | ").split(" | "), "\x00", "x" * 1000]
)
def test_words_that_are_not_understood_do_nothing_and_say_what_to_do(hands: Hands, line: str) -> None:
    agenda, log = list(hands.session.bench._agenda), len(hands.session.board.log)
    answer = hands.do(line)
    assert answer.startswith("error: ") and len(answer) < 200 and "\n" not in answer
    assert any(word in answer for word in ("say ", "lists", "needs a value", "hang less"))
    assert list(hands.session.bench._agenda) == agenda and len(hands.session.board.log) == log


def test_every_word_of_the_help_is_known(hands: Hands) -> None:
    words = {line.split()[0] for line in HELP.splitlines() if not line.startswith(" ")}
    assert words == set(hands._actions)
    faults = hands.do("faults").splitlines()
    assert [line.split()[0] for line in faults if not line.startswith(" ")] == list(scenario.FAULTS)
    for said in (HELP.splitlines(), faults, hands.do("state").splitlines()):
        assert max(map(len, said)) < 80, "a terminal of 80 columns would break words"


def test_weights_and_faults_reach_the_physics(hands: Hands) -> None:
    session = hands.session
    session.run_for(0.5)
    before = session.bench.now["force_N"]
    assert hands.do("hang 10 lb") == "4.536 kg hang on the arm"
    session.run_for(1.0)
    # 1 lb = 0.45359237 kg exactly; standard gravity 9.80665 m/s2
    assert session.bench.now["force_N"] - before == pytest.approx(10 * 0.45359237 * 9.80665, abs=0.4)
    hands.do("take off")
    hands.do("fault supply_lost")
    session.run_for(2.0)
    assert session.bench.now["supply_Pa"] < 1e3
    hands.do("fault supply_lost off")
    session.run_for(0.5)
    assert session.bench.now["supply_Pa"] > 1e5
    hands.do("start")
    hands.do("throttle 40 %")
    session.run_for(1.0)
    assert session.bench.now["throttle"] == pytest.approx(0.4)
    hands.do("throttle close")


@pytest.mark.parametrize("drive", ["rigid", "elastic"])
def test_the_shaft_is_turned_by_hand_while_nothing_drives_it(drive: str) -> None:
    made = scenario.complete({"drive": {"model": drive}})
    with Session(made, runs=0) as session:
        hands = Hands(session)
        session.run_for(2.0)
        brake = session.bench.drive
        before, idle = brake.brake_angle, session.bench.speed_rpm
        assert hands.do("turn 3") == "3 turns by hand, in 2.0 s"
        session.run_for(4.0)
        turned = (brake.brake_angle - before) / (2 * math.pi)
        assert turned == pytest.approx(3, abs=0.1) and brake.w_brake == 0.0
        assert session.bench.speed_rpm == pytest.approx(idle, rel=0.05), "the clutch lets the engine idle"
        hands.do("throttle open")
        session.run_for(3.0)
        assert hands.do("turn").startswith("error: the shaft turns: nobody touches it")


@pytest.mark.parametrize("drive", ["rigid", "elastic"])
def test_a_drill_spins_the_brake_up_and_it_coasts_down(drive: str) -> None:
    made = scenario.complete({"drive": {"model": drive}, "brake": {"outside_drag_Nm": 0.02}})
    with Session(made, runs=0) as session:
        hands = Hands(session)
        session.run_for(2.0)
        assert "the chain is on" in hands.do("drill 6000")
        hands.do("fault supply_lost")
        hands.do("fault load_lost")
        session.run_for(0.1)
        assert "6000 rpm in 4 s" in hands.do("drill 6,000 rpm")
        session.run_for(4.5)
        top = session.bench.now["brake_speed_rpm"]
        assert top == pytest.approx(6000, rel=0.01)
        session.run_for(1.5)
        # at least the drag outside the housing slows the brake's own inertia
        least = 0.02 / made["brake"]["inertia_kg_m2"] * 60 / (2 * math.pi)
        assert session.bench.now["brake_speed_rpm"] < top - least
        session.run_for(60.0)
        assert session.bench.now["brake_speed_rpm"] == 0.0
        said = session.run_beside(
            [str(TOOLS / "evenfall"), "board", "runs", "--json", "--port", session.port_path]
        )
        assert [run["verdict"] for run in json.loads(said.stdout)] == ["recorded"], said.stderr


def test_a_weight_beyond_the_cell_is_an_overload_for_the_board() -> None:
    with Session(scenario.load("trail-crew"), runs=0) as session:
        hands = Hands(session)
        session.run_for(3.0)
        hands.do("hang 30 kg")
        pushes = []
        for _ in range(30):
            session.run_for(0.02)
            pushes.append(session.bench.now["force_N"])
        assert pushes[3] < 0.5 * pushes[-1], "let down, not dropped"
        said = session.run_beside(
            [str(TOOLS / "evenfall"), "board", "status", "--json", "--port", session.port_path]
        )
        assert json.loads(said.stdout)["status"]["fault"] == "cell_overload", said.stderr


def test_two_benches_of_one_user_have_two_names_and_act_asks_which(tmp_path: Path) -> None:
    cache = tmp_path / ("long" * 25)  # longer than the address of a socket may be
    environment = {**os.environ, "XDG_CACHE_HOME": str(cache)}
    bench = str(TOOLS / "evenfall-bench")

    def act(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([bench, "act", *words], capture_output=True, text=True, env=environment)

    assert "no bench runs" in act("state").stderr
    folder = cache / "evenfall-bench" / "benches"
    running = []
    try:
        for n in (1, 2):
            command = [bench, "live", "--runs", "0"]
            quiet = subprocess.DEVNULL
            running.append(
                subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet, env=environment)
            )
            end = time.monotonic() + 120
            while not (folder / f"bench-{n}").exists():
                assert time.monotonic() < end and running[-1].poll() is None
                time.sleep(0.1)
        which = act("state")
        assert which.returncode == 2 and f"--control {folder / 'bench-1'}, --control" in which.stderr
        assert act("--control", str(folder / "bench-2"), "quit").returncode == 0
        assert running[1].wait(120) == 0
        assert "rpm" in act("state").stdout
    finally:
        for process in running:
            process.kill()
            process.wait()


def test_a_bare_board_waits_at_its_prompt_and_time_goes_on() -> None:
    with Session(scenario.load("trail-crew"), runs=0, bare=True) as session:
        session.run_for(1.0)
        assert [what for _, what, _ in session.board.log] == ["boot", "prompt"]
        assert session.board.time_s >= 1.0 and not session.board.stopped
        code = "open('/x', 'w').write('x'); import os; print(6 * 7, os.listdir('/'))"
        words = [sys.executable, "-m", "mpremote", "connect", session.port_path, "resume", "exec", code]
        said = session.run_beside(words, 60.0)
        assert said.stdout.strip() == "42 ['x']", said.stderr
        # a reset from the prompt is one of the board, and finds the file
        session.run_beside([*words[:-1], "--no-follow", "import machine; machine.reset()"], 60.0)
        session.run_for(1.0)
        assert [what for _, what, _ in session.board.log][2:] == ["reset", "boot", "prompt"]


MISTYPED = """
families --benches 0 | families --benches -3 | families --jobs 0 | families --first x | families surplus
live --for -1 | live --runs -1 | live --runs x | live --seed x | live --scenario absent | live --image .
live --firmware absent --for 1 | live --port-link kept --for 1 | live --port-link absent/x --for 1
live --control absent/x --for 1 | live surplus | act --control absent state | act --control kept state
sweep | sweep --scenario trail-crew | sweep --scenario absent --json - | sweep --scenario kept --json -
sweep --scenario trail-crew --seeds 5..1 --json - | sweep --scenario trail-crew --seeds x --json -
sweep --scenario trail-crew --jobs 0 --json - | sweep --scenario trail-crew --json absent/x.json
scenarios absent | screen
"""


@pytest.mark.parametrize("line", MISTYPED.strip().replace("\n", " | ").split(" | "))
def test_a_mistyped_command_is_one_sentence_and_no_loss(
    line: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`live --port-link FILE` once removed the file that was there."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "kept").write_text("mine")
    done = CliRunner().invoke(main, line.split())
    assert done.exit_code == 2, done.output
    said = [part for part in done.output.splitlines() if part.strip()]
    assert said[-1].startswith(("Error: ", "evenfall-bench: ")) and "Traceback" not in done.output
    assert (tmp_path / "kept").read_text() == "mine"
