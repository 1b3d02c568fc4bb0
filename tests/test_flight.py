"""How a flight's parts are joined, with the slow parts (clocks, grades) given."""

from __future__ import annotations

from dataclasses import fields
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.errors import FlightFileError, NoAnswerError
from overlay.flight import Flight
from overlay.flight_file import Camera, Downlink, FlightFile, Ground, HomePlace, TrackSource
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.carrier import LinkRatio
from overlay.picture.features import Features
from overlay.picture.visibility import Visibility
from overlay_samples.flight import fly
from overlay_samples.radio_log import write_csv
from overlay_samples.scenario import DEFAULT

BREAKUP_S = (115.0, 121.0)


@pytest.fixture(scope="module")
def log(tmp_path_factory) -> tuple[Path, float]:
    flight = fly(DEFAULT.replace(distance_out_m=2200.0, loiter_turns=1.5))
    return write_csv(Path(tmp_path_factory.mktemp("log")) / "radio.csv", flight), flight.start_s


def flight_of(log, *, clock: bool = True, **more) -> Flight:
    path, start = log
    flight = Flight(FlightFile(ground=Ground(files=("live.mkv",)), track=TrackSource(file=str(path)), **more))
    time = np.arange(0.0, 240.0, 0.04)
    grade = np.where((time >= BREAKUP_S[0]) & (time < BREAKUP_S[1]), 1.5, 4.5)
    features = Features(**{**{f.name: np.zeros(len(time)) for f in fields(Features)}, "time_s": time})
    onset, end = (round(s / 0.04) for s in BREAKUP_S)
    event = Breakup(onset, end, *BREAKUP_S, (114.96, 115.04), "noise", 1.5, onset + 9)
    nothing = LinkRatio(*np.full((3, len(time)), np.nan))
    flight.__dict__["ground"] = object()  # there is a recording; nobody looks into it
    flight.__dict__["graded"] = Diagnosis(Fraction(25), features, grade, np.zeros(len(time), int), nothing, (event,))

    def known(_name: str) -> AffineClock:
        if not clock:
            raise NoAnswerError("the clock is not known")
        return AffineClock(start)

    flight.clock = known
    return flight


def test_the_grade_stands_among_the_readings(log) -> None:
    readings = flight_of(log).readings
    assert readings.has("picture_grade")
    since = readings.time_s - log[1]
    inside = (since > BREAKUP_S[0] + 0.1) & (since < BREAKUP_S[1] - 0.1)
    assert set(readings["picture_grade"][inside]) == {1.5}
    assert set(readings["picture_grade"][(since > 10) & (since < BREAKUP_S[0] - 0.1)]) == {4.5}
    assert np.isnan(readings["picture_grade"][since > 240.5]).all()
    assert "picture_grade" in readings.derived


def test_what_the_camera_saw_stands_among_the_readings(log) -> None:
    link = Downlink(
        frequency_MHz=1280.0, transmit_aerial="whip", receive_aerial="patch 14 dBi", polarisation="vertical"
    )
    flight = flight_of(log, camera=Camera(files=("hd.mp4",)), downlink=link)
    time = np.arange(0.0, 240.0, 2.0)
    share = np.where(np.abs(time - BREAKUP_S[0]) < 20.0, 0.9, 0.2)
    flight.__dict__["visibility"] = Visibility(time, 0.1 * share, share)
    readings = flight.readings
    assert readings.at("visibility_pct", log[1] + BREAKUP_S[0])[0] == pytest.approx(90.0)
    assert readings.at("visibility_pct", log[1] + 30.0)[0] == pytest.approx(20.0)
    (event,) = flight.diagnosis.events
    assert event.at["visibility_pct"] == pytest.approx(90.0)
    assert "The aircraft was not in cloud" in flight.explanation.events[0].weather
    assert "no worse where the onboard camera saw less" in flight.explanation.as_json()["visibility"]


def test_causes_are_weighed_where_the_link_is_described(log) -> None:
    link = Downlink(
        frequency_MHz=5800.0, transmit_aerial="whip", receive_aerial="patch 14 dBi", polarisation="vertical"
    )
    flight = flight_of(log, downlink=link)
    (event,) = flight.diagnosis.events
    assert sum(cause["probability"] for cause in event.causes) == pytest.approx(1.0, abs=0.01)
    assert event.at["range_m"] > 500.0
    assert flight.notes == []


def test_what_is_lacking_is_said_once(log) -> None:
    flight = flight_of(log)
    assert flight.diagnosis.events[0].causes is None
    assert flight.diagnosis.events[0].at is not None
    assert [note for note in flight.notes if "downlink.frequency_MHz" in note] == flight.notes
    strange = flight_of(log, downlink=Downlink(frequency_MHz=5800.0, transmit_aerial="bent coat hanger"))
    assert strange.diagnosis.events[0].causes is None
    assert "bent coat hanger" in strange.notes[0]


def test_without_the_clock_nobody_is_blamed(log) -> None:
    flight = flight_of(log, clock=False, downlink=Downlink(frequency_MHz=5800.0))
    with pytest.raises(NoAnswerError, match="clock"):
        _ = flight.explanation
    assert not flight.readings.has("picture_grade")


def test_a_home_given_without_a_height_takes_it_from_the_data(log) -> None:
    found = flight_of(log).readings
    place = HomePlace(latitude_deg=found.home.latitude_deg, longitude_deg=found.home.longitude_deg)
    given = flight_of(log, home=place).readings
    assert given.home.height_m == pytest.approx(found.home.height_m)
    assert given.home.found == "given by hand"


def test_a_home_of_the_wrong_sign_is_refused(log) -> None:
    """Else a flight of a kilometre would be told as one of thousands."""
    home = flight_of(log).readings.home
    place = HomePlace(latitude_deg=home.latitude_deg, longitude_deg=-home.longitude_deg)
    with pytest.raises(FlightFileError, match=r"home is \d+ km from the nearest position of the log; check \[home\]"):
        flight_of(log, home=place).readings  # noqa: B018
