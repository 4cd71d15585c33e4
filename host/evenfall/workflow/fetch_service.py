"""Fetch what waits on the board, keep it, reduce it: one call for whoever holds the line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from evenfall.archive.archive import FILE_NAME, Archive
from evenfall.board.link import Link
from evenfall.board.transfer import Progress
from evenfall.errors import EvenfallError
from evenfall.model import DEFAULT_STANDARD, Air
from evenfall.workflow.fetch import active_filing, take_runs, teeth_warning
from evenfall.workflow.reduce_service import reduce_stored


@dataclass(frozen=True)
class Fetched:
    """What a fetch came to: numbers in the archive, and a sentence for each run that cannot be reduced."""

    numbers: tuple[int, ...]
    unreduced: tuple[str, ...]
    warning: str = ""  # why the figures may be wrong; empty when nothing is known against them

    @property
    def sentence(self) -> str:
        came = f"run {', '.join(map(str, self.numbers))}" if self.numbers else "nothing new"
        return "; ".join([came, *self.unreduced, *([f"WARNING: {self.warning}"] if self.warning else [])])


def fetch_waiting(line: Link, folder: Path, progress: Progress = lambda *_: None) -> Fetched:
    """Fetch, keep, acknowledge and reduce every run that waits on the board.

    Raises what `take_runs` raises; what was kept before that stays kept.
    """
    came: list[int] = []
    unreduced: list[str] = []
    with Archive(folder) as archive:
        filing = active_filing(archive)
        warning = teeth_warning(line, archive, filing)
        entries = [e for e in line.runs() if "acknowledged" not in e.flags]
        for _, number, _ in take_runs(line, archive, entries, filing, progress):
            came.append(number)
            try:
                reduce_stored(archive, number)
            except EvenfallError as error:
                unreduced.append(f"run {number} is kept but cannot be reduced: {error}")
    return Fetched(tuple(came), tuple(unreduced), warning)


def active_standard(archive_dir: Path) -> tuple[str, Air | None]:
    """The air standard and the typed air that new runs are filed under."""
    if not (archive_dir / FILE_NAME).exists():
        return DEFAULT_STANDARD, None
    with Archive(archive_dir) as archive:
        filing = active_filing(archive)
        return filing.standard, archive.record(Air, filing.air_id) if filing.air_id else None
