"""From rows as a file has them to flights: places and dates checked, times put in order, fixes judged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from overlay.tracks import fixes
from overlay.tracks.cuts import parts_of
from overlay.tracks.dates import trust
from overlay.tracks.samples import Bools, Contents, Floats, Samples, taken
from overlay.tracks.source import Source
from overlay.tracks.track import Fix, Track

RESTART_S = 10.0  # a clock that steps back farther has been started again
COARSEST_TICK_S = 5.0
NULL_ISLAND_DEG = 1e-5
LARGEST = 1e12
ATTITUDE = ("bank_deg", "roll_rate_dps", "yaw_rate_dps")


def flights_of(contents: Contents, source: Source) -> tuple[Track, ...]:
    """The flights of a file, in order; TrackError when no row of it can be placed in time and space."""
    runs = [_dated(_checked(run, source), contents, source) for run in contents.runs]
    flights = [flight for run in runs for flight in _flights_of_run(run, source)]
    known = [flight for flight in flights if _places(flight) > 1 or _has_attitude(flight)]
    apart = sum(map(len, flights)) - sum(map(len, known))
    source.count(apart, "rows apart from any flight dropped: no two valid positions among them")
    if not known:
        raise source.error(f"a {contents.format} log without two valid positions", "give the log of a flight")
    return tuple(known)


def _places(flight: Track) -> int:
    return int((flight.fix & Fix.NOT_VALID == 0).sum())


def _has_attitude(flight: Track) -> bool:
    return len(flight) > 1 and any(flight.has(name) for name in ATTITUDE)


def _flights_of_run(run: Samples, source: Source) -> Iterator[Track]:
    for rows in _clock_runs(run, source):
        ordered = _moments(taken(run, rows), source)
        for part in parts_of(ordered, source):
            yield _track(taken(ordered, part))


def _checked(run: Samples, source: Source) -> Samples:
    """Drop rows without a time and places that cannot be, noting how many."""
    timed = np.isfinite(run.time_s) & (np.abs(run.time_s) < LARGEST)
    if not timed.all():
        source.count((~timed).sum(), "rows without a time dropped")
        run = taken(run, np.flatnonzero(timed))
    columns = {name: np.where(np.abs(values) < LARGEST, values, np.nan) for name, values in run.columns.items()}
    unknown = np.full(len(run.time_s), np.nan)
    latitude, longitude = columns.get("latitude_deg", unknown), columns.get("longitude_deg", unknown)
    if (
        np.nanmin(longitude, initial=np.inf) >= 0 and np.nanmax(longitude, initial=0.0) <= 360
    ):  # counted eastward all round
        longitude = np.where(longitude > 180, longitude - 360.0, longitude)
    null = (np.abs(latitude) < NULL_ISLAND_DEG) & (np.abs(longitude) < NULL_ISLAND_DEG)
    outside = (np.abs(latitude) > 90) | (np.abs(longitude) > 180)
    half = np.isfinite(latitude) != np.isfinite(longitude)
    _note_rows(source, null, "positions at latitude 0, longitude 0 dropped")
    _note_rows(source, outside, "positions off the globe dropped")
    impossible = null | outside | half
    columns["latitude_deg"] = np.where(impossible, np.nan, latitude)
    columns["longitude_deg"] = np.where(impossible, np.nan, longitude)
    empty = impossible & ~np.any([np.isfinite(values) for values in columns.values()], axis=0)
    run = replace(run, columns=columns)
    return taken(run, np.flatnonzero(~empty)) if empty.any() else run


def _note_rows(source: Source, rows: Bools, what: str) -> None:
    if rows.any():
        source.count(rows.sum(), what, f"first at row {int(np.flatnonzero(rows)[0]) + 1}")


def _dated(run: Samples, contents: Contents, source: Source) -> Samples:
    """The run with its date put right where it is certainly 1024 weeks early; no UTC where it cannot be believed."""
    if not run.keeps_utc or not len(run.time_s):
        return run
    shift, why = trust(float(np.median(run.time_s)), born=contents.born, written_s=source.written_s)
    if why:
        source.note(why)
    if np.isnan(shift):
        return replace(run, keeps_utc=False)
    return replace(run, time_s=run.time_s + shift) if shift else run


def _clock_runs(run: Samples, source: Source) -> Iterator[NDArray[np.intp]]:
    """Rows of each run of the clock, in rising time: cut where it was started again, sorted where rows only swapped."""
    steps = np.diff(run.time_s)
    backwards = steps < 0
    cut = steps < -RESTART_S
    if backwards.any() and cut.sum() > max(8, 0.02 * len(steps)):
        source.note("times in no order at all: sorted")
        cut[:] = False
    elif backwards.any():
        source.count((backwards & ~cut).sum(), "times run backwards a little: sorted")
        source.count(cut.sum(), "times step far back: read as the clock started again, a flight from each")
    if run.starts is not None:
        cut |= run.starts[1:]
    for rows in np.split(np.arange(len(run.time_s)), np.flatnonzero(cut) + 1):
        if len(rows):
            yield rows[np.argsort(run.time_s[rows], kind="stable")]


def _moments(run: Samples, source: Source) -> Samples:
    """One row a moment: rows of a clock too coarse for their rate are spread over its tick, repeats are made one."""
    moments, first, group = np.unique(run.time_s, return_index=True, return_inverse=True)
    if len(moments) == len(run.time_s):
        return run
    if _is_coarse(run, group):
        source.note("several rows a tick of the clock: spread evenly over it")
        return replace(run, time_s=_spread(run.time_s, moments, first, group))
    source.count(len(run.time_s) - len(moments), "rows repeat a moment: made one with it")
    valid = np.isfinite(run.columns["latitude_deg"])
    if run.not_valid is not None:
        valid &= ~run.not_valid
    columns = {name: _first_known(values, group, len(moments)) for name, values in run.columns.items()}
    for name in ("latitude_deg", "longitude_deg"):
        best = _first_known(np.where(valid, run.columns[name], np.nan), group, len(moments))
        columns[name] = np.where(np.isfinite(best), best, columns[name])
    any_valid = np.isfinite(_first_known(np.where(valid, 0.0, np.nan), group, len(moments)))
    starts = None if run.starts is None else run.starts[first]
    return replace(run, time_s=moments, columns=columns, not_valid=~any_valid, starts=starts)


def _is_coarse(run: Samples, group: NDArray[np.intp]) -> bool:
    """Whether most ticks hold several rows that differ: the log's rate is higher than its clock can tell."""
    again = np.diff(group) == 0
    ticks = int(group[-1]) + 1
    if ticks < 3 or again.sum() < 0.6 * ticks or float(np.median(np.diff(np.unique(run.time_s)))) > COARSEST_TICK_S:
        return False
    place = (run.columns["latitude_deg"], run.columns["longitude_deg"])
    differs = np.any(
        [np.diff(values)[again] != 0 for values in place if np.isfinite(values).any()] or [[False]], axis=0
    )
    return bool(np.mean(differs) > 0.5)


def _spread(time: Floats, moments: Floats, first: NDArray[np.intp], group: NDArray[np.intp]) -> Floats:
    counts = np.bincount(group)
    steps = np.diff(moments)
    tick = np.minimum(np.append(steps, np.inf), float(np.median(steps)))
    return np.asarray(time + (np.arange(len(time)) - first[group]) / counts[group] * tick[group], dtype=np.float64)


def _first_known(values: Floats, group: NDArray[np.intp], count: int) -> Floats:
    result = np.full(count, np.nan)
    known = np.flatnonzero(np.isfinite(values))[::-1]  # the last assignment holds, so the first row comes last
    result[group[known]] = values[known]
    return result


def _track(run: Samples) -> Track:
    """One flight's rows, judged."""
    columns, time = run.columns, run.time_s
    blank = np.full(len(time), np.nan)
    not_valid = run.not_valid if run.not_valid is not None else np.zeros(len(time), np.bool_)
    speed = columns.get("ground_speed_mps", blank)
    fix = fixes.judge(time, columns["latitude_deg"], columns["longitude_deg"], speed, not_valid)
    time = time if run.keeps_utc else time - time[0]
    gaps = fixes.gaps_between(time[fix == Fix.GOOD])
    kept = {name: values for name, values in columns.items() if np.isfinite(values).any()}
    return Track(time, kept, keeps_utc=run.keeps_utc, fix=fix, gaps=gaps, modes=run.modes)
