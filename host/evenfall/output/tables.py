"""Runs as CSV and Parquet.

`TABLES` is the schema: every column with its unit and meaning; `schema_text` prints it and the
tests hold files to it.  Columns are SI with the unit in the name; a CSV header also carries it in
brackets.  `BINS_QUERY` gives the rows of the table "bins" from the archive file in any SQLite tool.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from operator import attrgetter
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from evenfall.errors import InputError
from evenfall.model import Bins, Reduction
from evenfall.output.text import Units
from evenfall.reduction.engine_figures import (
    BandMean,
    EngineFigures,
    EngineSize,
    band_mean,
    engine_figures,
)
from evenfall.units import typed

# by the ending of a column's name
UNITS = {"m_s": "m/s", "W_m3": "W/m3", "rpm": "rpm", "Nm": "N.m", "W": "W", "s": "s", "Pa": "Pa", "K": "K"}
TEMPERATURES = {
    "head_temperature": "cylinder head at the start of the sweep",
    "head_temperature_end": "cylinder head at its end",
    "exhaust_temperature": "exhaust gas at the start of the sweep",
    "exhaust_temperature_end": "exhaust gas at its end",
}


@dataclass(frozen=True)
class Row:
    """One run to export, with what the archive says about it."""

    run: int
    reduction: Reduction
    engine: str = ""
    build: str = ""
    started_unix_s: int = 0
    size: EngineSize = field(default_factory=EngineSize)
    band_rpm: tuple[float, float] | None = None  # of the mean power; None: where it holds 90 % of its peak
    details: dict[str, str] = field(default_factory=dict)  # what was noted of engine, build and run

    @property
    def band(self) -> BandMean:
        """Mean power between two speeds."""
        return band_mean(self.reduction.bins, self.band_rpm)

    @property
    def figures(self) -> EngineFigures:
        """What the engine's size makes of the peaks."""
        return engine_figures(self.reduction, self.size)

    @property
    def noted(self) -> SimpleNamespace:
        """Temperatures and mixture, SI; NaN or empty where nobody noted them."""
        got: dict[str, Any] = {"fuel_mix": self.details.get("fuel_mix", "")}
        for name in TEMPERATURES:
            text = self.details.get(name, "")
            got[name] = typed(text, "temperature", name) if text else float("nan")
        return SimpleNamespace(**got)


@dataclass(frozen=True)
class Column:
    """One column: its name, what it means, and the attribute of a Row it is read from."""

    name: str
    meaning: str
    source: str

    @property
    def unit(self) -> str:
        return next((unit for end, unit in UNITS.items() if self.name.endswith(f"_{end}")), "")

    def read(self, row: Row) -> Any:
        """One value, or an array with one value per line."""
        return attrgetter(self.source)(row)


BIN_MEANINGS = {
    "speed_rpm": "crank speed at the centre of the bin",
    "torque_Nm": "engine torque at the crank, mean over the bin's width, corrected to standard air",
    "torque_u_Nm": "its standard uncertainty, all causes",
    "torque_u_independent_Nm": "the part of it that does not cancel between two runs of one set-up",
    "power_W": "engine power at the centre's speed, corrected to standard air",
    "power_u_W": "its standard uncertainty, all causes",
    "power_u_independent_W": "the part of it that does not cancel between two runs of one set-up",
    "torque_observed_Nm": "the same torque as measured, no air correction",
    "power_observed_W": "the same power as measured, no air correction",
    "count": "load samples in the bin",
}
WHICH = (
    Column("run", "number of the run in the archive", "run"),
    Column("engine", "name of the engine", "engine"),
    Column("build", "name of its build", "build"),
    Column("started_unix_s", "start of the recording, seconds since 1970-01-01 UTC", "started_unix_s"),
    Column("standard", "air standard of the correction", "reduction.standard"),
)

TABLES: dict[str, tuple[Column, ...]] = {
    # one line per run and bin that holds a value
    "bins": (
        *WHICH,
        *(Column(f.name, BIN_MEANINGS[f.name], f"reduction.bins.{f.name}") for f in fields(Bins)),
    ),
    # one line per run
    "runs": (
        *WHICH,
        Column("air_factor", "what the observed torque was multiplied by", "reduction.air_factor"),
        Column("air_factor_u", "its standard uncertainty", "reduction.air_factor_u"),
        Column("air_factor_in_range", "whether the standard allows it", "reduction.air_factor_in_range"),
        Column("sweep_time_s", "length of the sweep", "reduction.sweep_time_s"),
        Column("peak_power_W", "greatest power, corrected", "reduction.peak_power_W.value"),
        Column(
            "peak_power_half_W",
            "half of its 95 % interval, of that run alone",
            "reduction.peak_power_W.half_width",
        ),
        Column("peak_power_at_rpm", "crank speed there", "reduction.peak_power_W.speed_rpm"),
        Column("peak_torque_Nm", "greatest torque, corrected", "reduction.peak_torque_Nm.value"),
        Column(
            "peak_torque_half_Nm",
            "half of its 95 % interval, of that run alone",
            "reduction.peak_torque_Nm.half_width",
        ),
        Column("peak_torque_at_rpm", "crank speed there", "reduction.peak_torque_Nm.speed_rpm"),
        Column("mean_power_from_rpm", "lower speed of the mean power", "band.low_rpm"),
        Column("mean_power_to_rpm", "higher speed of it", "band.high_rpm"),
        Column(
            "mean_power_W",
            "mean between them, corrected: over the band asked for, else where it holds 90 % of its peak",
            "band.power_W",
        ),
        Column("mean_power_u_W", "its standard uncertainty", "band.power_u_W"),
        Column(
            "mean_effective_pressure_Pa", "at peak torque, two-stroke", "figures.mean_effective_pressure_Pa"
        ),
        Column("specific_power_W_m3", "peak power per displacement, W/m3", "figures.specific_power_W_m3"),
        Column("piston_speed_m_s", "mean, at peak power, m/s", "figures.piston_speed_m_s"),
        *(Column(f"{name}_K", meaning, f"noted.{name}") for name, meaning in TEMPERATURES.items()),
        Column("fuel_mix", "fuel to oil", "noted.fuel_mix"),
        Column("method_version", "version of the reduction", "reduction.version"),
    ),
    # one line per sample of the sweep
    "samples": (
        Column("run", "number of the run in the archive", "run"),
        Column("time_s", "seconds from the start of the recording", "reduction.time_s"),
        Column("speed_rpm", "crank speed, smoothed", "reduction.speed_rpm"),
        Column("torque_Nm", "engine torque at the crank, corrected to standard air", "reduction.torque_Nm"),
    ),
}

BINS_QUERY = f"""SELECT l.run, coalesce(l.engine, '') AS engine, coalesce(l.build, '') AS build,
       l.started_unix_s, r.standard, {", ".join(f"b.{f.name}" for f in fields(Bins))}
FROM run_list l JOIN runs p ON p.id = l.run
JOIN reductions r ON r.id = p.reduction_id
JOIN bins b ON b.reduction_id = r.id
WHERE l.excluded IS NULL
ORDER BY l.run, b.speed_rpm"""


def columns_of(rows: Sequence[Row], table: str) -> dict[str, np.ndarray]:
    """The table as arrays by column name; lines without a value are left out."""
    if table not in TABLES:
        raise InputError(f"there is no table '{table}' to export; choose one of {', '.join(TABLES)}")
    parts: dict[str, list[np.ndarray]] = {c.name: [] for c in TABLES[table]}
    for row in rows:
        values = {c.name: np.atleast_1d(np.asarray(c.read(row))) for c in TABLES[table]}
        length = max(len(v) for v in values.values())
        keep = np.isfinite(values["torque_Nm"]) if table != "runs" else np.ones(length, bool)
        for name, value in values.items():
            parts[name].append(np.broadcast_to(value, length)[keep])
    return {name: np.concatenate(p) if p else np.array([]) for name, p in parts.items()}


def to_csv(rows: Sequence[Row], table: str = "bins", units: Units | None = None) -> str:
    """The table as CSV text (RFC 4180, UTF-8, dot as decimal sign); `units` turns torque and power
    into US units, SI otherwise."""
    data = columns_of(rows, table)
    header, columns = [], []
    for column in TABLES[table]:
        values, name, unit = data[column.name], column.name, column.unit
        if units is not None and unit == "N.m":
            values, name, unit = units.torque(values), name.removesuffix("_Nm"), units.torque_unit
        elif units is not None and unit == "W":
            values, name, unit = units.power(values), name.removesuffix("_W"), units.power_unit
        header.append(f"{name} [{unit}]" if unit else name)
        columns.append([_cell(v) for v in values.tolist()])
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def to_parquet(rows: Sequence[Row], path: str | Path, table: str = "bins") -> Path:
    """The table as a Parquet file, SI, unit and meaning of each column in its metadata.

    Raises InputError when the optional package pyarrow is not installed.
    """
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise InputError(
            "Parquet needs the package pyarrow: pip install 'evenfall[parquet]', or export CSV"
        ) from None
    data = columns_of(rows, table)
    arrays, schema = [], []
    for column in TABLES[table]:
        array = pyarrow.array(data[column.name].tolist())
        arrays.append(array)
        described = {"unit": column.unit, "meaning": column.meaning}
        schema.append(pyarrow.field(column.name, array.type, metadata=described))
    built = pyarrow.Table.from_arrays(arrays, schema=pyarrow.schema(schema))
    pyarrow.parquet.write_table(built, Path(path))
    return Path(path)


def schema_text() -> str:
    """All tables and columns as Markdown, and the query for SQLite tools."""
    lines = [
        "# Exported tables",
        "",
        "Made by `evenfall export --schema`; do not edit by hand.",
        "",
        "CSV: UTF-8, comma, dot as decimal sign, lines end with CR LF (RFC 4180). The heading of a column",
        "with a unit is `name [unit]`; an empty cell is a value that is not known. Parquet: the same",
        "columns, unit and meaning in each column's metadata.",
        "",
    ]
    for table, columns in TABLES.items():
        lines += [f"## {table}", "", "| column | unit | meaning |", "|---|---|---|"]
        lines += [f"| {c.name} | {c.unit} | {c.meaning} |" for c in columns]
        lines.append("")
    lines += ["## bins from the archive file, in any SQLite tool", "", "```sql", BINS_QUERY, "```", ""]
    return "\n".join(lines)


def _cell(value: Any) -> Any:
    """A spreadsheet must not run a name as a formula; a missing number is an empty cell."""
    if isinstance(value, float) and not np.isfinite(value):
        return ""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return value
