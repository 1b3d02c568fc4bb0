"""Points followed from picture to picture by pyramidal Lucas–Kanade, forward and back."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

CORNERS = 150
_LK: dict[str, Any] = {
    "winSize": (15, 15),
    "maxLevel": 3,
    "criteria": (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.01),
    "minEigThreshold": 1e-3,
}
MAX_RETURN_PX = 0.4  # how far a point followed forward and back may miss its start


def corners(picture: Grey, free: Grey | None = None) -> Floats:
    """Up to `CORNERS` points (N, 2) in pixels worth following, spread over the picture; `free` is 0 where none may be."""
    apart = max(4.0, np.sqrt(picture.size / CORNERS) * 0.5)
    found = cv2.goodFeaturesToTrack(picture, CORNERS, 0.01, apart, mask=free, blockSize=5)
    return np.zeros((0, 2)) if found is None else found.reshape(-1, 2).astype(np.float64)


def _flow(before: Grey, after: Grey, points: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """(places, found) of points in the second picture; OpenCV's stubs know no `None` for "no first guess"."""
    flow: Any = cv2.calcOpticalFlowPyrLK
    places, found, _ = flow(before, after, points, None, **_LK)
    return places, found


def followed(before: Grey, after: Grey, points: Floats) -> tuple[Floats, Floats]:
    """(start, end) (M, 2) of the points that the second picture holds too and that lead back to where they began."""
    if not len(points):
        return np.zeros((0, 2)), np.zeros((0, 2))
    start = points.astype(np.float32).reshape(-1, 1, 2)
    end, ahead = _flow(before, after, start)
    back, behind = _flow(after, before, end)
    height, width = before.shape
    miss = np.hypot(*(back - start).reshape(-1, 2).T)
    inside = ((end >= 1) & (end < np.array([width - 1, height - 1]))).reshape(-1, 2).all(axis=1)
    kept = (ahead.ravel() == 1) & (behind.ravel() == 1) & (miss < MAX_RETURN_PX) & inside
    return start.reshape(-1, 2)[kept].astype(np.float64), end.reshape(-1, 2)[kept].astype(np.float64)
