"""What can be measured in each frame of the live picture's recording, at less than the cost of decoding it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.bands import Bands
from overlay.picture.blocking import block_edges
from overlay.picture.borders import borders
from overlay.picture.burned_in import BurnedIn
from overlay.picture.impulses import streaks_per_row
from overlay.picture.noise import bend, change_noise, colour_noise, fine_noise, line_noise, tile_means, usable_tiles
from overlay.picture.rows import dark_bar, row_steps, vertical_shift
from overlay.picture.sampling import COLOUR_LINES, Batch, Sampler, counted, field_of

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

TOGETHER = 16
"""Frames measured at a time."""
_LEARN_EVERY, _LEARN_LATER_EVERY, _LEARNT = 5, 25, 500
"""Frames from one look for burned-in figures to the next, and how long figures are news."""
_ROOM_BYTES = 24 << 20
"""Asked for once and given back: from then on C libraries that follow what is given back (glibc, mallopt(3), M_MMAP_THRESHOLD)
keep the memory of a batch's arrays for the next batch's instead of having each mapped anew, an eighth of the whole cost."""
_ACTIVE_LINE = 52.0 / 64.0
_CHANGED = 3
_LUMA_LEVELS = ("spread", "line_noise", "fine_noise", "neighbour_noise", "change_noise", "border_noise", "change")
_BLACK_AND_LUMA_LEVELS = ("brightness", "border_level")
_COLOUR_LEVELS = ("colour_noise", "colour", "blue")


@dataclass(frozen=True)
class Features:
    """One row per frame, float64 (N,); NaN where a frame does not tell. Levels are 8-bit levels.

    ===================  =========================================================================================
    time_s               on the recording's clock
    brightness           mean luma, levels
    spread               between the darkest and the brightest of 48 tiles, levels
    line_noise           standard deviation across lines of a field in quiet tiles, levels
    fine_noise           the same by Immerkær's operator, levels
    neighbour_noise      as line_noise, of rows next to each other in the frame, which are of different fields, levels
    colour_noise         standard deviation of noise in U and V together, along their lines, levels
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
    stuck                share of tiles that did not change at all
    block_edges          share of block borders that are steps, less the share off the grid
    banded               share of lines whose colour jumped while the rest went on, and has not jumped back
    figures              share of the burned-in edges shown, 0 … 1; NaN while none are known, or all is black
    corrupt              1 where the decoder itself reported errors
    missing_frames       frames that the recorder dropped before this one, by its time stamps
    ===================  =========================================================================================
    """

    time_s: Floats
    brightness: Floats
    spread: Floats
    line_noise: Floats
    fine_noise: Floats
    neighbour_noise: Floats
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
    stuck: Floats
    block_edges: Floats
    banded: Floats
    figures: Floats
    corrupt: Floats
    missing_frames: Floats

    def __len__(self) -> int:
        return len(self.time_s)


_NAMES = tuple(field.name for field in fields(Features))


def in_studio_range(features: Features) -> Features:
    """Features of a recording in full range, 0 … 255, in the levels of one in studio range.

    Quantisation levels of ITU-R BT.601: luminance 219 from 16, colour differences 224 peak to peak; both 255 in full range.
    """
    scaled = {name: getattr(features, name) * (219.0 / 255.0) for name in (*_LUMA_LEVELS, *_BLACK_AND_LUMA_LEVELS)}
    scaled |= {name: scaled[name] + 16.0 for name in _BLACK_AND_LUMA_LEVELS}
    scaled |= {name: getattr(features, name) * (224.0 / 255.0) for name in _COLOUR_LEVELS}
    return replace(features, **scaled)


@contextmanager
def _one_thread() -> Iterator[None]:
    """OpenCV without threads of its own: on arrays this small they cost more than the work, and the decoder needs the cores."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


class FeatureExtractor:
    """Takes frames one by one; keeps samples of a few and a row of numbers for each.

    Frames may change their size on the way, as those of a damaged recording do: what compares a frame with the one
    before is then NaN once.
    """

    def __init__(self) -> None:
        self._done: list[Floats] = []
        self._waiting: list[dict[str, float]] = []
        self._sampler: Sampler | None = None
        self._burned_in, self._known_from = BurnedIn(), 0
        self._bands = Bands()
        self._last: tuple[Bytes, NDArray[np.float32]] | None = None
        self._pushed = 0
        np.empty(_ROOM_BYTES, np.uint8)

    @_one_thread()
    def push(self, time_s: float, y: Bytes, u: Bytes, v: Bytes, corrupt: bool = False) -> None:
        """Take in one frame: luma `y` (H, W) and chroma `u`, `v` as coded, 8 bits. Only samples of them are kept."""
        if y.ndim != 2 or min(y.shape) < 96 or u.shape != v.shape or min(u.shape) < 24:
            raise ValueError(
                f"planes of shapes {y.shape}, {u.shape}, {v.shape}; wanted luma of 96 × 96 or more, and chroma"
            )
        if self._sampler is None or self._sampler.shape != (y.shape, u.shape):
            self._measure()
            self._sampler, self._last = Sampler(y, u, TOGETHER), None
            self._burned_in, self._known_from = BurnedIn(), self._pushed
            self._bands = Bands()
        self._sampler.take(len(self._waiting), y, u, v)
        field = field_of(y)
        if self._pushed % (_LEARN_EVERY if self._pushed - self._known_from < _LEARNT else _LEARN_LATER_EVERY) == 0:
            self._burned_in.learn(field)
        self._waiting.append({"time_s": time_s, "corrupt": float(corrupt), "figures": self._burned_in.look(field)})
        self._pushed += 1
        if len(self._waiting) == TOGETHER:
            self._measure()

    @_one_thread()
    def result(self) -> Features:
        """Everything measured so far."""
        self._measure()
        table = np.concatenate(self._done) if self._done else np.zeros((0, len(_NAMES)))
        columns = dict(zip(_NAMES, np.ascontiguousarray(table.T), strict=True))
        earlier = self._burned_in.earlier
        columns["figures"][self._known_from :][: len(earlier)] = earlier
        columns["missing_frames"] = missing_frames(columns["time_s"])
        return Features(**columns)

    def _measure(self) -> None:
        """Turn the frames that wait into rows of numbers."""
        if not self._waiting or self._sampler is None:
            return
        batch = self._sampler.batch.first(len(self._waiting))
        levels = tile_means(batch.lines[1])
        measured = _still(batch, levels)
        moving, moved = _moving(batch, levels, measured["line_noise"], self._last)
        measured |= moving | {name: np.array([row[name] for row in self._waiting]) for name in self._waiting[0]}
        measured["banded"] = self._bands.shares(batch.colour, moved, measured["time_s"])
        measured["missing_frames"] = np.zeros(len(levels))
        self._done.append(np.stack([measured[name] for name in _NAMES], axis=1))
        self._last = batch.lines[1, -1].copy(), batch.profile[-1].copy()
        self._waiting.clear()


def _still(batch: Batch, levels: Floats) -> dict[str, Floats]:
    """What frames tell by themselves."""
    above, row, below = batch.lines
    bends, usable = bend(above, row, below), usable_tiles(levels)
    edges, steps = borders(batch.edges), row_steps(row[:, ::2], below[:, ::2])
    u, v = batch.colour[:, :COLOUR_LINES], batch.colour[:, COLOUR_LINES:]
    return {
        "brightness": levels.mean(axis=1),
        "spread": np.ptp(levels, axis=1),
        "line_noise": line_noise(bends, usable),
        "fine_noise": fine_noise(bends, usable),
        "neighbour_noise": line_noise(bend(batch.near[0], row[:, ::2], batch.near[1]), usable),
        "colour_noise": colour_noise(batch.colour, usable),
        "border_level": edges.level,
        "border_noise": edges.noise,
        "border_jitter_px": edges.jitter_px,
        "step_px": steps.step_px,
        "torn": steps.torn,
        "coherence": steps.coherence,
        "dark_bar": dark_bar(row),
        "colour": _from_grey(u) + _from_grey(v),
        "blue": _mean(u) - _mean(v),
        "block_edges": block_edges(batch.blocks, batch.lines),
    }


def _moving(
    batch: Batch, levels: Floats, noise: Floats, last: tuple[Bytes, NDArray[np.float32]] | None
) -> tuple[dict[str, Floats], Floats]:
    """What they tell beside the frame before each, and by how much half of the tiles changed at most (B,)."""
    (above, row, below), profile = batch.lines, batch.profile
    first = last if last is not None else (row[0], profile[0])
    change = np.empty_like(row)
    cv2.absdiff(row[0], first[0], dst=change[0])
    cv2.absdiff(row[1:].reshape(-1), row[:-1].reshape(-1), dst=change[1:].reshape(-1))
    tiles = tile_means(change)
    found = {
        "change": tiles.mean(axis=1),
        "changed": counted(change > _CHANGED) / change[0].size,
        "stuck": np.mean(tiles < 0.2, axis=1),
        "clicks_per_line": streaks_per_row(above, row, below, change, noise) / _ACTIVE_LINE,
        "change_noise": change_noise(tiles, usable_tiles(levels)),
        "roll_rows": vertical_shift(profile, np.concatenate([first[1][None], profile[:-1]])),
    }
    if last is None:
        for values in found.values():
            values[0] = np.nan
    return found, np.median(tiles, axis=1)


def _from_grey(chroma: Bytes) -> Floats:
    return np.asarray(np.abs(chroma[:, ::2, ::2].astype(np.int16) - 128).mean(axis=(1, 2)))


def _mean(chroma: Bytes) -> Floats:
    rows = chroma.reshape(len(chroma), -1)
    return np.asarray(cv2.reduce(rows, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[:, 0] / rows.shape[1])


def missing_frames(time_s: Floats) -> Floats:
    """Frames (N,) missing before each, by the time stamps and the usual step between them."""
    missing = np.zeros(len(time_s))
    steps = np.diff(time_s)
    usual = float(np.median(steps)) if len(steps) else 0.0
    if usual > 0:
        missing[1:] = np.maximum(np.round(steps / usual) - 1.0, 0.0)
    return missing
