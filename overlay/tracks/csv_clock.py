"""When each row of a table was logged: epoch numbers, running seconds, ISO 8601, or day and clock in two columns."""

from __future__ import annotations

import itertools
import math
import re
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

import numpy as np

from overlay.clock import GPS_EPOCH_POSIX
from overlay.tracks import units
from overlay.tracks.dates import (
    DAY_S,
    day_reader,
    names_zone,
    posix_of_iso,
    seconds_of_day,
    unwrap_midnight,
    zone_of,
)
from overlay.tracks.fixes import distance_m
from overlay.tracks.samples import Floats, Options, number, numbers
from overlay.tracks.source import Source
from overlay.tracks.terms import Field

LATE_DATE_S = 60.0  # a date that lags behind its clock by more is another day's
EPOCH_FROM_S, EPOCH_TO_S = 6e8, 4.2e9  # 1989 … 2103: numbers outside it count from power-up
_UTC_WORDS = re.compile(r"(?i)(?<![a-z])(?:utc|gmt|zulu)(?![a-z])\s*([+-]\d{1,2}(?::?\d{2})?(?!\d))?")
_DAY_AND_CLOCK = re.compile(
    r"\s*(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{8})[T ,;]+(\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?(?:\s*[AaPp][Mm])?)"
    r"\s*(Z|UTC|GMT|[+-]\d{2}:?\d{2})?\s*"
)
_MINUTES = re.compile(r"\s*(\d{1,3}):(\d{2}(?:[.,]\d+)?)\s*")
_RUNNING_UNITS = (1.0, 1e-3, 1e-6, 86400.0)  # s, ms, µs, and days as spreadsheets count them
REMEDY = 'name the column and its unit, for example time_s = "Time (ms)", or give interval_s'


def clock_of(
    source: Source,
    options: Options,
    time: tuple[Field, list[str]] | None,
    day: tuple[Field, list[str]] | None,
    place: Floats,
) -> tuple[Floats, bool]:
    """(seconds of each row, whether they are UTC); `place` (N, 2) in degrees helps to tell ms from s."""
    if options.interval_s is not None:
        return np.arange(len(place), dtype=np.float64) * options.interval_s, False
    if time is None:
        time, day = day, None
    if time is None:
        raise source.error("a table without a time column", REMEDY)
    field, texts = time
    zone = _zone_of_headers([part[0].header for part in (time, day) if part])
    if zone is None and options.time_zone:
        zone = zone_of(options.time_zone)
    values = numbers(texts, lambda text: number(text.replace(",", ".")))
    if np.isfinite(values).sum() > 0.5 * sum(bool(text.strip()) for text in texts):
        if day is not None and not units.measures(field.unit, "time") and _is_clock_number(values):
            return _day_and_clock(source, day[1], _clock_number(values), zone)
        if not units.measures(field.unit, "time") and (scale := _skips_like_a_clock(values)) is not None:
            source.note("times of day without a date: no UTC is named")
            return _unwrapped(_clock_number(values * scale)), False
        return _running(source, field, values, place)
    if day is None and (elapsed := _minutes_and_seconds(texts)) is not None:
        source.note(f"times such as {texts[0].strip()[:12]!r} read as minutes and seconds: no UTC is named")
        return elapsed, False
    clock = np.array([seconds_of_day(text) for text in texts])
    if np.isfinite(clock).sum() > 0.5 * len(clock):
        if day is None:
            source.note("times of day without a date: no UTC is named")
            return _unwrapped(clock), False
        return _day_and_clock(source, day[1], clock, zone)
    return _stamps(source, texts, zone)


def _zone_of_headers(headers: list[str]) -> tzinfo | None:
    """The zone that a header names: UTC, or so far from it, as in "Time (UTC+2)"; None where none does."""
    found = next((match for match in map(_UTC_WORDS.search, headers) if match), None)
    if found is None:
        return None
    return zone_of(found[1]) if found[1] else UTC


def _running(source: Source, field: Field, numbers: Floats, place: Floats) -> tuple[Floats, bool]:
    """Numbers: an epoch by their size, else seconds, milliseconds or microseconds since some start."""
    unit = units.plain(field.unit)
    known = np.isfinite(numbers)
    middle = float(np.median(numbers[known])) if known.any() else math.nan
    if units.measures(unit, "time"):
        seconds = numbers * units.QUANTITIES["time"][unit]
        if EPOCH_FROM_S < middle * units.QUANTITIES["time"][unit] < EPOCH_TO_S:
            return _since_an_epoch(source, field, seconds)
        return seconds, False
    for factor in (1.0, 1e-3, 1e-6, 1e-9):
        if EPOCH_FROM_S < middle * factor < EPOCH_TO_S and middle > 1e9 * 0.6:
            return _since_an_epoch(source, field, numbers * factor)
    factor = _running_unit(numbers, place)
    if math.isnan(factor):
        raise source.error(f"a time column {field.header!r} whose unit is not clear", REMEDY)
    return numbers * factor, False


def _since_an_epoch(source: Source, field: Field, seconds: Floats) -> tuple[Floats, bool]:
    """POSIX seconds, unless a column of GPS time may as well count from the GPS epoch, ten years later."""
    if "gps" not in field.header.lower() or float(np.nanmedian(seconds)) + GPS_EPOCH_POSIX > source.written_s + DAY_S:
        return seconds, True
    source.note(f"{field.header!r} may count from 1970 or from the GPS epoch of 1980: no UTC is named")
    return seconds, False


def _running_unit(numbers: Floats, place: Floats) -> float:
    """Seconds per count, from how often rows come and how fast the aircraft would have flown; NaN when two would do."""
    steps = np.diff(numbers[np.isfinite(numbers)])
    rising = steps[steps > 0]
    if len(rising) == 0:
        return math.nan
    step = float(np.median(rising))
    likely = [factor for factor in _RUNNING_UNITS if 2e-3 <= step * factor <= 30.0]
    speed = _mean_speed(numbers, place)
    if np.isfinite(speed):
        likely = [factor for factor in likely if 0.3 <= speed / factor <= 80.0]
    if len(likely) > 1 and np.any(numbers[np.isfinite(numbers)] % 1.0):
        return 1.0 if 1.0 in likely else math.nan  # fractions are written for seconds
    return likely[0] if len(likely) == 1 else math.nan


def _mean_speed(numbers: Floats, place: Floats) -> float:
    """Metres per count along the positions, NaN where they tell nothing."""
    known = np.flatnonzero(np.isfinite(numbers) & np.isfinite(place).all(axis=1))
    if len(known) < 10 or np.ptp(numbers[known]) <= 0:
        return math.nan
    latitude, longitude = place[known, 0], place[known, 1]
    away = float(distance_m(latitude[:-1], longitude[:-1], latitude[1:], longitude[1:]).sum())
    return away / float(np.ptp(numbers[known])) if away > 100.0 else math.nan


def _is_clock_number(numbers: Floats) -> bool:
    known = numbers[np.isfinite(numbers)]
    return bool(np.all((known >= 0) & (known < 240000) & (known % 100 < 61) & (known // 100 % 100 < 60)))


def _skips_like_a_clock(numbers: Floats) -> float | None:
    """What makes numbers ``hhmmss.sss``, None where they count on: a clock written so leaves out 60 to 99 each minute."""
    for scale in (1.0, 1e-3):
        seconds = np.floor(numbers[np.isfinite(numbers)] * scale)
        if len(seconds) and np.ptp(seconds) >= 200 and len(np.unique(seconds % 100)) > 10 and _is_clock_number(seconds):
            return scale
    return None


def _minutes_and_seconds(texts: list[str]) -> Floats | None:
    """Seconds of ``mm:ss``; None where the texts are something else, or a clock's hours and minutes.

    A log that writes hours and minutes alone repeats them from row to row; one that counts seconds goes on.
    """
    matches = [_MINUTES.fullmatch(text) for text in texts]
    found = [match for match in matches if match]
    if len(found) <= 0.5 * sum(bool(text.strip()) for text in texts):
        return None
    goes_on = len({match[0].strip() for match in found}) > 0.5 * len(found)
    if not goes_on and not any("." in match[2] or "," in match[2] for match in found):
        return None
    return np.array([60.0 * int(m[1]) + float(m[2].replace(",", ".")) if m else math.nan for m in matches])


def _clock_number(numbers: Floats) -> Floats:
    """Seconds of the day of ``hhmmss.sss``."""
    return np.asarray(numbers // 10000 * 3600 + numbers // 100 % 100 * 60 + numbers % 100, dtype=np.float64)


def _stamps(source: Source, texts: list[str], zone: tzinfo | None) -> tuple[Floats, bool]:
    """Date and time in one text, ISO 8601 or as tables write it."""
    matches = [_DAY_AND_CLOCK.fullmatch(text) for text in texts]
    found = [match for match in matches if match]
    if not found:
        return _iso(source, texts, zone)
    days = [match[1] if match else "" for match in matches]
    clock = np.array([seconds_of_day(match[2]) if match else math.nan for match in matches])
    zones = {match[3] or "" for match in found}
    if zones == {""}:
        return _day_and_clock(source, days, clock, zone)
    if "" in zones:
        source.note("some times name a zone and some do not: those that do not are dropped")
        clock = np.array([c if m and m[3] else math.nan for c, m in zip(clock, matches, strict=True)])
    shift = {text: zone_of(text).utcoffset(None) for text in zones if text}
    offsets = np.array([_seconds(shift.get((m[3] or "") if m else "")) for m in matches])
    seconds, utc = _day_and_clock(source, days, clock, UTC)
    return seconds - offsets, utc


def _iso(source: Source, texts: list[str], zone: tzinfo | None) -> tuple[Floats, bool]:
    """ISO 8601 in its rarer forms, the basic one without colons among them; in UTC only where a zone is known."""
    seconds = np.array([posix_of_iso(text, zone or UTC) for text in texts])
    if not np.isfinite(seconds).any():
        raise source.error(f"times that cannot be read, such as {texts[0].strip()[:40]!r}", REMEDY)
    if zone is None and not all(names_zone(text) for text in texts if text.strip()):
        source.note("local times without a time zone: no UTC is named (give time_zone to name it)")
        return seconds, False
    return seconds, True


def _seconds(span: timedelta | None) -> float:
    return span.total_seconds() if span is not None else 0.0


def _day_and_clock(source: Source, days: list[str], clock: Floats, zone: tzinfo | None) -> tuple[Floats, bool]:
    """Day and clock put together, in a zone if one is known."""
    midnight = day_reader(days)
    if midnight is None:
        example = next((text for text in days if text.strip()), "")
        source.note(f"dates such as {example[:20]!r} that can be read in two ways: no UTC is named")
        return _unwrapped(clock), False
    by_text = {text: midnight(text) for text in set(days)}
    local = _outvoted(np.array([by_text[text] for text in days]), clock) + clock
    if zone is None:
        source.note("local times without a time zone: no UTC is named (give time_zone to name it)")
        return local, False
    return _in_zone(source, local, zone)


def _outvoted(midnight: Floats, clock: Floats) -> Floats:
    """Midnights of rows, those put right that a date written late or early around midnight names for a moment."""
    known = np.flatnonzero(np.isfinite(midnight) & np.isfinite(clock))
    if len(known) == 0:
        return midnight
    running = unwrap_midnight(clock[known])
    began = midnight[known] - (running - clock[known])  # the day that the count of days began
    edges = np.concatenate(([0], np.flatnonzero(np.diff(began)) + 1, [len(began)]))
    for first, last in itertools.pairwise(edges[1:-1].tolist()):
        if began[first - 1] == began[last] and abs(running[last] - running[first]) < LATE_DATE_S:
            began[first:last] = began[last]
    result = midnight.copy()
    result[known] = began + running - clock[known]
    return result


def _in_zone(source: Source, local: Floats, zone: tzinfo) -> tuple[Floats, bool]:
    """POSIX seconds of local times; a repeated hour at the end of summer time is not guessed at."""
    if not isinstance(zone, ZoneInfo):
        return local - _seconds(zone.utcoffset(None)), True
    known = np.isfinite(local) & (local > 0) & (local < EPOCH_TO_S)
    quarter = np.where(known, local // 900.0, 0.0)
    shifts = {}
    for bucket in np.unique(quarter):
        moment = datetime.fromtimestamp(bucket * 900.0, UTC).replace(tzinfo=zone)
        first, second = moment.utcoffset(), moment.replace(fold=1).utcoffset()
        if first != second and bucket:
            source.note("local times in the hour when the clocks change: no UTC is named")
            return local, False
        shifts[bucket] = _seconds(first)
    return np.where(known, local - np.array([shifts[bucket] for bucket in quarter]), np.nan), True


def _unwrapped(clock: Floats) -> Floats:
    known = np.isfinite(clock)
    result = np.full(len(clock), np.nan)
    result[known] = unwrap_midnight(clock[known])
    return result
