"""Premultiplied patches as straight colour and alpha, with edges that stay clean where pixels share chroma."""

from __future__ import annotations

import cv2
import numpy as np

from overlay.instruments.panel import Patch, Rect

REACH = 16  # pixels; the blocks that codecs usually transform as one end within it


def straight(patch: Patch) -> Patch:
    """Premultiplied → straight: colour divided by alpha, rounded; fully transparent stays black."""
    alpha = patch[..., 3:].astype(np.uint16)
    colour = (patch[..., :3].astype(np.uint16) * 255 + alpha // 2) // np.maximum(alpha, 1)
    return np.concatenate([np.minimum(colour, 255).astype(np.uint8), patch[..., 3:]], axis=2)


def put(canvas: Patch, rect: Rect, patch: Patch, *, spread: bool) -> None:
    """Put a premultiplied patch on a canvas of straight colour, in place.

    `spread` lets what is transparent about it take on the colour nearby. Straight colour has none of its own there, and
    black would run into the edge where a codec shares chroma between pixels.
    """
    x, y, width, height = rect
    canvas[y : y + height, x : x + width] = straight(patch)
    if spread:
        _spread(canvas, rect, patch)


def _spread(canvas: Patch, rect: Rect, patch: Patch) -> None:
    left, top = max(rect.x - REACH, 0), max(rect.y - REACH, 0)
    right = min(rect.x + rect.width + REACH, canvas.shape[1])
    bottom = min(rect.y + rect.height + REACH, canvas.shape[0])
    around = np.zeros((bottom - top, right - left, 4), np.float32)
    around[rect.y - top :, rect.x - left :][: rect.height, : rect.width] = patch
    near = cv2.boxFilter(around, -1, (2 * REACH + 1, 2 * REACH + 1), borderType=cv2.BORDER_CONSTANT)
    window = canvas[top:bottom, left:right]
    bare = (window[..., 3] == 0) & (near[..., 3] > 1e-3)
    window[bare, :3] = np.clip(np.rint(near[bare, :3] / near[bare, 3:] * 255), 0, 255)
