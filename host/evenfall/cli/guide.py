"""evenfall day: a day at the bench, step by step, resumed where it stopped."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from evenfall.cli._root import archive_option, echo, open_link, port_option, root, units_option, when

if TYPE_CHECKING:
    from evenfall.archive.archive import Archive


class _Terminal:
    """The person at the terminal."""

    def say(self, text: str) -> None:
        from evenfall.printable import printable

        echo(printable(text))

    def ask(self, question: str, default: str = "") -> str:
        return str(click.prompt(question, default=default, show_default=bool(default)))

    def choose(self, question: str, options: dict[str, str], default: str) -> str:
        echo(question)
        for key, meaning in options.items():
            echo(f"  {key:6} {meaning}")
        return str(click.prompt("Your choice", type=click.Choice(list(options)), default=default))


@root.command()
@port_option
@click.option("--new", "anew", is_flag=True, help="Begin a new day; the open one is ended, its runs stay.")
@click.option("--bench", default="", help="Name of the bench, for the sheet.")
@units_option
@archive_option
def day(port: str | None, anew: bool, bench: str, units: str, archive_dir: Path) -> None:
    """Lead through a session, from zero to report.

    Self-test, zero, check weight, air, warm-up, before, change, after, report.

    Ctrl-C, a crash or a closed lid loses nothing: `evenfall day` goes on where it stopped.
    """
    from evenfall.archive.archive import Archive
    from evenfall.cli.calibrate import LOG, _append_log, _read_log
    from evenfall.output.text import UNIT_CHOICES
    from evenfall.workflow.guided_session import Day, Guide, Reading, load_day
    from evenfall.workflow.report_page import write_page
    from evenfall.workflow.run_groups import reduced

    with Archive(archive_dir) as archive:
        today = load_day(archive)
        if today is not None and anew:
            archive.end_session(today.session)
            today = None
        if today is None:
            today = Day(archive.add_session(title="guided day"))
        else:
            began = next(s for s in archive.sessions() if s["session"] == today.session)["started_unix_s"]
            echo(f"The day that began {when(began)} goes on at '{today.step.replace('_', ' ')}'.")

        def sheet(before: list[int], after: list[int]) -> str:
            specs = tuple(",".join(map(str, counting(archive, numbers))) for numbers in (before, after))
            return str(write_page(archive, specs, None, units=units, bench=bench))

        def weigh(reading: Reading) -> list[Reading]:
            _append_log(archive.folder / LOG, reading)
            return _read_log(archive.folder / LOG)

        guide = Guide(
            archive,
            today,
            _Terminal(),
            lambda: open_link(port),
            lambda number: reduced(archive, number),
            sheet,
            UNIT_CHOICES[units],
            weigh,
        )
        guide.keep()
        guide.run()


def counting(archive: Archive, numbers: list[int]) -> list[int]:
    """Those of the runs that are not set aside."""
    return [n for n in numbers if archive.row(n)["excluded"] is None]
