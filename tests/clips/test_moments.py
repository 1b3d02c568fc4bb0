from __future__ import annotations

import numpy as np
import pytest

from overlay.clips.moments import moments, most_telling
from overlay.instruments.quantities import UNITS
from overlay.readings import BrokenPicture, Event, Leg, Readings

METRIC = UNITS["metric"]


BROKEN = (BrokenPicture(200.0, 203.0, "noise", 2.0), BrokenPicture(250.0, 290.0, "no sync", 1.0))


def flown(breakups: tuple[BrokenPicture, ...] = BROKEN, **columns: np.ndarray) -> Readings:
    """Ten minutes: straight out, one circle of 60 m radius at 20 m/s about 300 s, a wider one later, home."""
    t = np.arange(0.0, 600.0, 0.1)
    rate = np.zeros(len(t))
    rate[(t >= 290) & (t < 310)] = np.degrees(20.0 / 60.0)
    rate[(t >= 400) & (t < 420)] = -np.degrees(20.0 / 150.0)
    course = (10.0 + np.cumsum(rate) * 0.1) % 360.0
    known = {"course_deg": course, "ground_speed_mps": np.full(len(t), 20.0), "range_m": 3000 - 10 * np.abs(t - 300.0)}
    return Readings(
        t,
        {**known, **columns},
        legs=(
            Leg("take-off", 0.0, 20.0),
            Leg("out", 20.0, 305.0),
            Leg("home", 305.0, 580.0),
            Leg("landing", 580.0, 600.0),
        ),
        events=(
            Event("launch", 0.0),
            Event("turn-back", 305.0),
            Event("automatic return", 450.0),
            Event("landing", 600.0),
        ),
        breakups=breakups,
    )


def test_each_kind_is_found_where_it_is() -> None:
    gust = 4.0 + 5.0 * np.exp(-(((np.arange(0, 600, 0.1) - 500.0) / 20.0) ** 2))
    found, lacking = moments(flown(wind_speed_mps=gust, wind_from_deg=np.full(6000, 240.0)), METRIC)
    at = {moment.kind: moment.time_s for moment in found}
    assert not lacking
    assert [moment.time_s for moment in found if moment.kind == "break-up"] == [200.0, 250.0]
    assert (at["launch"], at["turn-back"], at["automatic return"], at["landing"]) == (0.0, 305.0, 450.0, 600.0)
    assert at["strongest wind"] == pytest.approx(500.0, abs=1.0)
    assert 291.0 <= at["tightest turn"] <= 309.0
    told = {moment.kind: moment.told for moment in found}
    assert "radius 60\u00a0m" in told["tightest turn"]
    assert "right" in told["tightest turn"]
    assert "from 240°" in told["strongest wind"]


def test_what_the_data_do_not_carry_is_named_not_guessed() -> None:
    bare = Readings(np.arange(0.0, 100.0, 0.1), {"course_deg": np.full(1000, 10.0)}, legs=(Leg("out", 0.0, 100.0),))
    found, lacking = moments(bare, METRIC)
    assert found == ()
    assert len(lacking) == 7
    steady = flown(wind_speed_mps=np.full(6000, 6.9))
    assert "strongest wind" not in {moment.kind for moment in moments(steady, METRIC)[0]}


def test_a_turn_on_approach_is_not_the_tightest() -> None:
    made = flown()
    course = made["course_deg"].copy()
    late = made.time_s > 585.0
    course[late] = (course[late] + (made.time_s[late] - 585.0) * 60.0) % 360.0
    (turn,) = [m for m in moments(flown(course_deg=course), METRIC)[0] if m.kind == "tightest turn"]
    assert turn.time_s < 310.0


def test_the_most_telling_come_one_of_each_kind_first() -> None:
    found, _ = moments(flown(), METRIC)
    two = most_telling(found, 2)
    assert [(m.kind, m.time_s) for m in two] == [("break-up", 250.0), ("automatic return", 450.0)]
    assert most_telling(found, 99) == found


def test_a_cause_is_told_with_its_break_up() -> None:
    found, _ = moments(flown(), METRIC, {250.0: "most likely cause: range (85 %)"})
    told = {m.time_s: m.told for m in found if m.kind == "break-up"}
    assert told[250.0].endswith("; most likely cause: range (85 %)")
    assert "cause" not in told[200.0]


def test_break_ups_that_one_clip_shows_are_one_moment() -> None:
    """Of onsets at 200, 202.5, 205.9 and 206.1 s the clip of the first, six seconds long after it, shows three."""
    onsets = (200.0, 202.5, 205.9, 206.1, 305.0)
    found, _ = moments(flown(tuple(BrokenPicture(t, t + 1.0, "noise", 2.0) for t in onsets)), METRIC)
    broken = [m for m in found if m.kind == "break-up"]
    assert [m.time_s for m in broken] == [200.0, 206.1, 305.0]
    assert broken[0].told.endswith("; again after 2.5\u00a0s; again after 5.9\u00a0s")
    assert "again" not in broken[1].told
    assert broken[0].weight == pytest.approx(3 * broken[1].weight)
    assert len(found) == len({(m.kind, m.time_s) for m in found})
