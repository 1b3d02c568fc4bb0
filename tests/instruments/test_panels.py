"""What holds for every instrument of every layout: the contract with the renderer, and what must never be drawn."""

from __future__ import annotations

import dataclasses
import json
import re
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from overlay import layouts
from overlay.instruments.catalogue import INSTRUMENTS
from overlay.instruments.palette import PALETTES, TEXT_CONTRAST, Colour, contrast
from overlay.instruments.quantities import NO_DATA
from overlay.readings import Readings

NAMES = [name for name, _ in layouts.available()]
KINDS = sorted(INSTRUMENTS)
MOMENTS = (10.0, 60.0, 508.0, 658.0, 865.0, 1040.0, 1204.5, 1500.0, 1700.0, 1779.0)


@cache
def every(kind: str) -> layouts.Layout:
    """A layout of one instrument; several for what has an option that changes it."""
    more = {"figure": {"quantity": "ground speed"}, "text": {"text": "Lesson 3"}}.get(kind, {})
    item = {"kind": kind, "anchor": "top left", **more}
    return layouts.Layout.model_validate_json(json.dumps({"version": 1, "instrument": [item]}))


def panels_of(layout: layouts.Layout, readings: Readings, size: tuple[int, int] = (1280, 720), **more: object):
    return layout.place(*size, readings, **more)


def texts(state: object) -> list[str]:
    if isinstance(state, str):
        return [state]
    return [text for part in state for text in texts(part)] if isinstance(state, tuple) else []


@pytest.mark.parametrize("name", NAMES)
def test_patches_keep_the_contract(name: str, flight: Readings) -> None:
    start = flight.time_s[0]
    for panel in panels_of(layouts.load(name), flight, inset_aspect=4 / 3):
        for moment in MOMENTS:
            if panel.shows(start + moment) is None:
                continue
            hash(panel.shows(start + moment))
            patch = panel.draw(start + moment)
            assert patch.shape == (panel.rect.height, panel.rect.width, 4)
            assert patch.dtype == np.uint8
            assert (patch[..., :3] <= patch[..., 3:]).all(), "colour is premultiplied"


@pytest.mark.parametrize("kind", KINDS)
def test_equal_shows_give_equal_patches_and_others_differ(kind: str, flight: Readings) -> None:
    """Two panels of their own, drawn at different times in different orders, agree wherever they show the same."""
    one, other = (panels_of(every(kind), flight)[0] for _ in range(2))
    times = flight.time_s[0] + np.sort(np.random.default_rng(4).uniform(0, 1780, 60))
    drawn = {one.shows(t): one.draw(t) for t in times if one.shows(t) is not None}
    for t in [*(times + 0.01)[::-1], *times]:
        state = other.shows(t)
        if state in drawn:
            assert np.array_equal(other.draw(t), drawn[state])
    pictures = {patch.tobytes() for patch in drawn.values()}
    assert len(pictures) >= min(len(drawn), 2)


@pytest.mark.parametrize("kind", KINDS)
def test_a_returned_patch_is_the_callers_own(kind: str, flight: Readings) -> None:
    (panel,) = panels_of(every(kind), flight)
    t = flight.time_s[0] + 660.0
    first = panel.draw(t)
    kept = first.copy()
    first[...] = 0
    assert np.array_equal(panel.draw(t), kept)


@pytest.mark.parametrize("kind", KINDS)
def test_redraws_stay_rare(kind: str, flight: Readings) -> None:
    """At 60 frames a second no instrument asks for more than 15 drawings, and no text changes more than 5 times."""
    (panel,) = panels_of(every(kind), flight, (1920, 1080))
    states = [panel.shows(flight.time_s[0] + 700 + n / 60) for n in range(60 * 20)]
    assert sum(a != b for a, b in pairwise(states)) / 20 <= 15
    words = [texts(state) for state in states]
    for place in range(min(map(len, words))):
        column = [w[place] for w in words]
        assert sum(a != b for a, b in pairwise(column)) / 20 <= 5


@pytest.mark.parametrize("kind", KINDS)
def test_in_a_gap_nothing_stands_for_data(kind: str, flight: Readings) -> None:
    """In the silence of the log every figure is a dash; a flight without that span draws the same as one with."""
    (panel,) = panels_of(every(kind), flight)
    state = panel.shows(flight.time_s[0] + 1204.5)
    known_without_log = {"clock", "leg label", "text", "event caption"}
    if kind not in known_without_log:
        shown = [text for text in texts(state) if any(c.isdigit() for c in text)]
        assert not shown, shown
    if kind in ("height", "speed pair", "energy column", "link ribbon", "bank", "home rose", "figure"):
        assert any(NO_DATA in text for text in texts(state))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("which", ["positions", "nothing"])
def test_a_poor_log_is_drawn_without_complaint(kind: str, which: str, request: pytest.FixtureRequest) -> None:
    readings = request.getfixturevalue(which)
    for panel in panels_of(every(kind), readings):
        for moment in (-5.0, 0.0, 30.0, 59.5, 900.0, 1e5):
            if panel.shows(readings.time_s[0] + moment) is not None:
                assert panel.draw(readings.time_s[0] + moment).any()


@pytest.mark.parametrize("name", NAMES)
def test_a_readings_table_without_a_row_is_drawn(name: str) -> None:
    for panel in panels_of(layouts.load(name), Readings(np.empty(0))):
        if panel.shows(0.0) is not None:
            panel.draw(0.0)


@pytest.mark.parametrize("name", NAMES)
def test_nothing_depends_on_the_place_on_earth(name: str, flight: Readings) -> None:
    """The same flight anywhere else gives the same pictures: no coordinate can be read out of them."""
    moved = {k: v + 20.0 if k in ("latitude_deg", "longitude_deg") else v for k, v in flight.columns.items()}
    elsewhere = dataclasses.replace(flight, columns=moved, home=dataclasses.replace(flight.home, latitude_deg=-33.0))
    layout = layouts.load(name)
    for here, there in zip(panels_of(layout, flight), panels_of(layout, elsewhere), strict=True):
        for moment in (660.0, 1500.0):
            t = flight.time_s[0] + moment
            assert here.shows(t) == there.shows(t)
            if here.shows(t) is not None:
                assert np.array_equal(here.draw(t), there.draw(t))


def test_the_track_sketch_hides_which_way_north_was(flight: Readings) -> None:
    angle = np.radians(70.0)
    east, north = flight["east_m"], flight["north_m"]
    turned = {
        **flight.columns,
        "east_m": east * np.cos(angle) + north * np.sin(angle),
        "north_m": north * np.cos(angle) - east * np.sin(angle),
        "course_deg": (flight["course_deg"] + 70.0) % 360,
    }
    pair = [panels_of(every("track sketch"), r)[0] for r in (flight, dataclasses.replace(flight, columns=turned))]
    a, b = (panel.draw(flight.time_s[0] + 1000.0).astype(int) for panel in pair)
    assert (np.abs(a - b).max(axis=2) > 40).mean() < 0.004


@pytest.mark.parametrize("behind", [Colour(255, 255, 255), Colour(0, 0, 0), Colour(110, 140, 70)])
@pytest.mark.parametrize("kind", sorted(set(KINDS) - {"event caption"}))
def test_text_is_readable_on_its_own_backing(kind: str, behind: Colour, flight: Readings) -> None:
    """Measured in the picture: the plate's own colour against the strongest ink on it, WCAG 2.2 criterion 1.4.3."""
    (panel,) = panels_of(every(kind), flight)
    patch = panel.draw(flight.time_s[0] + 660.0).astype(float)
    seen = patch[..., :3] + np.array(behind[:3]) * (1 - patch[..., 3:] / 255)
    plate = Colour(*(int(v) for v in np.rint(seen[3, panel.rect.width // 2])))
    ink = max(
        (Colour(*(int(v) for v in np.rint(pixel))) for pixel in np.unique(seen.reshape(-1, 3), axis=0)),
        key=lambda colour: contrast(colour, plate),
    )
    assert contrast(ink, plate) >= TEXT_CONTRAST
    muted = PALETTES["calm"].muted
    assert contrast(muted, plate) >= TEXT_CONTRAST


def test_a_title_of_ones_own_is_printed() -> None:
    plain = every("speed pair")
    own = plain.model_copy(update={"instrument": (plain.instrument[0].model_copy(update={"title": "Fahrt"}),)})
    readings = Readings(np.arange(0.0, 10.0))
    assert not np.array_equal(panels_of(plain, readings)[0].draw(5.0), panels_of(own, readings)[0].draw(5.0))


@pytest.mark.parametrize(("units", "symbol"), [("metric", "km/h"), ("imperial", "mph"), ("aviation", "kt")])
def test_units_are_those_asked_for(units: str, symbol: str, flight: Readings) -> None:
    (panel,) = panels_of(every("figure"), flight, units=units)
    number, unit = panel.shows(flight.time_s[0] + 660.0)
    assert unit == symbol
    factor = {"km/h": 3.6, "mph": 2.23694, "kt": 1.94384}[symbol]  # NIST SP 811, appendix B.8
    truth = float(flight.at("ground_speed_mps", flight.time_s[0] + 660.0)[0]) * factor
    assert int(number) == pytest.approx(truth, abs=3)
    assert not re.search(r"\d", unit)


def test_the_frame_of_the_onboard_recording_tells_nothing_of_the_live_picture(flight: Readings) -> None:
    """Where the ground recording is drawn on, the inset is the other one: neither graded nor broken up."""
    layout = layouts.Layout.model_validate_json('{"version": 1, "inset": {"anchor": "top right"}}')
    moments = flight.time_s[0] + np.arange(0.0, float(np.ptp(flight.time_s)), 0.5)
    live = layout.place(1920, 1080, flight, inset_aspect=1.25)
    quiet = layout.place(1920, 1080, flight, inset_aspect=16 / 9, on_board=True)
    assert any(len({panel.shows(t) for t in moments}) > 1 for panel in live)
    assert all(len({panel.shows(t) for t in moments}) == 1 for panel in quiet)
    rect = layout.inset_rect(1920, 1080, 16 / 9)
    assert rect is not None
    for panel in quiet:
        assert rect.x <= panel.rect.x <= panel.rect.x + panel.rect.width <= rect.x + rect.width
        inside = rect.y <= panel.rect.y <= panel.rect.y + panel.rect.height <= rect.y + rect.height
        assert inside or panel.rect.y == rect.y + rect.height, "neither the frame nor the label below"
        assert panel.draw(flight.time_s[0]).shape == (panel.rect.height, panel.rect.width, 4)
