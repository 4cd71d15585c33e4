"""evenfall session: the guided session; its verbs look after sessions of runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli._root import (
    Terminal,
    archive_option,
    bench_option,
    echo,
    json_option,
    open_link,
    port_option,
    print_json,
    print_table,
    root,
    units_option,
    when,
)

if TYPE_CHECKING:
    from evenfall.archive.archive import Archive


@click.group(invoke_without_command=True)
@port_option
@click.option(
    "--new", "anew", is_flag=True, help="Start a new session; the open one is ended, its runs stay."
)
@bench_option
@units_option
@archive_option
@click.pass_context
def session(
    context: click.Context, port: str | None, anew: bool, bench: str, units: str, archive_dir: Path
) -> None:
    """Lead through a session, from zero to report.

    Self-test, zero, check weight, air, warm-up, before, change, after, report.

    Ctrl-C, a crash or a closed lid loses nothing: `evenfall session` goes on where it stopped.
    """
    if context.invoked_subcommand is None:
        guide(port, anew, bench, units, archive_dir)


root.add_command(session)
root.add_command(
    click.Command(
        "day",
        params=session.params,
        callback=session.callback,
        help="The former name of `evenfall session`.",
        hidden=True,
    )
)


def guide(port: str | None, anew: bool, bench: str, units: str, archive_dir: Path) -> None:
    """Lead through a session at the terminal, or go on with the open one."""
    from evenfall.archive.archive import Archive
    from evenfall.cli.calibrate import load_counts
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.workflow.first_start import guide_first_start
    from evenfall.workflow.guided_session import Guide, Plan, Reading, load_plan
    from evenfall.workflow.report_page import write_page
    from evenfall.workflow.run_groups import reduced

    with Archive(archive_dir) as archive:
        plan = load_plan(archive)
        if plan is not None and anew:
            archive.end_session(plan.session)
            plan = None
        if plan is None:
            plan = Plan(archive.add_session(title="guided session"))
        else:
            began = next(s for s in archive.sessions() if s["session"] == plan.session)["started_unix_s"]
            echo(f"The session that began {when(began)} goes on at '{plan.step.replace('_', ' ')}'.")

        def report(before: list[int], after: list[int]) -> str:
            specs = tuple(",".join(map(str, counting(archive, numbers))) for numbers in (before, after))
            return str(write_page(archive, specs, None, units=units, bench=bench))

        def weigh(reading: Reading) -> list[Reading]:
            archive.add_check_weight(*reading)
            return archive.check_weights()

        talk = Terminal()
        leading = Guide(
            archive,
            plan,
            talk,
            lambda: open_link(port),
            lambda number: reduced(archive, number),
            report,
            UNIT_CHOICES[units],
            weigh,
            lambda: guide_first_start(talk, archive, lambda: open_link(port), lambda: load_counts(port)),
        )
        leading.keep()
        leading.run()


def counting(archive: Archive, numbers: list[int]) -> list[int]:
    """Those of the runs that are not excluded."""
    return [n for n in numbers if archive.row(n)["excluded"] is None]


@session.command("new")
@click.option("--title", default="", help="A short text.")
@archive_option
def new_session(title: str, archive_dir: Path) -> None:
    """Open a session.

    Runs join it until hours pass without one.
    """
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        echo(f"session {archive.add_session(title=title)}")


@session.command()
@click.argument("number", type=int)
@click.argument("title")
@archive_option
def rename(number: int, title: str, archive_dir: Path) -> None:
    """Give a session another title."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        archive.rename_session(number, title)
    echo(f"session {number} is '{title}'")


@session.command("list")
@archive_option
@json_option
def list_sessions(archive_dir: Path, as_json: bool) -> None:
    """All sessions, newest first."""
    from evenfall.archive.archive import Archive

    with Archive(archive_dir) as archive:
        rows = archive.sessions()
    if as_json:
        print_json(rows)
        return
    print_table(
        ["session", "started", "runs", "title"],
        [[r["session"], when(r["started_unix_s"]), r["runs"], r["title"]] for r in rows],
        {"session", "runs"},
    )
