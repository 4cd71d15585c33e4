"""One run from the board into the archive, and only then acknowledged.

Order, each step safe to be killed after: frames to the partial file, run into
the archive (committed), read back from disk, partial file removed, acknowledged to
the board, noted.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from evenfall import wire
from evenfall.archive import Archive
from evenfall.errors import DamageError, LinkError
from evenfall.link import Link, RunEntry
from evenfall.model import Air

AIR_STALE_S = 3 * 3600  # common practice, no source: the weather moves the factor by 0.1-0.3 % an hour
STANDARD = "iso1585"


@dataclass(frozen=True)
class Filing:
    """What new pulls are filed under; numbers in the archive."""

    build_id: int | None = None
    calibration_id: int | None = None
    setup_id: int | None = None
    air_id: int | None = None
    standard: str = STANDARD


def filing_in_force(archive: Archive, warn: Callable[[str], None] = lambda _: None) -> Filing:
    """What the archive says new pulls are filed under; warns of an old air reading."""

    def number(what: str) -> int | None:
        found = archive.in_force(what)
        return int(found[0]) if found else None

    air = archive.in_force("air")
    if air and time.time() - air[1] > AIR_STALE_S:
        hours = (time.time() - air[1]) / 3600
        warn(f"the air reading in force is {hours:.0f} h old: take a new one with evenfall air set")
    standard = archive.in_force("standard")
    return Filing(
        number("build"),
        number("calibration"),
        number("setup"),
        number("air"),
        standard[0] if standard else STANDARD,
    )


def take_run(
    line: Link,
    archive: Archive,
    entry: RunEntry,
    filing: Filing,
    progress: Callable[[int, int], None] = lambda *_: None,
) -> tuple[int, bool]:
    """Fetch, keep, verify and acknowledge one run; return (pull, whether it is new here).

    Raises LinkError when the line gives up, DamageError when the bytes are no
    run; the board keeps what was not acknowledged, the partial file stays.
    """
    assert line.info
    key = (line.info.uid, entry.run_id, entry.size, entry.crc32)
    partial = archive.partial_path(*key)
    pull = archive.known_run(*key)
    new = pull is None
    if pull is None:
        data = line.read_run_through(entry, partial, progress)
        try:
            pull = archive.store_run(
                data,
                build_id=filing.build_id,
                calibration_id=filing.calibration_id,
                setup_id=filing.setup_id,
                air_id=filing.air_id,
                standard=filing.standard,
                run=wire.decode_run(data),
            )
        except DamageError as error:
            raise DamageError(
                f"run {entry.run_id} came as the board stores it, but {error}; "
                f"its bytes are kept in {partial}, it is not acknowledged"
            ) from None
    copy = archive.read_back(pull)
    partial.unlink(missing_ok=True)  # before the board is told: after that nobody would come for it
    if "acknowledged" not in entry.flags:
        try:
            line.acknowledge(entry.run_id, copy)
        except LinkError as error:
            raise LinkError(
                f"run {entry.run_id} is safe in the archive as pull {pull}, but the board was not told "
                f"({error}); the next pull tells it"
            ) from None
    archive.acknowledged(pull)
    return pull, new


def file_air(archive: Archive, air: Air) -> int:
    """Keep an air reading and file new pulls under it."""
    from evenfall.air import check_air

    check_air(air)
    number = archive.add_record(air)
    archive.put_in_force("air", number)
    return number
