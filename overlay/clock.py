"""Time as the project keeps it, and the one map between two clocks.

Three clocks occur. A *recording's* clock counts seconds from the first frame of its first chapter, made exactly from
integer pts × time base. A *track's* clock is POSIX seconds (UTC) where the log keeps UTC, else seconds from its first
row. The *flight clock* is the track's.

Sign convention, everywhere: ``t_reference = offset_s + (1 + drift) · t_recording``. A positive offset means that the
recording began after the reference's zero.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, overload

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Seconds = NDArray[np.float64]

# GPS − UTC after each leap second since the GPS epoch (IERS Bulletin C; last one 2016-12-31).
_LEAP_DAYS = (
    "1981-07-01", "1982-07-01", "1983-07-01", "1985-07-01", "1988-01-01", "1990-01-01", "1991-01-01", "1992-07-01",
    "1993-07-01", "1994-07-01", "1996-01-01", "1997-07-01", "1999-01-01", "2006-01-01", "2009-01-01", "2012-07-01",
    "2015-07-01", "2017-01-01",
)  # fmt: skip
_LEAPS_POSIX = tuple(datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp() for day in _LEAP_DAYS)
GPS_EPOCH_POSIX = 315964800.0  # 1980-01-06T00:00:00Z
GPS_WEEK_S = 604800.0


@dataclass(frozen=True)
class AffineClock:
    """Map from a recording's clock to a reference clock: ``t_reference = offset_s + (1 + drift) · t_recording``.

    `steps`: (recording time, seconds) in order; from that time on the reference is so much later, as where a camera lost
    time between two chapters. What fell into such a hole maps to its edge.

    >>> clock = AffineClock(offset_s=100.0, drift=0.5)
    >>> clock.to_reference(10.0)
    115.0
    >>> clock.to_recording(115.0)
    10.0
    >>> AffineClock(0.0, steps=((60.0, 2.0),)).to_reference(60.0)
    62.0
    """

    offset_s: float
    drift: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()

    @overload
    def to_reference(self, t_recording: float) -> float: ...
    @overload
    def to_reference(self, t_recording: Seconds) -> Seconds: ...
    def to_reference(self, t_recording: float | Seconds) -> float | Seconds:
        """Reference time in seconds at the recording time(s) `t_recording`."""
        plain = self.offset_s + (1.0 + self.drift) * t_recording
        if not self.steps:
            return plain
        import numpy as np

        lost = np.append(0.0, np.cumsum([size for _, size in self.steps]))
        found = plain + lost[np.searchsorted([at for at, _ in self.steps], t_recording, side="right")]
        return found if isinstance(t_recording, np.ndarray) else float(found)

    @overload
    def to_recording(self, t_reference: float) -> float: ...
    @overload
    def to_recording(self, t_reference: Seconds) -> Seconds: ...
    def to_recording(self, t_reference: float | Seconds) -> float | Seconds:
        """Recording time in seconds at the reference time(s) `t_reference`."""
        if not self.steps:
            return (t_reference - self.offset_s) / (1.0 + self.drift)
        import numpy as np

        starts = [self.to_reference(at) for at, _ in self.steps]
        lost = np.append(0.0, np.cumsum([size for _, size in self.steps]))
        piece = np.searchsorted(starts, t_reference, side="right")
        until = np.append([at for at, _ in self.steps], np.inf)[piece]
        found = np.minimum((t_reference - self.offset_s - lost[piece]) / (1.0 + self.drift), until)
        return found if isinstance(t_reference, np.ndarray) else float(found)

    def then(self, further: AffineClock) -> AffineClock:
        """From this clock's recording to the reference of `further`, whose recording is this clock's reference.

        >>> AffineClock(5.0, 0.5).then(AffineClock(100.0)).to_reference(10.0)
        120.0
        """
        rate = 1 + further.drift
        later = [(self.to_recording(at), size) for at, size in further.steps]
        steps = tuple(sorted([(at, size * rate) for at, size in self.steps] + later))
        offset_s = further.offset_s + rate * self.offset_s
        return AffineClock(offset_s, (1 + self.drift) * rate - 1, steps)


def gps_minus_utc(posix_s: float) -> int:
    """Leap seconds between GPS time and UTC at a POSIX time (18 since 2017-01-01).

    >>> gps_minus_utc(datetime(2014, 6, 1, tzinfo=UTC).timestamp())
    16
    """
    return sum(posix_s >= leap for leap in _LEAPS_POSIX)


def posix_from_gps(week: int, seconds_of_week: float) -> float:
    """POSIX seconds of a GPS week (counted from 1980, not modulo 1024) and seconds of that week.

    >>> posix_from_gps(1900, 0.0) == datetime(2016, 6, 5, tzinfo=UTC).timestamp() - 17
    True
    """
    gps = GPS_EPOCH_POSIX + week * GPS_WEEK_S + seconds_of_week
    return gps - gps_minus_utc(gps - gps_minus_utc(gps))


def parse_utc(text: str) -> float:
    """POSIX seconds of an ISO 8601 time that carries its zone; ValueError when the zone is missing.

    >>> parse_utc("2026-05-03T10:15:44.2Z")
    1777803344.2
    """
    moment = datetime.fromisoformat(text.strip())
    if moment.tzinfo is None:
        raise ValueError(f"{text!r} names no time zone: end it with Z for UTC or an offset such as +02:00")
    return moment.timestamp()


def format_utc(posix_s: float, decimals: int = 3) -> str:
    """ISO 8601 UTC of a POSIX time, rounded to `decimals`.

    >>> format_utc(1777803344.2)
    '2026-05-03T10:15:44.200Z'
    """
    scale = 10**decimals
    ticks = round(posix_s * scale)
    whole, part = divmod(ticks, scale)
    stamp = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=whole)).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{stamp}.{part:0{decimals}d}Z" if decimals else f"{stamp}Z"


_DURATION = re.compile(r"(?:(?:(\d+):)?(\d{1,2}):)?(\d+(?:\.\d+)?)")


def parse_duration(text: str) -> float:
    """Seconds of ``[[h:]m:]s[.fff]``; ValueError on anything else.

    >>> parse_duration("00:03:12.4")
    192.4
    """
    match = _DURATION.fullmatch(text.strip())
    if not match:
        raise ValueError(f"{text!r} is not a time on the recording: write hours:minutes:seconds such as 00:03:12.4")
    hours, minutes, seconds = match.groups()
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + float(seconds)


def format_duration(seconds: float, decimals: int = 1) -> str:
    """``h:mm:ss.f`` of a time in seconds, rounded first so that 59.96 never reads 60.0.

    >>> format_duration(192.4)
    '0:03:12.4'
    """
    if not math.isfinite(seconds):
        return "–"
    scale = 10**decimals
    ticks = round(abs(seconds) * scale)
    whole, part = divmod(ticks, scale)
    sign = "-" if seconds < 0 and ticks else ""
    text = f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
    return f"{text}.{part:0{decimals}d}" if decimals else text


def parse_pin(text: str) -> tuple[float, float]:
    """Read ``TIME=UTC`` as (recording seconds, POSIX seconds or plain seconds of the reference); ValueError otherwise.

    >>> parse_pin("00:03:12.4=1970-01-01T00:10:00Z")
    (192.4, 600.0)
    """
    left, sign, right = text.partition("=")
    if not sign:
        raise ValueError(f"{text!r} has no '='")
    recording_s = parse_duration(left)
    try:
        reference_s = float(right)
    except ValueError:
        return recording_s, parse_utc(right)
    if not math.isfinite(reference_s):
        raise ValueError(f"{right!r} is no time")
    return recording_s, reference_s
