"""How much of the scene's contrast reaches the camera: haze and cloud, told from the onboard recording itself.

Haze of extinction β leaves of a contrast C₀ at distance d only C₀·exp(−β·d), the rest being airlight (Koschmieder 1924;
the meteorological range is where 2 % are left, 3.912/β — ICAO Annex 3 and WMO-No. 8 speak of the same law with 5 %).
What is measured is the local contrast of the ground against the airlight, and reported is its share of what the same
recording shows at its clearest: 1 clear, 0 nothing left. A reading of the picture alone, so it means little where the
ground is out of sight or has no texture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_TILES = (12, 9)
_CLEAREST = 0.9
_TEXTURED, _PLAIN = 0.7, 0.1
_FLOOR = 0.004


@dataclass(frozen=True)
class Visibility:
    """One row per frame (N,). `contrast`: rms contrast of the more textured tiles against the airlight.

    `visibility`: that contrast as a share of the recording's clearest tenth, 0 … 1; NaN where no frame has any.
    """

    time_s: Floats
    contrast: Floats
    visibility: Floats


class VisibilityMeter:
    """Takes small grey frames one by one."""

    def __init__(self) -> None:
        self._rows: list[tuple[float, float]] = []

    def push(self, time_s: float, luma: Bytes) -> None:
        """Measure one frame: luma (H, W), 8 bits, a few hundred pixels wide."""
        self._rows.append((time_s, ground_contrast(luma)))

    def result(self) -> Visibility:
        """Everything measured so far, against the clearest tenth of it."""
        table = np.array(self._rows, dtype=float).reshape(-1, 2)
        time, contrast = table.T.copy()
        clearest = float(np.quantile(contrast, _CLEAREST)) if len(contrast) else 0.0
        if clearest < _FLOOR:
            return Visibility(time, contrast, np.full(len(time), np.nan))
        return Visibility(time, contrast, np.clip(contrast / clearest, 0.0, 1.0))


def ground_contrast(luma: Bytes) -> float:
    """Rms contrast, 0 … about 0.5, of the more textured tiles of a picture (H, W), against its airlight.

    Slow shading is taken out first, and what the plainest tiles still show, the camera's noise, is taken off; the
    airlight is the brightness that only one pixel in fifty exceeds. In the sky there is little but shading, so with a
    third of the picture on the ground the measure is the ground's.
    """
    picture = luma.astype(np.float32)
    detail = picture - cv2.blur(picture, (15, 15))
    power = cv2.resize(detail * detail, _TILES, interpolation=cv2.INTER_AREA)
    airlight = float(np.quantile(luma[::4, ::4], 0.98))
    textured, plain = np.quantile(power, (_TEXTURED, _PLAIN))
    return float(np.sqrt(textured - plain)) / max(airlight, 16.0)
