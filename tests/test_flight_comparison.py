"""Flights joined to one comparison, with the slow parts (clocks, grades) given: the picture's way into it."""

from __future__ import annotations

from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.errors import NoAnswerError
from overlay.flight import Flight
from overlay.flight_comparison import Told, compare, opened, told_by
from overlay.flight_file import Control, Downlink, FlightFile, Ground, TrackSource
from overlay.picture.breakups import Diagnosis
from overlay.picture.carrier import LinkRatio
from overlay.picture.features import Features
from overlay_samples.flight import fly
from overlay_samples.radio_log import write_csv
from overlay_samples.scenario import DEFAULT, PictureLink

LOSS_DB = 6.0
DAYS_DB = (0.5, -0.6, 0.3, -0.2, -LOSS_DB)
RADIO = Downlink(
    frequency_MHz=5800.0, power_mW=100.0, transmit_aerial="half-wave dipole", polarisation="vertical",
    receive_aerial="fixed directional aerial, all-round aerial beside it",
)  # fmt: skip


def flight_of(folder: Path, day: int, *, clock: bool = True) -> Flight:
    """A flight of which only the recording of the live picture is not made: its grades follow from the true carrier."""
    scenario = DEFAULT.replace(
        seed=200 + day,
        start_utc=f"2026-04-{10 + day:02d}T10:00:00Z",
        outbound_deg=205.0 + 3 * day,
        distance_out_m=3000.0 + 50 * day,
        picture_link=PictureLink(power_mW=100.0 * 10 ** (DAYS_DB[day] / 10)),
    )
    flown = fly(scenario)
    log = write_csv(folder / f"radio-{day}.csv", flown)
    radio = RADIO.model_copy(update={"ground_aerial_bearing_deg": scenario.outbound_deg % 360.0})
    file = FlightFile(ground=Ground(files=("live.mkv",)), track=TrackSource(file=str(log)), downlink=radio)
    flight = Flight(file)
    time = np.arange(0.0, flown.duration_s, 0.04)
    carrier = flown.at(flown.carrier_to_noise_dB, flown.start_s + time)
    grade = np.interp(carrier, [5.0, 8.0, 10.0, 13.0, 18.0], [1.0, 2.0, 3.0, 4.0, 5.0])
    told = np.where((carrier >= 5.0) & (carrier <= 10.0), carrier, np.nan)
    features = Features(**{**{f.name: np.zeros(len(time)) for f in fields(Features)}, "time_s": time})
    flight.__dict__["ground"] = object()  # there is a recording; nobody looks into it
    flight.__dict__["graded"] = Diagnosis(
        Fraction(25), features, grade, np.zeros(len(time), int), LinkRatio(told, told - 1.0, told + 1.0), ()
    )
    flight.look_through = lambda: None

    def known(_name: str) -> AffineClock:
        if not clock:
            raise NoAnswerError("too little in common")
        return AffineClock(flown.start_s)

    flight.clock = known
    return flight


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> list[Told]:
    folder = tmp_path_factory.mktemp("days")
    return [told_by(f"day {n + 1}", f"day-{n + 1}", flight_of(folder, n)) for n in range(len(DAYS_DB))]


def test_a_weaker_picture_is_told_by_every_measure(told) -> None:
    picture, control = compare(told, 4).links
    truth = DAYS_DB[4] - np.mean(DAYS_DB[:4])
    assert [one.measure.column for one in picture.measures] == ["constant", "picture_grade", "carrier_to_noise_dB"]
    constant, grade, ratio = picture.measures
    for one in (constant, grade):
        assert one.judgement.difference_dB == pytest.approx(truth, abs=2.0), one.measure.column
    # Below 10 dB fell only the last day for long: the others are only known to be better than that.
    assert not ratio.told
    assert all(figure.dB > ratio.figures[4].dB for figure in ratio.figures[:4])
    assert picture.verdict == "worse"
    assert control.verdict == "as usual"


def test_a_picture_without_a_clock_says_so(told, tmp_path) -> None:
    unaligned = told_by("day 3", "day-3", flight_of(tmp_path, 2, clock=False))
    picture, control = compare([*told[:2], unaligned, *told[3:]], 4).links
    for one in picture.measures:
        assert not np.isfinite(one.figures[2].dB)
        if one.measure.column != "constant":
            assert "cannot be put on its track's clock: too little in common" in one.figures[2].why
    assert control.verdict != "not told"


def test_what_differs_is_named_for_each_link_alone(told) -> None:
    stronger = told[1].file.model_copy(update={"downlink": RADIO.model_copy(update={"power_mW": 200.0})})
    found = compare([told[0], replace(told[1], file=stronger), *told[2:]], 4)
    picture, control = found.links
    assert picture.measures[0].figures[1].why == "other equipment: downlink.power_mW is 200 there and 100 here"
    assert np.isfinite(control.measures[0].figures[1].dB)
    assert [len(flight["equipment_differs"]) for flight in found.as_json()["flights"]] == [0, 1, 0, 0, 0]


def test_failsafe_and_pointing_are_no_equipment(told) -> None:
    control = Control(failsafe="glide", ground_aerial_bearing_deg=40.0)
    file = told[1].file.model_copy(update={"control": control})
    found = compare([told[0], replace(told[1], file=file), *told[2:]], 4).as_json()
    assert found["flights"][1]["equipment_differs"] == []


def test_another_field_is_told(told) -> None:
    away = replace(told[0], home=(told[0].home[0] + 0.02, told[0].home[1]))
    remarks = compare([away, *told[1:]], 4).remarks
    # A minute of latitude is 1.85 km (a nautical mile, 1852 m by definition, to a few metres): 0.02° are 2.2 km.
    assert any("2.2 km away" in line for line in remarks)


def test_recordings_are_opened_before_the_work(tmp_path) -> None:
    log = write_csv(tmp_path / "radio.csv", fly(DEFAULT.replace(distance_out_m=500.0)))
    (tmp_path / "live.mp4").write_bytes(b"no film")
    file = FlightFile(ground=Ground(files=(str(tmp_path / "live.mp4"),)), track=TrackSource(file=str(log)))
    with pytest.raises(ValueError, match=r"live\.mp4"):
        opened([("day", file)], lambda _stage, _share: None)
