"""A sheet of premultiplied RGBA that instruments draw on, in design units: 1080 of them make the frame's height.

Shapes are drawn four times as fine as the sheet and averaged down, so that a line of 1.5 pixels has that width and a
circle is round; text comes as coverage from `lettering`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from overlay.instruments.lettering import Weight, advance, letter
from overlay.instruments.palette import Colour
from overlay.instruments.panel import Patch

Mask = NDArray[np.uint8]
Align = Literal["left", "centre", "right"]

_FINE = 4
_SHIFT = 6
_HALF = 1 << (_SHIFT - 1)
_LARGE = 200_000  # pixels
_TWO_BY_TWO = np.ones((2, 2), np.uint8)


class Canvas:
    """`pixels` (h, w, 4) uint8 premultiplied; every method takes design units and a straight `Colour`."""

    def __init__(self, width_px: int, height_px: int, unit: float, pixels: Patch | None = None) -> None:
        self.unit = unit
        self.pixels: Patch = np.zeros((height_px, width_px, 4), np.uint8) if pixels is None else pixels

    def copy(self) -> Canvas:
        """Return a sheet of its own with the same drawing on it."""
        height, width = self.pixels.shape[:2]
        return Canvas(width, height, self.unit, self.pixels.copy())

    @property
    def width(self) -> float:
        """Width in design units."""
        return int(self.pixels.shape[1]) / self.unit

    @property
    def height(self) -> float:
        """Height in design units."""
        return int(self.pixels.shape[0]) / self.unit

    def polygon(self, points: ArrayLike, colour: Colour) -> None:
        """Fill a closed polygon (N, 2)."""
        self._shape([self._fine(points)], colour, 0)

    def line(self, points: ArrayLike, width: float, colour: Colour, *, closed: bool = False) -> None:
        """Draw a polyline (N, 2) with round joins."""
        self._shape([self._fine(points)], colour, self._thickness(width), closed=closed)

    def lines(self, strokes: Sequence[ArrayLike], width: float, colour: Colour) -> None:
        """Draw several polylines at once; where they overlap the colour is laid once."""
        if strokes:
            self._shape([self._fine(s) for s in strokes], colour, self._thickness(width))

    def disc(self, x: float, y: float, radius: float, colour: Colour) -> None:
        """Fill a circle."""
        self.polygon(arc(x, y, radius, 0.0, 360.0), colour)

    def ring(self, x: float, y: float, radius: float, width: float, colour: Colour) -> None:
        """Draw a circle's rim."""
        self.line(arc(x, y, radius, 0.0, 360.0), width, colour, closed=True)

    def box(self, x: float, y: float, width: float, height: float, colour: Colour, radius: float = 0.0) -> None:
        """Fill an upright rectangle, its edges on whole pixels; at least one pixel each way."""
        left, top = round(x * self.unit), round(y * self.unit)
        right = max(round((x + width) * self.unit), left + 1)
        bottom = max(round((y + height) * self.unit), top + 1)
        r = min(round(radius * self.unit), (right - left) // 2, (bottom - top) // 2)
        self._fill(left + r, top, right - r, bottom, colour)
        if r > 0:
            self._fill(left, top + r, left + r, bottom - r, colour)
            self._fill(right - r, top + r, right, bottom - r, colour)
            corner = _corner(r)
            for mask, y0 in ((corner, top), (corner[::-1], bottom - r)):
                self._paint(mask, left, y0, colour)
                self._paint(mask[:, ::-1], right - r, y0, colour)

    def frame(
        self, x: float, y: float, width: float, height: float, line: float, colour: Colour, radius: float = 0.0
    ) -> None:
        """Draw the edge of an upright rectangle, just inside it."""
        inside, r = line / 2, max(min(radius, width / 2, height / 2) - line / 2, 0.0)
        left, top, right, bottom = x + inside, y + inside, x + width - inside, y + height - inside
        corners = (
            (right - r, top + r, 0),
            (right - r, bottom - r, 90),
            (left + r, bottom - r, 180),
            (left + r, top + r, 270),
        )
        self.line(np.concatenate([arc(cx, cy, r, a, a + 90) for cx, cy, a in corners]), line, colour, closed=True)

    def outline(self, x: float, y: float, width: float, height: float, colour: Colour) -> None:
        """Dash the edge of an upright rectangle: the place of something of which there is no data."""
        dash, far_x, far_y = 8.0, x + width, y + height
        strokes = [[(a, b), (min(a + dash, far_x), b)] for b in (y, far_y) for a in np.arange(x, far_x, 2 * dash)]
        strokes += [[(a, b), (a, min(b + dash, far_y))] for a in (x, far_x) for b in np.arange(y, far_y, 2 * dash)]
        self.lines(strokes, 1.6, colour)

    def rule(self, x: float, y: float, length: float, width: float, colour: Colour, *, down: bool = False) -> None:
        """Draw a crisp horizontal (or, with `down`, vertical) line from (x, y), centred on it."""
        if down:
            self.box(x - width / 2, y, width, length, colour)
        else:
            self.box(x, y - width / 2, length, width, colour)

    def hatch(
        self, points: ArrayLike, colour: Colour, ground: Colour, *, phase: float = 0.0, pitch: float = 9.0
    ) -> None:
        """Fill a polygon with slanting stripes of `colour` on `ground`; `phase` moves the stripes along x."""
        self._stripe(self._mask([self._fine(points)], 0, closed=True), colour, ground, phase, pitch)

    def hatch_line(
        self, points: ArrayLike, width: float, colour: Colour, ground: Colour, *, pitch: float = 9.0
    ) -> None:
        """Draw a polyline as a band of slanting stripes of `colour` on `ground`."""
        thickness = self._thickness(width)
        self._stripe(self._mask([self._fine(points)], thickness, closed=False), colour, ground, 0.0, pitch)

    def text(
        self, x: float, y: float, text: str, size: float, colour: Colour, *,
        weight: Weight = "regular", anchor: Align = "left",
    ) -> float:  # fmt: skip
        """Set one line with its baseline at y; return its width in design units."""
        lettered = letter(text, weight, round(size * self.unit, 1))
        shift = {"left": 0.0, "centre": lettered.advance / 2, "right": lettered.advance}[anchor]
        self._paint(
            lettered.mask, round(x * self.unit - shift) + lettered.left, round(y * self.unit) + lettered.top, colour
        )
        return lettered.advance / self.unit

    def measure(self, text: str, size: float, *, weight: Weight = "regular") -> float:
        """Width in design units that `text` would take."""
        return advance(text, weight, round(size * self.unit, 1)) / self.unit

    def shortened(self, text: str, size: float, room: float) -> str:
        """Return as much of a text of the user's as has room, with … for the rest."""
        if self.measure(text, size) <= room:
            return text
        kept = next((n for n in range(len(text) - 1, 0, -1) if self.measure(text[:n].rstrip() + "…", size) <= room), 0)
        return text[:kept].rstrip() + "…"

    def lay(self, patch: Patch, x_px: int, y_px: int) -> None:
        """Lay another premultiplied sheet over this one, its corner at a pixel; it has to lie inside."""
        under = self.pixels[y_px : y_px + patch.shape[0], x_px : x_px + patch.shape[1]]
        through = 255 - patch[:, :, 3]
        kept = cv2.multiply(under, cv2.merge([through] * 4), scale=1 / 255)
        under[...] = cv2.add(kept, patch)

    def fade(self, factor: float) -> None:
        """Make the whole sheet more transparent."""
        cv2.convertScaleAbs(self.pixels, self.pixels, factor)

    def _fine(self, points: ArrayLike) -> NDArray[np.int32]:
        scaled = np.asarray(points, dtype=np.float64) * (self.unit * _FINE)
        return np.clip(np.rint(scaled * (1 << _SHIFT)), -(1 << 28), 1 << 28).astype(np.int32)

    def _thickness(self, width: float) -> int:
        """What to ask of OpenCV for so many fine pixels: it draws an even thickness one wider and an odd one two."""
        return 2 * max(1, round((width * self.unit * _FINE - 1) / 2))

    def _shape(self, strokes: list[NDArray[np.int32]], colour: Colour, thickness: int, *, closed: bool = False) -> None:
        placed = self._mask(strokes, thickness, closed=closed)
        if placed is not None:
            self._paint(*placed, colour)

    def _stripe(
        self, placed: tuple[Mask, int, int] | None, colour: Colour, ground: Colour, phase: float, pitch: float
    ) -> None:
        if placed is not None:
            mask, x, y = placed
            self._paint(mask, x, y, ground)
            stripes = _stripes(mask.shape, x - phase * self.unit, y, pitch * self.unit)
            self._paint(np.asarray(cv2.multiply(mask, stripes, scale=1 / 255), np.uint8), x, y, colour)

    def _mask(self, strokes: list[NDArray[np.int32]], thickness: int, *, closed: bool) -> tuple[Mask, int, int] | None:
        """Coverage of a shape in its own bounding box, and the box's corner on the sheet; None when it lies outside."""
        corners = np.concatenate(strokes) / float(_FINE << _SHIFT)
        reach = thickness / (2 * _FINE) + 1
        height, width = self.pixels.shape[:2]
        left, top = np.clip(np.floor(corners.min(axis=0) - reach), 0, (width, height)).astype(int)
        right, bottom = np.clip(np.ceil(corners.max(axis=0) + reach), 0, (width, height)).astype(int)
        if right <= left or bottom <= top:
            return None
        coarser = int((right - left) * (bottom - top) > _LARGE)  # half as fine for what is large anyway
        finer = _FINE >> coarser
        fine = np.zeros(((bottom - top) * finer, (right - left) * finer), np.uint8)
        origin = np.array([left, top], np.int32) * (_FINE << _SHIFT)
        # OpenCV puts a pixel's centre at whole coordinates: a line moves half a fine pixel. A polygon it fattens by as
        # much all round, setting all that its edge touches; taking off the last row and column mends both at once.
        moved = [stroke - origin - (_HALF if thickness else 0) for stroke in strokes]
        if thickness:
            cv2.polylines(fine, moved, closed, 255, max(2, thickness >> coarser), cv2.LINE_8, _SHIFT + coarser)
        else:
            cv2.fillPoly(fine, moved, 255, cv2.LINE_8, _SHIFT + coarser)
            fine = cv2.erode(fine, _TWO_BY_TWO, anchor=(0, 0))
        mask = cv2.resize(fine, (int(right - left), int(bottom - top)), interpolation=cv2.INTER_AREA)
        return np.asarray(mask, np.uint8), int(left), int(top)

    def _fill(self, left: int, top: int, right: int, bottom: int, colour: Colour) -> None:
        """Lay a colour evenly over whole pixels."""
        height, width = self.pixels.shape[:2]
        left, top, right, bottom = max(left, 0), max(top, 0), min(right, width), min(bottom, height)
        if right <= left or bottom <= top or colour.alpha == 0:
            return
        ours, through = _tables(colour)
        under = self.pixels[top:bottom, left:right]
        if colour.alpha == 255:
            under[...] = ours[255, 0]
        else:
            table = (np.rint(np.arange(256) * (int(through[255, 0, 0]) / 255.0))[:, None] + ours[255, 0]).astype(
                np.uint8
            )
            under[...] = cv2.LUT(np.ascontiguousarray(under), table[:, None, :])

    def _paint(self, mask: Mask, x: int, y: int, colour: Colour) -> None:
        """Lay a colour over the sheet through a coverage mask with its corner at pixel (x, y); outside is cut off."""
        height, width = self.pixels.shape[:2]
        left, top, right, bottom = max(x, 0), max(y, 0), min(x + mask.shape[1], width), min(y + mask.shape[0], height)
        if right <= left or bottom <= top or colour.alpha == 0:
            return
        cut = mask[top - y : bottom - y, left - x : right - x]
        four = cv2.merge([cut, cut, cut, cut])
        ours, through = _tables(colour)
        under = self.pixels[top:bottom, left:right]
        kept = cv2.multiply(under, cv2.LUT(four, through), scale=1 / 255)
        cv2.add(cv2.LUT(four, ours), kept, dst=kept)
        under[...] = kept


def arc(x: float, y: float, radius: float, start_deg: float, end_deg: float) -> NDArray[np.float64]:
    """Points (N, 2) of an arc; angles run clockwise from straight up, as a compass does."""
    count = max(8, math.ceil(abs(end_deg - start_deg) / 5.0)) + 1
    angles = np.radians(np.linspace(start_deg, end_deg, count))
    return np.column_stack((x + radius * np.sin(angles), y - radius * np.cos(angles)))


def towards(degrees: float) -> NDArray[np.float64]:
    """Unit vector (2,) of a direction, clockwise from straight up."""
    return np.array([math.sin(math.radians(degrees)), -math.cos(math.radians(degrees))])


@lru_cache(maxsize=16)
def _corner(radius_px: int) -> Mask:
    """Coverage of the upper left quarter of a disc."""
    sheet = Canvas(radius_px, radius_px, 1.0)
    sheet.disc(radius_px, radius_px, radius_px, Colour(255, 255, 255))
    return np.ascontiguousarray(sheet.pixels[:, :, 3])


@lru_cache(maxsize=256)
def _tables(colour: Colour) -> tuple[Patch, Patch]:
    """Premultiplied colour and what shines through, for each coverage: two (256, 1, 4) look-up tables."""
    coverage = np.arange(256)[:, None] / 255.0 * (colour.alpha / 255.0)
    ours = np.rint(coverage * np.array([*colour[:3], 255])).astype(np.uint8)
    through = 255 - np.repeat(ours[:, 3:], 4, axis=1)
    return ours[:, None, :], through[:, None, :]


def _stripes(shape: tuple[int, ...], x: float, y: float, pitch_px: float) -> Mask:
    """Coverage of stripes rising to the right, half as wide as their pitch, anchored to the sheet.

    The stripes repeat after a whole number of pixels along x, so that one row, shifted, serves for all.
    """
    rows, columns = shape[0], shape[1]
    period = max(3, round(pitch_px * math.sqrt(2.0)))
    fine = np.arange(period * 8) // (period * 4) * 255.0  # eight samples to a pixel
    soft = np.convolve(np.tile(fine, 3), np.ones(12) / 12, mode="same")[period * 8 : period * 16]
    row = np.resize(soft.reshape(period, 8).mean(axis=1).astype(np.uint8), columns + period)
    starts = (np.arange(rows) + round(x + y)) % period
    return np.lib.stride_tricks.sliding_window_view(row, columns)[starts]
