"""Colours by the part they play, and the contrast that text must keep.

The accents are from the colour-blind-safe set of Okabe and Ito (2008), a shade lighter where they stand on a dark
backing. Nothing is told by hue alone: a broken-up picture is hatched, the bars are labelled, the path changes width.
Contrast is that of WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
"""

from __future__ import annotations

import re
from functools import lru_cache
from types import MappingProxyType
from typing import Annotated, NamedTuple

from pydantic import Field, PlainSerializer, PlainValidator, WithJsonSchema, model_validator

from overlay.settings import Settings

TEXT_CONTRAST = 4.5
_HEX = re.compile(r"#([0-9a-fA-F]{6})([0-9a-fA-F]{2})?")


class Colour(NamedTuple):
    """Straight sRGB and alpha, 0 … 255 each."""

    red: int
    green: int
    blue: int
    alpha: int = 255

    def faded(self, factor: float) -> Colour:
        """Return the same hue with its alpha multiplied by `factor`."""
        return self._replace(alpha=round(self.alpha * factor))

    def mixed(self, other: Colour, share: float) -> Colour:
        """Return this colour with `share` of `other` mixed in; alpha as before."""
        parts = (round(a + (b - a) * share) for a, b in zip(self[:3], other[:3], strict=True))
        return Colour._make((*parts, self.alpha))

    def over(self, ground: Colour) -> Colour:
        """Return what is seen when this colour lies over an opaque one."""
        return self._replace(alpha=255).mixed(ground, 1.0 - self.alpha / 255.0)


def parse_colour(value: object) -> Colour:
    """Colour of ``#rrggbb`` or ``#rrggbbaa``; ValueError on anything else.

    >>> parse_colour("#0072b2")
    Colour(red=0, green=114, blue=178, alpha=255)
    """
    if isinstance(value, Colour):
        return value
    match = _HEX.fullmatch(value) if isinstance(value, str) else None
    if not match:
        raise ValueError('a colour is written "#rrggbb" or, with alpha, "#rrggbbaa"')
    return Colour._make(bytes.fromhex(match[1] + (match[2] or "ff")))


def luminance(colour: Colour) -> float:
    """Relative luminance 0 … 1 of an opaque sRGB colour as WCAG 2.2 defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255.0 for v in colour[:3])]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: Colour, other: Colour) -> float:
    """Contrast ratio 1 … 21 of two opaque colours as WCAG 2.2 defines it."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


BLACK, WHITE = Colour(0, 0, 0), Colour(255, 255, 255)

PaletteColour = Annotated[
    Colour,
    PlainValidator(parse_colour),
    PlainSerializer(lambda c: "#" + bytes(c).hex(), return_type=str),
    WithJsonSchema({"type": "string", "pattern": "^#([0-9a-fA-F]{6})([0-9a-fA-F]{2})?$"}),
]


class Palette(Settings):
    """The colours of a layout by the part they play; text keeps 4.5 to 1 on the backing, whatever is behind it."""

    backing: PaletteColour = Field(
        default=Colour(15, 21, 28, 206), description="behind each instrument; its alpha lets the picture through"
    )
    ink: PaletteColour = Field(default=WHITE, description="figures, and what has been flown")
    muted: PaletteColour = Field(default=Colour(196, 204, 213), description="names and units")
    hairline: PaletteColour = Field(default=Colour(140, 151, 163), description="rulers, rims, ticks")
    ahead: PaletteColour = Field(default=Colour(255, 255, 255, 84), description="what is still to be flown")
    air: PaletteColour = Field(default=Colour(86, 180, 233), description="airspeed, and charge to get home")
    ground: PaletteColour = Field(default=Colour(230, 159, 0), description="ground speed")
    wind: PaletteColour = Field(default=Colour(240, 228, 66), description="wind")
    control: PaletteColour = Field(default=Colour(86, 180, 233), description="control link")
    spare: PaletteColour = Field(default=Colour(38, 184, 140), description="spare charge and reach")
    broken: PaletteColour = Field(
        default=Colour(232, 104, 26), description="picture broken up, charge short; always hatched"
    )
    picture: PaletteColour = Field(
        default=Colour(168, 178, 189), description="the ribbon of the live picture, and charge used"
    )

    @model_validator(mode="after")
    def _text_is_legible(self) -> Palette:
        for name in ("ink", "muted"):
            ratio = self.text_contrast(getattr(self, name))
            if ratio < TEXT_CONTRAST:
                raise ValueError(
                    f"{name} on the backing has a contrast of {ratio:.1f} to 1 over the worst picture,"
                    f" text needs {TEXT_CONTRAST}: set {name} further from the backing or give the backing more alpha"
                )
        return self

    def text_contrast(self, colour: Colour) -> float:
        """Contrast of a text colour on the backing over whichever of white and black is worse."""
        grounds = (self.backing.over(WHITE), self.backing.over(BLACK))
        return min(contrast(colour.over(ground), ground) for ground in grounds)

    def legible(self, colour: Colour) -> Colour:
        """Return an accent moved towards the ink just far enough to be read as text."""
        return _legible(self.backing, self.ink, colour)


@lru_cache(maxsize=256)
def _legible(backing: Colour, ink: Colour, colour: Colour) -> Colour:
    grounds = (backing.over(WHITE), backing.over(BLACK))
    for step in range(21):
        text = colour._replace(alpha=255).mixed(ink, step / 20)
        if min(contrast(text, ground) for ground in grounds) >= TEXT_CONTRAST:
            return text
    return ink


PALETTES = MappingProxyType(
    {
        "calm": Palette(),
        "bold": Palette(
            backing=Colour(0, 0, 0, 240), muted=Colour(226, 231, 237), hairline=Colour(190, 198, 207),
            ahead=Colour(255, 255, 255, 110), broken=Colour(255, 122, 41),
        ),
        "paper": Palette(
            backing=Colour(250, 250, 247, 226), ink=Colour(16, 20, 26), muted=Colour(66, 74, 84),
            hairline=Colour(112, 121, 132), ahead=Colour(16, 20, 26, 70), air=Colour(0, 114, 178),
            ground=Colour(214, 138, 0), wind=Colour(150, 116, 0), control=Colour(0, 114, 178),
            spare=Colour(0, 138, 100), broken=Colour(213, 94, 0), picture=Colour(128, 138, 150),
        ),
    }
)  # fmt: skip
