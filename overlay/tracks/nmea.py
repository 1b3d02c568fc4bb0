"""NMEA 0183: GGA, RMC, VTG, ZDA, GLL and GNS, whatever lies between them; one row per epoch.

A sentence counts when its checksum (the exclusive or of all characters between $ and *) is right. Sentences of one
time of day are one epoch, whichever talker (GP, GN, GL …) sent them and in whatever order.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime

import numpy as np

from overlay.tracks.dates import DAY_S, ROLLOVER_S, full_year, unwrap_midnight
from overlay.tracks.flown import Flown
from overlay.tracks.samples import Bools, Contents, Floats, Options, Rows, Samples, number
from overlay.tracks.source import Source, unicode_of
from overlay.tracks.units import KNOT_MPS

NAME = "NMEA 0183"
LIMIT_BYTES = 100_000_000  # read in well under 20 s
BORN = datetime(1992, 1, 1, tzinfo=UTC).timestamp()  # from memory: version 2.0, from which on RMC carries a date
SEARCHED_BYTES = 1 << 24  # binary may come first; so much of a file is searched for sentences
MEMORY_EPOCHS = 32  # sentences of one epoch come no farther apart
EPOCH_SPAN_MS = 60_000  # nor in time: the same time of day after a longer step is another day's
DAY_MS = 86_400_000
_SENTENCE = re.compile(rb"\$([A-Z]{2})(GGA|RMC|VTG|ZDA|GLL|GNS),([ -)+-~]{0,150}?)(?:\*([0-9A-Fa-f]{2})|(?=[\r\n])|\Z)")
_NO_FIX_QUALITY = ("0", "", "6")  # none, none, dead reckoning
_NO_FIX_MODE = ("N", "E")
_TALKERS = {b"GN": 0, b"GP": 1}


def matches(source: Source) -> bool:
    """Whether a position sentence with a right checksum stands in the file's beginning, or binary and then some."""
    if _has_sentence(_bytes(source.head)):
        return True
    if any(
        source.head[at : at + len(sign)] == sign for at, sign in ((4, b"ftyp"), (0, b"\x1aE\xdf\xa3"), (8, b"AVI "))
    ):
        return False
    if source.size <= len(source.head) or source.head[:1] == b"<":
        return False
    with source.path.open("rb") as file:
        return _has_sentence(_bytes(file.read(SEARCHED_BYTES)))


def _has_sentence(data: bytes) -> bool:
    checked = (m[4] is None or checksum(m[0][1 : m[0].rindex(b"*")]) == int(m[4], 16) for m in _SENTENCE.finditer(data))
    return any(checked)


def _bytes(data: bytes) -> bytes:
    """One byte a character, whatever the encoding."""
    encoding = unicode_of(data[:4096])
    if not encoding.startswith("utf-16"):
        return data
    return data.decode(encoding, "replace").encode("latin-1", "replace")


def checksum(body: bytes) -> int:
    """Exclusive or of the bytes between $ and *, folded by halves of one large integer.

    >>> f"{checksum(b'GPGLL,5300.97914,N,00259.98174,E,125926,A'):02X}"
    '28'
    """
    folded = int.from_bytes(body, "little")
    for bits in (1024, 512, 256, 128, 64, 32, 16, 8):
        folded = (folded & ((1 << bits) - 1)) ^ (folded >> bits)
    return folded


def read(source: Source, _: Options) -> Contents:
    """All epochs as one run."""
    receiver = _Receiver()
    for talker, kind, fields in _sentences(source):
        receiver.take(talker, kind, fields)
    receiver.finish()
    if not len(receiver.rows):
        raise source.error("NMEA 0183 without a time and position", "log GGA or RMC sentences")
    columns, unknown = receiver.rows.columns(), np.full(len(receiver.rows), np.nan)
    time, keeps_utc = on_dates(source, receiver.rows.times(), columns.pop("midnight", unknown))
    invalid = _invalid(source, columns.pop("warned", unknown), columns.pop("fixed", unknown))
    untimed = {name: columns.pop(f"untimed_{name}", unknown) for name in ("speed", "course")}
    if {"latitude_deg", "longitude_deg"} <= columns.keys():
        later = _comes_first(untimed["course"], Flown(time, columns["latitude_deg"], columns["longitude_deg"]))
        for name, values in (("ground_speed_mps", untimed["speed"]), ("course_deg", untimed["course"])):
            told, own = columns.get(name, unknown), _a_row_on(values) if later else values
            if np.isfinite(own).any():
                columns[name] = np.where(np.isfinite(told), told, own)
    return Contents(NAME, [Samples(time, columns, keeps_utc=keeps_utc, not_valid=invalid)], BORN)


def _sentences(source: Source) -> Iterator[tuple[bytes, bytes, list[str]]]:
    """(talker, kind, fields) of the sentences whose checksum is right; bare ones only where no sentence has any."""
    data = _bytes(source.bytes())
    found = list(_SENTENCE.finditer(data))
    bare = not any(match[4] for match in found)
    wrong = missing = 0
    for match in found:
        if match[4] is None and not bare:
            missing += 1
        elif match[4] is not None and checksum(match[1] + match[2] + b"," + match[3]) != int(match[4], 16):
            wrong += 1
        else:
            yield match[1], match[2], match[3].decode("latin-1").split(",")
    source.count(wrong, "sentences with a wrong checksum dropped")
    source.count(missing, "sentences cut short, without a checksum, dropped")
    if bare and found:
        source.note("sentences without checksums: errors in them cannot be seen")


def _comes_first(course_deg: Floats, flown: Flown) -> bool:
    """Whether VTG, which carries no time, stands before the other sentences of its epoch and not behind them.

    It was put with the sentences before it; the course made good through the turns says where it belongs.
    """
    _, made_good = flown.made_good()
    turning = flown.turning_dps()
    behind = []
    for told in (course_deg, _a_row_on(course_deg)):
        apart = np.sign(turning) * ((made_good - told[flown.rows] + 180.0) % 360.0 - 180.0)
        judged = np.isfinite(apart) & (np.abs(np.nan_to_num(turning)) > 3.0)
        behind.append(abs(float(np.median(apart[judged]))) if judged.sum() >= 20 else 0.0)
    return behind[0] > 0.5 and behind[1] < 0.5 * behind[0]


def _a_row_on(values: Floats) -> Floats:
    return np.concatenate(([np.nan], values[:-1]))


class _Receiver:
    """Epochs by time of day. A cell keeps the value of the best sentence for it: valid ones first, GN before GP."""

    def __init__(self) -> None:
        self.rows = Rows()
        self._recent: dict[int, dict[str, tuple[int, float]]] = {}  # milliseconds of the day -> cells
        self._early_date = math.nan
        self._newest = 0  # milliseconds of the day of the last sentence

    def take(self, talker: bytes, kind: bytes, fields: list[str]) -> None:
        """One sentence; fields that are not there or no numbers leave their cells empty."""
        fields = fields + [""] * (16 - len(fields))
        getattr(self, f"_{kind.decode().lower()}")(_TALKERS.get(talker, 2), fields)

    def finish(self) -> None:
        """No more sentences will come."""
        for clock in list(self._recent):
            self._flush(clock)

    def _epoch(self, text: str) -> dict[str, tuple[int, float]] | None:
        """The cells of the epoch at ``hhmmss.sss``."""
        clock = clock_ms(text)
        if clock is None:
            return None
        if abs((clock - self._newest + DAY_MS // 2) % DAY_MS - DAY_MS // 2) > EPOCH_SPAN_MS:
            self.finish()
        self._newest = clock
        cells = self._recent.get(clock)
        if cells is None:
            cells = self._recent[clock] = {}
            if not math.isnan(self._early_date):
                cells["midnight"] = (0, self._early_date)
                self._early_date = math.nan
            if len(self._recent) > MEMORY_EPOCHS:
                self._flush(next(iter(self._recent)))
        return cells

    def _flush(self, clock: int) -> None:
        self.rows.add(clock / 1000.0)
        for name, (_, value) in self._recent.pop(clock).items():
            self.rows.put(name, value)

    def _gga(self, rank: int, f: list[str]) -> None:
        cells = self._epoch(f[0])
        if cells is None:
            return
        fixed = f[5] not in _NO_FIX_QUALITY
        _put(cells, rank, fixed=float(fixed))
        self._place(cells, rank + (0 if fixed else 10), f[1:5])
        height = number(f[8]) if f[9] in ("M", "") else math.nan  # the standard knows metres alone
        _put(cells, rank, satellites=number(f[6]), hdop=number(f[7]), height_m=height)

    def _gns(self, rank: int, f: list[str]) -> None:
        cells = self._epoch(f[0])
        if cells is None:
            return
        fixed = any(mode not in _NO_FIX_MODE for mode in f[5])
        _put(cells, rank, fixed=float(fixed))
        self._place(cells, rank + (0 if fixed else 10), f[1:5])
        _put(cells, rank, satellites=number(f[6]), hdop=number(f[7]), height_m=number(f[8]))

    def _rmc(self, rank: int, f: list[str]) -> None:
        cells = self._epoch(f[0])
        if cells is None:
            return
        valid = f[1] == "A" and f[11] not in _NO_FIX_MODE
        _put(cells, rank, warned=float(not valid), midnight=date_of(f[8][:2], f[8][2:4], f[8][4:6]))
        self._place(cells, rank + (3 if valid else 13), f[2:6])
        _put(cells, rank, ground_speed_mps=number(f[6]) * KNOT_MPS, course_deg=number(f[7]))

    def _gll(self, rank: int, f: list[str]) -> None:
        cells = self._epoch(f[4])
        if cells is not None:
            valid = f[5] == "A" and f[6] not in _NO_FIX_MODE
            self._place(cells, rank + (6 if valid else 16), f[0:4])
            _put(cells, rank + 6, warned=float(not valid))

    def _vtg(self, rank: int, f: list[str]) -> None:
        if self._recent:
            cells = self._recent[next(reversed(self._recent))]
            _put(cells, rank, untimed_speed=number(f[4]) * KNOT_MPS, untimed_course=number(f[0]))

    def _zda(self, rank: int, f: list[str]) -> None:
        clock, midnight = clock_ms(f[0]), date_of(f[1], f[2], f[3])
        if clock is None or math.isnan(midnight):
            return
        if not self._recent:
            self._early_date = midnight
            return
        epoch = clock if clock in self._recent else next(reversed(self._recent))
        midnight += DAY_S * round((clock - epoch) / 86400e3)
        _put(self._recent[epoch], rank + 3, midnight=midnight)

    def _place(self, cells: dict[str, tuple[int, float]], rank: int, f: list[str]) -> None:
        latitude = _degrees(f[0], 2) * (-1 if f[1] == "S" else 1)
        longitude = _degrees(f[2], 3) * (-1 if f[3] == "W" else 1)
        if math.isfinite(latitude) and math.isfinite(longitude):
            _put(cells, rank, latitude_deg=latitude, longitude_deg=longitude)


def _put(cells: dict[str, tuple[int, float]], rank: int, **values: float) -> None:
    for name, value in values.items():
        if value == value and (name not in cells or rank < cells[name][0]):  # NaN differs from itself
            cells[name] = rank, value


def clock_ms(text: str) -> int | None:
    """Milliseconds of the day of ``hhmmss[.sss]``, None where it is none.

    >>> clock_ms("123519"), clock_ms("000000.25"), clock_ms("126000")
    (45319000, 250, None)
    """
    if len(text) < 6 or not text[:6].isdigit() or not text[:6].isascii():
        return None
    seconds = number(text[4:])
    hours, minutes = int(text[:2]), int(text[2:4])
    if hours > 23 or minutes > 59 or not 0 <= seconds < 61:
        return None
    return hours * 3600000 + minutes * 60000 + round(seconds * 1000)


def date_of(day: str, month: str, year: str) -> float:
    """POSIX seconds of midnight UTC, NaN where the parts are no date; two digits of a year count from 1980.

    >>> date_of("23", "03", "94") == datetime(1994, 3, 23, tzinfo=UTC).timestamp()
    True
    """
    try:
        full = full_year(int(year)) if len(year) <= 2 else int(year)
        return datetime(full, int(month), int(day), tzinfo=UTC).timestamp()
    except (ValueError, OverflowError):
        return math.nan


def _degrees(text: str, digits: int) -> float:
    """Degrees of ``ddmm.mmmm``, `digits` of them whole degrees."""
    degrees, minutes = text[:digits], number(text[digits:])
    if not degrees.isdigit() or not degrees.isascii() or not 0 <= minutes < 60:
        return math.nan
    return int(degrees) + minutes / 60.0


def on_dates(source: Source, clock_s: Floats, midnight_s: Floats) -> tuple[Floats, bool]:
    """(seconds, whether UTC) of times of day and the dates named on some rows.

    Days count up where the clock passes midnight; the dates then agree on the day that the count began, but for a
    date sent late around midnight, which its neighbours outvote.
    """
    running = unwrap_midnight(clock_s)
    dated = np.flatnonzero(np.isfinite(midnight_s))
    if len(dated) == 0:
        source.note("no date: no UTC is named")
        return running, False
    base = midnight_s[dated] - (running - clock_s)[dated]
    base = _settled_bases(source, base)
    changes = np.concatenate(([0], np.flatnonzero(np.diff(base)) + 1))
    starts = np.concatenate(([0], dated[changes[1:]]))
    which = np.searchsorted(starts, np.arange(len(running)), side="right") - 1
    return running + base[changes][which], True


def _settled_bases(source: Source, base: Floats) -> Floats:
    """Bases of the day count without those that only a few sentences in between name; a rollover within is undone."""
    newest = float(base.max())
    early = np.abs(newest - base - ROLLOVER_S) < DAY_S
    if early.any() and not early.all():
        source.note("dates 1024 weeks apart (week rollover of the receiver): the later ones hold")
        base = np.where(early, base + ROLLOVER_S, base)
    runs = np.split(base, np.flatnonzero(np.diff(base)) + 1)
    common = Counter(base.tolist()).most_common(1)[0][0]
    settled, current = [], common if len(runs[0]) < 3 else float(runs[0][0])
    for run in runs:
        if len(run) >= 3 or len(base) < 3:
            current = float(run[0])
        settled.append(np.full(len(run), current))
    return np.concatenate(settled)


def _invalid(source: Source, warned: Floats, fixed: Floats) -> Bools:
    """Which epochs the receiver calls invalid: no fix by GGA, or a warning by RMC.

    Some receivers send the warning with every sentence, good fix or not: then it says nothing and GGA alone counts.
    """
    contradicted = (warned == 1) & (fixed == 1)
    says_something = bool((warned == 0).any())
    if contradicted.any() and not says_something:
        source.count(contradicted.sum(), "valid GGA fixes beside an RMC that always warns (V): GGA is believed")
        return np.asarray(fixed == 0, dtype=np.bool_)
    return np.asarray((fixed == 0) | (warned == 1), dtype=np.bool_)
