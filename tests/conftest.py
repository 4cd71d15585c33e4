"""Shared by all tests: the list of checks against something outside this project.

    @pytest.mark.outside("source of the value, and how sure we are of it")

marks such a check; `pytest --outside` prints all of them as one table and runs
nothing.  A check against a value that our own simulator, our own draws or an identity gives is

    @pytest.mark.internal("what it is held against")

and is listed apart: it finds slips, not a wrong idea that both sides share.

Studies hand bias, coverage and claims to the fixture `figure`; one table of them all stands at the end of
`pytest -m study` (`-m "study and numbers"` runs only those that add to it).
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable

import hypothesis
import pytest

THEIR_OWN = (
    "EVENFALL_ARCHIVE", "EVENFALL_PORT", "EVENFALL_TRACE", "EVENFALL_UNITS", "COLUMNS", "LINES", "NO_COLOR",
    "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE",
)  # fmt: skip


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--outside", action="store_true", help="print the table of outside checks, run nothing")


def pytest_configure(config: pytest.Config) -> None:
    # No deadline: a busy computer is no failure.  The same examples every time: a red suite tells of the
    # change, not of luck; `make search` draws new ones.
    search = "EVENFALL_SEARCH" in os.environ
    hypothesis.settings.register_profile("evenfall", deadline=None, derandomize=not search, print_blob=True)
    hypothesis.settings.load_profile("evenfall")
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        # A shell starts what runs behind it deaf to Ctrl-C, and the programs that tests start inherit that:
        # those that are ended with it then ran on until their test gave up.
        signal.signal(signal.SIGINT, signal.default_int_handler)
    # what the person at this computer set and remembered is not tested, and their archive not written to
    os.environ["EVENFALL_CONFIG"] = os.devnull
    for name in THEIR_OWN:
        os.environ.pop(name, None)
    config.addinivalue_line("markers", "outside(source): held against something outside this project")
    config.addinivalue_line(
        "markers", "internal(source): held against our own simulator, draws or an identity"
    )
    if config.getoption("--outside"):
        config.option.collectonly = True
        config.option.verbose = -2


def pytest_collection_finish(session: pytest.Session) -> None:
    if not session.config.getoption("--outside"):
        return
    for kind, title in (
        ("outside", "against something outside the project"),
        ("internal", "against our own simulator, our own draws or an identity"),
    ):
        rows: dict[tuple[str, str], str] = {}
        for item in session.items:
            for mark in item.iter_markers(kind):
                what = (getattr(item, "obj", None).__doc__ or item.name).strip().splitlines()[0].rstrip(".")
                place = f"{item.location[0]}::{item.name.split('[')[0]}"
                rows[(place, mark.args[0])] = what
        print("\n| check | against | where |\n|---|---|---|")
        for (place, source), what in sorted(rows.items()):
            print(f"| {what} | {source} | `{place}` |")
        print(f"\n{len(rows)} checks {title}.\n")


FIGURES = pytest.StashKey[list[tuple[str, ...]]]()


@pytest.fixture
def figure(request: pytest.FixtureRequest) -> Callable[..., None]:
    """Add a line to the table at the end: shares as shares, printed in per cent."""
    rows = request.config.stash.setdefault(FIGURES, [])

    def add(
        point: str,
        case: str,
        cases: int,
        bias: float | None = None,
        covered: float | None = None,
        claimed: float | None = None,
        goal: str = "",
    ) -> None:
        shown = ("" if v is None else f"{100 * v:{form}}" for v, form in
                 ((bias, "+.2f"), (covered, ".1f"), (claimed, ".1f")))  # fmt: skip
        rows.append((point, case, str(cases), *shown, goal))

    return add


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    rows = config.stash.get(FIGURES, [])
    if not rows:
        return
    head = ("point", "case", "cases", "bias %", "covered %", "claimed %", "goal")
    wide = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    terminalreporter.section("bias, coverage and claims")
    for row in [head, *rows]:
        left = [v.ljust(w) for v, w in zip(row[:2], wide[:2], strict=True)]
        right = [v.rjust(w) for v, w in zip(row[2:6], wide[2:6], strict=True)]
        terminalreporter.write_line("  ".join([*left, *right, row[6]]).rstrip())
