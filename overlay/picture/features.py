"""What can be measured in each frame of the live picture's recording, at less than the cost of decoding it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.blocking import block_edges
from overlay.picture.burned_in import BurnedIn
from overlay.picture.impulses import streaks_per_row
from overlay.picture.noise import spatial_noise, temporal_noise, tile_means
from overlay.picture.rows import dark_bar, row_shifts, vertical_shift

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_FIELD_ROWS = 400
_SAMPLED_ROWS = 40
_LEARN_EVERY = 8
_ACTIVE_LINE = 52.0 / 64.0


@dataclass(frozen=True)
class Features:
    """One row per frame, float64 (N,); NaN where a frame does not tell.

    ===================  =========================================================================================
    time_s               on the recording's clock
    brightness           mean luma, 8-bit levels
    spread               between the darkest and the brightest of 48 tiles, levels
    noise                standard deviation by Immerkær's operator in quiet tiles, levels
    noise_change         standard deviation from what changed since the last frame in quiet tiles, levels
    clicks_per_line      streaks in a whole line, on average
    jitter_px            scatter of sideways steps from row to row, pixels
    torn                 share of rows that step aside by more than two pixels, 0 … 1
    coherence            median correlation of neighbouring rows, up to 1
    roll_rows            rows (of a field) by which the picture moved down since the last frame
    dark_bar             share of rows dark from side to side inside the picture
    colour               mean departure of U and V from grey, levels
    blue                 mean U less mean V, levels
    change               mean absolute change since the last frame, levels
    changed              share of pixels that changed by more than three levels
    block_edges          share of block borders that are steps, less the share off the grid
    figures              share of the burned-in edges shown, 0 … 1; NaN while none are known
    corrupt              1 where the decoder itself reported errors
    missing_frames       frames that the recorder dropped before this one, by its time stamps
    ===================  =========================================================================================
    """

    time_s: Floats
    brightness: Floats
    spread: Floats
    noise: Floats
    noise_change: Floats
    clicks_per_line: Floats
    jitter_px: Floats
    torn: Floats
    coherence: Floats
    roll_rows: Floats
    dark_bar: Floats
    colour: Floats
    blue: Floats
    change: Floats
    changed: Floats
    block_edges: Floats
    figures: Floats
    corrupt: Floats
    missing_frames: Floats

    def __len__(self) -> int:
        return len(self.time_s)


_NAMES = tuple(field.name for field in fields(Features))


class FeatureExtractor:
    """Takes frames one by one; keeps a few rows of the last one and a row of numbers for each."""

    def __init__(self) -> None:
        self._rows: list[tuple[float, ...]] = []
        self._burned_in = BurnedIn()
        self._before: Bytes | None = None
        self._profile: Floats | None = None

    def push(self, time_s: float, y: Bytes, u: Bytes, v: Bytes, corrupt: bool = False) -> None:
        """Measure one frame: luma `y` (H, W) and chroma `u`, `v` as coded, 8 bits. Nothing of them is kept."""
        if y.ndim != 2 or min(y.shape) < 96:
            raise ValueError(f"luma of shape {y.shape}, wanted rows × columns, both at least 96")
        field = y[::2] if len(y) >= _FIELD_ROWS else y
        step = max(1, len(field) // _SAMPLED_ROWS)
        above, row, below = (field[k : len(field) - 2 + k : step] for k in range(3))
        noise = spatial_noise(above, row, below)
        shifts = row_shifts(row, below)
        tiles = tile_means(row)
        middle = row.copy()
        same = self._before is not None and self._before.shape == middle.shape
        before = self._before if same and self._before is not None else middle
        moved = cv2.absdiff(middle, before)
        profile = cv2.reduce(field, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F).ravel().astype(float)
        if len(self._rows) % _LEARN_EVERY == 0:
            self._burned_in.learn(field)
        self._rows.append(
            (
                time_s,
                float(tiles.mean()),
                float(tiles.max() - tiles.min()),
                noise,
                temporal_noise(middle, before) if same else np.nan,
                streaks_per_row(field[:-2:2], field[1:-1:2], field[2::2], noise) / _ACTIVE_LINE,
                shifts.jitter_px,
                shifts.torn,
                shifts.coherence,
                vertical_shift(profile, self._profile) if same and self._profile is not None else np.nan,
                dark_bar(field),
                _departure(u[::4]) + _departure(v[::4]),
                float(cv2.mean(u[::4])[0] - cv2.mean(v[::4])[0]),
                float(cv2.mean(moved)[0]) if same else np.nan,
                cv2.countNonZero(cv2.threshold(moved, 3, 1, cv2.THRESH_BINARY)[1]) / moved.size if same else np.nan,
                block_edges(y),
                self._burned_in.shown(field),
                float(corrupt),
                0.0,
            )
        )
        self._before, self._profile = middle, profile

    def result(self) -> Features:
        """Everything measured so far."""
        table = np.array(self._rows, dtype=float).reshape(-1, len(_NAMES))
        columns = dict(zip(_NAMES, table.T.copy(), strict=True))
        steps = np.diff(columns["time_s"])
        if len(steps):
            usual = float(np.median(steps))
            columns["missing_frames"][1:] = np.maximum(np.round(steps / usual) - 1.0, 0.0) if usual > 0 else 0.0
        return Features(**columns)


def _departure(chroma: Bytes) -> float:
    return float(np.mean(np.abs(chroma.astype(np.int16) - 128)))
