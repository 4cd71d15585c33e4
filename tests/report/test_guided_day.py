"""A guided day over a real pty with a board that answers from the message table; closed at every question.

The board here is the tests' own (tests/host/faulty_board.py): what it says of the firmware is nothing,
what it says of the guide, the link and the archive is all.
"""

from __future__ import annotations

import json
import re
import shutil
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager
from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from evenfall.archive.archive import Archive, Query
from evenfall.board.link import Link
from evenfall.errors import InputError
from evenfall.statistics.sessions import Scatter
from evenfall.workflow import guided_session
from evenfall.workflow.guided_session import Guide, Plan, load_plan
from evenfall.workflow.report_page import write_page
from evenfall.workflow.run_groups import reduced
from evenfall_wire import codes, messages
from faulty_board import FaultyBoard
from sample_runs import sample_run

ZERO = 50_000
SPAN = 42_000.0  # counts/N, the settings' default
MASS_KG, G = 5.0, 9.80665


class RestingBoard(FaultyBoard):
    """At rest, load cell answering; `hung_N` hangs on the arm; a run is made by `pull`."""

    hung_N = 0.0
    fails: tuple[str, ...] = ()
    made = 0

    def pull(self, gain: float) -> None:
        self.made += 1
        flow = gain * (1 + 0.002 * float(np.random.default_rng(self.made).standard_normal()))
        self.runs[self.made] = sample_run(self.made, flow=flow, started_unix_s=int(time.time()) + self.made)

    def _answer(self, kind: int, sequence: int, payload: bytes) -> list[bytes]:
        name = messages.BY_TYPE[kind][1]
        if name == "get_status":
            values = dict.fromkeys((f[0] for f in messages.BY_NAME["status"][2]), 0)
            values["state"] = codes.STATES.index("rest")
            values["flags"] = sum(1 << codes.STATUS_BITS.index(b) for b in ("load_ok", "clock_set"))
            values["zero_count"] = ZERO
            values["load_count"] = ZERO + round(SPAN * self.hung_N)
            return [self._frame("status", sequence, tuple(values.values()))]
        if name == "self_test":
            rows = [
                (i, codes.SELF_TEST_RESULTS.index("fail" if item in self.fails else "pass"), 0)
                for i, item in enumerate(codes.SELF_TEST_ITEMS)
            ]
            return [self._frame("self_test_result", sequence, (), rows)]
        if name == "zero":
            return [self._frame("done", sequence, (kind, ZERO))]
        return super()._answer(kind, sequence, payload)


class CrashError(BaseException):
    """The laptop's lid closes."""


class Person:
    """Answers by a script of (words of the question, answer)."""

    def __init__(self, board: RestingBoard) -> None:
        self.board = board
        self.questions: list[str] = []
        self.heard: list[str] = []
        self.gain = 1.0

    def say(self, text: str) -> None:
        self.heard.append(text)

    def _tick(self, question: str) -> None:
        step = next((h for h in reversed(self.heard) if h.startswith("\n")), "")
        self.questions.append(f"{step}: {question}")

    def ask(self, question: str, default: str = "") -> str:
        self._tick(question)
        if "mass with unit" in question:
            self.board.hung_N = MASS_KG * G * 1.001
        if "weight off" in question:
            self.board.hung_N = 0.0
        answers = {
            "mass with unit": "5 kg",
            "Pressure": "29.4 inHg",
            "Temperature": "68 F",
            "humidity": "45 %",
            "Engine": "post auger",
            "Build as it is now": "stock pipe",
            "Who": "bench crew",
            "Runs before": "3",
            "What was changed": "pipe cut by 8 mm",
            "Name of the new": "cut pipe",
        }
        if "new build" in question:
            self.gain = 1.03
        return next((a for q, a in answers.items() if q in question), default)

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        self._tick(question)
        if ("runs count" in question or "run counts" in question) and default == "fetch":
            self.board.pull(self.gain)
        return default


@pytest.fixture(autouse=True)
def hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("evenfall.workflow.guided_session.WEIGHT_PAUSE_S", 0.0)


@pytest.fixture
def board(tmp_path: Path) -> Iterator[RestingBoard]:
    with RestingBoard(tmp_path, {}) as made:
        yield made


def guide(archive: Archive, board: RestingBoard, person: Person, plain: bool = False) -> Guide:
    """The guide of the open or a new day; `plain` writes a stand-in for the page, which is slow to draw."""
    day = load_plan(archive) or Plan(archive.add_session(title="guided day"))

    def line() -> AbstractContextManager[Link]:
        return Link(board.url)

    def page(before: list[int], after: list[int]) -> str:
        if plain:
            stand_in = archive.folder / "page.txt"
            stand_in.write_text(f"{archive.row(after[0])['changed']}: {before} {after}")
            return str(stand_in)
        return str(write_page(archive, (",".join(map(str, before)), ",".join(map(str, after))), None))

    made = Guide(archive, day, person, line, lambda n: reduced(archive, n), page)
    made.keep()
    return made


def check(archive: Archive, day: Plan, person: Person) -> None:
    assert len(day.before) == 3 and len(day.after) == 3 and len(day.warm) >= 3
    runs = archive.find(Query(excluded=None, limit=100))
    assert sorted(day.known()) == sorted(p["run"] for p in runs), "no run is lost, none counted twice"
    by_build = {p["run"]: p["build"] for p in runs}
    assert {by_build[n] for n in day.before} == {"stock pipe"}
    assert {by_build[n] for n in day.after} == {"cut pipe"}
    # the air carries 1.2 / 7,850 of an iron weight: a cell that shows its mass reads that much too high
    true_error = 1.001 / (1 - 1.2 / 7850) - 1
    assert day.weight is not None and day.weight["error"] == pytest.approx(true_error, abs=1e-5)
    assert "pipe cut by 8 mm" in Path(day.page).read_text()
    assert any("at peak power: real" in line for line in person.heard)
    assert load_plan(archive) is None, "the day is closed"


def test_a_whole_day(board: RestingBoard, tmp_path: Path) -> None:
    board.pull(1.0)  # a run that the board still holds from yesterday
    person = Person(board)
    with Archive(tmp_path / "archive") as archive:
        made = guide(archive, board, person)
        assert made.run()
        check(archive, made.plan, person)
        assert made.plan.earlier == [1]
        assert "cut pipe against stock pipe" in Path(made.plan.page).read_text()
    assert set(board.acknowledged) == set(board.runs)
    said = "\n".join(person.heard)
    # without the order A-B-B-A three steps do not come, and are not counted
    assert re.findall(r"^(\d+/\d+) ", said, re.M) == [f"{at}/13" for at in range(1, 14)]
    assert "+0.12 % off" in said


def test_a_fetch_that_brings_nothing_says_so(board: RestingBoard, tmp_path: Path) -> None:
    """The board lost its power in the sweep: the fetch brought nothing and said nothing."""

    class Waits(Person):
        def choose(self, question: str, options: dict[str, str], default: str) -> str:
            return ["fetch", "leave"][sum("no new run" in line for line in self.heard)]

    person = Waits(board)
    with Archive(tmp_path / "archive") as archive:
        made = guide(archive, board, person)
        archive.add_engine("post auger")
        archive.activate("build", archive.build_id("post auger"))
        made.plan.step = "warm_up"
        assert not made.run()
    assert sum("no new run" in line for line in person.heard) == 1


class InTurn(Person):
    """Takes the advice to go back to the build before."""

    def ask(self, question: str, default: str = "") -> str:
        if "is 'stock pipe' again" in question:
            self.gain = 1.0
        return super().ask(question, default)

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        chosen = super().choose(question, options, default)
        return "turns" if "A-B-B-A" in question else chosen


def test_before_after_after_before(board: RestingBoard, tmp_path: Path) -> None:
    """A-B-B-A: as many runs of each build, in that order; all of them are in the verdict and the report."""
    person = InTurn(board)
    with Archive(tmp_path / "archive") as archive:
        made = guide(archive, board, person, plain=True)
        assert made.run()
        plan = made.plan
        counted = {p["run"]: p["build"] for p in archive.find(Query(limit=100)) if not p["tags"]}
        order = "".join("A" if counted[n] == "stock pipe" else "B" for n in sorted(counted))
        assert order == "AAABBBBBBAAA"
        assert len(plan.before) == len(plan.after) == 6 and len(plan.warm_back) >= 3
        assert sorted(plan.known()) == sorted(p["run"] for p in archive.find(Query(excluded=None, limit=100)))
    said = "\n".join(person.heard)
    heard = re.findall(r"^(\d+/\d+) ", said, re.M)
    assert heard == [f"{at}/13" for at in range(1, 13)] + [f"{at}/16" for at in range(13, 17)]


def test_the_days_verdict_knows_the_scatter_between_sessions(
    board: RestingBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in compare and the page: what this bench has shown between sessions is in every verdict."""
    shown, told = Scatter(0.0123, 6.0), []
    monkeypatch.setattr(guided_session, "scatter_between_sessions", lambda archive, engine: shown)

    def compare(*groups, between=None):  # type: ignore[no-untyped-def]
        told.append(between)
        return real_compare(*groups, between=between)

    real_compare = guided_session.compare
    monkeypatch.setattr(guided_session, "compare", compare)
    with Archive(tmp_path / "archive") as archive:
        assert guide(archive, board, Person(board), plain=True).run()
    assert len(told) >= 2 and set(told) == {shown}


class Photographed(Person):
    """At each new question the archive is copied as a killed program leaves it, and the board noted."""

    def __init__(self, board: RestingBoard, folder: Path) -> None:
        super().__init__(board)
        self.folder = folder
        self.places: list[tuple[Path, dict[str, Any], float]] = []  # copy, board, gain of the engine

    def _tick(self, question: str) -> None:
        super()._tick(question)
        if self.questions[-1] in self.questions[:-1]:
            return  # the same one asked again in a step is no new place
        copy = self.folder.with_name(f"{self.folder.name}-{len(self.questions)}")
        shutil.copytree(self.folder, copy)
        noted = {n: deepcopy(getattr(self.board, n)) for n in ("runs", "acknowledged", "made", "hung_N")}
        self.places.append((copy, noted, self.gain))


@pytest.mark.slow
def test_the_lid_closes_at_every_question(tmp_path: Path) -> None:
    """Whatever question was open, the next start goes on and the day ends the same."""
    with RestingBoard(tmp_path, {}) as board:
        whole = Photographed(board, tmp_path / "archive")
        with Archive(whole.folder) as archive:
            assert guide(archive, board, whole, plain=True).run()
        assert len(whole.places) > 15
        for folder, noted, gain in whole.places:
            for name, value in noted.items():
                setattr(board, name, value)
            after = Person(board)
            after.gain = gain
            with Archive(folder) as archive:
                made = guide(archive, board, after, plain=True)
                assert made.run(), folder
                check(archive, made.plan, after)
                assert archive.check() == []


def test_crash_between_fetching_and_noting_down(board: RestingBoard, tmp_path: Path) -> None:
    """A run that reached the archive but not the day's list is found again."""
    with Archive(tmp_path / "archive") as archive:
        person = Person(board)
        made = guide(archive, board, person)
        made._adopt = lambda target: (_ for _ in ()).throw(CrashError())  # type: ignore[method-assign,assignment]
        made.plan.step = "warm_up"
        made.keep()
        with pytest.raises(CrashError):
            made.run()
        again = guide(archive, board, Person(board))
        archive.add_engine("post auger")
        assert again.plan.step == "warm_up"
        board.pull(1.0)
        with Link(board.url) as line:
            again._fetch(line)
        assert load_plan(archive).warm == []  # type: ignore[union-attr]
        resumed = guide(archive, board, Person(board))
        resumed._adopt(resumed.plan.warm)
        assert resumed.plan.warm == [1]


def test_a_failed_part_stops_the_day_until_the_person_says_so(board: RestingBoard, tmp_path: Path) -> None:
    board.fails = ("load_cell",)
    answers: list[str] = []

    class Unsure(Person):
        def choose(self, question: str, options: dict[str, str], default: str) -> str:
            answers.append(question)
            return "leave" if "leave" in options else "no"

    with Archive(tmp_path / "archive") as archive:
        person = Unsure(board)
        assert not guide(archive, board, person).run()
        assert answers[0].startswith("Failed: load cell.")
        assert any("four wires" in line for line in person.heard)
        assert load_plan(archive).step == "self_test"  # type: ignore[union-attr]


def test_bad_answers_are_said_and_asked_again(board: RestingBoard, tmp_path: Path) -> None:
    class Careless(Person):
        def ask(self, question: str, default: str = "") -> str:
            good = super().ask(question, default)
            bad = {"mass with unit": "5", "Pressure": "29.92 hPa", "Runs before": "1"}
            for words, answer in bad.items():
                if words in question and words not in self.said:
                    self.said.add(words)
                    return answer
            return good

        said: set[str] = set()

    with Archive(tmp_path / "archive") as archive:
        person = Careless(board)
        made = guide(archive, board, person)
        assert made.run()
        check(archive, made.plan, person)
    wrong = [line for line in person.heard if line.startswith("! ")]
    assert any("'5' has no unit" in line for line in wrong)
    assert any("2 to 30" in line for line in wrong)
    assert len(wrong) >= 3


def test_a_plan_of_a_newer_program_keeps_what_is_known(tmp_path: Path) -> None:
    with Archive(tmp_path) as archive:
        session = archive.add_session()
        archive.keep_plan(
            session, json.dumps({"step": "before", "engine": "post auger", "colour": 3, "session": 99})
        )
        day = load_plan(archive)
        assert day is not None and (day.step, day.engine, day.session) == ("before", "post auger", session)


def test_no_board_leaves_the_day_open(tmp_path: Path) -> None:
    class Leaving(Person):
        def choose(self, question: str, options: dict[str, str], default: str) -> str:
            return "leave"

    with RestingBoard(tmp_path, {}) as board, Archive(tmp_path / "archive") as archive:
        person = Leaving(board)
        made = guide(archive, board, person)
        made.line = lambda: Link(str(tmp_path / "nothing-here"))
        assert not made.run()
        assert any("there is no port" in line for line in person.heard)
    with pytest.raises(InputError):
        made._exclude([])
