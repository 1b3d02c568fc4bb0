"""Tables of text with a row of headers: any delimiter, units from the headers or from the user's mapping."""

from __future__ import annotations

import csv
import itertools
import math
import sys
from array import array
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from overlay.tracks import angles, terms, units
from overlay.tracks.csv_cells import Cells, commas_are_decimal
from overlay.tracks.csv_clock import clock_of
from overlay.tracks.flown import Flown
from overlay.tracks.quantities import columns_of, places
from overlay.tracks.samples import BLOCK, Contents, Floats, Options, Samples, finite, number
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
        self.places: dict[str, array[float]] = {}
        self._cells: dict[str, Cells] = {}
        self._headers = list(fields)
        self._pick = [layout.headers.index(header) for header in fields]
        self._comma = layout.delimiter != "," or commas_are_decimal(source.head_text())
        self._signs: dict[str, int] = {}  # header of a latitude or longitude -> column of its hemisphere
        rows = _rows(source, layout)
        first = next(rows, None)
        if first is None:
            raise source.error(
                "a header without a row of its width", "part the cells by semicolons, or export it again"
            )
        if not self._take_units(first, layout):
            rows = itertools.chain([first], rows)
        for count, block in enumerate(iter(lambda: list(itertools.islice(rows, BLOCK)), [])):
            if not count:
                self._signs = self._hemispheres(block)
            self._take(block)

    def numbers(self) -> dict[str, Floats]:
        """Numbers by header; units that stood in the cells are now the fields' own."""
        for header, cells in self._cells.items():
            self.fields[header] = cells.settled()
        return {header: finite(cells.values) for header, cells in self._cells.items()}

    def _take_units(self, row: list[str], layout: Layout) -> bool:
        """Whether the first row is a second row of headers that holds nothing but units."""
        named = [cell for cell in row if cell.strip()]
        if not named or not all(units.is_unit(cell) for cell in named):
            return False
        beside = dict(zip(layout.headers, row, strict=False))
        self.fields = {
            h: f if f.unit else replace(f, unit=beside.get(h, "").strip(), unclear=False)
            for h, f in self.fields.items()
        }
        return True

    def _hemispheres(self, block: list[list[str]]) -> dict[str, int]:
        """Columns that say north or south, east or west, of latitudes and longitudes that stand without a letter."""
        found = {}
        for column, letters in (("latitude_deg", "NS"), ("longitude_deg", "EW")):
            header = next((h for h, f in self.fields.items() if f.column == column), None)
            others = [i for i in range(max(map(len, block))) if i not in self._pick]
            told = ({row[i].strip().upper() for row in block if i < len(row)} - {""} for i in others)
            index = next((i for i, seen in zip(others, told, strict=True) if seen and seen <= set(letters)), None)
            if header is not None and index is not None:
                found[header] = index
        return found

    def _take(self, block: list[list[str]]) -> None:
        for header, index in zip(self._headers, self._pick, strict=True):
            cells = [row[index] if index < len(row) else "" for row in block]
            field = self.fields[header]
            if header in self.texts:
                self.texts[header].extend(map(sys.intern, cells))
            elif field.column == PLACE:
                pairs = [angles.place(cell) for cell in cells]
                self.places.setdefault("latitude_deg", array("d")).extend(pair[0] for pair in pairs)
                self.places.setdefault("longitude_deg", array("d")).extend(pair[1] for pair in pairs)
            else:
                column = self._cells.setdefault(header, Cells(field, comma=self._comma))
                if header in self._signs:
                    letters = [row[self._signs[header]].strip().upper() for row in block]
                    cells = [
                        f"-{cell.strip().lstrip('-')}" if letter in ("S", "W") else cell
                        for cell, letter in zip(cells, letters, strict=True)
                    ]
                column.extend(cells)


def _rows(source: Source, layout: Layout) -> Iterator[list[str]]:
    """Rows of the header's width, a missing last cell allowed; others are dropped and counted.

    A header that comes again is passed over. One of other columns ends the table: what is under it would be misread.
    """
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
        if [cell.strip() for cell in row[:2]] == list(layout.headers[:2]):
            dropped += 1
            if tuple(cell.strip() for cell in row) != layout.headers:
                source.note("a second header of other columns: what is under it left out", f"line {reader.line_num}")
                break
        elif len(row) >= width - 1 and not any(row[width:]):
            yield row
        elif len(row) > 1 or any(row):
            dropped += 1
    source.count(dropped, "rows of another width than the header dropped")


def _samples(source: Source, options: Options, table: _Table) -> Samples:
    raw = table.numbers()
    fields = [field for header, field in table.fields.items() if header in raw]
    columns: dict[str, Floats] = {name: finite(values) for name, values in table.places.items()}
    columns |= places(fields, raw, source)
    sizes = [*map(len, columns.values()), *map(len, raw.values()), *map(len, table.texts.values())]
    count = max(sizes, default=0)
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


def mode_numbers(texts: Sequence[str]) -> tuple[Floats, dict[int, str]]:
    """Flight modes as small integers, and their names; numbers stay what they are, blanks are NaN."""
    names = sorted({text.strip() for text in texts} - {""})
    if all(math.isfinite(number(name)) for name in names):
        return np.array([number(text) for text in texts]), {}
    codes = {name: float(code) for code, name in enumerate(names)}
    return np.array([codes.get(text.strip(), np.nan) for text in texts]), {int(c): n for n, c in codes.items()}
