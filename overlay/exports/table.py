"""The readings as a table: CSV for everybody, Parquet for those who compute on.

CSV values are rounded to what the instruments of the trade can tell (`decimals_of`), unknown ones are empty cells, and
times are UTC where the log keeps UTC. Parquet keeps every bit, the unit in the column's name and in its metadata.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, TextIO

from overlay.clock import format_utc
from overlay.errors import UsageError
from overlay.readings import Readings

if TYPE_CHECKING:
    import pyarrow

_DECIMALS = {
    "deg": 2, "m": 2, "mps": 3, "pct": 1, "V": 3, "A": 3, "W": 1, "mAh": 1, "Wh": 3, "dBm": 1, "dB": 1, "grade": 2,
}  # fmt: skip
_PLACE_DECIMALS = 7  # of a degree: a centimetre
_CHUNK_ROWS = 20_000


def unit_of(column: str) -> str:
    """The unit in a column's name.

    >>> unit_of("ground_speed_mps")
    'mps'
    """
    return column.rpartition("_")[2]


def decimals_of(column: str) -> int:
    """Decimals to which a column is rounded in text.

    >>> decimals_of("latitude_deg"), decimals_of("bank_deg")
    (7, 2)
    """
    if column in ("latitude_deg", "longitude_deg"):
        return _PLACE_DECIMALS
    return _DECIMALS.get(unit_of(column), 3)


def write_csv(readings: Readings, file: TextIO) -> None:
    """Write one row per moment: time_s, utc where kept, leg, then every column."""
    names = tuple(readings.columns)
    file.write(",".join(("time_s", *(("utc",) if readings.keeps_utc else ()), "leg", *names)) + "\n")
    for first in range(0, len(readings), _CHUNK_ROWS):
        file.writelines(_lines(readings, names, slice(first, first + _CHUNK_ROWS)))


def _lines(readings: Readings, names: tuple[str, ...], rows: slice) -> Iterator[str]:
    times = readings.time_s[rows].tolist()
    cells: list[list[str]] = [[f"{time:.3f}" for time in times]]
    if readings.keeps_utc:
        cells.append([format_utc(time) for time in times])
    cells.append([readings.leg_at(time) or "" for time in times])
    cells += [_texts(readings.columns[name][rows].tolist(), decimals_of(name)) for name in names]
    return (",".join(row) + "\n" for row in zip(*cells, strict=True))


def _texts(values: list[float], decimals: int) -> list[str]:
    form = f"z.{decimals}f"  # z: no minus before a zero
    return [format(value, form) if math.isfinite(value) else "" for value in values]


def write_parquet(readings: Readings, path: str | os.PathLike[str]) -> None:
    """Write the same as Parquet; UsageError where pyarrow is not installed."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise UsageError("Parquet needs pyarrow: install overlay[parquet], or export .csv") from None
    parquet.write_table(_arrow(readings, pyarrow), path, compression="zstd")


def _arrow(readings: Readings, arrow: pyarrow) -> pyarrow.Table:
    import numpy as np

    legs = arrow.array([readings.leg_at(time) for time in readings.time_s.tolist()]).dictionary_encode()
    arrays, fields = [arrow.array(readings.time_s)], [arrow.field("time_s", arrow.float64(), metadata={"unit": "s"})]
    if readings.keeps_utc:
        stamps = np.round(readings.time_s * 1e6).astype(np.int64)
        utc = arrow.timestamp("us", tz="UTC")
        arrays.append(arrow.array(stamps).cast(arrow.int64()).cast(utc))
        fields.append(arrow.field("utc", utc))
    arrays.append(legs)
    fields.append(arrow.field("leg", legs.type))
    for name, values in readings.columns.items():
        arrays.append(arrow.array(values, mask=np.isnan(values)))
        about = {"unit": unit_of(name), **({"derived": readings.derived[name]} if name in readings.derived else {})}
        fields.append(arrow.field(name, arrow.float64(), metadata=about))
    return arrow.Table.from_arrays(arrays, schema=arrow.schema(fields))
