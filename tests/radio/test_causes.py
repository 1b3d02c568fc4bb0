"""Causes of break-ups whose causes were made; the constant found; the weather acquitted and convicted."""

import numpy as np
import pytest
from scipy.special import fresnel

from overlay.errors import NoAnswerError
from overlay.radio.aerials import aerial_of
from overlay.radio.causes import attribute, weather_verdict
from overlay.radio.contrast import correlations, out_and_home
from overlay.radio.evidence import picture_evidence
from overlay.radio.explain import control_fades, explain_control, explain_picture, link_from_words
from overlay.radio.fit import fit_margin
from overlay.radio.link import CAUSES, Link, link_terms
from overlay.radio.next_flight import Change, expected_range, what_if
from overlay.readings import Leg, Readings

RODS = Link(2400.0, aerial_of("dipole"), aerial_of("dipole"), ground_height_m=30.0)
ROUND = Link(2400.0, aerial_of("crossed"), aerial_of("crossed"), ground_height_m=30.0)


def fitted(readings, link):
    terms = link_terms(readings, link)
    return terms, fit_margin(terms, picture_evidence(readings), link)


def found_in(readings, link):
    terms, fit = fitted(readings, link)
    spans = [(b.onset_s, b.end_s) for b in readings.breakups]
    return fit, attribute(fit, terms, readings, spans)


def test_the_constant_is_found(making):
    made = making(spread_dB=1.0)
    made.margin += 4.0
    _, fit = fitted(made.readings(), ROUND)
    truth = 20 * np.log10(6000.0 / 1000.0) + 4.0
    value, (low, high) = fit.constant_dB()
    assert value == pytest.approx(truth, abs=2.0)
    assert low < truth < high


def test_a_link_at_the_end_of_its_range(making):
    made = making(seed=2)
    made.margin -= 3.0
    _, events = found_in(made.readings(), ROUND)
    long = [event for event in events if event.end_s - event.onset_s > 10.0]
    assert long
    assert all(event.top.cause == "range" for event in long)
    assert all("end of its range" in event.sentence for event in long)


def test_a_banked_turn(making):
    made = making(seed=3, spread_dB=1.0)
    made.margin += 5.0
    for start in (400, 500, 760, 900):
        made.bank[start : start + 12] = 62.0
        made.margin[start : start + 12] += 20 * np.log10(np.cos(np.radians(62.0))) - 3.0
    readings = made.readings()
    _, events = found_in(readings, RODS)
    steep = [e for e in events if abs(made.bank[np.searchsorted(made.time, e.onset_s)]) > 10]
    assert steep
    assert all(event.top.cause == "banking" for event in steep)
    assert "62° right" in steep[0].sentence


def test_a_disturbance_is_not_explained_away(making):
    made = making(seed=4, spread_dB=1.0)
    made.margin += 12.0
    made.margin[300:316] -= 30.0
    _, events = found_in(made.readings(), ROUND)
    burst = next(event for event in events if 145 < event.onset_s < 160)
    assert burst.top.cause == "unexplained"
    assert burst.top.probability > 0.8
    assert "interference" in burst.sentence


def test_a_fixed_aerial_left_behind(making):
    made = making(seed=5, spread_dB=1.0)
    made.margin += 6.0
    side = np.clip((made.time - 150.0) / 60.0, 0.0, 1.0) * np.clip((400.0 - made.time) / 60.0, 0.0, 1.0) * 70.0
    made.bearing = side
    patch = Link(2400.0, aerial_of("crossed"), aerial_of("8 dBi patch, right-hand circular"), ground_height_m=30.0,
                 ground_bearing_deg=0.0)  # fmt: skip
    made.margin -= 13.0 * (1 - np.cos(np.radians(side))) / (1 - np.cos(np.radians(70.0)))
    _, events = found_in(made.readings(), patch)
    aside = [e for e in events if abs(side[np.searchsorted(made.time, e.onset_s)]) > 45]
    assert aside
    assert all(event.top.cause == "ground aerial off axis" for event in aside)


def test_probabilities_are_probabilities(making):
    made = making(seed=6)
    made.margin -= 1.0
    _, events = found_in(made.readings(grade=False), RODS)
    for event in events:
        assert sum(cause.probability for cause in event.causes) == pytest.approx(1.0, abs=1e-6)
        assert {cause.cause for cause in event.causes} == set(CAUSES)
        assert event.margin_interval95_dB[0] <= event.margin_dB <= event.margin_interval95_dB[1]
        assert list(event.top.as_json()) == ["cause", "probability", "loss_dB"]


def test_weather_acquitted_below_three_gigahertz_and_judged_above(making):
    made = making(seed=7)
    _, fit = fitted(made.readings(), ROUND)
    assert weather_verdict(fit, 10_000.0, 3.0).startswith("Not the weather")
    for rain, verdict in ((None, "cannot be ruled out"), (120.0, "The weather counts"), (0.0, "Not the weather")):
        link = Link(5800.0, ROUND.aircraft, ROUND.ground, ground_height_m=30.0, rain_mm_h=rain)
        _, fit = fitted(made.readings(), link)
        assert verdict in weather_verdict(fit, 10_000.0, 3.0)


def test_events_at_unknown_places_are_left_out(making):
    made = making(seed=8)
    readings = made.readings()
    terms, fit = fitted(readings, ROUND)
    assert attribute(fit, terms, readings, [(1e6, 1e6 + 5.0)]) == ()
    with pytest.raises(NoAnswerError, match="30 s"):
        fitted(readings.between(0.0, 10.0) and Readings(made.time[:20], {"range_m": made.range_m[:20]},
               legs=(Leg("out", 0.0, 9.0),)), ROUND)  # fmt: skip


def test_same_flight_same_answer(making):
    readings = making(seed=9).readings()
    first, second = (found_in(readings, RODS)[1] for _ in range(2))
    assert first == second


def test_out_and_home_at_equal_range(making):
    made = making(seed=10)
    strength = -60 - 20 * np.log10(made.range_m / 1000) - np.where(made.out, 5.0, 0.0)
    readings = made.readings(control_rssi_dBm=strength)
    found = out_and_home(readings, "control_rssi_dBm")
    assert found.difference == pytest.approx(-5.0, abs=0.3)
    assert found.sure
    assert "below homebound" in str(found)
    alike = out_and_home(made.readings(control_rssi_dBm=strength + np.where(made.out, 5.0, 0.0)), "control_rssi_dBm")
    assert abs(alike.difference) < 0.3
    assert out_and_home(readings, "control_snr_dB") is None
    gone = {found.condition: found for found in correlations(readings, "control_rssi_dBm")}
    nose = gone["angle between nose and station"]  # 5 dB less with the tail to it, outbound
    assert nose.rank < -0.5
    assert not nose.sure  # it turned round once: that is one difference, not a hundred
    assert "bank" not in gone  # it was never banked
    made.bank = 40.0 * (np.sin(made.time / 6.0) > 0.6)
    banked = made.readings(control_rssi_dBm=strength - made.bank / 8.0)
    (found,) = (each for each in correlations(banked, "control_rssi_dBm") if each.condition == "bank")
    assert found.sure
    assert "weaker the greater the bank" in str(found)
    unrest = np.random.default_rng(3).normal(size=len(made.time))
    even = correlations(made.readings(control_rssi_dBm=-20 * np.log10(made.range_m) + unrest), "control_rssi_dBm")
    assert even
    assert not any(found.sure for found in even)


def test_what_if_moves_as_physics_moves(making):
    made = making(seed=11, spread_dB=1.0)
    made.margin += 2.0
    _, fit = fitted(made.readings(), ROUND)
    before, more = what_if(fit, 110.0)[:2]
    # Free space: 3 dB are a factor of √2 in range.
    assert more.range_m / before.range_m == pytest.approx(np.sqrt(2), rel=0.15)
    assert before.interval95_m[0] < before.range_m < before.interval95_m[1]
    assert before.range_m == pytest.approx(6000.0 * 10 ** (2 / 20), rel=0.3)
    low = expected_range(fit, 110.0, Change("low", height_m=3.0))
    assert low.range_m < before.range_m  # plane-earth loss and the horizon
    assert "3 m" in str(low)


def test_explanations_name_their_assumptions(making):
    made = making(seed=12)
    made.margin -= 2.0
    told = explain_picture(made.readings(), link_from_words(2400.0, receive_aerial="patch"))
    assert any("all-round" in note for note in told.notes)
    assert any("pointed" in note for note in told.notes)
    assert any("rain" in note for note in told.notes)
    time, mean, low, high = told.margin_dB()
    assert len(time) == len(mean)
    assert np.all(low <= mean)
    assert np.all(mean <= high)
    assert np.sqrt(np.mean((mean - np.interp(time, made.time, made.margin)) ** 2)) < 3.0
    assert told.contrast is not None


def test_control_link_fades(making):
    made = making(seed=13)
    quality = np.where((made.time > 100) & (made.time < 104), 40.0, 100.0)
    strength = -70 - 20 * np.log10(made.range_m / 1000) - np.where(quality < 50, 25.0, 0.0)
    readings = made.readings(control_link_pct=quality, control_rssi_dBm=strength)
    assert control_fades(readings) == [(100.5, 104.0)]
    told = explain_control(readings, link_from_words(2400.0))
    assert told.events[0].top.cause == "unexplained"
    assert "control link" in str(told.next_flight[0])


@pytest.mark.parametrize(("drop_dB", "told"), [(0.0, "as interference makes it"), (30.0, "less came than")])
def test_a_fade_of_quality_with_and_without_the_strength(making, drop_dB, told):
    made = making(seed=14, spread_dB=1.0)
    faded = (made.time > 100) & (made.time < 106)
    unrest = np.random.default_rng(5).normal(size=len(made.time))
    strength = -70 - 20 * np.log10(made.range_m / 1000) + unrest - drop_dB * faded
    readings = made.readings(control_link_pct=np.where(faded, 40.0, 100.0), control_rssi_dBm=strength)
    (event,) = explain_control(readings, link_from_words(2400.0)).events
    assert event.top.cause == "unexplained"
    assert event.seen_dB == pytest.approx(-drop_dB, abs=4.0)  # the fit, too, is only known to a decibel or three
    assert told in event.sentence


def test_a_null_is_named_with_the_place_where_it_lies(making):
    """Flown through the farthest null of 110 m and 2 m at 2.4 GHz: 2·110·2/λ = 3.5 km, made by two waves here."""
    made = making(seed=15, spread_dB=0.8)
    wave = 299.792458 / 2400.0
    direct, bounced = (np.hypot(made.range_m, made.height + way * 2.0) for way in (-1.0, 1.0))
    field = np.abs(1 - 0.95 * np.exp(-2j * np.pi * (bounced - direct) / wave))
    made.margin += 6.0 + 20 * np.log10(np.maximum(field, 0.03))
    low = Link(2400.0, aerial_of("crossed"), aerial_of("crossed"), ground_height_m=2.0)
    readings = made.readings()
    _, events = found_in(readings, low)
    null = 2 * 110.0 * 2.0 / wave
    there = [e for e in events if abs(made.range_m[np.searchsorted(made.time, e.onset_s)] / null - 1) < 0.08]
    assert there
    assert all(event.top.cause == "ground reflection" for event in there)
    assert all("as at that height it does near 3." in event.sentence for event in there)


def test_the_radio_horizon_is_named_where_the_curve_hides_the_station(making):
    """4.12·(√2 + √8) km (P.526): 17.5 km for an aircraft 8 m high over the sea and a mast of 2 m."""
    made = making(seed=16, far_m=40_000.0, speed=40.0, height=8.0, spread_dB=0.8)
    bulge = made.range_m**2 / (8 * 8.5e6)  # in the middle, over the line between the ends
    v = (bulge - 5.0) * np.sqrt(8.0 / (made.range_m * 299.792458 / 5800.0))
    s, c = fresnel(np.maximum(v, -0.75))
    made.margin += 8.0 + 20 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2)  # P.526 eq. 30
    low = Link(5800.0, aerial_of("crossed"), aerial_of("crossed"), ground_height_m=2.0, rain_mm_h=0.0)
    _, events = found_in(made.readings(), low)
    longest = max(events, key=lambda event: event.end_s - event.onset_s)
    assert {cause.cause for cause in longest.causes[:2]} == {
        "horizon or hill",
        "ground reflection",
    }  # low over the ground
    assert "the radio horizon lies 17 km out" in longest.sentence


def test_what_a_link_needs_is_where_quality_parts(making):
    """Quality that falls where the strength does, 5 dB above the median of what was heard while it was down."""
    made = making(seed=17, far_m=9000.0)
    rng = np.random.default_rng(8)
    strength = np.round(-80 - 20 * np.log10(made.range_m / 1000) + rng.normal(size=len(made.time)))
    quality = np.where(strength < -95.0, 40.0, 100.0)
    told = explain_control(made.readings(control_rssi_dBm=strength, control_link_pct=quality), link_from_words(2400.0))
    assert "as where it began to fade (−96 dBm)" in told.fit.evidence.level
    deaf = np.where((made.time > 60) & (made.time < 70), 40.0, 100.0)  # near home: no want of strength
    told = explain_control(made.readings(control_rssi_dBm=strength, control_link_pct=deaf), link_from_words(2400.0))
    assert "as it ever was here and held" in told.fit.evidence.level
    assert "the quality fell without it" in told.events[0].sentence
