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
from evenfall.screen.context import (
    Answer,
    Context,
    GetHandler,
    GuidedSession,
    PostHandler,
    int_field,
    text_field,
)
from evenfall.screen.setup_handlers import read_load
from evenfall.workflow.first_start import guide_first_start
from evenfall.workflow.guided_session import Guide, Plan, Reading, load_plan, steps_that_come
from evenfall.workflow.report_page import write_page
from evenfall.workflow.run_groups import reduced

MAX_LINES = 400  # of what was said; the rest is in the archive
ENDS_S = 5.0  # how long a session that was left may take to end


class _LeftError(BaseException):
    """The person left; what is done is kept."""


class Session:
    """One guided session under way: what was said, the question that waits; the `Talk` of its guide."""

    def __init__(self, context: Context, anew: bool) -> None:
        self.context = context
        self.lines: list[str] = []
        self.question: dict[str, Any] | None = None
        self.step = ""
        self.turns = False  # the order A-B-B-A was chosen
        self.ended = ""  # why it ended; empty while it goes on
        self.page = ""  # file name of the report
        self.version = 0  # grows whenever a page has something new to show
        self._anew = anew
        self._asked = 0
        self._answer: str | None = None
        self._leaving = False
        self._condition = threading.Condition()
        self._thread = threading.Thread(target=self._lead, name="guided session", daemon=True)
        self._thread.start()

    # --- for the guide ---

    def say(self, text: str) -> None:
        with self._condition:
            self.lines += text.splitlines()
            del self.lines[:-MAX_LINES]
        self.changed()

    def ask(self, question: str, default: str = "") -> str:
        return self._wait({"text": question, "options": None, "default": default}) or default

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        given = self._wait({"text": question, "options": options, "default": default})
        return given if given in options else default

    def _wait(self, question: dict[str, Any]) -> str:
        with self._condition:
            self._asked += 1
            self.question, self._answer = {**question, "number": self._asked}, None
            self.changed()
            while self._answer is None and not self._leaving:
                self._condition.wait()
            self.question = None
            self.changed()
            if self._answer is None:
                raise _LeftError
            options = question["options"]
            self.lines.append(f"> {options[self._answer] if options else self._answer}")
            return self._answer

    def changed(self) -> None:
        self.version += 1
        self.context.worker.changed()

    # --- for the page ---

    def answer(self, number: int, text: str) -> None:
        """Answer the question of that number; InputError when another one stands now, or it is no choice."""
        with self._condition:
            now = self.question
            if now is None or now["number"] != number or self._answer is not None:
                raise InputError("this question was answered already; look at the one that stands now")
            if now["options"] is not None and text not in now["options"]:
                raise InputError(f"'{text[:40]}' is none of the choices")
            self._answer = text
            self._condition.notify_all()

    def leave(self) -> None:
        """End here; the next start goes on at this step."""
        with self._condition:
            self._leaving = True
            self._condition.notify_all()
        self._thread.join(ENDS_S)

    def snapshot(self) -> dict[str, Any]:
        with self._condition:
            return {
                "step": self.step,
                "lines": list(self.lines),
                "question": self.question,
                "ended": self.ended,
                "page": self.page,
            }

    # --- the thread ---

    def _lead(self) -> None:
        ended = "fault"
        try:
            with Archive(self.context.folder) as archive:
                ended = "done" if self._guide(archive).run() else "left"
        except _LeftError:
            ended = "left"
        except EvenfallError as error:
            self.say(f"! {error}")
        finally:
            self.ended = ended
            self.changed()

    def _guide(self, archive: Archive) -> Guide:
        context = self.context
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
            path = write_page(archive, specs, None, units=context.units, invented=context.hands is not None)
            self.page = Path(path).name
            return str(path)

        def weigh(reading: Reading) -> list[Reading]:
            archive.add_check_weight(*reading)
            return archive.check_weights()

        def fetch(_: Any) -> None:
            for sentence in (got := context.worker.fetch()).unreduced:
                self.say(f"! {sentence}")
            if got.warning:
                self.say(f"! {got.warning}")

        def read() -> list[float]:
            return context.worker.call("reading the load", read_load)

        guide = _PageGuide(
            archive,
            plan,
            self,
            context.worker.line_proxy,
            lambda number: reduced(archive, number),
            report,
            UNIT_CHOICES[context.units],
            weigh,
            lambda: guide_first_start(self, archive, context.worker.line_proxy, read),
            fetch,
        )
        guide.keep()
        return guide


class _PageGuide(Guide):
    """A guide that shows on the page at which step it is."""

    def keep(self) -> None:
        super().keep()
        assert isinstance(self.talk, Session)
        self.talk.step, self.talk.turns = self.plan.step, self.plan.turns
        self.talk.context.worker.filing_changed()
        self.talk.changed()


def get_guided(context: Context, _: dict[str, str]) -> Answer:
    """The session under way, or whether one is open that was left."""
    now = context.session.snapshot() if context.session else None
    opened = None
    turns = context.session is not None and context.session.turns
    if now is None or now["ended"]:
        with Archive(context.folder) as archive:
            plan = load_plan(archive)
            if plan is not None:
                rows = archive.rows("SELECT started_unix_s FROM sessions WHERE id = ?", plan.session)
                turns = plan.turns
                opened = {"step": plan.step, "began_unix_s": rows[0]["started_unix_s"]}
    return {"steps": list(steps_that_come(turns)), "now": now, "open": opened}


def post_guided_start(context: Context, body: dict[str, Any]) -> Answer:
    """Begin a guided session, or go on with the one that was left (`anew`: end that one; its runs stay)."""
    if context.session and not context.session.ended:
        raise InputError("a guided session is under way already")
    context.session = Session(context, body.get("anew") is True)
    return {}


def post_guided_answer(context: Context, body: dict[str, Any]) -> Answer:
    session = _running_session(context)
    session.answer(int_field(body, "number"), text_field(body, "text", 300))
    return {}


def post_guided_leave(context: Context, _: dict[str, Any]) -> Answer:
    _running_session(context).leave()
    return {}


def _running_session(context: Context) -> GuidedSession:
    if context.session is None or context.session.ended:
        raise InputError("no guided session is under way")
    return context.session


POST_HANDLERS: dict[str, PostHandler] = {
    "guided-start": post_guided_start,
    "guided-answer": post_guided_answer,
    "guided-leave": post_guided_leave,
}
GET_HANDLERS: dict[str, GetHandler] = {"guided": get_guided}
