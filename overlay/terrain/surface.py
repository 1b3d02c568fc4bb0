"""The ground's height as a function of place, from one or more grids of heights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
ToGrid = Callable[[Floats, Floats], tuple[Floats, Floats]]

LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""No dry land lies beyond these; heights that do are voids, whatever the file calls them."""


@dataclass(frozen=True)
class Grid:
    """Heights in metres at posts, rows from `first_y` in steps of `step_y` (negative: southward), columns likewise.

    x and y are longitude and latitude in degrees, or the metres that `to_grid` makes of (longitude, latitude). Posts
    that hold `void`, or no land's height, are not known.
    """

    heights: NDArray[np.generic]
    first_x: float
    first_y: float
    step_x: float
    step_y: float
    void: float | None = None
    to_grid: ToGrid | None = None

    def at(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """Height by bilinear interpolation; NaN off the grid by more than half a step, and beside a void."""
        x, y = (longitude_deg, latitude_deg) if self.to_grid is None else self.to_grid(longitude_deg, latitude_deg)
        if self.to_grid is None:  # a grid may count its longitudes past 180°
            middle = self.first_x + self.step_x * (self.heights.shape[1] - 1) / 2
            x = middle + np.mod(x - middle + 180.0, 360.0) - 180.0
        column, row = (x - self.first_x) / self.step_x, (y - self.first_y) / self.step_y
        last_row, last_column = (size - 1 for size in self.heights.shape)
        with np.errstate(invalid="ignore"):
            inside = (np.abs(column - last_column / 2) <= last_column / 2 + 0.5) & (
                np.abs(row - last_row / 2) <= last_row / 2 + 0.5
            )
        column = np.clip(np.where(inside, column, 0.0), 0.0, last_column)
        row = np.clip(np.where(inside, row, 0.0), 0.0, last_row)
        left, top = np.minimum(column.astype(np.intp), last_column - 1), np.minimum(row.astype(np.intp), last_row - 1)
        across, down = column - left, row - top
        upper = self._posts(top, left) * (1 - across) + self._posts(top, left + 1) * across
        lower = self._posts(top + 1, left) * (1 - across) + self._posts(top + 1, left + 1) * across
        return np.where(inside, upper * (1 - down) + lower * down, np.nan)

    def _posts(self, row: NDArray[np.intp], column: NDArray[np.intp]) -> Floats:
        found = self.heights[row, column]
        void = found == self.void if self.void is not None else np.zeros(found.shape, dtype=bool)
        values = found.astype(np.float64)
        return np.where(void | ~((values > LOWEST_M) & (values < HIGHEST_M)), np.nan, values)


@dataclass(frozen=True)
class Surface:
    """Several grids as one: the first that knows a place's height is believed."""

    grids: tuple[Grid, ...]

    def heights_m(self, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
        """Height of the ground over sea level at each place, any one shape; NaN where no grid knows it."""
        found = np.full(np.shape(latitude_deg), np.nan)
        for grid in self.grids:
            lacking = np.isnan(found) & np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
            if not lacking.any():
                break
            found[lacking] = grid.at(latitude_deg[lacking], longitude_deg[lacking])
        return found
