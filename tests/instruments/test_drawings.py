"""Lengths and places measured in the drawings, against the readings they stand for."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest

from overlay.instruments.dials import Dials
from overlay.instruments.inset_frame import live_frame
from overlay.instruments.instrument import Setting
from overlay.instruments.palette import PALETTES, Colour
from overlay.instruments.panel import Rect
from overlay.instruments.range_spans import HOME, OUT, Ways
from overlay.layouts import Layout
from overlay.readings import BrokenPicture, Leg, Pack, Readings

CALM = PALETTES["calm"]
TIMES = np.arange(0.0, 20.0, 0.2)


def draw(
    item: dict[str, object], readings: Readings, time_s: float, size: tuple[int, int] = (1920, 1080)
) -> np.ndarray:
    layout = Layout.model_validate_json(json.dumps({"version": 1, "instrument": [{"anchor": "top left", **item}]}))
    (panel,) = layout.place(*size, readings)
    return panel.draw(time_s)


def steady(pack: Pack | None = None, **columns: float) -> Readings:
    return Readings(TIMES, {name: np.full(len(TIMES), value) for name, value in columns.items()}, pack=pack)


def pixels_of(patch: np.ndarray, colour: Colour) -> np.ndarray:
    """(N, 2) rows and columns of the pixels that have exactly this opaque colour."""
    return np.argwhere((patch[..., :3] == colour[:3]).all(axis=2) & (patch[..., 3] == 255))


def longest_run(patch: np.ndarray, colour: Colour) -> int:
    places = pixels_of(patch, colour)
    rows = np.bincount(places[:, 0])
    return int(rows.max(initial=0))


@pytest.mark.parametrize(("air", "ground"), [(17.0, 12.0), (16.0, 21.0), (18.0, 18.0)])
def test_speed_bars_are_as_long_as_the_speeds(air: float, ground: float) -> None:
    patch = draw({"kind": "speed pair"}, steady(airspeed_mps=air, ground_speed_mps=ground), 10.0)
    lengths = longest_run(patch, CALM.air), longest_run(patch, CALM.ground)
    assert lengths[0] / lengths[1] == pytest.approx(air / ground, rel=0.02)


@pytest.mark.parametrize(
    ("air", "ground", "sentence"),
    [(17.0, 12.0, "18 headwind"), (12.0, 17.0, "18 tailwind"), (15.0, 15.1, "no wind along")],
)
def test_the_gap_is_named_after_what_it_is(air: float, ground: float, sentence: str) -> None:
    layout = Layout.model_validate(
        {"version": 1, "instrument": [{"anchor": "top", "kind": "speed pair"}]}, strict=False
    )
    (panel,) = layout.place(1920, 1080, steady(airspeed_mps=air, ground_speed_mps=ground))
    assert panel.shows(10.0)[-1].startswith(sentence)


def test_energy_parts_are_as_high_as_the_charges() -> None:
    pack = Pack(5000.0, usable_fraction=0.8)
    charges = {
        "charge_used_mAh": 1500.0,
        "charge_home_mAh": 900.0,
        "charge_spare_mAh": 1600.0,
        "charge_reserve_mAh": 1000.0,
    }
    patch = draw({"kind": "energy column", "scale": 2.0}, steady(pack, **charges), 10.0)
    column = patch[:, 90]
    heights = [int((column[:, :3] == colour[:3]).all(axis=1).sum()) for colour in (CALM.picture, CALM.air, CALM.spare)]
    assert np.array(heights) / sum(heights) == pytest.approx(np.array([1500, 900, 1600]) / 4000, abs=0.015)


def test_charge_that_does_not_bring_it_home_is_hatched_and_called_short() -> None:
    pack = Pack(5000.0)
    charges = {
        "charge_used_mAh": 3300.0,
        "charge_home_mAh": 1200.0,
        "charge_spare_mAh": -500.0,
        "charge_reserve_mAh": 1000.0,
    }
    patch = draw({"kind": "energy column"}, steady(pack, **charges), 10.0)
    assert len(pixels_of(patch, CALM.broken)) > 100
    assert len(pixels_of(patch, CALM.spare)) == 0


def test_a_pack_that_gave_more_than_it_holds_fills_no_column() -> None:
    charges = {"charge_used_mAh": 1209.0, "charge_home_mAh": 360.0}
    patch = draw({"kind": "energy column"}, steady(Pack(1000.0), **charges), 10.0)
    column = patch[:, 45]
    assert not any((column[:, :3] == colour[:3]).all(axis=1).any() for colour in (CALM.air, CALM.spare))
    held = draw({"kind": "energy column"}, steady(Pack(5000.0), **charges), 10.0)[:, 45]
    assert (held[:, :3] == CALM.air[:3]).all(axis=1).any()


def out_and_back(farthest: float = 8000.0) -> Readings:
    times = np.arange(0.0, 800.0, 0.5)
    ranges = farthest - np.abs(times - 400.0) * farthest / 400.0
    legs = (
        Leg("take-off", 0.0, 20.0),
        Leg("out", 20.0, 400.0),
        Leg("home", 400.0, 780.0),
        Leg("landing", 780.0, 800.0),
    )
    broken = (BrokenPicture(300.0, 320.0, "noise", 2.0), BrokenPicture(390.0, 410.0, "no sync", 1.0))
    return Readings(times, {"range_m": ranges}, legs=legs, breakups=broken)


def test_range_ways_know_what_lies_behind_and_ahead() -> None:
    ways = Ways(Dials(out_and_back()))
    assert ways.reached(OUT, 200.0) == pytest.approx((0.0, 4000.0), abs=30)
    assert ways.reached(HOME, 200.0) is None
    assert ways.reached(HOME, 600.0) == pytest.approx((4000.0, 8000.0), abs=40)
    assert ways.whole(OUT) == pytest.approx((0.0, 8000.0), abs=40)


def test_a_breakup_over_the_turn_lies_on_both_ways() -> None:
    spans = Ways(Dials(out_and_back())).broken
    assert [(span.way, round(span.low_m, -2)) for span in spans] == [(OUT, 6000), (OUT, 7800), (HOME, 7800)]


def test_without_legs_the_farthest_point_divides_the_ways() -> None:
    ways = Ways(Dials(dataclasses.replace(out_and_back(), legs=())))
    assert [ways.way_at(t) for t in (100.0, 399.0, 402.0, 700.0)] == [OUT, OUT, HOME, HOME]


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_the_range_tick_stands_at_the_range(share: float) -> None:
    """The flown bar of the way out ends at the aircraft: its length grows as the range does."""
    flight = dataclasses.replace(out_and_back(), breakups=())
    flown = [longest_run(draw({"kind": "range line"}, flight, 400.0 * s), CALM.ink) for s in (share, 1.0)]
    assert flown[0] / flown[1] == pytest.approx(share, abs=0.02)


def test_a_breakup_yet_to_come_is_fainter_than_one_that_was() -> None:
    before, after = (draw({"kind": "range line"}, out_and_back(), t) for t in (200.0, 380.0))
    assert len(pixels_of(before, CALM.broken)) == 0
    assert len(pixels_of(after, CALM.broken)) > 20


def test_the_rose_has_home_on_top() -> None:
    """Flying straight home the arrow points up, straight away down; 90° right of home to the right."""
    angles = []
    for course in (53.0, 233.0, 143.0):
        readings = steady(range_m=3000.0, bearing_deg=233.0, course_deg=course)
        layout = Layout.model_validate(
            {"version": 1, "instrument": [{"anchor": "top", "kind": "home rose"}]}, strict=False
        )
        (panel,) = layout.place(1920, 1080, readings)
        angles.append(panel.shows(10.0)[0])
    assert angles == [0.0, 180.0, 90.0]


def test_over_home_there_is_no_way_home() -> None:
    readings = steady(range_m=3.0, bearing_deg=233.0, course_deg=53.0)
    layout = Layout.model_validate({"version": 1, "instrument": [{"anchor": "top", "kind": "home rose"}]}, strict=False)
    (panel,) = layout.place(1920, 1080, readings)
    assert panel.shows(10.0)[0] == float("inf")


@pytest.mark.parametrize(("bank", "text"), [(24.0, "24° right"), (-31.0, "31° left"), (0.3, "level")])
def test_the_wing_leans_to_the_side_it_says(bank: float, text: str) -> None:
    layout = Layout.model_validate({"version": 1, "instrument": [{"anchor": "top", "kind": "bank"}]}, strict=False)
    (panel,) = layout.place(1920, 1080, steady(bank_deg=bank))
    assert panel.shows(10.0)[1] == text
    patch = panel.draw(10.0)
    ink = pixels_of(patch[40:130], CALM.ink)  # between title and figure
    left, right = (ink[ink[:, 1] < 70, 0].mean(), ink[ink[:, 1] > 130, 0].mean())
    assert np.sign(round((right - left) / 8)) == np.sign(round(bank / 10))  # right wing down for a bank to the right


def test_the_ribbon_scrolls_without_a_seam(flight: Readings) -> None:
    """Drawn a second later it is the same picture moved left, wherever the pages it is cut from meet."""
    layout = Layout.model_validate(
        {"version": 1, "instrument": [{"anchor": "top", "kind": "link ribbon"}]}, strict=False
    )
    (panel,) = layout.place(1920, 1080, flight)
    per_s = 436 / 60
    for t in flight.time_s[0] + np.arange(480.0, 620.0, 7.0):
        moved = panel.shows(t + 2.0)[0] - panel.shows(t)[0]
        assert moved == pytest.approx(2 * per_s, abs=1.01)
        now, then = panel.draw(t), panel.draw(t + 2.0)
        ahead, later = now[52:104, 270 + moved : 450], then[52:104, 270 : 450 - moved]
        assert np.abs(ahead.astype(int) - later.astype(int)).max(initial=0) <= 60  # edges fall anew on the grid
        assert np.abs(ahead.astype(int) - later.astype(int)).mean() < 1.0


def test_the_clock_counts_from_take_off(flight: Readings) -> None:
    for option, text in (("flight", "14:21"), ("utc", "10:25:01"), ("local", "12:25:01")):
        layout = Layout.model_validate_json(
            json.dumps({"version": 1, "instrument": [{"anchor": "top", "kind": "clock", "time": option}]})
        )
        (panel,) = layout.place(1920, 1080, flight, utc_offset_s=7200.0)
        t = flight.time_s[0] + 40.0 + 861.5
        assert panel.shows(t) == text


def test_a_log_without_utc_has_no_time_of_day(flight: Readings) -> None:
    layout = Layout.model_validate_json(
        json.dumps({"version": 1, "instrument": [{"anchor": "top", "kind": "clock", "time": "utc"}]})
    )
    (panel,) = layout.place(1920, 1080, dataclasses.replace(flight, keeps_utc=False))
    assert panel.shows(flight.time_s[0] + 100.0) == "—"


@pytest.mark.parametrize("bank", [0.0, 30.0, -47.0, 60.0, -75.0, 90.0, 135.0, 180.0])
def test_the_wing_never_crosses_the_words(bank: float) -> None:
    """Between the name on top and the figure at the foot, at any angle."""
    layout = Layout.model_validate({"version": 1, "instrument": [{"anchor": "top", "kind": "bank"}]}, strict=False)
    with_wing, without = (
        layout.place(1920, 1080, steady(pitch_deg=-12.0, **more))[0].draw(10.0).astype(int)
        for more in ({"bank_deg": bank}, {})
    )
    changed = np.abs(with_wing - without).max(axis=2) > 60
    assert not changed[:41].any()  # the name and the pitch
    below = changed[110:].any(axis=1)
    clear = 110 + np.flatnonzero(~below)
    assert ((clear > 130) & (clear < 146)).any(), "a clear row between the wing and the figure"
    assert changed[41:139].any(axis=0).sum() > 4


def test_the_label_of_the_live_picture_stays_where_it_is_as_the_picture_breaks_up() -> None:
    readings = dataclasses.replace(steady(picture_grade=3.0), breakups=(BrokenPicture(10.0, 12.0, "noise", 3.0),))
    label = live_frame(Rect(0, 0, 400, 300), Setting(Dials(readings), "metric", CALM, 1.0), "live picture")[-1]
    whole, broken = (label.draw(time_s).astype(int) for time_s in (9.0, 11.0))
    assert whole.shape == broken.shape
    changed = np.flatnonzero(np.abs(whole - broken).max(axis=(0, 2)) > 2)
    text = np.flatnonzero((whole[..., :3].min(axis=2) > 128).any(axis=0))
    assert len(changed), "the break-up is to be seen"
    assert changed.max() < text.min(), "and the text does not move for it"
