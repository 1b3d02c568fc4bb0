"""What an eye can read: every text of every instrument measured on its own plate, as the renderer has blended it."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
from av import VideoFrame

from overlay import layouts
from overlay.instruments import instrument
from overlay.instruments.canvas import Canvas
from overlay.instruments.catalogue import INSTRUMENTS
from overlay.instruments.panel import Panel
from overlay.readings import Readings
from overlay.render.colour import Encoding
from overlay.render.compositor import Compositor
from overlay.render.raster import Raster

KINDS = sorted(INSTRUMENTS)
NAMES = [name for name, _ in layouts.available()]
MOMENTS = (10.0, 60.0, 508.0, 658.0, 815.0, 865.0, 1204.5, 1500.0, 1700.0)
_CAP, _DESCENT = 0.66, 0.04  # of the em: capitals of the family; a comma's tail is let off


class Written(NamedTuple):
    """A line of text and the box of its capitals on the sheet, in design units."""

    text: str
    left: float
    top: float
    right: float
    bottom: float
    size: float

    def touches(self, other: Written, apart: float) -> bool:
        across = self.left < other.right + apart and other.left < self.right + apart
        return across and self.top < other.bottom and other.top < self.bottom


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch) -> list[Written]:
    """Every text that is set from now on."""
    found: list[Written] = []
    set_text = Canvas.text

    def noted(self: Canvas, x: float, y: float, text: str, size: float, *args: object, **how: object) -> float:
        wide = set_text(self, x, y, text, size, *args, **how)  # type: ignore[arg-type]
        left = x - {"left": 0.0, "centre": wide / 2, "right": wide}[str(how.get("anchor", "left"))]
        if text:
            found.append(Written(text, left, y - _CAP * size, left + wide, y + _DESCENT * size, size))
        return wide

    monkeypatch.setattr(Canvas, "text", noted)
    return found


@cache
def layout_of(kind: str, palette: str = "calm") -> layouts.Layout:
    more = {"figure": {"quantity": "range"}, "text": {"text": "Lesson 3"}}.get(kind, {})
    item = {"kind": kind, "anchor": "top left", **more}
    return layouts.Layout.model_validate_json(
        json.dumps({"version": 1, "palette": {"base": palette}, "instrument": [item]})
    )


def drawings(panels: tuple[Panel, ...], start_s: float, written: list[Written]) -> Iterator[tuple[object, float]]:
    """Each panel at each moment, drawn anew with its ground, `written` holding that drawing's texts alone."""
    for panel in panels:
        inner = getattr(panel, "_panel", panel)
        for moment in MOMENTS:
            if panel.shows(start_s + moment) is None:
                continue
            written.clear()
            inner.__dict__.pop("_sheet", None)
            panel.draw(start_s + moment)
            yield inner, moment


@pytest.mark.parametrize("units", ["metric", "imperial", "aviation"])
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("which", ["flight", "positions"])
def test_no_text_leaves_its_plate_or_touches_another(
    name: str, which: str, units: str, request: pytest.FixtureRequest, written: list[Written]
) -> None:
    readings = request.getfixturevalue(which)
    layout = layouts.load(name)
    panels = layout.place(*layout.usual_size(), readings, units=units, inset_aspect=4 / 3)
    for panel, moment in drawings(panels, readings.time_s[0], written):
        for one in written:
            inside = one.left >= 8 and one.right <= panel.width - 8 and one.top >= 4 and one.bottom <= panel.height - 4
            assert inside, (type(panel).__name__, moment, one)
        for one, other in itertools.combinations(written, 2):
            assert not one.touches(other, 4.0), (type(panel).__name__, moment, one, other)


@pytest.mark.parametrize("kind", KINDS)
def test_a_long_title_is_shortened_and_touches_nothing(kind: str, flight: Readings, written: list[Written]) -> None:
    item = layout_of(kind).instrument[0].model_dump(mode="json")
    item["title"] = "Flächenflug über dem Moor, zweiter Versuch mit neuer Antenne"
    if kind == "text":
        item |= {"text": item["title"], "width": 0.3}
    layout = layouts.Layout.model_validate_json(
        json.dumps({"version": 1, "inset": {"label": item["title"], "width": 0.3}, "instrument": [item]})
    )
    for panel, moment in drawings(layout.place(1920, 1080, flight, inset_aspect=4 / 3), flight.time_s[0], written):
        for one in written:
            assert one.left >= 8, (moment, one)
            assert one.right <= panel.width - 8, (moment, one)
        for one, other in itertools.combinations(written, 2):
            assert not one.touches(other, 4.0), (moment, one, other)


@pytest.mark.parametrize("name", NAMES)
def test_type_keeps_to_its_scale_and_is_large_enough_for_a_phone(
    name: str, flight: Readings, written: list[Written]
) -> None:
    """On 720 lines, capitals of 11 pixels at least; figures larger than names.

    11 of 720 lines are 12 minutes of arc on a picture 68 mm tall held 300 mm away, a phone in the hand (its size from
    memory). ISO 9241-303 asks for 16 as the least for long reading (from memory): what is set in `VALUE` has it.
    """
    layout = layouts.load(name)
    size = (720, 1280) if layout.shape == "upright" else (1280, 720)
    scale = {instrument.SMALL, instrument.BODY, instrument.VALUE, instrument.LARGE, instrument.HERO, 32.0}
    for panel, _ in drawings(layout.place(*size, flight, inset_aspect=4 / 3), flight.time_s[0], written):
        for one in written:
            fitted = one.size > instrument.VALUE  # the largest figures may shrink to their room
            assert fitted or one.size in scale or type(panel).__name__ == "EventCaption", one
            assert one.size * _CAP * panel.setting.unit >= 10.9, one


@pytest.mark.parametrize("ground", [255, 0, 119], ids=["white", "black", "mid"])
@pytest.mark.parametrize("palette", ["calm", "bold", "paper"])
@pytest.mark.parametrize("kind", KINDS)
def test_text_contrast_as_blended_into_the_stream(
    kind: str, palette: str, ground: int, flight: Readings, written: list[Written]
) -> None:
    """WCAG 2.2, criterion 1.4.3: 4.5 to 1 for every text on its own plate, in 8-bit BT.709 Y′CbCr 4:2:0.

    The plate's colour is the commonest in the text's box, the ink's the one that stands out most; both are taken from
    the planes after blending, turned to R′G′B′ by colour-science.
    """
    panels = layout_of(kind, palette).place(1920, 1080, flight)
    for panel, moment in drawings(panels, flight.time_s[0], written):
        if moment not in (658.0, 1204.5, 1500.0):
            continue
        shown = blended(panel, flight.time_s[0] + moment, ground)
        unit = panel.setting.unit
        for one in written:
            left, right = round(one.left * unit) + panel.rect.x, round(one.right * unit) + panel.rect.x
            box = shown[round(one.top * unit) + panel.rect.y : round(one.bottom * unit) + panel.rect.y, left:right]
            assert strongest_contrast(box) >= 4.5, (moment, one)


def blended(panel: Panel, time_s: float, ground: int) -> np.ndarray:
    """Relative luminance (h, w) of a frame of one grey with the panel on it."""
    import colour

    frame = VideoFrame(1920, 1080, "yuv420p")
    for plane, value in zip(frame.planes, (16 + round(219 * ground / 255), 128, 128), strict=True):
        plane.update(bytes([value]) * (plane.line_size * plane.height))
    Compositor([panel], Encoding(1, False, 8, (1, 1)), Raster(1920, 1080)).draw(frame, time_s)
    planes = [np.frombuffer(p, np.uint8).reshape(p.height, p.line_size)[:, : p.width] for p in frame.planes]
    ycc = np.stack([planes[0], *(p.repeat(2, axis=0).repeat(2, axis=1) for p in planes[1:])], axis=-1)
    x, y, width, height = panel.rect
    whole = np.full((1080, 1920), np.nan)
    rgb = colour.YCbCr_to_RGB(
        ycc[y : y + height, x : x + width],
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], in_bits=8, in_legal=True, in_int=True, out_bits=8, out_legal=False,
    )  # fmt: skip
    v = np.clip(rgb, 0, 1)
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    whole[y : y + height, x : x + width] = linear @ np.array([0.2126, 0.7152, 0.0722])
    return whole


def strongest_contrast(box: np.ndarray) -> float:
    values = box[np.isfinite(box)]
    steps, counts = np.unique(np.round(values, 3), return_counts=True)
    plate = steps[np.argmax(counts)]
    return max((values.max() + 0.05) / (plate + 0.05), (plate + 0.05) / (values.min() + 0.05))


@pytest.mark.parametrize("kind", sorted(set(KINDS) - {"range line", "event caption"}))
def test_a_changing_number_never_moves_its_neighbours(kind: str, flight: Readings, written: list[Written]) -> None:
    """Texts of the same shape stand at the same places whatever their digits; the range line's ride on their ticks."""
    (panel,) = layout_of(kind).place(1920, 1080, flight)
    places: dict[tuple[str, ...], set[tuple[float, ...]]] = {}
    for moment in np.arange(50.0, 1700.0, 11.0):
        written.clear()
        panel.draw(flight.time_s[0] + moment)
        shape = tuple(re.sub(r"\d", "0", one.text) for one in written)
        lefts = tuple(round(one.left * panel.setting.unit) for one in written)
        places.setdefault(shape, set()).add(lefts)
    assert all(len(lefts) == 1 for lefts in places.values()), places


LIVE = ("height", "speed pair", "energy column", "bank", "home rose", "figure")


@pytest.mark.parametrize("kind", LIVE)
def test_the_last_value_does_not_linger_in_a_gap(kind: str, flight: Readings) -> None:
    """A flight that was quite another until 8 s before the log's silence looks the same in the middle of it."""
    import dataclasses

    after = flight.time_s - flight.time_s[0]
    near = (after > 1192) & (after < 1217)
    other = {k: np.where(near, v * 1.3 + 5.0, v) for k, v in flight.columns.items()}
    changed = dataclasses.replace(flight, columns=other)
    one, two = (layout_of(kind).place(1920, 1080, readings)[0] for readings in (flight, changed))
    before, silent = flight.time_s[0] + 1195.0, flight.time_s[0] + 1204.5
    assert not np.array_equal(one.draw(before), two.draw(before))
    assert np.array_equal(one.draw(silent), two.draw(silent))


@pytest.mark.parametrize("kind", KINDS)
def test_a_log_without_data_shows_less_ink_than_one_with(kind: str, flight: Readings) -> None:
    """No data is no bar, no needle, no mark: what is left is the plate, its names, rulers and dashes."""
    if kind in ("text", "clock"):
        pytest.skip("shows nothing of the log's values")
    known, unknown = (
        layout_of(kind).place(1920, 1080, readings)[0] for readings in (flight, Readings(flight.time_s[::50]))
    )
    t = flight.time_s[0] + 658.0
    if unknown.shows(t) is None:
        return
    bright = [int((panel.draw(t)[..., :3].max(axis=2) > 225).sum()) for panel in (known, unknown)]
    assert bright[1] < 0.6 * bright[0], bright


@pytest.mark.parametrize("kind", ["range line", "link ribbon", "track sketch", "side view", "event caption"])
def test_a_break_up_is_told_by_its_hatch_in_shades_of_grey(kind: str, flight: Readings) -> None:
    """Without any hue: where breaking-up's colour lies, dark stripes alternate with it many times over."""
    from overlay.instruments.palette import PALETTES

    (panel,) = layout_of(kind).place(1920, 1080, flight)
    patch = panel.draw(flight.time_s[0] + 660.0).astype(int)
    broken = np.array(PALETTES["calm"].broken[:3])
    orange = np.abs(patch[..., :3] - broken).max(axis=2) < 40
    assert orange.sum() > 30
    grey = patch[..., :3] @ np.array([0.2126, 0.7152, 0.0722])
    around = np.zeros_like(orange)
    rows, columns = np.nonzero(orange)
    for down, across in itertools.product((-3, 0, 3), (-3, 0, 3)):
        y, x = np.clip(rows + down, 0, orange.shape[0] - 1), np.clip(columns + across, 0, orange.shape[1] - 1)
        around[y, x] = True
    assert (grey[around] < 45).mean() > 0.2
    assert (grey[around] > 80).mean() > 0.2


@pytest.mark.parametrize("name", NAMES)
def test_a_long_caption_keeps_its_size(name: str, flight: Readings, written: list[Written]) -> None:
    """On the frame that a layout is made for, the sentence that matters most is wrapped and not made smaller."""
    layout = layouts.load(name)
    panels = layout.place(*layout.usual_size(), flight, inset_aspect=4 / 3)
    caption = next(
        inner
        for inner in (getattr(panel, "_panel", panel) for panel in panels)
        if type(inner).__name__ == "EventCaption"
    )
    sentence = "Picture breaks up: 10.3\u00a0km from home, 1\u202f190\u00a0m high, banked 42° right"
    caption._paint(Canvas(caption.rect.width, caption.rect.height, caption.setting.unit), (sentence, True, 10))
    assert {one.size for one in written} == {32.0}
