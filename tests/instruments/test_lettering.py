"""Figures that do not dance, and scripts beyond the built-in family."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.instruments.lettering import add_family, advance, lacking, letter
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


def test_an_empty_text_takes_no_room() -> None:
    assert letter("", "regular", 20.0).advance == 0


def test_a_file_that_is_no_font_is_refused(tmp_path) -> None:
    bad = tmp_path / "no.ttf"
    bad.write_bytes(b"not a font")
    with pytest.raises(OSError, match="unknown file format"):
        add_family(bad)
