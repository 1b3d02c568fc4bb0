"""Dates and times as logs write them: ISO 8601, day and clock apart, two-digit years, weeks of the GPS calendar."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from overlay.clock import GPS_EPOCH_POSIX, GPS_WEEK_S, format_utc
from overlay.errors import UsageError

Floats = NDArray[np.float64]

DAY_S = 86400.0
ROLLOVER_S = 1024 * GPS_WEEK_S
_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2}):?(\d{2})?")
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*([AaPp][Mm])?")
_LEAP_SECOND = re.compile(r":60(?=[.,Z+-]|$)")


def posix_of_iso(text: str, zone: tzinfo | None = UTC) -> float:
    """POSIX seconds of an ISO 8601 date and time, NaN where it is none; `zone` is for texts that name none.

    >>> posix_of_iso("2016-12-31T23:59:60Z") == posix_of_iso("2017-01-01T00:00:00Z")
    True
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        return _leap_second(text, zone)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone or UTC)
    return _timestamp(moment)


def names_zone(text: str) -> bool:
    """Whether an ISO 8601 date and time says which zone it is of.

    >>> names_zone("20260503T101544Z"), names_zone("20260503T101544")
    (True, False)
    """
    try:
        return datetime.fromisoformat(_LEAP_SECOND.sub(":59", text.strip(), count=1)).tzinfo is not None
    except ValueError:
        return False


def _leap_second(text: str, zone: tzinfo | None) -> float:
    """The second after :59, which POSIX time counts as the next minute's first."""
    if not _LEAP_SECOND.search(text):
        return math.nan
    return posix_of_iso(_LEAP_SECOND.sub(":59", text, count=1), zone) + 1.0


def _timestamp(moment: datetime) -> float:
    try:
        return moment.timestamp()
    except (OverflowError, ValueError):
        return math.nan


def zone_of(name: str) -> tzinfo:
    """The zone of an IANA name or an offset such as +02:00; UsageError when it is neither.

    >>> zone_of("+05:30").utcoffset(None).total_seconds()
    19800.0
    """
    match = _OFFSET.fullmatch(name.strip())
    if name.strip().upper() in ("UTC", "Z", "GMT"):
        return UTC
    try:
        if match:
            span = timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
            return timezone(-span if match[1] == "-" else span)
        return ZoneInfo(name.strip())
    except (KeyError, ValueError, OSError):
        raise UsageError(
            f"{name!r} is no time zone: give an offset such as +02:00 or a name such as Europe/Oslo"
        ) from None


def seconds_of_day(text: str) -> float:
    """Seconds since midnight of ``h:mm[:ss[.f]] [am|pm]``, NaN where it is none.

    >>> seconds_of_day("3:04:05.5 PM")
    54245.5
    """
    match = _CLOCK.fullmatch(text.strip())
    if not match:
        return math.nan
    hours, minutes = int(match[1]), int(match[2])
    seconds = float((match[3] or "0").replace(",", "."))
    if match[4]:
        hours = hours % 12 + (12 if match[4].lower() == "pm" else 0)
    if hours > 24 or minutes > 59 or seconds >= 61:
        return math.nan
    return hours * 3600.0 + minutes * 60.0 + seconds


def unwrap_midnight(clock_s: Floats) -> Floats:
    """Seconds of the day made to rise across midnight: a step back by most of a day is a new day."""
    steps = np.diff(clock_s, prepend=clock_s[:1])
    days = np.cumsum(np.where(steps < -0.5 * DAY_S, 1.0, 0.0) - np.where(steps > 0.5 * DAY_S, 1.0, 0.0))
    return np.asarray(clock_s + DAY_S * days, dtype=np.float64)


def full_year(two_digits: int) -> int:
    """The year of two digits, in the century from the GPS epoch: 80 is 1980, 79 is 2079.

    >>> full_year(24), full_year(99)
    (2024, 1999)
    """
    return two_digits + (1900 if two_digits >= 80 else 2000)


_ORDERS: tuple[tuple[str, str], ...] = (("ymd", "year-month-day"), ("dmy", "day.month.year"), ("mdy", "month/day/year"))


def day_reader(texts: Iterable[str]) -> Callable[[str], float] | None:
    """How to read the dates of one log: the one order of day, month and year that fits them all, None if unclear.

    The reader gives POSIX seconds of midnight UTC, NaN where a text is no date.
    """
    samples = [parts for parts in map(_date_parts, set(texts)) if parts]
    fitting = [order for order, _ in _ORDERS if samples and all(_date_of(parts, order) for parts in samples)]
    if samples and all(len(parts[0]) == 4 for parts in samples):
        fitting = [order for order in fitting if order == "ymd"]
    elif samples and all(separator == "." for *_, separator in samples):
        fitting = [order for order in fitting if order == "dmy"]
    elif samples and all(len(parts[2]) == 4 for parts in samples):
        fitting = [order for order in fitting if order != "ymd"]
    if len(fitting) != 1 and not _agree(samples, fitting):
        return None
    order = fitting[0]

    def midnight(text: str) -> float:
        parts = _date_parts(text)
        day = _date_of(parts, order) if parts else None
        return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() if day else math.nan

    return midnight


def _agree(samples: list[tuple[str, str, str, str]], orders: list[str]) -> bool:
    return bool(orders) and all(len({_date_of(parts, order) for order in orders}) == 1 for parts in samples)


def _date_parts(text: str) -> tuple[str, str, str, str] | None:
    match = re.fullmatch(r"\s*(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})\s*", text)
    if match:
        return match[1], match[3], match[4], match[2]
    match = re.fullmatch(r"\s*(\d{4})(\d{2})(\d{2})\s*", text)
    return (match[1], match[2], match[3], "") if match else None


def _date_of(parts: tuple[str, str, str, str], order: str) -> date | None:
    numbers = {letter: int(text) for letter, text in zip(order, parts, strict=False)}
    year = parts[order.index("y")]
    try:
        return date(numbers["y"] if len(year) > 2 else full_year(numbers["y"]), numbers["m"], numbers["d"])
    except ValueError:
        return None


def trust(posix_s: float, *, born: float, written_s: float, now_s: float | None = None) -> tuple[float, str]:
    """Whether a log's date can be believed: (seconds to add, why it cannot be), the text empty when it can.

    A receiver whose week counter has rolled over names a date 1024 weeks early. That is certain only when the log's
    format did not exist then (`born`, POSIX seconds); it is ruled out when the file was last written (`written_s`)
    before the later date. Otherwise the date is not believed: the text then ends with no UTC named.
    """
    now = time.time() if now_s is None else now_s
    if posix_s < GPS_EPOCH_POSIX:
        return math.nan, f"its date {_day(posix_s)} is that of a clock never set: no UTC is named"
    if posix_s > now + 2 * DAY_S:
        return math.nan, f"its date {_day(posix_s)} lies in the future: no UTC is named"
    later = posix_s + ROLLOVER_S
    if later > min(now, written_s + 2 * DAY_S) and posix_s >= born:
        return 0.0, ""
    if posix_s < born and born <= later <= now < later + ROLLOVER_S:
        return (
            ROLLOVER_S,
            f"its date {_day(posix_s)} is 1024 weeks early (week rollover of the receiver): read as {_day(later)}",
        )
    if posix_s < born:
        return math.nan, f"its date {_day(posix_s)} is older than the format itself: no UTC is named"
    return math.nan, f"its date {_day(posix_s)} may be 1024 weeks early (then {_day(later)}): no UTC is named"


def _day(posix_s: float) -> str:
    try:
        return format_utc(posix_s)[:10]
    except (OverflowError, ValueError):
        return f"{posix_s:.3g} s"
