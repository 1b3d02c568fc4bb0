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

    bad: int = 0
    """Frames in a row without usable sync, or, below zero, with it."""
    lost: bool = False
    last: Frame | None = None


@dataclass(frozen=True)
class Recorder:
    """`lost`: what is recorded without sync: a blue screen, the last picture, or whatever the receiver shows."""

    lost: Lost = "blue"
    deinterlace: bool = False
    patience: int = 3
    """Frames without sync before the recorder gives the picture up."""
    caution: int = 4
    """Frames with sync before it comes back."""
    least_sync: float = 0.55
    """Share of lines with sync where expected that counts as sync."""

    def __call__(self, picture: Frame, reception: Reception, state: RecorderState) -> Frame:
        """The frame that goes on the record."""
        self._judge(reception, state)
        if state.lost and self.lost == "blue":
            return np.full_like(picture, _BLUE_BGR)
        if state.lost and self.lost == "frozen" and state.last is not None:
            return state.last
        state.last = self._weave(picture)
        return state.last

    def _judge(self, reception: Reception, state: RecorderState) -> None:
        good = reception.sync_share >= self.least_sync
        state.bad = (min(state.bad, 0) - 1) if good else (max(state.bad, 0) + 1)
        if state.bad >= self.patience:
            state.lost = True
        elif state.bad <= -self.caution:
            state.lost = False

    def _weave(self, picture: Frame) -> Frame:
        """The picture as it is, combs and all, or with its fields blended one into the other."""
        if not self.deinterlace:
            return picture
        kernel = np.array([0.25, 0.5, 0.25], np.float32)
        return np.asarray(cv2.sepFilter2D(picture, -1, np.ones(1, np.float32), kernel), np.uint8)
