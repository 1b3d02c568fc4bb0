"""A cheap recorder at the ground station: what it makes of the receiver's picture memory and of lost sync."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from overlay_samples.link.composite import Frame
from overlay_samples.link.receiver import Reception

Lost = Literal["blue", "frozen", "noise"]

_BLUE_BGR = (191, 0, 0)
"""75 % blue."""


@dataclass
class RecorderState:
    """What the recorder remembers."""

    seed: int = 0
    run: int = 0
    """Frames in a row without usable sync; below zero, with it."""
    lost: bool = False
    last: Frame | None = None


@dataclass(frozen=True)
class Recorder:
    """`lost`: what is recorded without sync: a blue screen, the last picture, or whatever the receiver shows."""

    lost: Lost = "blue"
    deinterlace: bool = False
    """Fields are blended one into the other, as cheap recorders do, rather than woven."""
    patience: int = 3
    """Frames without sync before the recorder gives the picture up."""
    caution: int = 4
    """Frames with sync before it comes back."""
    least_sync: float = 0.55
    """Share of lines with a sync edge where expected that counts as sync."""
    repeat_share: float = 0.0
    """Share of frames missed, for which the frame before is written again."""

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if self.lost not in ("blue", "frozen", "noise"):
            raise ValueError(f'lost is {self.lost!r}; choose "blue", "frozen" or "noise"')
        if not 0 <= self.repeat_share < 1:
            raise ValueError(f"repeat_share is {self.repeat_share}; give a share from 0 up to 1")

    def __call__(self, picture: Frame, reception: Reception, state: RecorderState, number: int) -> Frame:
        """The frame that goes on the record as number `number`."""
        self._judge(reception, state)
        if state.last is not None and self._missed(state, number):
            return state.last
        if state.lost and self.lost == "frozen" and state.last is not None:
            return state.last
        if state.lost and self.lost == "blue":
            state.last = np.full_like(picture, _BLUE_BGR)
        else:
            state.last = self._blend(picture) if self.deinterlace else picture
        return state.last

    def _missed(self, state: RecorderState, number: int) -> bool:
        """Drawn from seed and number alone, so that a segment misses the same frames as the whole."""
        chance = np.random.default_rng([state.seed, number, 0xDC]).random() if self.repeat_share else 1.0
        return bool(chance < self.repeat_share)

    def _judge(self, reception: Reception, state: RecorderState) -> None:
        good = reception.sync_share >= self.least_sync
        state.run = (min(state.run, 0) - 1) if good else (max(state.run, 0) + 1)
        if state.run >= self.patience:
            state.lost = True
        elif state.run <= -self.caution:
            state.lost = False

    @staticmethod
    def _blend(picture: Frame) -> Frame:
        kernel = np.array([0.25, 0.5, 0.25], np.float32)
        return np.asarray(cv2.sepFilter2D(picture, -1, np.ones(1, np.float32), kernel), np.uint8)
