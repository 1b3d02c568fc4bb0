"""Contrast against WCAG's published pairs, and whether the accents stay apart for colour-blind eyes."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from colour import models
from colour.blindness import matrix_cvd_Machado2009
from hypothesis import given
from hypothesis import strategies as st
from skimage.color import deltaE_ciede2000, rgb2lab, rgb2xyz

from overlay.instruments.palette import BLACK, PALETTES, TEXT_CONTRAST, WHITE, Colour, contrast, luminance, parse_colour

channel = st.integers(0, 255)
colours = st.builds(Colour, channel, channel, channel)
ACCENTS = ("air", "ground", "wind", "control", "spare", "broken", "picture")
# Severe deficiency on linear RGB, the matrices of Machado, Oliveira and Fernandes (2009), as colour-science gives them.
SIGHTS = ("Protanomaly", "Deuteranomaly")


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#000000", "#ffffff", 21.0),  # WCAG 2.2, definition of contrast ratio: it ranges from 1 to 21
        ("#777777", "#ffffff", 4.48),  # WCAG's own example of a grey that just fails 4.5 to 1 (from memory)
        ("#767676", "#ffffff", 4.54),  # and of the one that just passes (from memory)
    ],
)
def test_contrast_of_published_pairs(one: str, other: str, ratio: float) -> None:
    assert contrast(parse_colour(one), parse_colour(other)) == pytest.approx(ratio, abs=0.006)


@given(colours)
def test_luminance_is_the_y_of_srgb(colour: Colour) -> None:
    y = rgb2xyz(np.array([[colour[:3]]], np.uint8))[0, 0, 1]
    assert luminance(colour) == pytest.approx(y, abs=2e-3)


@pytest.mark.parametrize("name", PALETTES)
@pytest.mark.parametrize("accent", ACCENTS)
def test_every_text_colour_keeps_its_contrast_over_any_picture(name: str, accent: str) -> None:
    palette = PALETTES[name]
    text = palette.legible(getattr(palette, accent))
    for behind in (BLACK, WHITE, Colour(128, 128, 128), Colour(90, 140, 60)):
        assert contrast(text, palette.backing.over(behind)) >= TEXT_CONTRAST


@given(colours)
def test_any_accent_can_be_made_legible(colour: Colour) -> None:
    palette = PALETTES["calm"]
    assert palette.text_contrast(palette.legible(colour)) >= TEXT_CONTRAST


@pytest.mark.parametrize("sight", SIGHTS)
@pytest.mark.parametrize("name", PALETTES)
def test_accents_side_by_side_stay_apart_for_colour_blind_eyes(name: str, sight: str) -> None:
    """CIEDE2000 above 10 is a difference seen at a glance (common practice, no source)."""
    palette = PALETTES[name]
    groups = (("air", "ground"), ("air", "spare", "picture", "broken"), ("picture", "broken", "control"))
    for group in groups:
        for one, other in itertools.combinations(group, 2):
            pair = [seen(getattr(palette, accent), sight) for accent in (one, other)]
            assert deltaE_ciede2000(*pair) > 10, (one, other)


def seen(colour: Colour, sight: str) -> np.ndarray:
    linear = models.eotf_sRGB(np.array(colour[:3]) / 255)
    return rgb2lab(models.eotf_inverse_sRGB(np.clip(matrix_cvd_Machado2009(sight, 1.0) @ linear, 0, 1)))


@pytest.mark.parametrize("text", ["red", "#12345", "#1234567", "", 7, None])
def test_what_is_no_colour_is_refused(text: object) -> None:
    with pytest.raises(ValueError, match="a colour is written"):
        parse_colour(text)
