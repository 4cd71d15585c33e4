"""Runs from the board into the archive, and only then acknowledged.

Order, each step safe to be killed after: frames to the partial file, run into
the archive (committed), out of the log into the archive's own file, read back,
partial file removed, acknowledged to the board, noted.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from evenfall_wire.messages import TICK_HZ, TICK_WRAP

from evenfall import config
from evenfall.archive.archive import Archive
from evenfall.board import run_file
from evenfall.board.link import Link
from evenfall.board.transfer import Progress, RunEntry
from evenfall.errors import ArchiveError, BoardError, DamageError, LinkError
from evenfall.model import DEFAULT_STANDARD, Air, Run, Setup
from evenfall.reduction.air import check_air, standard_named

AIR_STALE_S = 3 * 3600  # common practice, no source: the weather moves the factor by 0.1-0.3 % an hour
TICK_WRAP_S = TICK_WRAP / TICK_HZ
CLOCK_SLACK_S = 120  # a reading dated so far ahead is no more than a clock that was set


@dataclass(frozen=True)
class Filing:
    """What new runs are filed under; numbers in the archive."""

    build_id: int | None = None
    calibration_id: int | None = None
    setup_id: int | None = None
    air_id: int | None = None
    standard: str = DEFAULT_STANDARD


def default_standard() -> str:
    """The air standard of an archive that chose none: the remembered one, else the usual one."""
    told = config.get("standard")
    return standard_named(told).key if told else DEFAULT_STANDARD


def active_filing(archive: Archive, warn: Callable[[str], None] = lambda _: None) -> Filing:
    """What the archive says new runs are filed under; warns of an old air reading."""

    def number(what: str) -> int | None:
        found = archive.active(what)
        return found.number if found else None

    air = archive.active("air")
    if air and air.since_unix_s > time.time() + CLOCK_SLACK_S:
        warn(
            "the active air reading is dated in the future, so its age is not known: "
            "check this computer's clock and take a new one with evenfall air set"
        )
    elif air and time.time() - air.since_unix_s > AIR_STALE_S:
        hours = (time.time() - air.since_unix_s) / 3600
        warn(f"the active air reading is {hours:.0f} h old: take a new one with evenfall air set")
    standard = archive.active("standard")
    return Filing(
        number("build"),
        number("calibration"),
        number("setup"),
        number("air"),
        standard.value if standard else default_standard(),
    )


@dataclass(frozen=True)
class HostClock:
    """This computer's clock and the board's ticks at one moment: they date runs of a board without one."""

    unix_s: float
    tick_s: float  # of the board, modulo TICK_WRAP_S
    uptime_s: float
    boot_count: int

    @classmethod
    def read(cls, line: Link) -> HostClock:
        """Ask the board, between two looks at this computer's clock."""
        assert line.info
        before = time.time()
        status = line.status()
        return cls(
            (before + time.time()) / 2, float(status["tick"]), float(status["uptime_s"]), line.info.boot_count
        )

    def start_of(self, run: Run) -> tuple[int, bool]:
        """When the run began, Unix seconds, and whether that is known.

        The board's ticks tell it to a moment, but for multiples of their wrap (4.5 minutes); the uptime that
        the run carries tells how many.  A run of an older firmware carries none: it gets the newest moment
        that its ticks allow, not before the board's start.  Nobody knows when a run of an earlier start of
        the board was made: the time given back is that of this start, which comes after it.
        """
        if run.boot_count != self.boot_count:
            return int(self.unix_s - self.uptime_s) - 1, False
        age_s = (self.tick_s - run.start_tick / TICK_HZ) % TICK_WRAP_S
        began_s = run.start_uptime_s
        if began_s is None:
            return round(self.unix_s - min(age_s, max(self.uptime_s, 1.0))), True
        wraps = round((self.uptime_s - began_s - age_s) / TICK_WRAP_S)
        return round(self.unix_s - age_s - max(wraps, 0) * TICK_WRAP_S), True


def take_runs(
    line: Link,
    archive: Archive,
    entries: Sequence[RunEntry],
    filing: Filing,
    progress: Progress = lambda *_: None,
) -> Iterator[tuple[RunEntry, int, bool]]:
    """Fetch, keep, verify and acknowledge runs; give (entry, number here, whether it is new) in order.

    Runs that follow each other quickly are fetched in one go before the first is kept.
    Raises LinkError when the line gives up, DamageError when the bytes are no run, at the
    first entry that was not given yet; the board keeps what was not acknowledged, and the
    partial files stay.  A run that the board cannot read whole is kept as far as it came: the
    entry given back names its `damage`, and it is not acknowledged.
    """
    assert line.info
    uid = line.info.uid
    partials = {e.run_id: archive.partial_path(uid, e.run_id, e.size, e.crc32) for e in entries}
    todo = list(entries)
    undated = [e for e in entries if not e.started_unix_s]
    clock = HostClock.read(line) if undated else None
    while todo:
        known = [archive.known_run(uid, e.run_id, e.size, e.crc32) for e in todo]
        if known[0] is not None:
            came: Iterable[tuple[RunEntry, int, bool]] = [(todo[0], known[0], False)]
        else:
            here = next((n for n, number in enumerate(known) if number is not None), len(todo))
            wanted = [(e, partials[e.run_id]) for e in todo[:here]]
            fetched = line.read_runs_through(wanted, progress)
            came = (
                (e, _store(archive, uid, e, d, filing, partials[e.run_id], clock), True) for e, d in fetched
            )
        for entry, number, new in came:
            copy = _settled(archive, entry, number, progress)
            # before the board is told: after that nobody would come for it
            partials[entry.run_id].unlink(missing_ok=True)
            if not entry.damage:
                _tell(line, entry, number, copy)
                archive.acknowledged(number)
            del todo[0]
            yield entry, number, new


def _store(
    archive: Archive,
    uid: str,
    entry: RunEntry,
    data: bytes,
    filing: Filing,
    partial: Path,
    clock: HostClock | None,
) -> int:
    """Store a run that came from board `uid`; DamageError when its header names another run or board."""
    run = run_file.decode_run(data)
    if run.board_uid and (run.board_uid, run.run_id) != (uid, entry.run_id):
        raise DamageError(
            f"run {entry.run_id}: what came is run {run.run_id} of board {run.board_uid}, not of {uid}; its "
            f"bytes are kept in {partial}, it is not acknowledged"
        )
    if not run.board_uid:  # the header is damaged: the board's list says what it was
        started = entry.started_unix_s
        run = replace(run, board_uid=uid, run_id=entry.run_id, started_unix_s=started)
    started_s, known = clock.start_of(run) if clock and not run.started_unix_s else (None, True)
    try:
        return archive.store_run(
            data,
            run=replace(run, damage=[*entry.damage, *run.damage]),
            started_unix_s=started_s,
            time_known=known,
            **asdict(filing),
        )
    except DamageError as error:
        raise DamageError(
            f"run {entry.run_id} came as the board stores it, but {error}; "
            f"its bytes are kept in {partial}, it is not acknowledged"
        ) from None


def _settled(archive: Archive, entry: RunEntry, number: int, progress: Progress) -> bytes:
    """The run as it lies in the archive's own file; ArchiveError while it does not lie there."""
    try:
        return archive.read_back(number, lambda: progress(entry.run_id, entry.size, entry.size))
    except ArchiveError as error:
        raise ArchiveError(
            f"run {entry.run_id} came and is run {number} here, but the board was not told: {error}"
        ) from None


def _tell(line: Link, entry: RunEntry, number: int, copy: bytes) -> None:
    if "acknowledged" in entry.flags:
        return
    try:
        line.acknowledge(entry.run_id, copy)
    except (LinkError, BoardError) as error:
        raise LinkError(
            f"run {entry.run_id} is safe in the archive as run {number}, but the board was not told "
            f"({error}); the next pull tells it"
        ) from None


def teeth_warning(line: Link, archive: Archive, filing: Filing) -> str:
    """Why the set-up that new runs are filed under cannot be this board's; empty when it can.

    The board guards speeds by its own teeth and counts by its own magnets, the reduction by the set-up's.
    """
    if filing.setup_id is None:
        return ""
    setup = archive.record(Setup, filing.setup_id)
    board = line.settings()
    said = []
    if board["engine_teeth"] * setup.brake_teeth != board["brake_teeth"] * setup.engine_teeth:
        said.append(
            f"teeth {board['engine_teeth']}:{board['brake_teeth']}, the set-up "
            f"{setup.engine_teeth}:{setup.brake_teeth}"
        )
    if board["magnets"] != setup.magnets:
        said.append(f"{board['magnets']} magnets, the set-up {setup.magnets}")
    if not said:
        return ""
    return (
        f"the board is set to {' and '.join(said)}: one of them is wrong, and so would be speed and power. "
        "Count them, then set both: evenfall board set engine_teeth=N brake_teeth=N magnets=N, "
        "evenfall setup add NAME"
    )


def file_air(archive: Archive, air: Air) -> int:
    """Keep an air reading and file new runs under it."""
    check_air(air)
    number = archive.add_record(air)
    archive.activate("air", number)
    return number
