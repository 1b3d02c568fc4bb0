"""Figures that do not dance, and scripts beyond the built-in family."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from fontTools.fontBuilder import FontBuilder
from fontTools.pens.ttGlyphPen import TTGlyphPen
from hypothesis import given
from hypothesis import strategies as st

from overlay.instruments import lettering
from overlay.instruments.lettering import add_family, advance, find_fonts, lacking, letter
from overlay.instruments.quantities import MINUS


@pytest.mark.parametrize("weight", ["regular", "semibold", "bold"])
def test_all_digits_and_the_minus_have_one_advance(weight: str) -> None:
    widths = {advance(digit, weight, 200.0) for digit in "0123456789" + MINUS}
    assert max(widths) - min(widths) < 0.01 * 200


@given(st.integers(0, 9999), st.integers(0, 9999))
def test_a_changing_number_keeps_its_width(one: int, other: int) -> None:
    assert advance(f"{one:04d}", "semibold", 34.0) == advance(f"{other:04d}", "semibold", 34.0)


def test_ink_stands_where_the_measure_says() -> None:
    lettered = letter("H", "regular", 100.0)
    rows = np.flatnonzero(lettered.mask.max(axis=1)) + lettered.top
    # The cap height of the family is 660/1000 of the em (its own design data, from memory), standing on the baseline.
    assert rows[0] == pytest.approx(-66, abs=2)
    assert rows[-1] in (-1, 0)


@pytest.mark.parametrize("text", ["Überflug", "полёт", "πτήση", "רחיפה", "رحلة", "6.6 km · −14 °"])
def test_other_scripts_are_written_with_ink_of_their_own(text: str) -> None:
    assert not lacking(text)
    assert letter(text, "regular", 40.0).mask.max() == 255


def test_what_no_font_has_is_named() -> None:
    assert lacking("km 飛行 km") == "飛行"


def box_font(path: Path, characters: str) -> Path:
    """A font whose every glyph is a solid square half an em wide, made with fontTools."""
    square = TTGlyphPen(None)
    square.moveTo((50, 0))
    for corner in ((50, 700), (450, 700), (450, 0)):
        square.lineTo(corner)
    square.closePath()
    names = [".notdef", *(f"u{ord(c):05X}" for c in characters)]
    made = FontBuilder(1000, isTTF=True)
    made.setupGlyphOrder(names)
    made.setupCharacterMap({ord(c): f"u{ord(c):05X}" for c in characters})
    made.setupGlyf(dict.fromkeys(names, square.glyph()))
    made.setupHorizontalMetrics(dict.fromkeys(names, (500, 50)))
    made.setupHorizontalHeader(ascent=800, descent=-200)
    made.setupNameTable({"familyName": "Squares", "styleName": "Regular"})
    made.setupOS2()
    made.setupPost()
    made.save(path)
    return path


@pytest.fixture
def no_more_fonts(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The fonts found for one test are forgotten after it."""
    monkeypatch.setattr(lettering, "_EXTRA", [])
    yield
    letter.cache_clear()
    lettering._runs.cache_clear()


@pytest.mark.usefixtures("no_more_fonts")
def test_a_script_is_written_with_a_font_of_the_machines_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "broken.ttf").write_bytes(b"no font at all")
    found = [tmp_path / "broken.ttf", box_font(tmp_path / "a.ttf", "行"), box_font(tmp_path / "b.ttf", "飛")]
    monkeypatch.setattr(lettering, "_machine_fonts", lambda: found)
    assert find_fonts("飛行 7") == ""
    lettered = letter("飛行", "regular", 100.0)
    assert lettered.advance == pytest.approx(100.0, abs=1)
    assert lettered.mask[5:-5].max(axis=0).sum() / 255 == pytest.approx(80, abs=4)  # two squares of 40


@pytest.mark.usefixtures("no_more_fonts")
@pytest.mark.parametrize("text", ["飛行", "飛行のビデオ", "a飛b", "\U0001f6e9", "\x00\x07", "\ud800"])
def test_what_no_font_can_write_is_an_ellipsis_and_no_box(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lettering, "_machine_fonts", list)
    missing = find_fonts(text)
    assert missing
    kept = "".join("…" if c in missing else c for c in text)
    while "……" in kept:
        kept = kept.replace("……", "…")
    assert np.array_equal(letter(text, "regular", 40.0).mask, letter(kept, "regular", 40.0).mask)


def test_an_accent_written_apart_is_one_letter() -> None:
    assert np.array_equal(letter("U\u0308ber", "regular", 40.0).mask, letter("\u00dcber", "regular", 40.0).mask)


@given(st.text(max_size=12))
def test_any_text_is_set_without_complaint(text: str) -> None:
    lettered = letter(text, "regular", 20.0)
    assert lettered.mask.dtype == np.uint8
    assert lettered.advance >= 0


def test_arabic_letters_are_joined() -> None:
    """Joined forms are narrower than the four letters standing alone, as in any Arabic hand."""
    apart = sum(advance(letter_, "regular", 100.0) for letter_ in "رحلة")
    assert advance("رحلة", "regular", 100.0) < 0.97 * apart


def test_an_empty_text_takes_no_room() -> None:
    assert letter("", "regular", 20.0).advance == 0


def test_a_file_that_is_no_font_is_refused(tmp_path) -> None:
    bad = tmp_path / "no.ttf"
    bad.write_bytes(b"not a font")
    with pytest.raises(OSError, match="unknown file format"):
        add_family(bad)
