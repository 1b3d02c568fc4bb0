"""Motion of the camera from its pictures: rotation rates from sparse optical flow, stillness, how the horizon leans."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from overlay.motion.corners import corners, followed
from overlay.motion.horizon import find_horizon
from overlay.motion.rotation import Turn, turn_between
from overlay.motion.series import MotionSeries
from overlay.motion.still_marks import StillMarks

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

GUESSED_FIELD_OF_VIEW_DEG = 95.0  # across the picture; a wide lens without its extreme
HORIZON_EVERY_S = 0.4  # an aircraft rolls in and out of a turn in two seconds
LONGEST_S = 0.3  # two pictures farther apart than this show no one motion
SAME = 0.35  # mean difference in grey levels below which a picture repeats the one before
FLOW_ERROR_PX = 0.12
STUCK_PX = 0.25  # a point that moves by less does not move
MOVING_PX = 1.2  # a quarter of the points move by more: the picture moves, and what stands still in it is no part of it
LIVELIEST = 0.8  # of the points move no more than the picture is said to: burned-in figures stand still in any flight
POOR_FIT = 0.75  # share of the points: if fewer move as one, some may be marks
LEAST_CONTRAST = 2.0  # standard deviation in grey levels: less is white-out, darkness or a blank field


def motion_from_picture(
    frames: Iterable[tuple[float, Grey]],
    *,
    field_of_view_deg: float | None = None,
    horizon: bool = False,
) -> MotionSeries:
    """Rates (rad/s) between each picture and the next that differs from it, stamped at mid-interval.

    `frames`: (seconds, grey upright picture (H, W), about 320 wide) with seconds rising; any rate, gaps allowed.
    Rates are NaN where the picture carries nothing (white-out, black, frozen) or the pictures lie more than `LONGEST_S`
    apart. With the field of view unknown the yaw and pitch rates carry an unknown constant factor near one. `horizon`: whether
    to look for it every `HORIZON_EVERY_S`, which costs as much as following the points; its lean is the camera's bank.
    ValueError when pictures change size.
    """
    watch = _Watch(field_of_view_deg or GUESSED_FIELD_OF_VIEW_DEG, horizon)
    for time, picture in frames:
        watch.look(time, picture)
    return watch.series()


@dataclass
class _Watch:
    """The state between two pictures, and what has been measured so far."""

    field_of_view_deg: float
    horizon: bool = False
    looked_s: float = -np.inf  # for the horizon
    last: tuple[float, Grey] | None = None
    points: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    aged: int = 0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))
    marks: StillMarks = field(default_factory=StillMarks)
    rows: list[tuple[float, ...]] = field(default_factory=list)

    def look(self, time: float, picture: Grey) -> None:
        if self.last is None:
            self.last = (time, picture)
            return
        before, previous = self.last
        if picture.shape != previous.shape:
            raise ValueError(f"picture of {picture.shape[::-1]} after one of {previous.shape[::-1]}")
        if time <= before:
            return
        if time - before <= LONGEST_S and _repeats(previous, picture):
            return
        turn, moved = (None, np.nan) if time - before > LONGEST_S else self._turn(previous, picture)
        self._note(before, time, turn, moved, picture.shape, self._bank(time, picture))
        self.last = (time, picture)

    def _bank(self, time: float, picture: Grey) -> float:
        if not self.horizon or time - self.looked_s < HORIZON_EVERY_S - 1e-6:
            return np.nan
        self.looked_s = time
        found = find_horizon(picture, self.field_of_view_deg)
        return np.nan if found is None else found.bank_rad

    def _turn(self, before: Grey, after: Grey) -> tuple[Turn | None, float]:
        if before.std() < LEAST_CONTRAST or after.std() < LEAST_CONTRAST:
            self.points = np.zeros((0, 2))
            return None, np.nan
        if self.aged >= 8 or len(self.points) < 90:
            self.points, self.aged = corners(before, self.marks.free()), 0
        start, end = followed(before, after, self.points)
        self.points, self.aged = end, self.aged + 1
        if len(start) < 8:
            return None, np.nan
        length = np.hypot(*(end - start).T)
        if np.quantile(length, 0.75) > MOVING_PX:
            self.marks.look(after)
        turn = self._fitted(start, end, before.shape)
        moving = length > STUCK_PX
        if turn is not None and turn.fitting < POOR_FIT and 20 <= moving.sum() < 0.9 * len(start):
            among = self._fitted(start[moving], end[moving], before.shape)
            if among is not None and among.fitting > POOR_FIT:
                turn = among  # what stands still while the rest moves as one is burned in
        return turn, float(np.quantile(length, LIVELIEST))

    def _fitted(self, start: Floats, end: Floats, shape: tuple[int, ...]) -> Turn | None:
        height, width = shape
        focal = self._focal_px(width)
        centre = (np.array((width, height)) - 1) / 2
        return turn_between((start - centre) / focal, (end - centre) / focal, self.rng, tolerance=FLOW_ERROR_PX / focal)

    def _focal_px(self, width: int) -> float:
        return float(width / 2 / np.tan(np.radians(self.field_of_view_deg) / 2))

    def _note(
        self, before: float, time: float, turn: Turn | None, moved: float, shape: tuple[int, ...], bank: float
    ) -> None:
        length = time - before
        rates = np.full(3, np.nan)
        confidence, row = 0.0, np.nan
        if turn is not None:
            rates, row = turn.angles_rad / length, 0.5 + turn.below * self._focal_px(shape[1]) / shape[0]
            confidence = turn.fitting * min(1.0, turn.points / 40) * float(turn.sigma_rad.max() < 0.02)
        if confidence < 0.15:
            rates = np.full(3, np.nan)
        still = _stillness(moved) if confidence >= 0.15 else np.nan
        roll, pitch, yaw = rates.tolist()
        bank -= float(np.nan_to_num(roll)) * length / 2  # seen at the interval's end, told of its middle
        self.rows.append(((before + time) / 2, roll, pitch, yaw, still, confidence, length, row, bank))

    def series(self) -> MotionSeries:
        table = np.array(self.rows, dtype=np.float64).reshape(-1, 9)
        return MotionSeries(
            time_s=table[:, 0], rate_radps=table[:, 1:4], stillness=table[:, 4],
            confidence=table[:, 5], interval_s=np.minimum(table[:, 6], LONGEST_S),
            row=table[:, 7], bank_rad=table[:, 8],
        )  # fmt: skip


def _repeats(before: Grey, after: Grey) -> bool:
    """A repeated or frozen picture: it is the same one again, which says nothing about motion, least of all "still".

    A live camera standing still differs from picture to picture by its noise. Compared on every fourth row.
    """
    return float(np.abs(before[::4].astype(np.int16) - after[::4]).mean()) < SAME


def _stillness(moved_px: float) -> float:
    """1 when the picture does not move at all, 0 from about a third of a pixel between frames."""
    return float(np.clip(1.25 - 4.0 * moved_px, 0.0, 1.0))
