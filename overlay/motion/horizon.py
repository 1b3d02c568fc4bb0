"""The horizon in a picture: bank and pitch of the camera with how far they can be believed.

The line that best parts the picture into two sides that differ, by brightness where that makes a clear step, else by brightness
and texture together: for every direction the pixels
are binned along its normal and Otsu's criterion picks the offset, so all lines are tried at the cost of a few dozen
histograms (after Ettinger et al. 2003, Advanced Robotics 17(7): horizon as the best two-class split; statement from
memory). The sky is the brighter and the smoother side. Where one contradicts the other (water under a ragged sky, snow under
a dark one) only a great difference in brightness decides, and otherwise no horizon is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

_WIDTH = 80
_ANGLES = 90
_BINS = 64


@dataclass(frozen=True)
class Horizon:
    """`bank_rad` right wing down, `pitch_rad` nose up (from the guessed focal length), `confidence` 0 … 1."""

    bank_rad: float
    pitch_rad: float
    confidence: float


LEAST_CONFIDENCE = 0.35
# Share of the brightness's variance between both sides of the best line from which on it alone decides where that lies: an even
# slope of brightness has 0.75, a step 1 (both by integration). Texture ends below the horizon, where it gets too fine to be
# seen, and cloud has edges of its own.
_STEP = 0.8
_BY_FAR = 0.8  # a logarithm: more than twice as bright
_HAZE_PX, _HAZE_LEFT = 10, 0.1  # of `_WIDTH`, and of the step between ground and sky
_CLEAR_SIGN = 0.5  # sum of the two logarithms from which on the sky is taken for certain
_CONTRADICTS = 0.1  # a logarithm from which on it says something
_MUCH_BRIGHTER = 0.45  # hardly any ground outshines the sky by half


def find_horizon(picture: Grey, field_of_view_deg: float = 95.0) -> Horizon | None:
    """Horizon of one grey picture (H, W), or None where no line parts it convincingly (cloud, night, nose in the ground)."""
    height = max(8, round(picture.shape[0] * _WIDTH / picture.shape[1]))
    small = cv2.resize(picture, (_WIDTH, height), interpolation=cv2.INTER_AREA).astype(np.float64)
    rough = cv2.resize(_roughness(picture), (_WIDTH, height), interpolation=cv2.INTER_AREA).astype(np.float64)
    if small.std() < 3.0:
        return None
    features = np.stack([_standardised(small), _standardised(np.log1p(rough))])
    line = _by_step(features[:1], small, rough)
    scores, places = line or _all_lines(features, height)
    best = int(np.argmax(scores))
    separation = float(scores[best])
    away = np.abs((np.arange(_ANGLES) - best + _ANGLES // 2) % _ANGLES - _ANGLES // 2) > _ANGLES // 6
    clear = 1.0 - float(scores[away].max()) / max(separation, 1e-9)
    angle, place = (best + _vertex(scores, best)) * np.pi / _ANGLES, float(places[best])
    sign = _sky_above(small, rough, angle, place)
    if line and sign:
        place = _through_haze(small, angle, place, 1.0 if sign > 0 else -1.0)
    confidence = float(np.clip(1.6 * (separation - 0.25), 0, 1) * np.clip(3.0 * clear, 0, 1))
    confidence *= min(1.0, abs(sign) / _CLEAR_SIGN)
    if confidence < LEAST_CONFIDENCE:
        return None
    if sign < 0:  # the side called above is the ground
        angle, place = angle + np.pi, -place
    # The horizon leans left-down by `angle` in the picture when the right wing is down by it.
    bank = -(angle + np.pi) % (2 * np.pi) - np.pi
    focal = _WIDTH / 2 / np.tan(np.radians(field_of_view_deg) / 2)
    return Horizon(float(bank), float(np.arctan2(place, focal)), confidence)


def _by_step(brightness: Floats, grey: Floats, rough: Floats) -> tuple[Floats, Floats] | None:
    """`_all_lines` of the brightness (1, h, w) alone where it makes a step that is no mere border of a field; else None.

    A field that is brighter than its neighbour shows its furrows in proportion; the sky is smoother than the ground, or, under
    ragged cloud, brighter by far.
    """
    scores, places = _all_lines(brightness, len(grey))
    best = int(np.argmax(scores))
    if scores[best] < _STEP:
        return None
    brighter, smoother = _sides(grey, rough, best * np.pi / _ANGLES, float(places[best]))
    if brighter < 0:
        brighter, smoother = -brighter, -smoother
    return (scores, places) if smoother > -_CONTRADICTS or brighter > _BY_FAR else None


def _roughness(picture: Grey) -> NDArray[np.float32]:
    gradient = np.abs(cv2.Sobel(picture, cv2.CV_32F, 1, 0)) + np.abs(cv2.Sobel(picture, cv2.CV_32F, 0, 1))
    return np.asarray(cv2.blur(gradient, (9, 9)), dtype=np.float32)


def _standardised(values: Floats) -> Floats:
    return np.asarray((values - values.mean()) / max(float(values.std()), 1e-6))


def _grid(height: int) -> tuple[Floats, Floats]:
    y, x = np.mgrid[:height, :_WIDTH]
    return (x - (_WIDTH - 1) / 2).ravel().astype(np.float64), (y - (height - 1) / 2).ravel().astype(np.float64)


@lru_cache(maxsize=8)
def _lines(height: int) -> tuple[tuple[NDArray[np.intp], Floats], ...]:
    """For each direction: the bin (N,) of every pixel along the normal, and the share of pixels up to each bin."""
    x, y = _grid(height)
    reach = np.hypot(_WIDTH, height) / 2
    lines = []
    for angle in np.arange(_ANGLES) * np.pi / _ANGLES:
        along = -x * np.sin(angle) + y * np.cos(angle)
        bins = np.clip(((along + reach) * (_BINS / (2 * reach))).astype(np.intp), 0, _BINS - 1)
        lines.append((bins, np.cumsum(np.bincount(bins, minlength=_BINS)) / len(x)))
    return tuple(lines)


def _all_lines(features: Floats, height: int) -> tuple[Floats, Floats]:
    """Best share of variance explained by a split, and the split's place along the normal, for each direction."""
    reach = np.hypot(_WIDTH, height) / 2
    scores, places = np.zeros(_ANGLES), np.zeros(_ANGLES)
    flat = features.reshape(len(features), -1)
    total = flat.shape[1]
    for k, (bins, share) in enumerate(_lines(height)):
        fair = (share > 0.06) & (share < 0.94)
        gain = np.zeros(_BINS)
        for values in flat:
            below = np.cumsum(np.bincount(bins, values, minlength=_BINS))
            gain[fair] += below[fair] ** 2 / (total**2 * share[fair] * (1 - share[fair]))
        gain /= len(flat)
        top = int(np.argmax(gain))
        scores[k], places[k] = gain[top], (top + 1) * (2 * reach / _BINS) - reach
    return scores, places


def _vertex(scores: Floats, k: int) -> float:
    before, here, after = scores[(k - 1) % _ANGLES], scores[k], scores[(k + 1) % _ANGLES]
    bend = before - 2 * here + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def _through_haze(grey: Floats, angle: float, place: float, sky: float) -> float:
    """Where the brightness has all but reached the sky's, from the split on: in haze ground whitens below the horizon.

    `sky`: 1 where the side above the line is the sky, −1 where the other is.
    """
    x, y = _grid(len(grey))
    inward = sky * (place - (-x * np.sin(angle) + y * np.cos(angle)))
    values = grey.ravel()
    level, step = np.median(values[inward > 0]), np.median(values[inward > 0]) - np.median(values[inward < 0])
    for far in range(_HAZE_PX):
        rows = (inward >= far) & (inward < far + 1)
        if not rows.any() or abs(values[rows].mean() - level) <= _HAZE_LEFT * abs(step):
            return place - sky * far
    return place


def _sky_above(grey: Floats, rough: Floats, angle: float, place: float) -> float:
    """How much the side above the line looks like sky; negative like ground, 0 when there is no saying."""
    brighter, smoother = _sides(grey, rough, angle, place)
    if brighter * smoother < 0 and min(abs(brighter), abs(smoother)) > _CONTRADICTS:
        return brighter if abs(brighter) > max(_MUCH_BRIGHTER, abs(smoother)) else 0.0
    return brighter + smoother


def _sides(grey: Floats, rough: Floats, angle: float, place: float) -> tuple[float, float]:
    """Logarithms of how much brighter, and how much smoother, the side above the line is than the one below."""
    x, y = _grid(len(grey))
    above = (-x * np.sin(angle) + y * np.cos(angle) < place).reshape(grey.shape)
    brighter = float(np.log((grey[above].mean() + 8) / (grey[~above].mean() + 8)))  # + 8: black is coded as 16 or as 0
    smoother = float(np.log((rough[~above].mean() + 4) / (rough[above].mean() + 4)))  # + 4: some of it is noise
    return brighter, smoother
