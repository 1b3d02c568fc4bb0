"""Puts panels onto frames: each panel is redrawn only when what it shows has changed."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING

import cv2

from overlay.instruments.panel import Panel, Patch, Rect
from overlay.render.blend import blend, plane_views
from overlay.render.colour import Encoding, PlanarPatch, planar
from overlay.render.inset import Inset
from overlay.render.raster import Raster

if TYPE_CHECKING:
    import av


class Compositor:
    """Draws panels, and an inset below them, for one stream; keeps each panel's last patch as planes of that stream."""

    def __init__(self, panels: Sequence[Panel], encoding: Encoding, raster: Raster, inset: Inset | None = None) -> None:
        self._panels = panels
        self._encoding = encoding
        self._raster = raster
        self._inset = inset
        self._kept: dict[int, tuple[Hashable, PlanarPatch]] = {}
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
        if kept is None or kept[0] != shows:
            self.redrawn += 1
            kept = (shows, planar(_fitted(panel.draw(flight_s), rect), self._encoding))
            self._kept[number] = kept
        return kept[1]


def _fitted(patch: Patch, rect: Rect) -> Patch:
    if patch.shape[:2] == (rect.height, rect.width):
        return patch
    return cv2.resize(patch, (rect.width, rect.height), interpolation=cv2.INTER_AREA)  # type: ignore[return-value]  # uint8 in, uint8 out
