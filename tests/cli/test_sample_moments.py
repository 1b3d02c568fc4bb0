"""The flight that layouts are shown on: long, broken up where it is said to be, and silent where nothing may be known."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.cli.layouts import MOMENTS as OFFERED
from overlay.cli.sample_moments import MOMENTS, SampleMoments


@pytest.fixture(scope="module")
def sample() -> SampleMoments:
    return SampleMoments()


def test_the_command_offers_every_moment() -> None:
    assert tuple(MOMENTS) == OFFERED


def test_far_out_the_picture_breaks_up(sample: SampleMoments) -> None:
    moment = sample.at("far")
    assert float(moment.readings.at("range_m", moment.time_s)[0]) > 10_000
    assert any(span.onset_s <= moment.time_s < span.end_s for span in moment.readings.breakups)
    assert moment.readings.leg_at(moment.time_s) == "home"
    assert moment.live is not None
    assert moment.live.shape == (576, 720, 3)


def test_near_home_it_does_not(sample: SampleMoments) -> None:
    moment = sample.at("near")
    assert float(moment.readings.at("range_m", moment.time_s)[0]) < 1000
    assert not any(span.onset_s <= moment.time_s < span.end_s for span in moment.readings.breakups)


def test_in_the_silence_nothing_is_known(sample: SampleMoments) -> None:
    moment = sample.at("silent")
    row = int(np.searchsorted(moment.readings.time_s, moment.time_s))
    assert all(np.isnan(values[row]) for values in moment.readings.columns.values())
    assert moment.live is None


def test_the_readings_hold_what_the_instruments_show(sample: SampleMoments) -> None:
    wanted = {"range_m", "height_m", "airspeed_mps", "ground_speed_mps", "bank_deg", "wind_from_deg", "control_link_pct",
              "picture_grade", "charge_used_mAh", "charge_home_mAh", "reach_m", "voltage_V", "power_W"}  # fmt: skip
    assert wanted <= set(sample.readings.columns)
