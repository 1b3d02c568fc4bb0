"""Y′CbCr as it is encoded: limited range, eight bits, by the luma weights of ITU-R BT.601 and BT.709."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.uint8]
Field = NDArray[np.float32]
Planes = tuple[Plane, Plane, Plane]  # Y′, then Cb and Cr at half the resolution both ways

# Of red and blue; green has the rest.
LUMA_WEIGHTS = {"601": (0.299, 0.114), "709": (0.2126, 0.0722)}


def rgb_to_ycc(rgb: Field, matrix: str) -> Field:
    """(…, 3) R′G′B′ 0…255 to limited-range Y′CbCr of `matrix`, unrounded."""
    wr, wb = LUMA_WEIGHTS[matrix]
    red, green, blue = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    luma = wr * red + (1 - wr - wb) * green + wb * blue
    cb, cr = (blue - luma) / (2 * (1 - wb)), (red - luma) / (2 * (1 - wr))
    return np.stack([16 + luma * (219 / 255), 128 + cb * (224 / 255), 128 + cr * (224 / 255)], axis=-1)


def ycc_to_bgr(planes: Planes, matrix: str) -> Plane:
    """Planes with half-resolution chroma to (H, W, 3) uint8 B′G′R′."""
    height, width = planes[0].shape
    if matrix == "601":  # for which OpenCV has a quick way of its own
        packed = np.concatenate([plane.reshape(-1) for plane in planes]).reshape(height * 3 // 2, width)
        return np.asarray(cv2.cvtColor(packed, cv2.COLOR_YUV2BGR_I420), np.uint8)
    wr, wb = LUMA_WEIGHTS[matrix]
    full = cv2.merge([planes[0], *(cv2.resize(p, (width, height)) for p in planes[1:])])
    y, b, r = 255 / 219, 255 / 224 * 2 * (1 - wb), 255 / 224 * 2 * (1 - wr)
    green_b, green_r = -b * wb / (1 - wr - wb), -r * wr / (1 - wr - wb)
    rows = np.array([[y, b, 0], [y, green_b, green_r], [y, 0, r]])
    shift = rows @ [-16, -128, -128]
    return np.asarray(cv2.transform(full, np.column_stack([rows, shift])), np.uint8)
