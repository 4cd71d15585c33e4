"""CSV and Parquet hold what the reductions hold, with units, and their schema is complete."""

from __future__ import annotations

import csv
import io
from dataclasses import fields
from pathlib import Path

import numpy as np
import pyarrow.parquet
import pytest
from evenfall.errors import InputError
from evenfall.model import Bins
from evenfall.output import tables
from evenfall.output.tables import Row
from evenfall.output.text import US
from made_reductions import make_group


def rows(n: int = 3, **options: object) -> list[Row]:
    return [
        Row(40 + i, r, "post auger", "=cmd|' /C calc'!A0", 1_700_000_000 + i)
        for i, r in enumerate(make_group(n, 6, **options))
    ]


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_bins_round_trip() -> None:
    given = rows(missing=3)
    table = read(tables.to_csv(given))
    assert len(table) == 3 * 30
    for row in given:
        lines = [line for line in table if line["run"] == str(row.run)]
        bins = row.reduction.bins
        kept = np.isfinite(bins.torque_Nm)
        assert [float(x["speed_rpm [rpm]"]) for x in lines] == list(bins.speed_rpm[kept])
        assert [float(x["power_W [W]"]) for x in lines] == list(bins.power_W[kept]), "no digit is lost"
        assert [int(x["count"]) for x in lines] == list(bins.count[kept])


@pytest.mark.outside("pint")
def test_shop_units_are_in_the_header_and_right() -> None:
    """lb-ft and hp of a CSV file."""
    import pint

    given = rows(1)
    units = pint.UnitRegistry()
    first_si, first_us = read(tables.to_csv(given))[0], read(tables.to_csv(given, units=US))[0]
    torque = (
        units.Quantity(float(first_si["torque_Nm [N.m]"]), "newton meter").to("foot * force_pound").magnitude
    )
    power = units.Quantity(float(first_si["power_W [W]"]), "watt").to("horsepower").magnitude
    assert float(first_us["torque [lb-ft]"]) == pytest.approx(torque, rel=1e-12)
    assert float(first_us["power [hp]"]) == pytest.approx(power, rel=1e-9)
    assert not any(key.startswith("torque_Nm") for key in first_us)


def test_names_are_no_formulas() -> None:
    assert read(tables.to_csv(rows(1)))[0]["build"] == "'=cmd|' /C calc'!A0"


@pytest.mark.parametrize("table", list(tables.TABLES))
def test_parquet_holds_the_same(table: str, tmp_path: Path) -> None:
    given = rows()
    path = tables.to_parquet(given, tmp_path / "out.parquet", table)
    read_back = pyarrow.parquet.read_table(path)
    assert read_back.column_names == [c.name for c in tables.TABLES[table]]
    as_csv = read(tables.to_csv(given, table))
    assert read_back.num_rows == len(as_csv)
    name = "power_W" if table == "bins" else "peak_power_W" if table == "runs" else "torque_Nm"
    heading = next(h for h in as_csv[0] if h.startswith(name))
    assert read_back.column(name).to_pylist() == [float(line[heading]) for line in as_csv]
    for column in tables.TABLES[table]:
        metadata = read_back.schema.field(column.name).metadata
        assert metadata[b"unit"].decode() == column.unit and metadata[b"meaning"].decode() == column.meaning


def test_every_field_of_a_bin_is_described_with_its_unit() -> None:
    assert set(tables.BIN_MEANINGS) == {f.name for f in fields(Bins)}
    text = tables.schema_text()
    for columns in tables.TABLES.values():
        for column in columns:
            assert f"| {column.name} | {column.unit} | {column.meaning} |" in text
            ending = column.name.rsplit("_", 1)[-1]
            assert column.unit or ending not in ("Nm", "W", "rpm", "s")


def test_empty_and_unknown() -> None:
    assert tables.to_csv([]).count("\r\n") == 1
    with pytest.raises(InputError, match="no table 'curves' to export; choose one of bins, runs, samples"):
        tables.to_csv([], "curves")


def test_the_written_schema_is_the_programs_own() -> None:
    written = Path(tables.__file__).parents[2] / "EXPORTS.md"
    assert written.read_text() == tables.schema_text(), "run: evenfall export --schema > host/EXPORTS.md"
