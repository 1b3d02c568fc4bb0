"""Messages of several sensors, each at its own rate, put on one time axis."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FASTEST_HZ = 50.0  # motion of an airframe holds nothing faster that matters here


@dataclass(frozen=True)
class Stream:
    """Samples of one sensor: `time_s` (N,) rising, columns (N,) beside it."""

    time_s: Floats
    columns: Mapping[str, Floats]


def joined(streams: Sequence[Stream]) -> tuple[Floats, dict[str, Floats]]:
    """(time axis of all streams, their columns on it): NaN where only another sensor was stamped.

    Samples of two streams with one stamp share a row; where two streams carry one column the earlier stream wins.
    """
    streams = [_cleaned(stream) for stream in streams]
    axis = np.unique(np.concatenate([stream.time_s for stream in streams])) if streams else np.zeros(0)
    columns: dict[str, Floats] = {}
    for stream in streams:
        rows = np.searchsorted(axis, stream.time_s)
        for name, values in stream.columns.items():
            if name not in columns:
                columns[name] = np.full(len(axis), np.nan)
                columns[name][rows] = values
    return axis, columns


def _cleaned(stream: Stream) -> Stream:
    """The stream with finite, rising stamps, one sample each."""
    known = np.flatnonzero(np.isfinite(stream.time_s))
    _, first = np.unique(stream.time_s[known], return_index=True)
    rows = known[first]
    return Stream(stream.time_s[rows], {name: values[rows] for name, values in stream.columns.items()})


def slowed(stream: Stream, fastest_hz: float = FASTEST_HZ) -> Stream:
    """The stream averaged down to at most `fastest_hz`, so that vibration does not alias into motion."""
    stream = _cleaned(stream)
    if len(stream.time_s) < 3:
        return stream
    count = int(np.floor(1.0 / (fastest_hz * max(float(np.median(np.diff(stream.time_s))), 1e-6))))
    if count < 2:
        return stream
    blocks = len(stream.time_s) // count

    def mean(values: Floats) -> Floats:
        return np.asarray(values[: blocks * count].reshape(blocks, count).mean(axis=1), dtype=np.float64)

    return Stream(mean(stream.time_s), {name: mean(values) for name, values in stream.columns.items()})
