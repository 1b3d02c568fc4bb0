"""What a format's reader hands over: rows as the file has them, not yet ordered, judged or cut into flights."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

BLOCK = 20_000
ABSURD = 1e19  # nanoseconds since 1970 stay below


@dataclass(frozen=True)
class Options:
    """What the user may say about a log that does not say it itself."""

    columns: Mapping[str, str] = field(default_factory=dict)  # our column name -> the log's header
    time_zone: str | None = None  # of local times: an IANA name or an offset such as +02:00
    interval_s: float | None = None  # between rows that carry no time


@dataclass
class Samples:
    """Rows of one run of one clock.

    `time_s` (N,) in POSIX seconds where `keeps_utc`, else seconds of any clock; NaN where the row has no time.
    `not_valid` (N,): the receiver itself called the position invalid. `starts` (N,): a new power-up begins here.
    """

    time_s: Floats
    columns: dict[str, Floats]
    keeps_utc: bool = True
    not_valid: Bools | None = None
    starts: Bools | None = None
    modes: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Contents:
    """A whole file as read: its format in plain words and its runs, in file order."""

    format: str
    runs: Sequence[Samples]
    born: float = 0.0  # POSIX seconds before which no log of this format can have been written


def taken(run: Samples, rows: NDArray[np.intp]) -> Samples:
    """Some rows of a run."""
    return replace(
        run,
        time_s=run.time_s[rows],
        columns={name: values[rows] for name, values in run.columns.items()},
        not_valid=None if run.not_valid is None else run.not_valid[rows],
        starts=None if run.starts is None else run.starts[rows],
    )


def number(text: str) -> float:
    """The number a text holds, NaN where it holds none or an absurd one.

    >>> number(" 12.5 "), number("inf"), number("")
    (12.5, nan, nan)
    """
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if abs(value) < ABSURD else math.nan


def numbers(texts: Iterable[str], read: Callable[[str], float] = number) -> Floats:
    """The numbers of many texts; `read` is asked one by one when a block of them holds anything else."""
    result = array("d")
    source = iter(texts)
    while block := list(islice(source, BLOCK)):
        try:
            result.extend(array("d", map(float, block)))
        except ValueError:
            result.extend(map(read, block))
    return finite(result)


def finite(values: ArrayLike) -> Floats:
    """Values as float64, NaN for what is no number or an absurd one."""
    with np.errstate(invalid="ignore", over="ignore"):  # signalling NaNs in damaged files
        result = np.asarray(values).astype(np.float64)
    return np.where(np.abs(result) < ABSURD, result, np.nan)


class Rows:
    """Columns that grow row by row, 8 bytes a cell; a cell never put stays NaN.

    >>> rows = Rows()
    >>> rows.add(1.0); rows.put("height_m", 5.0); rows.add(2.0)
    >>> rows.columns()["height_m"].tolist()
    [5.0, nan]
    """

    def __init__(self) -> None:
        self.time = array("d")
        self._cells: dict[str, array[float]] = {}

    def __len__(self) -> int:
        return len(self.time)

    def add(self, time_s: float) -> None:
        """Begin a row."""
        self.time.append(time_s)

    def put(self, name: str, value: float) -> None:
        """Set a cell of the row begun last."""
        cells = self._cells.get(name)
        if cells is None:
            cells = self._cells[name] = array("d")
        missing = len(self.time) - len(cells)
        if missing == 1:
            cells.append(value)
        elif missing:
            cells.extend([np.nan] * (missing - 1))
            cells.append(value)
        else:
            cells[-1] = value

    def times(self) -> Floats:
        """The time of each row."""
        return np.array(self.time, dtype=np.float64)

    def columns(self) -> dict[str, Floats]:
        """All columns, of equal length."""
        result = {}
        for name, cells in self._cells.items():
            column = np.full(len(self.time), np.nan)
            column[: len(cells)] = cells
            result[name] = column
        return result
