"""The archive: one SQLite file with every run bit for bit, and what is known about it.

    DIR/evenfall.sqlite   the catalogue and the raw frames
    DIR/incoming/         transfers not yet whole (link.read_run takes them up again)

Raw frames, calibrations, set-ups, air, notes and reductions are written once
and never changed; triggers in the file itself refuse it, whatever program asks.
Nothing is deleted: a run is excluded with a reason.
"""

from __future__ import annotations

from evenfall.archive.backup import Maintenance, restore
from evenfall.archive.database import FILE_NAME
from evenfall.archive.exchange import MAX_EXPORT_BYTES, Exchange, read_export
from evenfall.archive.files import write_whole
from evenfall.archive.search import Query, Search

__all__ = ["FILE_NAME", "MAX_EXPORT_BYTES", "Archive", "Query", "read_export", "restore", "write_whole"]


class Archive(Exchange, Search, Maintenance):
    """An open archive: filing, runs, exchange, search and care over one file."""
