"""Layouts drawn over grounds that are hard to read on, by the renderer itself: for choosing one, and for judging it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.instruments.palette import PALETTES
from overlay.instruments.unseen import unseen

if TYPE_CHECKING:
    from overlay.instruments.panel import Rect
    from overlay.instruments.quantities import UnitSystem
    from overlay.layouts import Layout
    from overlay.readings import Readings

Picture = NDArray[np.uint8]
Field = NDArray[np.float32]

_BT709 = 1


def ground(name: str, width: int, height: int) -> Picture:
    """One of `GROUNDS`, (height, width, 3) sRGB; the same picture at every size, but for its finest detail."""
    return np.clip(np.rint(_GROUNDS[name](width, height)), 0, 255).astype(np.uint8)


def drawn(
    layout: Layout, readings: Readings, time_s: float, picture: Picture, *,
    inset: Picture | None = None, units: UnitSystem | None = None,
) -> Picture:  # fmt: skip
    """Return an sRGB picture (h, w, 3), sides even, with a layout on it, as the renderer blends it into Y′CbCr 4:2:0."""
    from av import VideoFrame
    from av.video.reformatter import ColorRange, Colorspace

    from overlay.render.colour import Encoding
    from overlay.render.compositor import Compositor
    from overlay.render.raster import Raster
    from overlay.render.stage import GROUND

    height, width = picture.shape[:2]
    if layout.pictures == "both":
        inset = inset if inset is not None else unseen(720, 576, layout.palette.palette())[..., :3]
        pair = layout.side_by_side(width, height, readings, (width / height, _aspect(inset)), units=units)
        below, panels = np.full_like(picture, GROUND[:3]), pair.panels
        _put(below, picture, pair.left)
        _put(below, inset, pair.right)
    else:
        aspect = _aspect(inset) if inset is not None else None
        panels = layout.place(width, height, readings, units=units, inset_aspect=aspect)
        below = _with_inset(layout, picture, inset)
    rgb = VideoFrame.from_ndarray(below, format="rgb24")
    frame = rgb.reformat(format="yuv420p", dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG)
    Compositor(panels, Encoding(_BT709, False, 8, (1, 1)), Raster(width, height)).draw(frame, time_s)
    shown = frame.reformat(format="rgb24", src_colorspace=Colorspace.ITU709, src_color_range=ColorRange.MPEG)
    return np.asarray(shown.to_ndarray(), np.uint8)


def _with_inset(layout: Layout, picture: Picture, inset: Picture | None) -> Picture:
    height, width = picture.shape[:2]
    rect = layout.inset_rect(width, height, _aspect(inset)) if inset is not None else None
    if inset is None or rect is None:
        return picture
    whole = picture.copy()
    _put(whole, inset, rect)
    return whole


def _put(whole: Picture, picture: Picture, rect: Rect) -> None:
    small = cv2.resize(picture, (rect.width, rect.height), interpolation=cv2.INTER_AREA)
    whole[rect.y : rect.y + rect.height, rect.x : rect.x + rect.width] = small


def _aspect(picture: Picture) -> float:
    height, width = picture.shape[:2]
    return float(width / height)


def sheet(pictures: Sequence[Picture], columns: int, cell_width: int, gap: int = 8) -> Picture:
    """Pictures of one shape side by side in rows, each `cell_width` wide, on white."""
    cell_height = round(cell_width * pictures[0].shape[0] / pictures[0].shape[1])
    rows = -(-len(pictures) // columns)
    whole = np.full((rows * (cell_height + gap) - gap, columns * (cell_width + gap) - gap, 3), 255, np.uint8)
    for number, picture in enumerate(pictures):
        y, x = (number // columns) * (cell_height + gap), (number % columns) * (cell_width + gap)
        small = cv2.resize(picture, (cell_width, cell_height), interpolation=cv2.INTER_AREA)
        whole[y : y + cell_height, x : x + cell_width] = small
    return whole


@dataclass(frozen=True)
class Moment:
    """What is shown of a flight: its readings, a time of the flight clock, and the live picture then, if any."""

    readings: Readings
    time_s: float
    live: Picture | None


_UPRIGHT, _SHEET = (1080, 1920), (("cloud", "far"), ("dark", "near"), ("busy", "far"), ("sun", "near"), ("night", "far"),
                                  ("busy", "silent"))  # fmt: skip
_CORNER_SIZES = ((1280, 720), (1920, 1080), (3840, 2160))


def plates(
    layouts: Mapping[str, Layout], at: Callable[[str], Moment], ahead: Callable[[float, tuple[int, int]], Picture]
) -> Iterator[tuple[str, Picture, float]]:
    """Yield the gallery's pictures one by one: file name, picture, and the share of the work that is then done.

    `at` gives the moments "far", "near" and "silent"; `ahead` what the camera sees at a time, at a size.
    """
    moments = {name: at(name) for name in ("far", "near", "silent")}
    far, count = moments["far"], len(layouts) + 3
    for number, (name, layout) in enumerate(layouts.items()):
        size = layout.usual_size()
        whole = drawn(layout, far.readings, far.time_s, ahead(far.time_s, size), inset=far.live)
        yield f"{name}.jpg", sheet([whole], 1, 608 if layout.shape == "upright" else 1280), (number + 0.3) / count
        yield f"{name}-grounds.jpg", _grounds_sheet(layout, moments), (number + 1.0) / count
    first = layouts.get("review") or next(iter(layouts.values()))
    yield "palettes.jpg", _palettes(first, far), (count - 2) / count
    yield "sizes.jpg", _corners(first, far), (count - 1) / count
    upright = [
        drawn(each, far.readings, far.time_s, ground("cloud", *_UPRIGHT), inset=far.live) for each in layouts.values()
    ]
    yield "upright-frames.jpg", sheet(upright, 3, 420), 1.0


def _palettes(layout: Layout, moment: Moment) -> Picture:
    """A layout in each built-in palette, over the brightest and the darkest ground."""
    pictures = []
    for base in PALETTES:
        tinted = layout.in_palette(base)
        for behind in ("cloud", "night"):
            below = ground(behind, 1280, 720)
            pictures.append(drawn(tinted, moment.readings, moment.time_s, below, inset=moment.live))
    return sheet(pictures, 2, 640)


def _grounds_sheet(layout: Layout, moments: Mapping[str, Moment]) -> Picture:
    upright = layout.shape == "upright"
    size = (720, 1280) if upright else (1280, 720)
    pictures = []
    for behind, name in _SHEET:
        moment = moments[name]
        pictures.append(drawn(layout, moment.readings, moment.time_s, ground(behind, *size), inset=moment.live))
    return sheet(pictures, 3, 420) if upright else sheet(pictures, 2, 640)


def _corners(layout: Layout, moment: Moment) -> Picture:
    """One corner of a layout at several sizes of the frame, enlarged or reduced to one size without smoothing."""
    cells = []
    for width, height in _CORNER_SIZES:
        whole = drawn(layout, moment.readings, moment.time_s, ground("busy", width, height), inset=moment.live)
        cut = whole[round(0.6 * height) :, : round(0.7 * height)]
        way = cv2.INTER_AREA if height > 1080 else cv2.INTER_NEAREST
        cells.append(np.asarray(cv2.resize(cut, (756, 432), interpolation=way), np.uint8))
    return sheet(cells, 3, 756)


def page(layouts: Mapping[str, Layout]) -> str:
    """Return the gallery's page, in Markdown, for pictures as `plates` names them."""
    parts = [_PAGE_HEAD]
    for name, layout in layouts.items():
        facts = layout.summary(name)
        kinds = ", ".join(dict.fromkeys(facts["instruments"]))
        parts.append(
            f"## {name}\n\n{facts['description']}. Made for {'an upright' if facts['shape'] == 'upright' else 'a wide'} "
            f"frame{' with both recordings' if facts['pictures'] == 'both' else ''}; its instruments: {kinds}.\n\n"
            f"![{name} over the onboard picture](pictures/{name}.jpg)\n\n"
            f"![{name} over white cloud, dark ground, a busy texture, the low sun and night, and with a silent log]"
            f"(pictures/{name}-grounds.jpg)\n"
        )
    return "\n".join([*parts, _PAGE_FOOT])


_PAGE_HEAD = """\
# Gallery

Each layout on a generated flight of 10 km out and back, as the renderer draws it: first over the picture from the nose,
then over white cloud, dark ground, a busy texture, the low sun and night, and last while the log is silent and nothing is
known. The program made this page and its pictures:

    overlay layouts --gallery docs --overwrite
"""
_PAGE_FOOT = """\
## Palettes

`calm`, `bold` and `paper`, each over white cloud and by night:

![The three palettes](pictures/palettes.jpg)

## Sizes

The same corner on frames of 720, 1080 and 2160 lines, every pixel of the first two shown as it is:

![A corner at three sizes](pictures/sizes.jpg)

Every layout on an upright frame of 9:16. All fit; only `upright` is made for it, and its type is larger there:

![All layouts on an upright frame](pictures/upright-frames.jpg)
"""


def _white_cloud(width: int, height: int) -> Field:
    return 246 + 22 * (_cloudy(width, height, 1) - 0.5)[..., None] + np.array([-1, 0, 1], np.float32)


def _dark_ground(width: int, height: int) -> Field:
    shade = 0.6 * _cloudy(width, height, 2) + 0.4 * _grain(width, height, 6, 3)
    return np.array([12, 17, 11], np.float32) + np.array([36, 44, 30], np.float32) * shade[..., None]


def _busy_texture(width: int, height: int) -> Field:
    """Fields, roofs and paths of every brightness, down to specks as large as the strokes of the type."""
    rng = np.random.default_rng(4)
    whole = np.empty((height, width, 3), np.float32)
    whole[...] = (104, 118, 70)
    colours = np.array([(196, 172, 104), (70, 96, 50), (222, 220, 206), (142, 84, 58), (34, 44, 40), (250, 250, 248)])
    for share in (0.3, 0.12, 0.04, 0.014):
        for _ in range(round(5 / share**1.6)):
            x, y = rng.uniform(0, 4, 1)[0] * height, rng.uniform(0, 4, 1)[0] * height
            wide, tall = rng.uniform(0.4, 1.6, 2) * share * height
            box = cv2.boxPoints(((x, y), (wide, tall), float(rng.uniform(0, 90))))
            cv2.fillPoly(whole, [np.rint(box).astype(np.int32)], tuple(map(float, colours[rng.integers(6)])))
    return whole + 60 * (_grain(width, height, 3, 5) - 0.5)[..., None]


def _low_sun(width: int, height: int) -> Field:
    """The sun over the horizon ahead: blown out around it, the land against the light."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / height
    from_sun = np.hypot(x - width / height / 2, y - 0.34)
    dusk = np.exp(-2 * (0.46 - y))[..., None]
    sky = np.array([126, 142, 176], np.float32) + np.array([110, 74, 10], np.float32) * dusk
    land = np.array([58, 48, 44], np.float32) * (0.5 + _cloudy(width, height, 6))[..., None]
    glare = np.exp(-5 * from_sun) * 190 + 400 * np.exp(-((from_sun / 0.045) ** 2))
    scene = np.where((y < 0.46)[..., None], sky, land)
    return np.asarray(scene + glare[..., None] * np.array([1.0, 0.86, 0.6], np.float32), np.float32)


def _water(width: int, height: int) -> Field:
    """Ripples of a lake, glinting below the sun."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / height
    crests = cv2.resize(_grain(max(2, width // 3), height, 5, 11), (width, height))  # longer than they are tall
    ripples = _cloudy(width, height, 9) * 0.4 + crests * 0.6
    towards_sun = np.exp(-(((x - width / height / 2) / (0.12 + 0.35 * y)) ** 2))
    glint = np.clip((ripples - 0.74 + 0.26 * towards_sun) / 0.06, 0, 1)[..., None]
    return np.asarray(np.array([38, 66, 82], np.float32) * (0.6 + 0.8 * ripples)[..., None] * (1 - glint) + 255 * glint)


def _night(width: int, height: int) -> Field:
    """Lamps of a village on black ground, noise of a sensor at its limit."""
    rng = np.random.default_rng(7)
    whole = np.empty((height, width, 3), np.float32)
    whole[...] = (7, 9, 14)
    for _ in range(260):
        x, y = rng.uniform(0, 4) * height, (0.45 + 0.55 * rng.beta(1, 2)) * height
        shade = rng.uniform(0.3, 1.0) * np.array(((255, 190, 110), (255, 236, 210), (210, 226, 255))[rng.integers(3)])
        cv2.circle(
            whole, (round(x), round(y)), max(1, round(height * rng.uniform(0.001, 0.004))), tuple(map(float, shade)), -1
        )
    return cv2.GaussianBlur(whole, (0, 0), height / 1200) + 14 * (_grain(width, height, 2, 8) - 0.4)[..., None]


def _grain(width: int, height: int, cell: int, seed: int) -> Field:
    """Random shades 0 … 1 in cells of `cell` thousandths of the frame height, soft-edged."""
    rows = max(2, round(1000 / cell))
    across = max(2, round(rows * width / height))
    shades = np.random.default_rng(seed).random((rows, across)).astype(np.float32)
    return np.asarray(cv2.resize(shades, (width, height), interpolation=cv2.INTER_CUBIC), np.float32)


def _cloudy(width: int, height: int, seed: int) -> Field:
    """Shades 0 … 1 with structure of every size."""
    cells = (340, 170, 85, 42, 21, 10)
    weights = [0.5**n for n in range(len(cells))]
    layers = [
        w * _grain(width, height, cell, seed + 10 * n) for n, (cell, w) in enumerate(zip(cells, weights, strict=True))
    ]
    return np.asarray(sum(layers) / sum(weights), np.float32)


_GROUNDS: MappingProxyType[str, Callable[[int, int], Field]] = MappingProxyType(
    {
        "cloud": _white_cloud, "dark": _dark_ground, "busy": _busy_texture,
        "sun": _low_sun, "night": _night, "water": _water,
    }
)  # fmt: skip
GROUNDS = tuple(_GROUNDS)
