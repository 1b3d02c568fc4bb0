from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from overlay.errors import UsageError
from overlay.exports.table import decimals_of, write_csv, write_parquet
from overlay.readings import Readings


def written(readings: Readings) -> str:
    text = io.StringIO()
    write_csv(readings, text)
    return text.getvalue()


def test_another_reader_finds_the_readings_within_the_rounding(flight: Readings) -> None:
    table = pd.read_csv(io.StringIO(written(flight)))
    assert len(table) == len(flight)
    for name, values in flight.columns.items():
        half_step = 0.5 * 10.0 ** -decimals_of(name)
        np.testing.assert_allclose(table[name], values, rtol=0, atol=half_step * 1.001, equal_nan=True)
    stamps = [datetime.fromisoformat(stamp) for stamp in table["utc"]]
    assert all(stamp.tzinfo == UTC for stamp in stamps)
    np.testing.assert_allclose([stamp.timestamp() for stamp in stamps], flight.time_s, atol=0.0005)
    assert table["leg"].dropna().unique().tolist() == ["take-off", "out", "home", "landing"]


VALUES = st.one_of(st.floats(-1e7, 1e7), st.just(np.nan))


@given(hnp.arrays(np.float64, (3, 40), elements=VALUES))
def test_round_trip(values: np.ndarray) -> None:
    names = ("height_m", "control_link_pct", "voltage_V")
    readings = Readings(np.arange(40.0), dict(zip(names, values, strict=True)), keeps_utc=False)
    rows = list(csv.DictReader(io.StringIO(written(readings))))
    for name, column in zip(names, values, strict=True):
        read = np.array([float(row[name]) if row[name] else np.nan for row in rows])
        np.testing.assert_allclose(read, column, rtol=1e-12, atol=0.5 * 10.0 ** -decimals_of(name) * 1.001)
        assert not any(row[name].startswith("-") and float(row[name]) == 0 for row in rows)


def test_a_log_without_utc_gets_none(flight_at) -> None:
    head = written(flight_at(keeps_utc=False)).splitlines()[0].split(",")
    assert "utc" not in head
    assert head[0] == "time_s"


def test_an_empty_table_is_its_header() -> None:
    assert written(Readings(np.zeros(0), {"range_m": np.zeros(0)}, keeps_utc=False)) == "time_s,leg,range_m\n"


def test_parquet_keeps_every_bit(flight: Readings, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow is an extra")
    write_parquet(flight, tmp_path / "flight.parquet")
    table = parquet.read_table(tmp_path / "flight.parquet")
    assert table.column_names[:3] == ["time_s", "utc", "leg"]
    for name, values in flight.columns.items():
        np.testing.assert_array_equal(table[name].to_numpy(), values)
        assert table[name].null_count == np.isnan(values).sum()
        assert table.schema.field(name).metadata[b"unit"].decode() == name.rpartition("_")[2]
    stamps = table["utc"].to_pylist()
    np.testing.assert_allclose([stamp.timestamp() for stamp in stamps], flight.time_s, atol=1e-6)


def test_parquet_without_pyarrow_says_what_to_do(flight: Readings, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"overlay\[parquet\]"):
        write_parquet(flight, tmp_path / "flight.parquet")
