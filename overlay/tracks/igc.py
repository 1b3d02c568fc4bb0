"""IGC flight recorder files (FAI technical specification for GNSS flight recorders, appendix A).

Heights: GNSS where the recorder has it, else pressure; the pressure height stands beside it in its own column. Field
widths of the extensions (I record) beyond three digits are decimals; from memory.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

import numpy as np

from overlay.tracks.dates import full_year, unwrap_midnight
from overlay.tracks.flown import Flown, agrees_with_positions
from overlay.tracks.samples import Contents, Floats, Options, Rows, Samples, number
from overlay.tracks.source import Source

NAME = "IGC"
LIMIT_BYTES = 80_000_000  # read in well under 20 s
BORN = datetime(1994, 1, 1, tzinfo=UTC).timestamp()  # from memory: the format is of the middle of the nineties
_B = re.compile(r"B(\d{2})(\d{2})(\d{2})(\d{2})(\d{5})([NS])(\d{3})(\d{5})([EW])([AV])(-\d{4}|\d{5})(-\d{4}|\d{5})(.*)")
_DATE = re.compile(r"HFDTE(?:DATE)?\s*:?\s*(\d{2})(\d{2})(\d{2})", re.IGNORECASE)
_MANUFACTURER = re.compile(r"A[A-Za-z0-9]{3}")

KMH_MPS = 1 / 3.6
# extension -> (column, factor to its unit)
_EXTENSIONS = {
    "GSP": ("ground_speed_mps", KMH_MPS),
    "TAS": ("airspeed_mps", KMH_MPS),
    "TRT": ("course_deg", 1.0),
    "HDT": ("heading_deg", 1.0),
    "FXA": ("accuracy_m", 1.0),
    "SIU": ("satellites", 1.0),
}
_WHOLE = ("FXA", "SIU")


def matches(source: Source) -> bool:
    """Whether there are fix records beside a recorder's own first line or date."""
    lines = source.head_text().splitlines()
    fixes = sum(_B.match(line) is not None for line in lines)
    first = next((line for line in lines if line.strip()), "")
    return fixes > 0 and bool(_MANUFACTURER.match(first) or any(map(_DATE.match, lines)))


def read(source: Source, _: Options) -> Contents:
    """All fixes as one run."""
    recorder = _Recorder()
    for count, line in enumerate(source.lines(), start=1):
        recorder.take(count, line.rstrip())
    if not len(recorder.rows):
        raise source.error("IGC without a fix", "copy the file from the recorder again")
    source.count(recorder.bad, "fix records that cannot be read dropped", f"first at line {recorder.first_bad}")
    columns, clock = recorder.rows.columns(), recorder.rows.times()
    time, keeps_utc = recorder.posix(clock)
    if not keeps_utc:
        source.note("no date: no UTC is named")
    not_valid = np.array(recorder.not_valid)
    if not_valid.all():
        source.note("every fix is marked V (two-dimensional or none): read all the same")
        not_valid[:] = False
    gnss = columns.pop("gnss_height_m")
    three_dimensional = np.isfinite(gnss) & (gnss != 0)
    columns["height_m"] = gnss if three_dimensional.any() else columns["pressure_height_m"]
    flown = Flown(time, columns["latitude_deg"], columns["longitude_deg"])
    for name in ("ground_speed_mps", "course_deg"):
        if name in columns and not agrees_with_positions(name, columns[name], flown):
            del columns[name]
            source.note(f"{name} as logged disagrees with the positions: left out")
    return Contents(NAME, [Samples(time, columns, keeps_utc=keeps_utc, not_valid=not_valid)], BORN)


class _Recorder:
    """The records met so far."""

    def __init__(self) -> None:
        self.rows = Rows()
        self.not_valid: list[bool] = []
        self.bad, self.first_bad = 0, 0
        self._dates: list[tuple[int, float]] = []  # (row that follows, POSIX midnight)
        self._extensions: dict[str, slice] = {}

    def take(self, count: int, line: str) -> None:
        kind = line[:1]
        if kind == "B":
            match = _B.match(line)
            if match and int(match[1]) < 24 and int(match[2]) < 60 and int(match[3]) < 61:
                self._fix(line, match)
            else:
                self.bad += 1
                self.first_bad = self.first_bad or count
        elif kind == "H" and (date := _DATE.match(line)):
            self._date(date)
        elif kind == "I":
            fields = re.findall(r"(\d{2})(\d{2})([A-Z0-9]{3})", line[3:])
            self._extensions = {code: slice(int(first) - 1, int(last)) for first, last, code in fields}

    def _fix(self, line: str, match: re.Match[str]) -> None:
        clock = int(match[1]) * 3600 + int(match[2]) * 60 + int(match[3])
        digits = self._more(line, "TDS")
        self.rows.add(clock + (int(digits) / 10 ** len(digits) if digits.isdigit() else 0.0))
        self.not_valid.append(match[10] == "V")
        self.rows.put(
            "latitude_deg",
            _degrees(match[4], match[5] + _digits(self._more(line, "LAD"))) * (-1 if match[6] == "S" else 1),
        )
        self.rows.put(
            "longitude_deg",
            _degrees(match[7], match[8] + _digits(self._more(line, "LOD"))) * (-1 if match[9] == "W" else 1),
        )
        self.rows.put("pressure_height_m", float(match[11]))
        self.rows.put("gnss_height_m", float(match[12]) if match[10] == "A" else math.nan)
        for code, (column, factor) in _EXTENSIONS.items():
            if text := self._more(line, code):
                decimals = 0 if code in _WHOLE else max(len(text) - 3, 0)
                self.rows.put(column, number(text) / 10**decimals * factor)

    def _more(self, line: str, code: str) -> str:
        """The text of an extension of a fix record, empty where the recorder has none."""
        return line[self._extensions[code]].strip() if code in self._extensions else ""

    def _date(self, match: re.Match[str]) -> None:
        try:
            day = datetime(full_year(int(match[3])), int(match[2]), int(match[1]), tzinfo=UTC)
        except ValueError:
            return
        self._dates.append((len(self.rows), day.timestamp()))

    def posix(self, clock: Floats) -> tuple[Floats, bool]:
        """Times of day put on their dates: the days count up at midnight, or a later date record says so."""
        if not self._dates:
            return unwrap_midnight(clock), False
        time = np.empty(len(clock))
        starts = [0, *(row for row, _ in self._dates[1:]), len(clock)]
        for (_, midnight), first, last in zip(self._dates, starts[:-1], starts[1:], strict=True):
            if last > first:
                time[first:last] = midnight + unwrap_midnight(clock[first:last])
        return time, True


def _digits(text: str) -> str:
    return text if text.isdigit() else ""


def _degrees(degrees: str, minutes: str) -> float:
    """Degrees of whole degrees and thousandths (or finer) of minutes.

    >>> round(_degrees("51", "30000"), 6), round(_degrees("51", "300005"), 7)
    (51.5, 51.5000083)
    """
    return int(degrees) + int(minutes) / 10.0 ** (len(minutes) - 2) / 60.0
