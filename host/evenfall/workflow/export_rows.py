"""Runs of the archive as the rows that a table for export is made of."""

from __future__ import annotations

from collections.abc import Sequence

from evenfall.archive.archive import Archive
from evenfall.output.tables import Row
from evenfall.workflow.run_groups import reduced


def export_rows(
    archive: Archive,
    numbers: Sequence[int],
    standard: str | None = None,
    band_rpm: tuple[float, float] | None = None,
) -> list[Row]:
    """A row of each run, reduced with `standard`, else with its own; `band_rpm`: of the mean power."""
    rows = []
    for number in numbers:
        known = archive.row(number)
        rows.append(
            Row(
                number,
                reduced(archive, number, standard).reduction,
                known["engine"] or "",
                known["build"] or "",
                known["started_unix_s"],
                archive.engine_size(number),
                band_rpm,
                archive.details(number),
            )
        )
    return rows
