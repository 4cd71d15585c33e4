"""The first start, led: button and pickup are seen, teeth and calibration kept, nothing asked twice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from evenfall.archive.archive import Archive
from evenfall.board.link import Link
from evenfall.model import Calibration, Setup
from evenfall.workflow import first_start
from evenfall.workflow.first_start import guide_first_start, missing
from evenfall_wire import codes, messages
from faulty_board import FaultyBoard

SPAN, ZERO, G = 42_000.0, 50_000.0, 9.80665


class NewBoard(FaultyBoard):
    """A board with a button that a person presses; edges of the pickup are seen when the shaft is turned."""

    pressed = False
    presses = 0
    state = "rest"
    edges = 0
    counts = True  # False: the firmware before knows no edges_seen and presses_seen
    looks = ("servo", "kill", "led")

    def _answer(self, kind: int, sequence: int, payload: bytes) -> list[bytes]:
        name = messages.BY_TYPE[kind][1]
        if name == "get_status":
            values = dict.fromkeys((f[0] for f in messages.BY_NAME["status"][2]), 0)
            values["state"] = codes.STATES.index(self.state)
            flags = ["load_ok", *(["button"] if self.pressed else [])]
            values["flags"] = sum(1 << codes.STATUS_BITS.index(b) for b in flags)
            return [self._frame("status", sequence, tuple(values.values()))]
        if name == "self_test":
            rows = []
            for i, item in enumerate(codes.SELF_TEST_ITEMS):
                unseen = item == "speed_pickup" and not self.edges
                result = "ask_person" if unseen or item in self.looks else "pass"
                value = {"speed_pickup": self.edges, "load_cell": 80}.get(item, 0)
                rows.append((i, codes.SELF_TEST_RESULTS.index(result), value))
            return [self._frame("self_test_result", sequence, (), rows)]
        if name == "get_counters":
            last = codes.COUNTERS.index("edges_seen")
            rows = [(n, 0) for n in range(last)]
            if self.counts:
                rows += [(last, self.edges), (last + 1, self.presses)]
            return [self._frame("counters", sequence, (), rows)]
        return super()._answer(kind, sequence, payload)


class Newcomer:
    """Does at the bench what is asked, and answers; what is not in `answers` gets its default."""

    def __init__(self, board: NewBoard, **answers: str) -> None:
        self.board = board
        self.weights = ["0 kg", "2 kg", "5 kg", "2 kg", "0 kg", ""]
        self.answers = {
            "engine's": "14",
            "brake's sprocket": "10",
            "name": "crew bench",
            "Arm:": "250 mm",
            **answers,
        }
        self.heard: list[str] = []
        self.hangs = 0.0
        self.deaf = False

    def say(self, text: str) -> None:
        self.heard.append(text)
        if self.deaf:
            return
        if "Press the board's button now" in text:
            self.board.pressed, self.board.state = True, "ready"
            self.board.presses += 1
        elif "Press once more" in text:
            self.board.pressed, self.board.state = False, "rest"
        elif "Turn the brake's shaft" in text:
            self.board.edges = 7

    def ask(self, question: str, default: str = "") -> str:
        self.heard.append(question)
        if "Turn the shaft" in question:
            self.board.edges = 7
        if question.endswith("Hung"):
            text = self.weights.pop(0)
            self.hangs = float(text.split()[0]) if text else 0.0
            return text
        return next((a for q, a in self.answers.items() if q in question), default)

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        self.heard.append(question)
        return next((a for q, a in self.answers.items() if q in question), default)

    def read(self) -> list[float]:
        return [ZERO + SPAN * G * self.hangs + (-1) ** i * 10.0 for i in range(20)]


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[NewBoard]:
    monkeypatch.setattr(first_start, "SEEN_S", 1.0)
    monkeypatch.setattr(first_start, "LOOK_S", 0.01)
    with NewBoard(tmp_path, {}) as made:
        yield made


def test_a_new_bench_is_led_through_all_that_is_missing(board: NewBoard, tmp_path: Path) -> None:
    with Archive(tmp_path / "kept") as archive:
        assert missing(archive) == ["drive", "calibration", "inertia"]
        person = Newcomer(board)
        guide_first_start(person, archive, lambda: Link(board.url), person.read)
        said = "\n".join(person.heard)
        assert said.count("  seen") == 3
        assert "Turn the brake's shaft by hand now, two turns.\n  seen" in said
        assert "LED blink three times?" in said and "ignition cut" in said
        assert "7 edges seen" in said and "80 samples in a second" in said
        number = archive.active("setup")
        setup = archive.record(Setup, int(number[0]))  # type: ignore[index]
        assert (setup.engine_teeth, setup.brake_teeth, setup.magnets) == (14, 10, 1)
        number = archive.active("calibration")
        calibration = archive.record(Calibration, int(number[0]))  # type: ignore[index]
        # iron weights in air pull 1.2 / 7,850 less than their mass says
        assert calibration.span_count_per_N == pytest.approx(SPAN / (1 - 1.2 / 7850), rel=1e-5)
        assert missing(archive) == ["inertia"]
        assert not list((tmp_path / "kept").glob("*in-progress*"))
        again = Newcomer(board)
        guide_first_start(again, archive, lambda: Link(board.url), again.read)
        assert not [q for q in again.heard if "Teeth" in q or "Hung" in q], "nothing is asked twice"
    with Link(board.url) as line:
        now = line.settings()
    assert (now["engine_teeth"], now["arm_length"]) == (14, 250_000)
    assert now["span"] == pytest.approx(calibration.span_count_per_N * 1000, abs=1)


def test_an_older_firmware_without_the_counts(board: NewBoard, tmp_path: Path) -> None:
    board.counts = False
    with Archive(tmp_path / "kept") as archive:
        person = Newcomer(board)
        rows = guide_first_start(person, archive, lambda: Link(board.url), person.read)
        said = "\n".join(person.heard)
        assert said.count("  seen") == 2 and "7 edges seen" in said
        assert ("speed_pickup", "pass", 7) in rows


def test_a_shaft_whose_turning_is_not_seen_is_said_and_so_is_a_dead_led(
    board: NewBoard, tmp_path: Path
) -> None:
    with Archive(tmp_path / "kept") as archive:
        person = Newcomer(board, **{"LED": "no", "Did the valve": "yes"})
        person.deaf = True
        guide_first_start(person, archive, lambda: Link(board.url), person.read)
        said = "\n".join(person.heard)
        assert "two turns.\n! not seen\n  Turn the shaft by hand past the magnet" in said
        assert "! Check the LED" in said and "! Check the relay" not in said


def test_the_ends_of_the_valve_are_tried_until_they_are_right(board: NewBoard, tmp_path: Path) -> None:
    class Trier(Newcomer):
        tries = 0

        def ask(self, question: str, default: str = "") -> str:
            if "Did the valve" in question:
                self.tries += 1
                self.heard.append(question)
                return "no" if self.tries == 1 else "yes"
            return super().ask(question, "1900 us" if "fully open." in question + "." else default)

    with Archive(tmp_path / "kept") as archive:
        person = Trier(board)
        guide_first_start(person, archive, lambda: Link(board.url), person.read)
    assert person.tries == 2 and any("1900 us" in q or "1,900" in q for q in person.heard)
    with Link(board.url) as line:
        assert line.settings()["servo_open"] == 1900


def test_later_asks_nothing(board: NewBoard, tmp_path: Path) -> None:
    with Archive(tmp_path / "kept") as archive:
        person = Newcomer(board, **{"Set the bench up": "later"})
        guide_first_start(person, archive, lambda: Link(board.url), person.read)
        assert len(missing(archive)) == 3 and len(person.heard) == 2


def test_a_button_that_is_not_seen_and_a_wrong_answer_stop_nothing(board: NewBoard, tmp_path: Path) -> None:
    with Archive(tmp_path / "kept") as archive:
        person = Newcomer(board, **{"engine's": "many"})
        person.deaf = True
        guide_first_start(person, archive, lambda: Link(board.url), person.read)
        said = "\n".join(person.heard)
        assert "! not seen" in said and "check its cable" in said
        assert "'many' is no whole number" in said
        assert missing(archive) == ["drive", "inertia"], "the calibration was made all the same"


def test_nothing_is_asked_of_a_bench_that_is_known(board: NewBoard, tmp_path: Path) -> None:
    with Archive(tmp_path / "kept") as archive:
        archive.activate("calibration", archive.add_record(Calibration(0.0, SPAN, made_unix_s=1)))
        archive.activate("setup", archive.add_record(Setup(inertia_kg_m2=0.003), "bench"))
        person = Newcomer(board)
        guide_first_start(person, archive, lambda: Link(board.url), person.read)
        assert person.heard == []
