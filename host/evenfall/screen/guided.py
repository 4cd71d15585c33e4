"""The guided session on the page: the same steps as `evenfall session`, asked in a window.

The steps run in a thread of their own; what they say and ask stands here until any window answers.
"""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from evenfall.archive.archive import Archive
from evenfall.errors import EvenfallError, InputError
from evenfall.output.text import UNIT_CHOICES
from evenfall.screen.bench import Action, Answer, Bench, Leading, Question, number_of, text_of
from evenfall.screen.bench_setup import read_load
from evenfall.workflow.first_start import lead
from evenfall.workflow.guided_session import Guide, Plan, Reading, load_plan, steps_that_come
from evenfall.workflow.report_page import write_page
from evenfall.workflow.run_groups import reduced

MAX_LINES = 400  # of what was said; the rest is in the archive
ENDS_S = 5.0  # how long a session that was left may take to end


class _LeftError(BaseException):
    """The person left; what is done is kept."""


class Session:
    """One guided session under way: what was said, the question that waits; the `Talk` of its guide."""

    def __init__(self, bench: Bench, anew: bool) -> None:
        self.bench = bench
        self.lines: list[str] = []
        self.question: dict[str, Any] | None = None
        self.step = ""
        self.turns = False  # the order A-B-B-A was chosen
        self.over = ""  # why it ended; empty while it goes on
        self.page = ""  # file name of the report
        self.mark = 0  # grows whenever a page has something new to show
        self._anew = anew
        self._asked = 0
        self._answer: str | None = None
        self._leaving = False
        self._turn = threading.Condition()
        self._thread = threading.Thread(target=self._lead, name="guided session", daemon=True)
        self._thread.start()

    # --- for the guide ---

    def say(self, text: str) -> None:
        with self._turn:
            self.lines += text.splitlines()
            del self.lines[:-MAX_LINES]
        self.changed()

    def ask(self, question: str, default: str = "") -> str:
        return self._wait({"text": question, "options": None, "default": default}) or default

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        given = self._wait({"text": question, "options": options, "default": default})
        return given if given in options else default

    def _wait(self, question: dict[str, Any]) -> str:
        with self._turn:
            self._asked += 1
            self.question, self._answer = {**question, "number": self._asked}, None
            self.changed()
            while self._answer is None and not self._leaving:
                self._turn.wait()
            self.question = None
            self.changed()
            if self._answer is None:
                raise _LeftError
            options = question["options"]
            self.lines.append(f"> {options[self._answer] if options else self._answer}")
            return self._answer

    def changed(self) -> None:
        self.mark += 1
        self.bench.owner.changed()

    # --- for the page ---

    def answer(self, number: int, text: str) -> None:
        """Answer the question of that number; InputError when another one stands now, or it is no choice."""
        with self._turn:
            now = self.question
            if now is None or now["number"] != number or self._answer is not None:
                raise InputError("this question was answered already; look at the one that stands now")
            if now["options"] is not None and text not in now["options"]:
                raise InputError(f"'{text[:40]}' is none of the choices")
            self._answer = text
            self._turn.notify_all()

    def leave(self) -> None:
        """End here; the next start goes on at this step."""
        with self._turn:
            self._leaving = True
            self._turn.notify_all()
        self._thread.join(ENDS_S)

    def seen(self) -> dict[str, Any]:
        with self._turn:
            return {
                "step": self.step,
                "lines": list(self.lines),
                "question": self.question,
                "over": self.over,
                "page": self.page,
            }

    # --- the thread ---

    def _lead(self) -> None:
        over = "fault"
        try:
            with Archive(self.bench.folder) as archive:
                over = "done" if self._guide(archive).run() else "left"
        except _LeftError:
            over = "left"
        except EvenfallError as error:
            self.say(f"! {error}")
        finally:
            self.over = over
            self.changed()

    def _guide(self, archive: Archive) -> Guide:
        bench = self.bench
        plan = load_plan(archive)
        if plan is not None and self._anew:
            archive.end_session(plan.session)
            plan = None
        if plan is None:
            plan = Plan(archive.add_session(title="guided session"))

        def report(before: list[int], after: list[int]) -> str:
            specs = tuple(
                ",".join(str(n) for n in numbers if archive.row(n)["excluded"] is None)
                for numbers in (before, after)
            )
            path = write_page(archive, specs, None, units=bench.units, invented=bench.hands is not None)
            self.page = Path(path).name
            return str(path)

        def weigh(reading: Reading) -> list[Reading]:
            archive.add_check_weight(*reading)
            return archive.check_weights()

        def fetch(_: Any) -> None:
            for sentence in (got := bench.owner.fetch()).unreduced:
                self.say(f"! {sentence}")
            if got.warning:
                self.say(f"! {got.warning}")

        def read() -> list[float]:
            return bench.owner.ask("reading the load", read_load)

        leading = _Told(
            archive,
            plan,
            self,
            bench.owner.borrowed,
            lambda number: reduced(archive, number),
            report,
            UNIT_CHOICES[bench.units],
            weigh,
            lambda: lead(self, archive, bench.owner.borrowed, read),
            fetch,
        )
        leading.keep()
        return leading


class _Told(Guide):
    """A guide that tells its page which step it is at."""

    def keep(self) -> None:
        super().keep()
        assert isinstance(self.talk, Session)
        self.talk.step, self.talk.turns = self.plan.step, self.plan.turns
        self.talk.bench.owner.filing_changed()
        self.talk.changed()


def see_guided(bench: Bench, _: dict[str, str]) -> Answer:
    """The session under way, or whether one is open that was left."""
    now = bench.leading.seen() if bench.leading else None
    opened = None
    turns = bench.leading is not None and bench.leading.turns
    if now is None or now["over"]:
        with Archive(bench.folder) as archive:
            plan = load_plan(archive)
            if plan is not None:
                rows = archive.rows("SELECT started_unix_s FROM sessions WHERE id = ?", plan.session)
                turns = plan.turns
                opened = {"step": plan.step, "began_unix_s": rows[0]["started_unix_s"]}
    return {"steps": list(steps_that_come(turns)), "now": now, "open": opened}


def do_guided_start(bench: Bench, body: dict[str, Any]) -> Answer:
    """Begin a guided session, or go on with the one that was left (`anew`: end that one; its runs stay)."""
    if bench.leading and not bench.leading.over:
        raise InputError("a guided session is under way already")
    bench.leading = Session(bench, body.get("anew") is True)
    return {}


def do_guided_answer(bench: Bench, body: dict[str, Any]) -> Answer:
    leading = _under_way(bench)
    leading.answer(number_of(body, "number"), text_of(body, "text", 300))
    return {}


def do_guided_leave(bench: Bench, _: dict[str, Any]) -> Answer:
    _under_way(bench).leave()
    return {}


def _under_way(bench: Bench) -> Leading:
    if bench.leading is None or bench.leading.over:
        raise InputError("no guided session is under way")
    return bench.leading


ACTIONS: dict[str, Action] = {
    "guided-start": do_guided_start,
    "guided-answer": do_guided_answer,
    "guided-leave": do_guided_leave,
}
QUESTIONS: dict[str, Question] = {"guided": see_guided}
