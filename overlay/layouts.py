"""Layouts: which instruments stand where, read from versioned TOML, and their places on a frame of any size.

A design unit is 1/1080 of the frame height times the layout's scale, so one layout serves 720p, 1080p and 4K alike. The
instruments that share an anchor stack from the edge towards the middle; one that spans the safe width pushes the stacks
of its edge inwards. docs/layouts.md describes every key.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import replace
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field, PrivateAttr, model_validator

from overlay import settings
from overlay.errors import LayoutError, printable
from overlay.instruments.captions import Caption, captions
from overlay.instruments.catalogue import INSTRUMENTS, AnyOptions
from overlay.instruments.conditions import during
from overlay.instruments.dials import Dials
from overlay.instruments.event_caption import EventCaptionOptions
from overlay.instruments.inset_frame import label_height, live_frame, quiet_frame
from overlay.instruments.instrument import USUAL_STYLE, Anchor, Setting, Style
from overlay.instruments.lettering import add_family, find_fonts
from overlay.instruments.palette import PALETTES, Palette, PaletteColour
from overlay.instruments.panel import Panel, Rect
from overlay.instruments.placing import Item, NoRoomError, Place, between_rows, place, side_by_side
from overlay.instruments.quantities import UNITS, UnitSystem
from overlay.readings import Readings

VERSION = 1
DESIGN_HEIGHT = 1080.0
ON_BOARD, LIVE = "on board", "live picture"


class SideBySide(NamedTuple):
    """Where two recordings stand beside each other, and all that is drawn over them, in drawing order."""

    left: Rect
    right: Rect
    panels: tuple[Panel, ...]


class Inset(settings.Settings):
    """Where the second recording stands, nearest the corner of its anchor."""

    anchor: Anchor = Field(default="top right", description="which of nine points of the safe area it stands at")
    width: Annotated[float, Field(gt=0.0, le=4.0)] = Field(
        default=0.4445, description="width, of an upright one height, as a share of the frame height; its shape is kept"
    )
    label: str = Field(
        default=LIVE,
        max_length=60,
        description="what the label below it calls it; empty: no label",
    )


class Colours(settings.Settings):
    """A built-in palette, and single colours of one's own in place of its."""

    base: Literal["calm", "bold", "paper"] = Field(default="calm", description="the palette to start from")
    backing: PaletteColour | None = None
    ink: PaletteColour | None = None
    muted: PaletteColour | None = None
    hairline: PaletteColour | None = None
    ahead: PaletteColour | None = None
    air: PaletteColour | None = None
    ground: PaletteColour | None = None
    wind: PaletteColour | None = None
    control: PaletteColour | None = None
    spare: PaletteColour | None = None
    broken: PaletteColour | None = None
    picture: PaletteColour | None = None

    @model_validator(mode="after")
    def _is_legible(self) -> Colours:
        self.palette()
        return self

    def palette(self) -> Palette:
        """Return the palette with the colours given here in place."""
        own = {name: colour for name in Palette.model_fields if (colour := getattr(self, name)) is not None}
        return Palette(**{**PALETTES[self.base].model_dump(mode="json"), **own})


class Layout(settings.Settings):
    """A layout as its file says it; `place` puts it on a frame."""

    version: Literal[1] = Field(description="version of this format; 1")
    description: str = Field(default="", max_length=120, description="one line, shown in the list of layouts")
    pictures: Literal["one", "both"] = Field(
        default="one", description="what it is made for: one recording, or both side by side"
    )
    units: UnitSystem = Field(default="metric", description="units where the command line asks for none")
    margin: Annotated[float, Field(ge=0.0, le=0.2)] = Field(
        default=0.04, description="width of the safe margin as a share of the frame height"
    )
    gap: Annotated[float, Field(ge=0.0, le=0.1)] = Field(
        default=0.012, description="room between instruments as a share of the frame height"
    )
    scale: Annotated[float, Field(ge=0.2, le=4.0)] = Field(default=1.0, description="size of everything")
    least_aspect: Annotated[float, Field(ge=0.2, le=4.0)] = Field(
        default=1.3,
        description="width over height below which everything shrinks in proportion to the frame's width",
    )
    fonts: tuple[str, ...] = Field(
        default=(), max_length=8, description="font files, beside the layout, for scripts that the built-in fonts lack"
    )
    palette: Colours = Field(default=Colours(), description="colours")
    style: Style = Field(default=USUAL_STYLE, description="how the plates are cut")
    inset: Inset | None = Field(
        default=None, description="where the second recording stands; without this table it has no place"
    )
    instrument: tuple[AnyOptions, ...] = Field(
        default=(), max_length=40, description="the instruments, from the edges inwards"
    )

    _source: str = PrivateAttr("layout")
    _notes: tuple[str, ...] = PrivateAttr(())

    @property
    def notes(self) -> tuple[str, ...]:
        """What was amiss in the file but does not stop it from being used, a line each."""
        return self._notes

    @property
    def shape(self) -> Literal["wide", "upright"]:
        """Which way the frame stands that it is made for."""
        return "upright" if self.least_aspect < 1.0 else "wide"

    def usual_size(self) -> tuple[int, int]:
        """Width and height in pixels of the usual frame of its shape."""
        return (1080, 1920) if self.shape == "upright" else (1920, 1080)

    def summary(self, name: str) -> dict[str, Any]:
        """What a list of layouts tells of it."""
        return {
            "name": name, "description": self.description, "shape": self.shape, "units": self.units,
            "pictures": self.pictures, "inset": self.inset is not None, "palette": self.palette.base,
            "instruments": [options.kind for options in self.instrument],
        }  # fmt: skip

    def in_palette(self, base: str) -> Layout:
        """Return the same layout in a built-in palette, without colours of its own."""
        return self.model_copy(update={"palette": Colours.model_validate({"base": base})})

    def captioned(self) -> Layout:
        """Return a layout that tells the flight's events: itself, or with a caption between what stands at its foot."""
        if any(options.kind == "event caption" and options.when in ("always", "event") for options in self.instrument):
            return self
        added = EventCaptionOptions(anchor="bottom", width="between")
        return self.model_copy(update={"instrument": (*self.instrument, added)})

    def place(
        self, frame_width: int, frame_height: int, readings: Readings, *,
        units: UnitSystem | None = None, utc_offset_s: float | None = None, inset_aspect: float | None = None,
        on_board: bool = False, told: tuple[Caption, ...] | None = None,
    ) -> tuple[Panel, ...]:  # fmt: skip
        """Put the instruments on a frame for one flight, in drawing order.

        `inset_aspect` is width over height of the second recording as displayed; None where there is none, and the
        instruments below it move up. It is the live picture, or, `on_board`, the other one. `told` are captions in place
        of the flight's own. Raises LayoutError when they do not fit the frame.
        """
        shown = UNITS[units or self.units]
        dials = Dials(readings)
        told = captions(readings, shown) if told is None else told
        palette = self.palette.palette()
        panels: list[Panel] = []
        for found in self._places(frame_width, frame_height, inset_aspect, readings):
            unit = self._unit(frame_width, frame_height)
            setting = Setting(dials, shown, palette, unit, told, utc_offset_s, self.style)
            if found.item.key is not None:
                options = self.instrument[found.item.key]
                setting = replace(setting, unit=unit * options.scale)
                panels.append(during(options.when, INSTRUMENTS[options.kind](found.rect, setting, options)))
            elif self.inset:
                label, picture = self.inset.label, self._above_label(found.rect, unit)
                panels += (
                    quiet_frame(picture, setting, label and ON_BOARD)
                    if on_board
                    else live_frame(picture, setting, label)
                )
        return tuple(panels)

    def inset_rect(self, frame_width: int, frame_height: int, inset_aspect: float) -> Rect | None:
        """Where the second recording stands on a frame; None when the layout has no place for it."""
        found = self._places(frame_width, frame_height, inset_aspect)
        unit = self._unit(frame_width, frame_height)
        return next((self._above_label(place.rect, unit) for place in found if place.item.key is None), None)

    def _above_label(self, rect: Rect, unit: float) -> Rect:
        """The picture's part of the inset's room."""
        return rect._replace(height=rect.height - self._label_height(unit))

    def _label_height(self, unit: float) -> int:
        return label_height(unit) if self.inset and self.inset.label else 0

    def side_by_side(
        self, frame_width: int, frame_height: int, readings: Readings, aspects: tuple[float, float], *,
        units: UnitSystem | None = None, utc_offset_s: float | None = None, told: tuple[Caption, ...] | None = None,
    ) -> SideBySide:  # fmt: skip
        """Place the onboard recording at the left and the live picture at the right, instruments above and below them.

        What would lie on a picture is left out: the two are there to be compared. `aspects` are their widths over heights.
        Type is never larger than usual here. Raises LayoutError as `place`.
        """
        layout = self.model_copy(update={"scale": min(self.scale, 1.0)})
        panels = layout.place(frame_width, frame_height, readings, units=units, utc_offset_s=utc_offset_s, told=told)
        gap = 2 * round(0.012 * frame_height / 2)
        canvas = Rect(gap, 0, frame_width - 2 * gap, frame_height)
        palette, unit = self.palette.palette(), frame_height / DESIGN_HEIGHT
        room = between_rows([panel.rect for panel in panels], canvas, gap)
        room = room._replace(height=room.height - label_height(unit))
        left, right = side_by_side(room, aspects, gap)
        setting = Setting(Dials(readings), UNITS[units or self.units], palette, unit)
        labels = (*quiet_frame(left, setting, ON_BOARD), *live_frame(right, setting, LIVE))
        beside = (panel for panel in panels if not panel.rect.overlaps(left) and not panel.rect.overlaps(right))
        return SideBySide(left, right, (*labels, *beside))

    def texts(self) -> Iterator[str]:
        """Yield the user's own words, all that is not the program's."""
        if self.inset:
            yield self.inset.label
        for options in self.instrument:
            yield options.title or ""
            yield getattr(options, "text", "")

    def _unit(self, frame_width: int, frame_height: int) -> float:
        narrow = min(1.0, frame_width / frame_height / self.least_aspect)
        return frame_height / DESIGN_HEIGHT * self.scale * narrow

    def _places(
        self, frame_width: int, frame_height: int, inset_aspect: float | None, readings: Readings | None = None
    ) -> tuple[Place, ...]:
        unit = self._unit(frame_width, frame_height)
        tall = frame_height * unit / (frame_height / DESIGN_HEIGHT * self.scale)
        try:
            return place(
                tuple(self._items(unit, tall, inset_aspect, readings)),
                frame_width,
                frame_height,
                self.margin * tall,
                self.gap * tall,
            )
        except NoRoomError as narrow:
            raise LayoutError(
                self._source, f"{narrow} on a frame of {frame_width}×{frame_height}",
                "give a smaller scale, fewer instruments or a larger frame",
            ) from narrow  # fmt: skip

    def _items(self, unit: float, tall: float, inset_aspect: float | None, readings: Readings | None) -> Iterator[Item]:
        if self.inset and inset_aspect:
            width = self.inset.width * tall * min(1.0, inset_aspect)
            height = width / inset_aspect + self._label_height(unit)
            yield Item(None, "the inset", self.inset.anchor, width, height)
        for index, options in enumerate(self.instrument):
            instrument = INSTRUMENTS[options.kind]
            if options.absent == "hide" and readings is not None and not instrument.has_data(options, readings):
                continue
            natural = instrument.natural_size(options)
            factor = unit * options.scale
            width = options.width * tall if isinstance(options.width, float) else natural[0] * factor
            height = options.height * tall if options.height else natural[1] * factor
            span = options.width if isinstance(options.width, str) else None
            yield Item(index, options.kind, options.anchor, width, height, beside=options.beside, span=span)


def load(name_or_path: str | os.PathLike[str]) -> Layout:
    """Read a built-in layout by name or any by its path; LayoutError with file, line, column and the nearest name."""
    path = _find(os.fspath(name_or_path))
    layout = settings.load(path, Layout, LayoutError)
    layout._source = str(path)
    for name in layout.fonts:
        try:
            add_family(path.parent / name)
        except OSError as broken:
            raise LayoutError(
                path, f"fonts: {name!r} is no font that can be read", "give a TTF or OTF file"
            ) from broken
    layout._notes = tuple(
        f"{printable(str(path))}: no font at hand can write {missing!r}, … stands in its place: "
        "name a font file under fonts = [...]"
        for missing in filter(None, map(find_fonts, layout.texts()))
    )
    return layout


def available() -> list[tuple[str, str]]:
    """Name and one-line description of each built-in layout."""
    return [(path.stem, load(path).description) for path in sorted(_folder().glob("*.toml"))]


def schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of a layout file."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Layout.model_json_schema()}


def schema_text() -> str:
    """Return the schema as it is published beside the documents."""
    return json.dumps(schema(), indent=1, ensure_ascii=False) + "\n"


def _folder() -> Path:
    """The built-in layouts: inside an installed package, beside the package in a checkout."""
    package = Path(str(files("overlay")))
    inside = package / "layouts"
    return inside if inside.is_dir() else package.parent / "layouts"


def _find(wanted: str) -> Path:
    path = Path(wanted)
    if path.suffix == ".toml" or len(path.parts) > 1 or path.is_file():
        return path
    names = [found.stem for found in sorted(_folder().glob("*.toml"))]
    if wanted in names:
        return _folder() / f"{wanted}.toml"
    near = get_close_matches(wanted, names, n=1, cutoff=0.4)
    hint = f"did you mean {near[0]!r}? " if near else ""
    raise LayoutError(
        wanted, "no layout of that name", f"{hint}there are {', '.join(names)}; or give the path of a .toml file"
    )
