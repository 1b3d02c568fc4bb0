"""Tables of text with a row of headers: any delimiter, units from the headers or from the user's mapping."""

from __future__ import annotations

import csv
import itertools
import math
import re
import sys
from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.tracks import angles, terms, units
from overlay.tracks.csv_clock import clock_of
from overlay.tracks.flown import Flown
from overlay.tracks.quantities import columns_of, places
from overlay.tracks.samples import BLOCK, Contents, Floats, Options, Samples, finite, number, numbers
from overlay.tracks.source import Source
from overlay.tracks.terms import DATE, PLACE, TIME, Field

NAME = "CSV"
LIMIT_BYTES = 150_000_000  # read in well under 20 s
BORN = 0.0  # tracks of any age are put into this format, so its own age proves nothing
DELIMITERS = ",;\t|"
HEADER_WITHIN = 60  # lines of preamble that some recorders write first
LONGEST_HEADER = 1 << 13
MOST_HEADERS = 512
ROWS_WITHIN = 8  # lines after the header in which a row must stand


@dataclass(frozen=True)
class Layout:
    """Where a table's header stands and how its cells are parted."""

    line: int  # of the header, from 0
    delimiter: str
    headers: tuple[str, ...]


def matches(source: Source) -> bool:
    """Whether one of the first lines is a row of headers that name a place or a time and something else known."""
    return layout_of(source.head_text(), {}) is not None


def layout_of(text: str, mapping: Mapping[str, str]) -> Layout | None:
    """The header row: of the first lines, the one with most terms of the trade, under the delimiter that shows most."""
    lines = text.split("\n")[: HEADER_WITHIN + ROWS_WITHIN]
    candidates = (
        (_score(headers, mapping), -number, Layout(number, delimiter, headers))
        for number, line in enumerate(lines[:HEADER_WITHIN])
        for delimiter in DELIMITERS
        if delimiter in line and len(line) < LONGEST_HEADER
        for headers in (_cells(line.lstrip("#% "), delimiter),)
        if _has_rows(lines[number + 1 : number + 1 + ROWS_WITHIN], delimiter, len(headers))
    )
    best = max(candidates, key=lambda item: item[:2], default=None)
    return best[2] if best and best[0] >= (1 if mapping else 2) else None


def _has_rows(lines: Sequence[str], delimiter: str, width: int) -> bool:
    """Whether rows as wide as the header follow it, or nothing does."""
    filled = [line for line in lines if line.strip()]
    return not filled or any(len(_cells(line, delimiter)) >= width - 1 for line in filled)


def _score(headers: Sequence[str], mapping: Mapping[str, str]) -> int:
    """How many headers are known; a row with a number in it is no header."""
    if len(headers) > MOST_HEADERS or any(math.isfinite(number(header)) for header in headers):
        return 0
    known = sum(map(terms.is_term, headers)) + sum(header in mapping.values() for header in headers)
    columns = {field.column for field in terms.assign(headers).values()}
    useful = columns & {TIME, PLACE, "latitude_deg", "bank_deg", "yaw_rate_dps"}
    return known if useful or mapping else 0


def _cells(line: str, delimiter: str) -> tuple[str, ...]:
    try:
        return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), []))
    except csv.Error:
        return ()


def read(source: Source, options: Options) -> Contents:
    """The whole table as one run."""
    layout = layout_of(source.head_text(), options.columns)
    if layout is None:
        raise source.error("no row of headers known here", 'name the columns by a mapping such as latitude_deg = "Lat"')
    try:
        fields = terms.assign(layout.headers, options.columns)
    except KeyError as error:
        known = ", ".join(header for header in layout.headers if header)
        raise source.error(f"no column {error.args[0]!r}", f"map to one of its headers: {known}") from None
    table = _Table(source, layout, fields)
    return Contents(NAME, [_samples(source, options, table)], BORN)


class _Table:
    """The wanted columns of a table, parted row by row: numbers as numbers, clocks and modes as text."""

    def __init__(self, source: Source, layout: Layout, fields: dict[str, Field]) -> None:
        self.fields = fields
        self.texts: dict[str, list[str]] = {h: [] for h, f in fields.items() if f.column in (TIME, DATE, "mode")}
        self.numbers: dict[str, array[float]] = {}
        self._headers = list(fields)
        self._pick = [layout.headers.index(header) for header in fields]
        self._cells = _cell_reader(layout.delimiter)
        rows = _rows(source, layout)
        first = next(rows, None)
        if first is None:
            raise source.error("a header without rows", "copy the log from the recorder again")
        if not self._take_units(first, layout):
            rows = itertools.chain([first], rows)
        while block := list(itertools.islice(rows, BLOCK)):
            self._take(block)

    def _take_units(self, row: list[str], layout: Layout) -> bool:
        """Whether the first row is a second row of headers that holds nothing but units."""
        named = [cell for cell in row if cell.strip()]
        if not named or not all(units.is_unit(cell) for cell in named):
            return False
        beside = dict(zip(layout.headers, row, strict=False))
        self.fields = {h: f if f.unit else replace(f, unit=beside.get(h, "").strip()) for h, f in self.fields.items()}
        return True

    def _take(self, block: list[list[str]]) -> None:
        for header, index in zip(self._headers, self._pick, strict=True):
            cells = [row[index] if index < len(row) else "" for row in block]
            if header in self.texts:
                self.texts[header].extend(map(sys.intern, cells))
            elif self.fields[header].column == PLACE:
                pairs = [angles.place(cell) for cell in cells]
                self.numbers.setdefault("latitude_deg", array("d")).extend(pair[0] for pair in pairs)
                self.numbers.setdefault("longitude_deg", array("d")).extend(pair[1] for pair in pairs)
            else:
                read = angles.angle if self.fields[header].column in ("latitude_deg", "longitude_deg") else self._cells
                self.numbers.setdefault(header, array("d")).extend(numbers(cells, read))


def _rows(source: Source, layout: Layout) -> Iterator[list[str]]:
    """Rows of the header's width, a missing last cell allowed; others are dropped and counted."""
    lines = itertools.islice(source.lines(), layout.line + 1, None)
    reader = csv.reader(lines, delimiter=layout.delimiter)
    width, dropped = len(layout.headers), 0
    while True:
        try:
            row = next(reader)
        except StopIteration:
            break
        except csv.Error:
            dropped += 1
            continue
        if len(row) >= width - 1 and tuple(row[:2]) != layout.headers[:2]:
            yield row
        elif len(row) > 1 or any(row):
            dropped += 1
    source.count(dropped, "rows of another width than the header dropped")


_WITH_UNIT = re.compile(r"\s*([-+]?\d+(?:\.\d*)?)\s*[^\d\s]{0,5}\s*")


def _cell_reader(delimiter: str) -> Callable[[str], float]:
    """How to read one number: with a decimal comma where the comma parts no cells, with a unit behind it or not."""

    def read(cell: str) -> float:
        text = cell if delimiter == "," else cell.replace(",", ".")
        value = number(text)
        if math.isnan(value) and (match := _WITH_UNIT.fullmatch(text)):
            return number(match[1])
        return value

    return read


def _samples(source: Source, options: Options, table: _Table) -> Samples:
    raw = {header: finite(cells) for header, cells in table.numbers.items()}
    fields = [field for header, field in table.fields.items() if header in raw]
    columns: dict[str, Floats] = {
        name: raw[name] for name in ("latitude_deg", "longitude_deg") if PLACE in _kinds(table) and name in raw
    }
    columns |= places(fields, raw, source)
    count = len(next(iter(raw.values()), next(iter(table.texts.values()), [])))
    blank = np.full(count, np.nan)
    place = columns.get("latitude_deg", blank), columns.get("longitude_deg", blank)
    by_column = {
        field.column: (field, table.texts[header]) for header, field in table.fields.items() if header in table.texts
    }
    time, keeps_utc = clock_of(source, options, by_column.get(TIME), by_column.get(DATE), np.column_stack(place))
    columns |= columns_of(fields, raw, Flown(time, *place), source, si=False)
    modes: dict[int, str] = {}
    if "mode" in by_column:
        columns["mode"], modes = mode_numbers(by_column["mode"][1])
    return Samples(time, columns, keeps_utc=keeps_utc, modes=modes)


def _kinds(table: _Table) -> set[str]:
    return {field.column for field in table.fields.values()}


def mode_numbers(texts: Sequence[str]) -> tuple[Floats, dict[int, str]]:
    """Flight modes as small integers, and their names; numbers stay what they are, blanks are NaN."""
    names = sorted({text.strip() for text in texts} - {""})
    if all(math.isfinite(number(name)) for name in names):
        return np.array([number(text) for text in texts]), {}
    codes = {name: float(code) for code, name in enumerate(names)}
    return np.array([codes.get(text.strip(), np.nan) for text in texts]), {int(c): n for n, c in codes.items()}
