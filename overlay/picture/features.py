"""What can be measured in each frame of the live picture's recording, at less than the cost of decoding it."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.blocking import block_edges
from overlay.picture.borders import borders
from overlay.picture.burned_in import BurnedIn
from overlay.picture.impulses import streaks_per_row
from overlay.picture.noise import Lines, change_noise, colour_noise, fine_noise, line_noise, tile_means, usable_tiles
from overlay.picture.rows import dark_bar, row_shifts, vertical_shift

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_FIELD_ROWS = 400
"""Pictures with more rows than this are taken for two fields, and only the first is measured."""
_SAMPLED_ROWS = 40
_COUNTED_ROWS = 144
_LEARN_EVERY = 8
_ACTIVE_LINE = 52.0 / 64.0
_CHANGED = 3


@dataclass(frozen=True)
class Features:
    """One row per frame, float64 (N,); NaN where a frame does not tell. Levels are 8-bit levels.

    ===================  =========================================================================================
    time_s               on the recording's clock
    brightness           mean luma, levels
    spread               between the darkest and the brightest of 48 tiles, levels
    line_noise           standard deviation across lines of a field in quiet tiles, levels
    fine_noise           the same by Immerkær's operator, levels
    colour_noise         the same of U and V together, levels
    change_noise         standard deviation from what changed since the last frame in quiet tiles, levels
    border_level         mean of the darker side's outermost columns, levels
    border_noise         standard deviation there, across lines, levels
    border_jitter_px     scatter of the place where rows begin, pixels
    clicks_per_line      streaks in a whole line, on average
    step_px              scatter of sideways steps from row to row, pixels
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
    line_noise: Floats
    fine_noise: Floats
    colour_noise: Floats
    change_noise: Floats
    border_level: Floats
    border_noise: Floats
    border_jitter_px: Floats
    clicks_per_line: Floats
    step_px: Floats
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
        if len(self._rows) % _LEARN_EVERY == 0:
            self._burned_in.learn(field)
        lines = Lines.of(field, _SAMPLED_ROWS)
        still = self._still(field, y, u, v, lines)
        moving = self._moving(field, lines)
        named = {"time_s": time_s, "corrupt": float(corrupt), "missing_frames": 0.0, **still, **moving}
        self._rows.append(tuple(named[name] for name in _NAMES))

    def _still(self, field: Bytes, y: Bytes, u: Bytes, v: Bytes, lines: Lines) -> dict[str, float]:
        """What one frame tells by itself."""
        bend, levels = lines.bend(), tile_means(lines.row)
        usable = usable_tiles(levels)
        noise = line_noise(bend, usable)
        texture = np.where(usable, tile_means(np.abs(bend)), np.inf)
        edges = borders(field, noise if noise == noise else 0.0)
        shifts = row_shifts(lines.row, lines.below)
        return {
            "brightness": float(levels.mean()),
            "spread": float(levels.max() - levels.min()),
            "line_noise": noise,
            "fine_noise": fine_noise(bend, usable),
            "colour_noise": colour_noise(u, v, _SAMPLED_ROWS),
            "border_level": edges.level,
            "border_noise": edges.noise,
            "border_jitter_px": edges.jitter_px,
            "clicks_per_line": streaks_per_row(Lines.of(field, _COUNTED_ROWS), texture) / _ACTIVE_LINE,
            "step_px": shifts.jitter_px,
            "torn": shifts.torn,
            "coherence": shifts.coherence,
            "dark_bar": dark_bar(field),
            "colour": _departure(u[::4]) + _departure(v[::4]),
            "blue": cv2.mean(u[::4])[0] - cv2.mean(v[::4])[0],
            "block_edges": block_edges(y),
            "figures": self._burned_in.shown(field),
        }

    def _moving(self, field: Bytes, lines: Lines) -> dict[str, float]:
        """What it tells beside the frame before."""
        row = lines.row.copy()
        profile = cv2.reduce(field, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F).ravel().astype(float)
        before, earlier = self._before, self._profile
        self._before, self._profile = row, profile
        if before is None or earlier is None or before.shape != row.shape or len(earlier) != len(profile):
            return dict.fromkeys(("change", "changed", "change_noise", "roll_rows"), np.nan)
        change: Bytes = cv2.absdiff(row, before)  # type: ignore[assignment]  # 8 bits in, 8 bits out
        return {
            "change": cv2.mean(change)[0],
            "changed": cv2.countNonZero(cv2.threshold(change, _CHANGED, 1, cv2.THRESH_BINARY)[1]) / change.size,
            "change_noise": change_noise(change, usable_tiles(tile_means(row))),
            "roll_rows": vertical_shift(profile, earlier),
        }

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
