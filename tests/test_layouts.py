"""Layouts: found, read, refused with place and nearest name, and put on frames of any size without overlap."""

from __future__ import annotations

import json
import os
import re
import tomllib
from itertools import combinations
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from overlay import layouts
from overlay.errors import LayoutError
from overlay.instruments import lettering
from overlay.instruments.catalogue import INSTRUMENTS, OPTIONS
from overlay.instruments.figure import SOURCES
from overlay.instruments.palette import PALETTES, Palette
from overlay.instruments.panel import Rect
from overlay.readings import Leg, Pack, Readings

NAMES = [name for name, _ in layouts.available()]
WIDE = [(1280, 720), (1920, 1080), (2704, 1520), (3840, 2160), (1440, 1080), (640, 480), (1920, 800), (854, 480)]
DOCUMENT = Path(__file__).parents[1] / "docs" / "layouts.md"
CLOCK = 'version = 1\n\n[[instrument]]\nkind = "clock"\nanchor = "top"\n\n[[instrument]]\n'


def full() -> Readings:
    """Every column known, so that no instrument hides."""
    times = np.arange(0.0, 60.0, 0.5)
    columns = [source.column for source in SOURCES.values()] + [
        "charge_reserve_mAh",
        "wind_from_deg",
        "east_m",
        "north_m",
    ]
    values = dict.fromkeys(columns, 10.0 + times)
    return Readings(times, values, legs=(Leg("out", 0.0, 60.0),), pack=Pack(5000.0))


def overlap(one: Rect, other: Rect) -> bool:
    across = one.x < other.x + other.width and other.x < one.x + one.width
    down = one.y < other.y + other.height and other.y < one.y + one.height
    return across and down


def test_the_built_in_layouts_are_these() -> None:
    assert set(NAMES) == {"review", "plain", "upright", "link", "energy", "training", "pair"}
    assert all(description for _, description in layouts.available())


@pytest.mark.parametrize("aspect", [4 / 3, 5 / 4, 16 / 9, None])
@pytest.mark.parametrize(
    ("name", "size"),
    [
        (name, size)
        for name in NAMES
        for size in (WIDE if name != "upright" else [(1080, 1920), (720, 1280), (2160, 3840)])
    ],
)
def test_built_in_layouts_stand_inside_the_frame_and_apart(
    name: str, size: tuple[int, int], aspect: float | None
) -> None:
    layout = layouts.load(name)
    panels = layout.place(*size, full(), inset_aspect=aspect)
    inset = layout.inset_rect(*size, aspect) if aspect else None
    edges = [panel.rect for panel in panels if inset and overlap(panel.rect, inset)]
    assert len(edges) == (4 if inset else 0)
    rects = [panel.rect for panel in panels if panel.rect not in edges]  # the label among them
    assert len(rects) == len(layout.instrument) + (1 if inset else 0)
    rects += [inset] if inset else []
    for rect in rects:
        assert all(value % 2 == 0 for value in rect)
        assert 0 < rect.width <= size[0] - rect.x
        assert 0 < rect.height <= size[1] - rect.y
        safe = 0.03 * size[1] * min(1.0, size[0] / size[1] / layout.least_aspect)
        assert min(rect.x, rect.y, size[0] - rect.x - rect.width, size[1] - rect.y - rect.height) >= safe - 2
    for one, other in combinations(rects, 2):
        assert not overlap(one, other), (one, other)


@pytest.mark.parametrize("name", NAMES)
def test_one_layout_serves_all_sizes_in_proportion(name: str) -> None:
    layout, readings = layouts.load(name), full()
    small, large = (layout.place(*size, readings) for size in ((1280, 720), (3840, 2160)))
    if name == "upright":
        small, large = (layout.place(*size, readings) for size in ((720, 1280), (2160, 3840)))
    for one, other in zip(small, large, strict=True):
        assert np.array(other.rect) == pytest.approx(
            3 * np.array(one.rect), abs=14
        )  # a stack of four, each rounded to a chroma sample of the small frame


def test_a_wide_layout_on_an_upright_frame_shrinks_but_stays_apart() -> None:
    rects = [panel.rect for panel in layouts.load("review").place(1080, 1920, full())]
    assert not any(overlap(one, other) for one, other in combinations(rects, 2))


@settings(max_examples=40)
@given(st.integers(320, 4096), st.integers(240, 2304))
def test_any_frame_is_served_or_refused(width: int, height: int) -> None:
    try:
        panels = layouts.load("review").place(width, height, full())
    except LayoutError as refused:
        assert f"{width}×{height}" in str(refused)
        return
    for panel in panels:
        assert panel.rect.x + panel.rect.width <= width
        assert panel.rect.y + panel.rect.height <= height


def test_without_a_second_recording_what_stands_below_it_moves_up() -> None:
    layout, readings = layouts.load("review"), full()
    index = [item.kind for item in layout.instrument].index("link ribbon")
    with_inset = layout.place(1920, 1080, readings, inset_aspect=4 / 3)[index + 5]
    without = layout.place(1920, 1080, readings)[index]
    assert without.rect.y < with_inset.rect.y
    assert without.rect.x == with_inset.rect.x


@pytest.mark.parametrize("aspect", [4 / 3, 16 / 9, 0.5625])
def test_the_inset_keeps_the_shape_of_its_recording(aspect: float) -> None:
    rect = layouts.load("review").inset_rect(1920, 1080, aspect)
    assert rect is not None
    assert rect.width / rect.height == pytest.approx(aspect, rel=0.01)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("size", [(1280, 720), (3840, 2160)])
def test_side_by_side_no_instrument_lies_on_a_picture(name: str, size: tuple[int, int]) -> None:
    """The training layout's bank stands where the onboard picture does."""
    pair = layouts.load(name).side_by_side(*size, full(), (16 / 9, 4 / 3))
    edge = size[1] // 100
    for picture in (pair.left, pair.right):
        inner = Rect(picture.x + edge, picture.y + edge, picture.width - 2 * edge, picture.height - 2 * edge)
        assert not any(overlap(panel.rect, inner) for panel in pair.panels)
    assert any(panel.rect.y > pair.left.y + pair.left.height for panel in pair.panels)


def test_what_the_flight_has_no_data_for_is_hidden_where_the_layout_says_so(tmp_path: Path) -> None:
    lines = '[[instrument]]\nkind = "{}"\nanchor = "top left"\nabsent = "{}"\n'
    path = tmp_path / "own.toml"
    path.write_text("version = 1\n" + lines.format("bank", "hide") + lines.format("height", "show"))
    (panel,) = layouts.load(path).place(1920, 1080, Readings(np.arange(0.0, 9.0)))
    assert panel.rect.y == round(0.04 * 1080 / 2) * 2


@pytest.mark.parametrize(
    ("when", "shown"),
    [
        ("always", {5, 25, 33, 39, 55, 85}),
        ("break-up", {33, 39}),
        ("aloft", {25, 33, 39, 55}),
        ("out", {25, 33, 39}),
        ("home", {55}),
        ("event", {25, 33, 55}),
    ],
)
def test_conditions(tmp_path: Path, when: str, shown: set[int]) -> None:
    from overlay.readings import BrokenPicture

    legs = (Leg("on the ground", 0, 20), Leg("take-off", 20, 22), Leg("out", 22, 50), Leg("home", 50, 80))
    readings = Readings(np.arange(0.0, 90.0), legs=legs, breakups=(BrokenPicture(32.0, 38.0, "noise", 2.0),))
    path = tmp_path / "own.toml"
    path.write_text(f'version = 1\n[[instrument]]\nkind = "height"\nanchor = "top"\nwhen = "{when}"\n')
    (panel,) = layouts.load(path).place(640, 480, readings)
    seen = {t for t in (5, 25, 33, 39, 55, 85) if panel.shows(float(t)) is not None}
    assert seen == shown


@pytest.mark.parametrize(
    ("text", "place", "told"),
    [
        ("version = 2", "1:1", "input should be 1"),
        ("version = 1\nscal = 2", "2:1", "did you mean 'scale'"),
        ("version = 1\nunits = 'metrc'", "2:1", "did you mean 'metric'"),
        ("version = 1\n[palete]\nink = '#404040'", "2:1", "did you mean 'palette'"),
        ("version = 1\n[palette]\n  ink = 'red'", "3:3", "#rrggbb"),
        ("version = 1\n[palette]\nink = '#404040'", "2:1", "contrast of 1."),
        ("version = 1\n[inset]\nanchor = 'top rigth'", "3:1", "did you mean 'top right'"),
        (CLOCK + "kind = 'rangeline'\nanchor = 'top'", "8:1", "did you mean 'range line'"),
        (CLOCK + "kind = 'range line'\nanchr = 'top'", "9:1", "did you mean 'anchor'"),
        (CLOCK + "kind = 'range line'\nanchor = 'top'\nwidth = 'saf'", "10:1", "did you mean 'safe'"),
        (CLOCK + "kind = 'range line'\nanchor = 'top'\nwidth = 9", "10:1", "less than or equal to 4"),
        ("version = 1\n[palette]\nbase = 'clam'", "3:1", "did you mean 'calm'"),
        ("version = 1\n[[instruments]]\nkind = 'bank'", "2:1", "did you mean 'instrument'"),
        ("version = 1\ninset = { anchor = 'topright' }", "2:1", "did you mean 'top right'"),
        ("version = 1\n[style]\ncornr = 3", "3:1", "did you mean 'corner'"),
        ("version = 1\n[style]\nedge = -1", "3:1", "greater than or equal to 0"),
        ("version = 1\n[palette]\nbrokn = '#ff0000'", "3:1", "did you mean 'broken'"),
        (CLOCK + "kind = 'bank'\nanchor = 'top'\nwhen = 'breakup'", "10:1", "did you mean 'break-up'"),
        (CLOCK + "kind = 'bank'\nanchor = 'top'\nabsent = 'hid'", "10:1", "did you mean 'hide'"),
        (CLOCK + "kind = 'link ribbon'\nanchor = 'top'\nsecond = 30", "10:1", "did you mean 'seconds'"),
        (CLOCK + "kind = 'clock'\nanchor = 'top'\ntime = 'utx'", "10:1", "did you mean 'utc'"),
        (CLOCK + "kind = 'range line'\nanchor = 'top'\nreach = 'yes'", "10:1", "boolean"),
        (CLOCK + "kind = 'figure'\nanchor = 'top'\nquantity = 'ground sped'", "10:1", "did you mean 'ground speed'"),
        (CLOCK + "anchor = 'top'", "7:1", "'instrument.1.kind' is missing"),
        (CLOCK + "kind = 'range line'", "7:1", "'instrument.1.anchor' is missing"),
        ("version = 1\nmargin = nan", "2:1", "margin = nan"),
        ("version = 1\nx = ]", "2:5", "mend the TOML"),
    ],
)
def test_each_mistake_is_one_line_with_its_place_and_the_mend(tmp_path: Path, text: str, place: str, told: str) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(LayoutError) as raised:
        layouts.load(path)
    message = str(raised.value)
    assert message.startswith(f"{path}:{place}: ")
    assert told in message
    assert "\n" not in message


def test_an_unknown_name_is_answered_with_the_nearest() -> None:
    with pytest.raises(LayoutError, match="did you mean 'review'"):
        layouts.load("reveiw")


@pytest.mark.parametrize("wanted", ["/dev/zero", "nowhere/own.toml", "own.toml", "."])
def test_what_is_no_layout_file_is_refused(wanted: str) -> None:
    with pytest.raises(LayoutError):
        layouts.load(wanted)


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "own.toml")
    with pytest.raises(LayoutError, match="not a regular file"):
        layouts.load(tmp_path / "own.toml")


@settings(max_examples=60)
@given(st.text(max_size=80))
def test_hostile_text_ends_in_one_line(text: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "own.toml"
        path.write_bytes(("version = 1\n" + text).encode("utf-8", "surrogatepass"))
        try:
            layouts.load(path)
        except LayoutError as refused:
            assert "\n" not in str(refused)


def test_a_text_that_no_font_can_write_is_told_in_one_line_and_still_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lettering, "_machine_fonts", list)
    path = tmp_path / "own.toml"
    path.write_text(CLOCK + 'kind = "text"\nanchor = "top"\ntext = "飛行 7"\n')
    layout = layouts.load(path)
    (note,) = layout.notes
    assert note.startswith(f"{path}: no font at hand can write '飛行'")
    assert "fonts = [...]" in note
    assert "\n" not in note
    _, panel = layout.place(640, 480, full())
    assert panel.draw(5.0).any()


def test_a_caption_is_added_where_a_layout_has_none() -> None:
    for name in NAMES:
        layout = layouts.load(name)
        assert layout.captioned() is layout
        silent = tuple(options for options in layout.instrument if options.kind != "event caption")
        told = layout.model_copy(update={"instrument": silent}).captioned()
        for size in ((1280, 720), (1080, 1920)):
            rects = [panel.rect for panel in told.place(*size, full())]
            assert len(rects) == len(silent) + 1
            assert not any(overlap(rects[-1], rect) for rect in rects[:-1]), name
            assert rects[-1].width > 0.2 * min(size)


def test_style_cuts_the_plates() -> None:
    def drawn(style: str) -> np.ndarray:
        instrument = '[{"kind": "height", "anchor": "top"}]'
        layout = layouts.Layout.model_validate_json(f'{{"version": 1, "style": {style}, "instrument": {instrument}}}')
        (panel,) = layout.place(1920, 1080, full())
        return panel.draw(5.0)

    rounded, square, edged = drawn("{}"), drawn('{"corner": 0}'), drawn('{"edge": 2}')
    assert rounded[0, 0, 3] == 0
    assert square[0, 0, 3] == PALETTES["calm"].backing.alpha
    hairline = np.array(PALETTES["calm"].hairline[:3])
    for y, x in ((0, 100), (-1, 100), (50, 0), (50, -1)):
        assert np.abs(edged[y, x, :3].astype(int) - hairline).max() <= 4
        assert np.abs(rounded[y, x, :3].astype(int) - hairline).max() > 60
    assert edged[0, 0, 3] == 0


def test_an_inset_without_a_label_is_covered_by_nothing() -> None:
    layout = layouts.Layout.model_validate_json('{"version": 1, "inset": {"label": ""}}')
    inset = layout.inset_rect(1920, 1080, 4 / 3)
    for panel in layout.place(1920, 1080, full(), inset_aspect=4 / 3):
        assert min(panel.rect.width, panel.rect.height) <= 6
        assert overlap(panel.rect, inset)


def test_the_published_schema_is_current_and_every_layout_keeps_it() -> None:
    """By the jsonschema package, an independent reader of JSON Schema 2020-12."""
    published = json.loads((DOCUMENT.parent / "layout.schema.json").read_text(encoding="utf-8"))
    assert published == json.loads(layouts.schema_text())
    jsonschema.Draft202012Validator.check_schema(published)
    validator = jsonschema.Draft202012Validator(published)
    for name in NAMES:
        validator.validate(tomllib.loads((layouts._folder() / f"{name}.toml").read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    "text",
    [
        "version = 2",
        "version = 1\nscal = 2",
        "version = 1\n[palette]\nink = 'red'",
        "version = 1\n[palette]\nbase = 'clam'",
        "version = 1\n[[instrument]]\nkind = 'bank'\nanchor = 'top'\nanchr = 'top'",
        "version = 1\n[[instrument]]\nkind = 'bank'\nanchor = 'top'\nseconds = 30",
        "version = 1\n[[instrument]]\nkind = 'bnak'\nanchor = 'top'",
        "version = 1\n[[instrument]]\nkind = 'figure'\nanchor = 'top'\nquantity = 'speed'",
    ],
)
def test_schema_and_program_refuse_the_same(text: str, tmp_path: Path) -> None:
    assert not jsonschema.Draft202012Validator(layouts.schema()).is_valid(tomllib.loads(text))
    path = tmp_path / "own.toml"
    path.write_text(text)
    with pytest.raises(LayoutError):
        layouts.load(path)


def test_a_font_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('version = 1\nfonts = ["own.toml"]\n')
    with pytest.raises(LayoutError, match="no font that can be read"):
        layouts.load(path)


def test_instruments_that_do_not_fit_are_refused_by_name() -> None:
    layout = layouts.Layout.model_validate_json(
        '{"version": 1, "instrument": [{"kind": "height", "anchor": "top", "height": 2.0}]}'
    )
    with pytest.raises(LayoutError, match=r"'height' at 'top' does not fit on a frame of 1280×720"):
        layout.place(1280, 720, full())


def test_an_installed_package_finds_its_layouts_inside_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "overlay" / "layouts").mkdir(parents=True)
    (tmp_path / "overlay" / "layouts" / "mine.toml").write_text('version = 1\ndescription = "x"\n')
    monkeypatch.setattr(layouts, "files", lambda package: tmp_path / package)
    assert layouts.available() == [("mine", "x")]


def test_the_schema_names_every_instrument_and_is_json() -> None:
    schema = json.loads(json.dumps(layouts.schema()))
    kinds = {d["properties"]["kind"]["const"] for d in schema["$defs"].values() if "kind" in d.get("properties", {})}
    assert kinds == set(INSTRUMENTS)
    assert set(schema["properties"]) == set(layouts.Layout.model_fields)


def test_the_document_tells_every_key_instrument_and_choice() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    told = set(re.findall(r"`([^`]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL)))
    keys = {
        *layouts.Layout.model_fields,
        *layouts.Inset.model_fields,
        *layouts.Colours.model_fields,
        *layouts.Style.model_fields,
        *Palette.model_fields,
    }
    for options in OPTIONS.values():
        keys |= set(options.model_fields)
    choices = {
        word
        for found in re.findall(r'"enum": (\[[^\]]*\])', json.dumps(layouts.schema()))
        for word in json.loads(found)
    }
    names = {*INSTRUMENTS, *SOURCES, *PALETTES, *NAMES, *(str(choice) for choice in choices)}
    missing = sorted((keys | names) - told)
    assert not missing


def test_the_document_example_is_a_layout(tmp_path: Path) -> None:
    examples = re.findall(r"```toml\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
    assert examples
    for example in examples:
        path = tmp_path / "own.toml"
        path.write_text(example)
        layouts.load(path).place(1920, 1080, full())
