"""What all handlers share, and how what they send is read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from starlette.responses import Response

from evenfall.errors import InputError
from evenfall.screen.port_worker import PortWorker
from evenfall.workflow.weights import WeightReading


class GuidedSession(Protocol):
    """A guided session of this start of the program."""

    version: int  # grows whenever a page has something new to show
    ended: str  # why it ended; empty while it goes on
    step: str
    turns: bool  # the order A-B-B-A was chosen

    def snapshot(self) -> dict[str, Any]: ...
    def answer(self, number: int, text: str) -> None: ...
    def leave(self) -> None: ...


@dataclass
class Context:
    """What all handlers share: port worker, archive folder, practice bench if there is one."""

    worker: PortWorker
    folder: Path
    units: str = "us"
    hands: Callable[[str], str] | None = None  # what can be done at a simulated bench
    stopping: Callable[[], bool] = lambda: False  # whether the server is about to end
    self_test: list[dict[str, Any]] | None = None  # the last one
    pending: tuple[WeightReading, str] | None = None  # an unlikely reading and why: to be confirmed
    session: GuidedSession | None = None  # the guided session under way, or the last one
    check_zero: float | None = None  # counts with nothing hung, between the two readings of a check weight

    def guided(self) -> dict[str, Any]:
        """How far the guided session is, for every page: `version` changes with each new question."""
        now = self.session
        return {"version": now.version if now else 0, "step": now.step if now and not now.ended else ""}


Answer = dict[str, Any] | list[Any] | Response
PostHandler = Callable[[Context, dict[str, Any]], Answer]
GetHandler = Callable[[Context, dict[str, str]], Answer]


def text_field(body: dict[str, Any], name: str, longest: int = 2000) -> str:
    """A text the page sent; InputError when it is none."""
    value = body.get(name)
    if not isinstance(value, str) or len(value) > longest:
        raise InputError(f"'{name}' must be a text of at most {longest} characters")
    return value


def int_field(body: dict[str, Any], name: str) -> int:
    """A whole number the page sent."""
    value = body.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > 2**53:
        raise InputError(f"'{name}' must be a whole number")
    return value


def int_param(params: dict[str, str], name: str) -> int:
    """A whole number of the address."""
    text = params.get(name, "")
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise InputError(f"'{name}' must be a whole number, not '{text[:40]}'")
    return int(text)
