"""Figures burned into the live picture by the aircraft's on-screen display, as the pilot saw them.

Cells of 12 × 18 dots, 30 columns and 16 rows over a 625-line picture; a dot is two samples wide and, both fields alike,
two lines high. The positions and formats are this sample's own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples import glyphs
from overlay_samples.flight import Flight
from overlay_samples.handling import THROW_S

Picture = NDArray[np.uint8]

COLUMNS, ROWS = 30, 16
RENEWED_Hz = 10.0  # how often the display takes new values
_BLACK, _WHITE = 20, 228


@dataclass(frozen=True)
class Figure:
    """One field: its name, the row and column of its first cell, its text."""

    name: str
    row: int
    column: int
    text: str


class Figures:
    """The on-screen display of one flight."""

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self._shown: tuple[tuple[Figure, ...], int] | None = None
        self._dots = np.zeros((ROWS * glyphs.CELL[0], COLUMNS * glyphs.CELL[1]), np.uint8)
        self._masks: tuple[Picture, Picture] | None = None

    @cached_property
    def _launched_s(self) -> float:
        """When the flight timer starts: the launch is felt."""
        return self.flight.span("flying")[0] - THROW_S

    def at(self, time_s: float) -> tuple[Figure, ...]:
        """What the display shows at a POSIX time; values are those of the last renewal."""
        f = self.flight
        t = math.floor(time_s * RENEWED_Hz) / RENEWED_Hz
        flown = max(0, int(t - self._launched_s))
        velocity = [float(f.at(f.velocity_mps[:, axis], t - 0.1)) for axis in (0, 1)]
        away = math.hypot(*self._place(t))
        cell_V = float(f.at(f.voltage_V, t)) / f.scenario.battery.cells
        return (
            Figure("timer", 1, 2, f"{flown // 60:02d}:{flown % 60:02d}"),
            Figure("home distance", 1, 15, f"{round(away):4d}M" if away < 9999.5 else f"{away / 1000:4.1f}K"),
            Figure("link", 1, 24, f"{round(float(f.at(f.control[1], t))):3d}%"),
            Figure("speed", 7, 2, f"{round(math.hypot(*velocity) * 3.6):3d}"),
            Figure("height", 7, 24, f"{round(float(f.at(f.up_m, t))):4d}"),
            Figure("cell voltage", 14, 2, f"{cell_V:4.2f}V"),
            Figure("charge used", 14, 21, f"{round(float(f.at(f.charge_used_mAh, t))):4d}MAH"),
        )

    def home_arrow(self, time_s: float) -> int:
        """Sixteenth of a turn, clockwise from ahead, to home."""
        f = self.flight
        t = math.floor(time_s * RENEWED_Hz) / RENEWED_Hz
        east, north = self._place(t)
        relative = math.atan2(-east, -north) - float(f.at(f.heading_rad, t))
        return round(relative / (2 * math.pi) * 16) % 16

    def burn(self, picture: Picture, time_s: float) -> None:
        """Draw over a (576, 720, 3) picture in place."""
        content = self.at(time_s), self.home_arrow(time_s)
        if content != self._shown or self._masks is None:
            self._masks, self._shown = self._draw(*content), content
        shades, mask = self._masks
        cv2.copyTo(shades, mask, picture)

    def _place(self, time_s: float) -> tuple[float, float]:
        return float(self.flight.at(self.flight.east_m, time_s)), float(self.flight.at(self.flight.north_m, time_s))

    def _draw(self, figures: tuple[Figure, ...], arrow: int) -> tuple[Picture, Picture]:
        dots = self._dots
        dots[:] = glyphs.CLEAR
        height, width = glyphs.CELL
        for figure in figures:
            for i, character in enumerate(figure.text):
                x, y = (figure.column + i) * width, figure.row * height
                dots[y : y + height, x : x + width] = glyphs.cell(character)
        dots[height : 2 * height, 12 * width : 14 * width] = glyphs.arrow(arrow)
        full = cv2.resize(dots, None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST)
        shades = np.where(full == glyphs.WHITE, _WHITE, _BLACK).astype(np.uint8)
        return np.repeat(shades[..., None], 3, axis=2), np.asarray(full != glyphs.CLEAR, np.uint8)
