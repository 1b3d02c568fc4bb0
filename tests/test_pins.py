"""Pins read from text."""

from __future__ import annotations

import pytest

from overlay.clock import parse_pin


def test_a_pin_names_a_moment_on_both_clocks() -> None:
    assert parse_pin("00:03:12.4=1970-01-01T00:10:00Z") == (192.4, 600.0)
    assert parse_pin("12.5=-3.25") == (12.5, -3.25)


@pytest.mark.parametrize("text", ["", "12", "=", "12=", "12=nan", "12=inf", "12=-inf", "x=3", "12=yesterday", "nan=3"])
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_pin(text)
