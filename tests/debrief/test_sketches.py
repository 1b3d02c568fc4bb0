"""Grade against range: steps that a fast flight fills too, and no line over a hole in the data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from overlay.debrief.sketches import by_range, draw_by_range, grades_shown, unbroken
from overlay.debrief.story import Story
from tests.debrief.conftest import make_readings


def graded(story: Story, grades: np.ndarray) -> Story:
    readings = story.readings
    return replace(story, readings=replace(readings, columns={**readings.columns, "picture_grade": grades}))


def test_a_short_fast_flight_has_dots_all_the_way(story: Story) -> None:
    """Out to 10 km and back in three minutes: 24 steps would be passed in less than the two seconds a dot asks for."""
    readings = make_readings(seconds=180.0, rate_Hz=10.0)
    legs = by_range(graded(replace(story, readings=readings), np.full(len(readings), 4.0)))
    assert [leg.leg for leg in legs] == ["out", "home"]
    for leg in legs:
        assert len(leg.middle_km) >= 8
        assert len(unbroken(leg)) == 1
        assert leg.seconds.min() >= 2.0
        assert leg.middle_km.max() - leg.middle_km.min() > 5.0


def test_no_line_is_drawn_over_a_hole(story: Story) -> None:
    ranges = story.readings["range_m"]
    legs = by_range(graded(story, np.where((ranges > 3000.0) & (ranges < 6000.0), np.nan, 4.0)))
    for leg in legs:
        before, after = unbroken(leg)
        assert leg.middle_km[before].max() < 3.0 + leg.step_km / 2
        assert leg.middle_km[after].min() > 6.0 - leg.step_km / 2
    lines = [r for r in draw_by_range(legs).renderers if type(r.glyph).__name__ == "Line"]
    assert len(lines) == 4


def test_a_second_of_a_lost_picture_stands_in_the_track_of_half_an_hour(story: Story) -> None:
    """Thinned to some hundred points, the path takes the worst grade of what each stands for, not the best or a chance one."""
    since = story.readings.time_s - story.readings.time_s[0]
    grades = np.where((since >= 700.0) & (since < 701.0), 1.0, 5.0)
    assert [name for name, *_ in grades_shown(graded(story, grades))] == ["5 imperceptible", "1 very annoying"]
