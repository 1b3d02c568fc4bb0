"""Time code counted on, against a count of every label written from the rule."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import pytest

from overlay.render.timecode import advanced


def labels(second: int, left_out: int, mark: str) -> Iterator[str]:
    """Every label of a day, from the rule of SMPTE ST 12-1 and nothing else."""
    for hours in range(24):
        for minutes in range(60):
            for seconds in range(60):
                for frame in range(second):
                    if left_out and frame < left_out and seconds == 0 and minutes % 10:
                        continue
                    yield f"{hours:02d}:{minutes:02d}:{seconds:02d}{mark}{frame:02d}"


@pytest.mark.parametrize(
    ("rate", "second", "left_out", "mark"),
    [
        (Fraction(25), 25, 0, ":"),
        (Fraction(24000, 1001), 24, 0, ":"),
        (Fraction(30000, 1001), 30, 2, ";"),
        (Fraction(60000, 1001), 60, 4, ";"),
        (Fraction(50), 50, 0, ":"),
    ],
)
def test_every_label_of_two_hours_follows_the_one_before(rate: Fraction, second: int, left_out: int, mark: str) -> None:
    listed = list(labels(second, left_out, mark))
    assert len(listed) == 86400 * second - left_out * 54 * 24
    for number in range(0, 7200 * second, 7):
        assert advanced(listed[0], number, rate) == listed[number]
        assert advanced(listed[number], 1, rate) == listed[number + 1]
    assert advanced(listed[-1], 1, rate) == listed[0], "midnight"


def test_an_hour_of_ntsc_is_an_hour_of_the_clock() -> None:
    """107892 frames are an hour at 30000/1001 (SMPTE ST 12-1, drop-frame compensation), to within 4 ms."""
    assert advanced("00:00:00;00", 107892, Fraction(30000, 1001)) == "01:00:00;00"


@pytest.mark.parametrize("label", ["", "10:00", "10:00:00:25", "10:61:00:00", "10:00:00;00", "now"])
def test_what_is_no_label_of_the_rate_is_none(label: str) -> None:
    assert advanced(label, 1, Fraction(25)) is None
