"""In-place blending of patches into the planes of a decoded frame: only the patch's rectangle is touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.render.colour import Encoding, PlanarPatch, Plane

if TYPE_CHECKING:
    import av
    from PIL.Image import Image


def plane_views(frame: av.VideoFrame, encoding: Encoding) -> list[Plane]:
    """Writable (h, w) views of a planar frame's Y, Cb, Cr, without their padding.

    The caller has made the frame writable *before*: a view taken earlier aliases pictures that the decoder needs.
    NV12's interleaved chroma comes as two strided views.
    """
    views: list[Plane] = []
    for plane in frame.planes:
        stride = plane.line_size // np.dtype(encoding.dtype).itemsize
        flat = np.frombuffer(plane, dtype=encoding.dtype)  # type: ignore[call-overload]  # a plane is a buffer
        rows = flat[: stride * plane.height].reshape(plane.height, stride)
        views.append(rows[:, : plane.width])
    if frame.format.name == "nv12":
        chroma = np.frombuffer(frame.planes[1], dtype=np.uint8).reshape(frame.planes[1].height, -1)  # type: ignore[call-overload]
        chroma = chroma[:, : 2 * (frame.width // 2)]
        views = [views[0], chroma[:, 0::2], chroma[:, 1::2]]
    return views


def blend(views: list[Plane], patch: PlanarPatch, x: int, y: int, encoding: Encoding) -> None:
    """Blend `patch`, top left at luma pixel (x, y), which lies on a chroma sample; the patch lies inside the frame."""
    shift_x, shift_y = encoding.subsampling
    _blend_integer(_window(views[0], x, y, patch.luma[0].shape), *patch.luma)
    for view, add in zip(views[1:], patch.add[1:], strict=True):
        _blend_exact(_window(view, x >> shift_x, y >> shift_y, add.shape), add, patch.keep)


def _window(view: Plane, x: int, y: int, shape: tuple[int, ...]) -> Plane:
    return view[y : y + shape[0], x : x + shape[1]]


def _blend_integer(window: Plane, add: Plane, keep: Plane) -> None:
    # Two roundings of half a code value each: within one code value of the exact blend, three times faster.
    cv2.add(cv2.multiply(window, keep, scale=1 / 255), add, dst=window)


def _blend_exact(window: Plane, add: NDArray[np.float32], keep: NDArray[np.float32]) -> None:
    depth = cv2.CV_8U if window.dtype == np.uint8 else cv2.CV_16U
    kept = cv2.multiply(window, keep, dtype=cv2.CV_32F)
    if window.strides[1] == window.itemsize:
        cv2.add(kept, add, dst=window, dtype=depth)
    else:
        window[...] = cv2.add(kept, add, dtype=depth)


def as_image(frame: av.VideoFrame, encoding: Encoding, width: int, height: int) -> Image:
    """A frame as an RGB picture of `width` × `height`, its samples understood as `encoding`, whatever it is tagged."""
    from av.video.reformatter import ColorRange, Colorspace

    spaces = {1: Colorspace.ITU709, 9: Colorspace.BT2020}
    return frame.to_image(  # type: ignore[no-untyped-call,no-any-return]  # PyAV leaves it untyped
        width=width,
        height=height,
        interpolation="AREA" if width < frame.width else "BICUBIC",
        src_colorspace=spaces.get(encoding.matrix, Colorspace.ITU601),
        src_color_range=ColorRange.JPEG if encoding.full_range else ColorRange.MPEG,
    )
