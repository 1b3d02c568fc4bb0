"""Sentences that say only what is known."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.instruments.captions import SHOWN_S, caption_at, captions
from overlay.instruments.quantities import UNITS
from overlay.readings import BrokenPicture, Event, Leg, Readings

TIMES = np.arange(0.0, 100.0, 1.0)
BREAKUP = (BrokenPicture(40.0, 60.0, "noise", 2.0),)


def told(columns: dict[str, float], units: str = "metric", leg: str = "out", **more: object) -> str:
    readings = Readings(
        TIMES, {k: np.full(len(TIMES), v) for k, v in columns.items()}, breakups=BREAKUP, legs=(Leg(leg, 0.0, 100.0),)
    )
    found = caption_at(captions(readings, UNITS[units]), 45.0)
    assert found is not None
    return found.sentence.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("units", "sentence"),
    [
        ("metric", "Picture breaks up: 6.6 km out, 143 m high, banked 24° left"),
        ("imperial", "Picture breaks up: 4.1 mi out, 469 ft high, banked 24° left"),
        ("aviation", "Picture breaks up: 3.6 NM out, 469 ft high, banked 24° left"),
    ],
)
def test_a_breakup_is_told_in_the_units_asked_for(units: str, sentence: str) -> None:
    assert told({"range_m": 6600.0, "height_m": 143.0, "bank_deg": -24.0}, units) == sentence


@pytest.mark.parametrize(
    ("columns", "leg", "sentence"),
    [
        ({}, "out", "Picture breaks up"),
        ({"height_m": 80.0}, "out", "Picture breaks up: 80 m high"),
        ({"bank_deg": 31.0}, "home", "Picture breaks up: banked 31° right"),
        ({"range_m": 8000.0, "bank_deg": 2.0}, "home", "Picture breaks up: 8.0 km from home, wings level"),
    ],
)
def test_what_is_not_known_is_left_out(columns: dict[str, float], leg: str, sentence: str) -> None:
    assert told(columns, leg=leg) == sentence


def test_nothing_is_told_of_a_gap_in_the_log() -> None:
    """Ten seconds without a fix about the onset: where it was before and after is not where it was."""
    gone = np.abs(TIMES - 40.0) < 5.0
    columns = {"range_m": np.where(gone, np.nan, 6600.0), "height_m": np.where(gone, np.nan, 143.0)}
    readings = Readings(TIMES, {**columns, "bank_deg": np.full(len(TIMES), 31.0)}, breakups=BREAKUP)
    found = caption_at(captions(readings, UNITS["metric"]), 45.0)
    assert found is not None
    assert found.sentence == "Picture breaks up: banked 31° right"


def test_a_breakup_stands_as_long_as_it_lasts_and_before_all_else(flight) -> None:
    found = captions(flight, UNITS["metric"])
    for span in flight.breakups:
        event = caption_at(found, span.end_s - 0.1)
        assert event is not None
        assert event.kind == "break-up"


def test_each_leg_and_the_farthest_point_are_told(flight) -> None:
    sentences = [event.sentence for event in captions(flight, UNITS["metric"])]
    assert [s.split(":")[0] for s in sentences if not s.startswith("Picture")] == [
        "Take-off", "Outbound", "Circling", "Farthest point", "Turning for home", "Approach and landing",
    ]  # fmt: skip


def test_a_short_breakup_is_shown_long_enough_to_read() -> None:
    readings = Readings(TIMES, breakups=(BrokenPicture(10.0, 10.2, "sparkle", 3.0),))
    (event,) = captions(readings, UNITS["metric"])
    assert event.end_s - event.start_s == pytest.approx(SHOWN_S)


def test_a_flight_of_which_nothing_is_known_has_no_captions(nothing) -> None:
    assert captions(nothing, UNITS["metric"]) == ()


def test_events_that_the_log_tells_of_are_told() -> None:
    columns = {"range_m": np.full(len(TIMES), 2400.0), "charge_used_mAh": np.full(len(TIMES), 3578.0)}
    kinds = ("launch", "automatic return", "automatic return ends", "landing")
    found = captions(
        Readings(TIMES, columns, events=tuple(Event(kind, 20.0 * n) for n, kind in enumerate(kinds))), UNITS["metric"]
    )
    sentences = [caption.sentence.replace("\u00a0", " ").replace("\u202f", "") for caption in found]
    assert sentences == [
        "Automatic return begins: 2.4 km from home",
        "Automatic return ends: 2.4 km from home",
        "Landed: 3580 mAh used",
    ]
