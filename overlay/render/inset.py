"""The ground recording inside the onboard picture, in step with it on the flight clock."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from overlay.clock import AffineClock
from overlay.instruments.panel import Rect
from overlay.recordings import Picture, Recording, decode
from overlay.render.blend import Plane, plane_views
from overlay.render.colour import Encoding
from overlay.render.upright import upright

if TYPE_CHECKING:
    import av

    from overlay.render.raster import Raster

_LONGEST_HOLD_S = 1.0  # a picture older than this is no longer "now"


class Inset:
    """Feeds the ground recording's frame of each moment, scaled into `rect` of the shown picture.

    The newest frame not later than the moment is shown, as the recorder showed it: break-ups and freezes included.
    Outside the recording nothing is pasted. Moments must not run backwards.
    """

    def __init__(self, recording: Recording, clock: AffineClock, rect: Rect) -> None:
        self.rect = rect
        self._recording = recording
        self._clock = clock
        self._pictures: Iterator[Picture] | None = None
        self._now: Picture | None = None
        self._next: Picture | None = None
        self._scaled: tuple[Picture, list[Plane]] | None = None

    @property
    def aspect(self) -> float:
        """Width over height of the recording as shown."""
        return self._recording.width / self._recording.height

    def paste(self, views: list[Plane], flight_s: float, encoding: Encoding, raster: Raster) -> None:
        """Paste the frame of this moment into the planes `views`."""
        picture = self._picture_at(self._clock.to_recording(flight_s))
        if picture is None:
            return
        rect = raster.squeezed(self.rect)
        if self._scaled is None or self._scaled[0] is not picture:
            self._scaled = (picture, _scaled(picture.frame, rect, encoding))
        for number, (view, patch) in enumerate(zip(views, self._scaled[1], strict=True)):
            shift_x, shift_y = encoding.subsampling if number else (0, 0)
            x, y = rect.x >> shift_x, rect.y >> shift_y
            view[y : y + patch.shape[0], x : x + patch.shape[1]] = patch

    def _picture_at(self, time_s: float) -> Picture | None:
        if not -_LONGEST_HOLD_S <= time_s <= self._recording.duration_s + _LONGEST_HOLD_S:
            return None
        if self._pictures is None:
            pictures = decode(self._recording, start_s=max(0.0, time_s - _LONGEST_HOLD_S))
            self._pictures = upright(pictures, self._recording)
            self._next = next(self._pictures, None)
        while self._next is not None and self._next.time <= time_s:
            self._now, self._next = self._next, next(self._pictures, None)
        stale = self._now is None or time_s - self._now.time > _LONGEST_HOLD_S
        return None if stale else self._now


_PIXEL_FORMATS = {
    (8, (1, 1)): "yuv420p", (8, (1, 0)): "yuv422p", (8, (0, 0)): "yuv444p",
    (10, (1, 1)): "yuv420p10le", (10, (1, 0)): "yuv422p10le", (10, (0, 0)): "yuv444p10le",
}  # fmt: skip


def _scaled(frame: av.VideoFrame, rect: Rect, encoding: Encoding) -> list[Plane]:
    from av.video.reformatter import ColorRange, Colorspace

    colour_spaces = {1: Colorspace.ITU709, 9: Colorspace.SMPTE240M}
    small = frame.reformat(
        width=rect.width,
        height=rect.height,
        format=_PIXEL_FORMATS[encoding.bits, encoding.subsampling],
        dst_colorspace=colour_spaces.get(encoding.matrix, Colorspace.ITU601),
        dst_color_range=ColorRange.JPEG if encoding.full_range else ColorRange.MPEG,
        interpolation="AREA",
    )
    return [view.copy() for view in plane_views(small, encoding)]
