"""How much of the ground's contrast reaches the onboard camera: haze and cloud, told from its recording itself.

Air of extinction β leaves of a contrast C₀ at distance d only C₀·exp(−β·d), the rest being airlight (Koschmieder 1924);
the meteorological optical range is where 5 % are left, 3/β (WMO-No. 8). What is measured is the ground's local contrast
in proportion to the airlight, in light and not in coded levels, and what is told is its share of what the same recording
shows at its clearest. So 1 is this flight at its clearest and not clear air, and below 0.05 nothing is left to see.

A share is not told at night, in a picture that is clipped to white, and where the small contrast has gone while light
and dark areas stand as far apart as ever: that is plain ground, not haze.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.timetable import TimeTable

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_TILES = (12, 9)
_LOOKED_AT_EVERY_S = 0.5
_BRIDGED_S = 30.0
_CLEAREST = 0.9
_TEXTURED, _PLAIN = 0.6, 0.1
_AIRLIGHT = 0.98
_NIGHT, _CLIPPED, _MOST_CLIPPED = 0.03, 0.98, 0.5
_FLOOR = 0.008
_PLAIN_GROUND, _STANDS_APART = 0.25, 0.6


@dataclass(frozen=True)
class Visibility:
    """One row per look (N,). `contrast`: rms contrast of the ground against the airlight.

    `share`: that contrast as a share of the recording's clearest tenth, 0 … 1; NaN where it cannot be told.
    """

    time_s: Floats
    contrast: Floats
    share: Floats

    def at(self, moments_s: Floats) -> Floats:
        """The share (M,) at any moments of the recording, between looks less than half a minute apart; else NaN."""
        table = TimeTable(self.time_s, {"share": self.share})
        return table.at("share", moments_s, max_gap_s=_BRIDGED_S)


class VisibilityMeter:
    """Takes small grey frames one by one, in any order, and looks at two a second."""

    def __init__(self, *, full_range: bool = False) -> None:
        self._light = light_of_levels(full_range=full_range)
        self._rows: list[tuple[float, float, float]] = []

    def push(self, time_s: float, luma: Bytes) -> None:
        """Look at one frame: luma (H, W), 8 bits, a few hundred pixels wide."""
        if not self._rows or abs(time_s - self._rows[-1][0]) > _LOOKED_AT_EVERY_S - 1e-6:
            self._rows.append((time_s, *contrasts(luma, self._light)))

    @property
    def times_s(self) -> Floats:
        """When it looked (N,), rising."""
        return np.sort(np.array([row[0] for row in self._rows], dtype=float))

    def result(self) -> Visibility:
        """Everything seen so far, in order of time, against the clearest tenth of it."""
        table = np.array(sorted(self._rows), dtype=float).reshape(-1, 3)
        time, contrast, apart = table.T.copy()
        known = np.isfinite(contrast)
        clearest = float(np.quantile(contrast[known], _CLEAREST)) if known.any() else 0.0
        if clearest < _FLOOR:
            return Visibility(time, contrast, np.full(len(time), np.nan))
        share = np.minimum(contrast / clearest, 1.0)
        apart = apart / float(np.quantile(apart[known], _CLEAREST))
        return Visibility(time, contrast, np.where((share < _PLAIN_GROUND) & (apart > _STANDS_APART), np.nan, share))


def contrasts(luma: Bytes, light: NDArray[np.float32]) -> tuple[float, float]:
    """Of a picture (H, W): rms contrast of its textured tiles, and how far light and dark tiles stand apart.

    Both are in proportion to the airlight, the light that only one pixel in fifty exceeds, and NaN where there is too
    little or too much of it. Slow shading is taken out of the first, and what the plainest tiles still show, the
    camera's noise. In the sky there is little but shading, so with half of the picture on the ground it is the ground's.
    """
    picture: NDArray[np.float32] = cv2.LUT(luma, light)  # type: ignore[assignment]
    airlight = float(np.quantile(picture[::2, ::2], _AIRLIGHT))
    if airlight < _NIGHT or np.mean(picture[::2, ::2] > _CLIPPED) > _MOST_CLIPPED:
        return np.nan, np.nan
    detail = picture - cv2.blur(picture, (15, 15))
    power = cv2.resize(detail * detail, _TILES, interpolation=cv2.INTER_AREA)
    textured, plain = np.quantile(power, (_TEXTURED, _PLAIN))
    dark, bright = np.quantile(cv2.resize(picture, _TILES, interpolation=cv2.INTER_AREA), (0.1, 0.9))
    return float(np.sqrt(textured - plain)) / airlight, float(bright - dark) / airlight


def light_of_levels(*, full_range: bool) -> NDArray[np.float32]:
    """Light (256,), 1 at white, of luma levels: the inverse of ITU-R BT.709's camera curve.

    >>> light_of_levels(full_range=False)[[16, 126, 235]].astype(float).round(2).tolist()
    [0.0, 0.26, 1.0]
    """
    black, white = (0, 255) if full_range else (16, 235)
    signal = np.clip((np.arange(256) - black) / (white - black), 0.0, 1.0)
    return np.where(signal < 0.081, signal / 4.5, ((signal + 0.099) / 1.099) ** (1 / 0.45)).astype(np.float32)
