"""From rows as a file has them to flights: places checked, times put in order, power-ups told apart, fixes judged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from overlay.tracks import fixes
from overlay.tracks.samples import Bools, Contents, Floats, Samples
from overlay.tracks.source import Source
from overlay.tracks.track import Fix, Track

SPLIT_GAP_S = 120.0  # a longer silence may be the pack being changed
LONGEST_LINK_LOSS_S = 3600.0  # in the air on both sides of a silence, it is one flight up to here
AIRBORNE_MPS = 3.0
RESTART_S = 10.0  # a clock that steps back farther has been started again
NULL_ISLAND_DEG = 1e-5
LARGEST = 1e12

Rows = NDArray[np.intp]


def flights_of(contents: Contents, source: Source) -> tuple[Track, ...]:
    """The flights of a file, in order; TrackError when no row of it can be placed in time and space."""
    flights = [flight for run in contents.runs for flight in _flights_of_run(run, source)]
    known = [flight for flight in flights if (flight.fix & Fix.NOT_VALID == 0).sum() > 1 or _has_attitude(flight)]
    if len(known) < len(flights):
        rows = sum(len(flight) for flight in flights) - sum(len(flight) for flight in known)
        source.note(f"{rows} rows apart from any flight dropped: no two valid positions among them")
    if not known:
        raise source.error(f"a {contents.format} log without two valid positions", "give the log of a flight")
    return tuple(known)


def _has_attitude(flight: Track) -> bool:
    return len(flight) > 1 and any(flight.has(name) for name in ("bank_deg", "yaw_rate_dps", "roll_rate_dps"))


def _flights_of_run(run: Samples, source: Source) -> Iterator[Track]:
    run = _checked(run, source)
    for rows in _clock_runs(run, source):
        ordered = _taken(run, rows)
        for part in _parts(ordered):
            yield _track(_taken(ordered, part))


def _checked(run: Samples, source: Source) -> Samples:
    """Drop rows without a time and places that cannot be, noting how many."""
    timed = np.isfinite(run.time_s) & (np.abs(run.time_s) < LARGEST)
    if not timed.all():
        source.note(f"{int((~timed).sum())} rows without a time dropped")
    run = _taken(run, np.flatnonzero(timed))
    columns = {name: np.where(np.abs(values) < LARGEST, values, np.nan) for name, values in run.columns.items()}
    latitude = columns.get("latitude_deg", np.full(len(run.time_s), np.nan))
    longitude = columns.get("longitude_deg", np.full(len(run.time_s), np.nan))
    null = (np.abs(latitude) < NULL_ISLAND_DEG) & (np.abs(longitude) < NULL_ISLAND_DEG)
    outside = (np.abs(latitude) > 90) | (np.abs(longitude) > 180)
    half = np.isfinite(latitude) != np.isfinite(longitude)
    _note_rows(source, null, "positions at latitude 0, longitude 0 dropped")
    _note_rows(source, outside, "positions off the globe dropped")
    impossible = null | outside | half
    columns["latitude_deg"] = np.where(impossible, np.nan, latitude)
    columns["longitude_deg"] = np.where(impossible, np.nan, longitude)
    empty = impossible & ~np.any([np.isfinite(values) for values in columns.values()], axis=0)
    return _taken(replace(run, columns=columns), np.flatnonzero(~empty))


def _note_rows(source: Source, rows: Bools, what: str) -> None:
    if rows.any():
        source.note(f"{int(rows.sum())} {what}", f"first at row {int(np.flatnonzero(rows)[0]) + 1}")


def _clock_runs(run: Samples, source: Source) -> Iterator[Rows]:
    """Rows of each run of the clock, in rising time: cut where it was started again, sorted where rows only swapped."""
    steps = np.diff(run.time_s)
    backwards = steps < 0
    cut = steps < -RESTART_S
    if backwards.any() and cut.sum() > max(8, 0.02 * len(steps)):
        source.note("times in no order at all: sorted")
        cut[:] = False
    elif backwards.any():
        _note_backwards(source, int((backwards & ~cut).sum()), int(cut.sum()))
    if run.starts is not None:
        cut |= run.starts[1:]
    for rows in np.split(np.arange(len(run.time_s)), np.flatnonzero(cut) + 1):
        if len(rows):
            yield rows[np.argsort(run.time_s[rows], kind="stable")]


def _note_backwards(source: Source, swapped: int, restarted: int) -> None:
    if swapped:
        source.note(f"{swapped} times run backwards a little: sorted")
    if restarted:
        source.note(f"{restarted} times step far back: read as the clock started again, a flight from each")


def _parts(run: Samples) -> Iterator[Rows]:
    """Row numbers of each flight of an ordered run: cut at silences, unless it flew on through them."""
    steps = np.diff(run.time_s)
    cuts = [i + 1 for i in np.flatnonzero(steps > SPLIT_GAP_S) if not _flies_through(run, int(i))]
    yield from np.split(np.arange(len(run.time_s)), cuts)


def _flies_through(run: Samples, row: int) -> bool:
    """Whether the aircraft was in the air both before and after the silence that follows `row`."""
    if run.time_s[row + 1] - run.time_s[row] > LONGEST_LINK_LOSS_S:
        return False
    before, after = run.time_s[row] - 15.0, run.time_s[row + 1] + 15.0
    sides = (
        slice(int(np.searchsorted(run.time_s, before)), row + 1),
        slice(row + 1, int(np.searchsorted(run.time_s, after, side="right"))),
    )
    return all(_speed(run, side) > AIRBORNE_MPS for side in sides)


def _speed(run: Samples, rows: slice) -> float:
    """Typical speed over some rows: as logged, else from the positions; 0 where neither tells."""
    logged = run.columns.get("ground_speed_mps")
    if logged is not None and np.isfinite(logged[rows]).any():
        return float(np.nanmedian(logged[rows]))
    latitude, longitude = run.columns["latitude_deg"][rows], run.columns["longitude_deg"][rows]
    known = np.flatnonzero(np.isfinite(latitude))
    if len(known) < 2:
        return 0.0
    latitude, longitude, time = latitude[known], longitude[known], run.time_s[rows][known]
    away = fixes.distance_m(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:]).sum()
    return float(away / max(time[-1] - time[0], 1e-3))


def _track(run: Samples) -> Track:
    """One flight's rows, judged."""
    columns, time = run.columns, run.time_s
    blank = np.full(len(time), np.nan)
    place = columns["latitude_deg"], columns["longitude_deg"]
    not_valid = run.not_valid if run.not_valid is not None else np.zeros(len(time), np.bool_)
    fix = fixes.judge(time, *place, columns.get("ground_speed_mps", blank), not_valid)
    time = time if run.keeps_utc else time - time[0]
    gaps = fixes.gaps_between(time[fix == Fix.GOOD])
    kept = {name: values for name, values in columns.items() if np.isfinite(values).any()}
    return Track(time, kept, keeps_utc=run.keeps_utc, fix=fix, gaps=gaps, modes=run.modes)


def _taken(run: Samples, rows: Rows) -> Samples:
    return replace(
        run,
        time_s=run.time_s[rows],
        columns={name: values[rows] for name, values in run.columns.items()},
        not_valid=None if run.not_valid is None else run.not_valid[rows],
        starts=None if run.starts is None else run.starts[rows],
    )
