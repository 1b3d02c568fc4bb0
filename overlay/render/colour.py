"""From premultiplied sRGB patches to the code values of a video stream.

The patch's sRGB values are taken as the stream's own R'G'B' (same transfer curve, common practice for graphics on
standard dynamic range), then matrixed by the stream's luma coefficients and scaled to its range and bit depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.errors import UsageError
from overlay.instruments.panel import Patch
from overlay.render.tone import HIGH_DYNAMIC_RANGE

Plane = NDArray[np.uint8] | NDArray[np.uint16]

# (K_R, K_B): ITU-R BT.601-7 §2.5.1, BT.709-6 §3.2, BT.2020-2 table 4; the keys are ITU-T H.273 matrix codes.
LUMA_COEFFICIENTS = {1: (0.2126, 0.0722), 5: (0.299, 0.114), 6: (0.299, 0.114), 9: (0.2627, 0.0593)}


@dataclass(frozen=True)
class Encoding:
    """How a planar Y'CbCr stream writes colour: H.273 matrix code, range, bits, and log2 chroma subsampling (x, y).

    `hdr`: the H.273 transfer code of high dynamic range, which can be brought to another encoding but not drawn on.
    """

    matrix: int
    full_range: bool
    bits: int
    subsampling: tuple[int, int]
    hdr: int | None = None

    @property
    def dtype(self) -> type[np.uint8] | type[np.uint16]:
        """Type of one sample in a plane."""
        return np.uint8 if self.bits == 8 else np.uint16

    def luma_scale(self) -> tuple[float, float]:
        """(offset, span) of Y' code values (BT.709-6 §4.6: 16…235 × 2^(bits−8), or the full range)."""
        step = float(1 << (self.bits - 8))
        return (0.0, float((1 << self.bits) - 1)) if self.full_range else (16.0 * step, 219.0 * step)

    def chroma_scale(self) -> tuple[float, float]:
        """(centre, span) of C'b and C'r code values."""
        step = float(1 << (self.bits - 8))
        return 128.0 * step, float((1 << self.bits) - 1) if self.full_range else 224.0 * step


_PLANAR = {
    "yuv420p": (8, (1, 1)), "yuvj420p": (8, (1, 1)), "yuv422p": (8, (1, 0)), "yuvj422p": (8, (1, 0)),
    "yuv444p": (8, (0, 0)), "yuvj444p": (8, (0, 0)), "nv12": (8, (1, 1)),
    "yuv420p10le": (10, (1, 1)), "yuv422p10le": (10, (1, 0)), "yuv444p10le": (10, (0, 0)),
}  # fmt: skip


def encoding_of(
    pixel_format: str, matrix: int, full_range: bool, height: int, transfer: int, *, mapped: bool = False
) -> Encoding:
    """Encoding of a stream; an unnamed matrix is BT.601 up to 576 lines, else BT.709 (common practice, no source).

    Raises UsageError for pixel formats and transfer curves that are not drawn on; of these, high dynamic range is let
    through where it is to be `mapped`.
    """
    hdr = transfer if transfer in HIGH_DYNAMIC_RANGE else None
    if hdr and not mapped:
        raise UsageError(
            f"the recording is high dynamic range, {HIGH_DYNAMIC_RANGE[hdr]}; drawing on it would shift its colours: "
            "give --hdr map to bring it to BT.709"
        )
    if pixel_format not in _PLANAR:
        raise UsageError(f"pixel format {pixel_format} is not drawn on; known are {', '.join(sorted(_PLANAR))}")
    bits, subsampling = _PLANAR[pixel_format]
    if matrix not in LUMA_COEFFICIENTS:
        matrix = 9 if hdr else 6 if height <= 576 else 1
    return Encoding(matrix, full_range or pixel_format.startswith("yuvj"), bits, subsampling, hdr)


@dataclass(frozen=True)
class PlanarPatch:
    """A patch in a stream's code values, ready to be blended: ``new = old · keep + add``.

    `add` are three float32 planes premultiplied by alpha, `keep` the transparency 1 − alpha at chroma size. Luma, the
    bulk of the work, has an integer pair of the stream's own type beside: what is added, and 255 · (1 − alpha).
    """

    add: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]
    keep: NDArray[np.float32]
    luma: tuple[Plane, Plane]

    def take(self, part: PlanarPatch, x: int, y: int, encoding: Encoding) -> None:
        """Replace what lies under `part`, its corner at luma pixel (x, y), which lies on a chroma sample."""
        shift_x, shift_y = encoding.subsampling
        for mine, its in ((self.add[0], part.add[0]), *zip(self.luma, part.luma, strict=True)):
            mine[y : y + its.shape[0], x : x + its.shape[1]] = its
        x, y = x >> shift_x, y >> shift_y
        for mine, its in ((self.add[1], part.add[1]), (self.add[2], part.add[2]), (self.keep, part.keep)):
            mine[y : y + its.shape[0], x : x + its.shape[1]] = its


def planar(patch: Patch, encoding: Encoding) -> PlanarPatch:
    """(h, w, 4) premultiplied sRGB uint8 → planes in `encoding`; h and w are multiples of the chroma subsampling.

    Every sum is exact, so that a part of a patch comes out to the bit as it does within the whole.
    """
    values = patch.astype(np.float32)
    coarse, fine, _, _ = cv2.split(cv2.transform(values, _luma_rows(encoding)))
    luma = cv2.add(coarse, fine)
    opacity = np.ascontiguousarray(patch[..., 3])
    if encoding.bits == 8:
        whole = (cv2.convertScaleAbs(luma), cv2.bitwise_not(opacity))
    else:
        whole = (np.rint(luma).astype(np.uint16), np.uint16(255) - opacity)
    if encoding.subsampling != (0, 0):
        height, width = patch.shape[:2]
        size = (width >> encoding.subsampling[0], height >> encoding.subsampling[1])
        values = np.asarray(
            cv2.resize(values, size, interpolation=cv2.INTER_AREA), np.float32
        )  # means of its own pixels
    chroma = cv2.transform(values.astype(np.float64), _quantised(_matrix(encoding), 30))
    _, cb, cr, alpha = cv2.split(chroma.astype(np.float32))
    return PlanarPatch((luma, cb, cr), np.float32(1) - alpha, whole)  # type: ignore[arg-type]  # OpenCV's dtypes


@cache
def _luma_rows(encoding: Encoding) -> NDArray[np.float32]:
    """(4, 4): two rows whose sum is luma's row of the matrix, each fit for exact sums in float32's 24 bits."""
    row = _matrix(encoding)[0]
    coarse = _quantised(row, 24 - encoding.bits)
    fine = _quantised(row - coarse, 38 - encoding.bits)
    return np.asarray([coarse, fine, 0 * row, 0 * row], np.float32)


def _quantised(values: NDArray[np.float64], bits: int) -> NDArray[np.float64]:
    return np.rint(values * 2.0**bits) / 2.0**bits


@cache
def _matrix(encoding: Encoding) -> NDArray[np.float64]:
    """Premultiplied (R, G, B, alpha) in 0 … 255 → premultiplied (Y', C'b, C'r) code values and alpha in 0 … 1.

    Linear, offsets included, since every offset is premultiplied by alpha. BT.601-7 §2.5, BT.709-6 §3, BT.2020-2
    table 4.
    """
    kr, kb = LUMA_COEFFICIENTS[encoding.matrix]
    y = np.array([kr, 1 - kr - kb, kb])
    offset, span = encoding.luma_scale()
    centre, chroma_span = encoding.chroma_scale()
    cb = chroma_span * (np.array([0.0, 0.0, 1.0]) - y) / (2 * (1 - kb))
    cr = chroma_span * (np.array([1.0, 0.0, 0.0]) - y) / (2 * (1 - kr))
    rows = [[*(span * y), offset], [*cb, centre], [*cr, centre], [0.0, 0.0, 0.0, 1.0]]
    return np.asarray(rows) / 255
