"""Puts panels onto frames.

A panel is redrawn only when what it shows has changed, and of that only the rectangle that looks different is converted.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np

from overlay.instruments.panel import Panel, Patch, Rect
from overlay.render.blend import blend, plane_views
from overlay.render.colour import Encoding, PlanarPatch, planar
from overlay.render.inset import Inset
from overlay.render.raster import Raster

if TYPE_CHECKING:
    import av


class _Kept(NamedTuple):
    """A panel as it was drawn last: what it shows, and its pixels in sRGB and in the stream's code values."""

    shows: Hashable
    patch: Patch
    planes: PlanarPatch


class Compositor:
    """Draws panels, and an inset below them, for one stream; keeps each panel's last patch as planes of that stream."""

    def __init__(self, panels: Sequence[Panel], encoding: Encoding, raster: Raster, inset: Inset | None = None) -> None:
        self._panels = panels
        self._encoding = encoding
        self._raster = raster
        self._inset = inset
        self._kept: dict[int, _Kept] = {}
        self.redrawn = 0

    def draw(self, frame: av.VideoFrame, flight_s: float) -> None:
        """Draw everything that is shown at a moment of the flight clock onto `frame`, in place."""
        frame.make_writable()  # before any view is taken: other frames may still refer to these planes
        views = plane_views(frame, self._encoding)
        if self._inset is not None:
            self._inset.paste(views, flight_s, self._encoding, self._raster)
        for number, panel in enumerate(self._panels):
            shows = panel.shows(flight_s)
            if shows is None:
                continue
            rect = self._raster.squeezed(panel.rect)
            blend(views, self._patch(number, panel, shows, rect, flight_s), rect.x, rect.y, self._encoding)

    def _patch(self, number: int, panel: Panel, shows: Hashable, rect: Rect, flight_s: float) -> PlanarPatch:
        kept = self._kept.get(number)
        if kept is not None and kept.shows == shows:
            return kept.planes
        self.redrawn += 1
        patch = _fitted(panel.draw(flight_s), rect)
        if kept is None:
            planes = planar(patch, self._encoding)
        else:
            planes = kept.planes
            x, y, width, height = changed(kept.patch, patch)
            if width:
                part = np.ascontiguousarray(patch[y : y + height, x : x + width])
                planes.take(planar(part, self._encoding), x, y, self._encoding)
        self._kept[number] = _Kept(shows, patch, planes)
        return planes


def changed(old: Patch, new: Patch) -> Rect:
    """The smallest even rectangle outside which two patches are the same; without width where they are the same."""
    differs = old.view(np.uint32)[..., 0] != new.view(np.uint32)[..., 0]
    rows, columns = np.flatnonzero(differs.any(axis=1)), np.flatnonzero(differs.any(axis=0))
    if not len(rows):
        return Rect(0, 0, 0, 0)
    left, top = int(columns[0]) & ~1, int(rows[0]) & ~1
    return Rect(left, top, (int(columns[-1]) + 2 & ~1) - left, (int(rows[-1]) + 2 & ~1) - top)


def _fitted(patch: Patch, rect: Rect) -> Patch:
    if patch.shape[:2] == (rect.height, rect.width):
        return np.ascontiguousarray(patch)
    return cv2.resize(patch, (rect.width, rect.height), interpolation=cv2.INTER_AREA)  # type: ignore[return-value]  # uint8 in, uint8 out
