"""Rates seen in drawn films of known rotation, and what is said where the picture shows none."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from overlay.motion import MotionSeries
from overlay.motion.from_picture import motion_from_picture

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]
Film = list[tuple[float, Grey]]

FOV = 95.0


def steady(
    roll_dps: float, pitch_dps: float, yaw_dps: float, start: Rotation | None = None
) -> Callable[[Floats], Rotation]:
    """An attitude that turns at constant body rates."""
    begin = Rotation.from_euler("ZYX", [20, -8, 0], degrees=True) if start is None else start
    rate = np.radians([roll_dps, pitch_dps, yaw_dps])
    return lambda times: begin * Rotation.from_rotvec(np.asarray(times)[:, None] * rate)


def swinging(
    amplitude_deg: float, period_s: float, axis: int, pitch_deg: float = -12.0
) -> Callable[[Floats], Rotation]:
    begin, along = Rotation.from_euler("ZYX", [20, pitch_deg, 0], degrees=True), np.eye(3)[axis]

    def flown(times: Floats) -> Rotation:
        angle = np.radians(amplitude_deg) * np.sin(2 * np.pi * np.asarray(times) / period_s)
        return begin * Rotation.from_rotvec(angle[:, None] * along)

    return flown


def seen(film: Iterable[tuple[float, Grey]], fov: float | None = FOV) -> MotionSeries:
    return motion_from_picture(film, field_of_view_deg=fov)


def rates_dps(series: MotionSeries) -> Floats:
    return np.degrees(series.rate_radps)


@pytest.mark.parametrize(
    "dps",
    [(40, 0, 0), (0, 15, 0), (0, 0, 30), (-60, 5, 20), (10, -10, -40)],
    ids=["roll", "pitch", "yaw", "left", "right"],
)
def test_constant_rates(scene: Any, dps: tuple[float, float, float]) -> None:
    series = seen(scene.film(np.arange(10) / 16, steady(*dps)))
    np.testing.assert_allclose(series.time_s, (np.arange(9) + 0.5) / 16)
    np.testing.assert_allclose(series.interval_s, 1 / 16)
    np.testing.assert_allclose(rates_dps(series), np.broadcast_to(dps, (9, 3)), atol=1.0)
    assert np.all(series.confidence > 0.5)
    assert np.all(series.stillness < 0.1)


def test_flying_low_over_the_ground_adds_no_rate(scene: Any) -> None:
    series = seen(scene.film(np.arange(10) / 16, steady(20, 0, 10), forward_mps=20.0))
    np.testing.assert_allclose(rates_dps(series), np.broadcast_to((20, 0, 10), (9, 3)), atol=2.0)


@pytest.mark.parametrize("bank", [180.0, 90.0, -90.0])
def test_upside_down_and_sideways_the_rates_are_the_cameras(scene: Any, bank: float) -> None:
    start = Rotation.from_euler("ZYX", [20, 0, bank], degrees=True)
    series = seen(scene.film(np.arange(8) / 16, steady(15, 10, -20, start)))
    np.testing.assert_allclose(rates_dps(series), np.broadcast_to((15, 10, -20), (7, 3)), atol=1.2)


def test_an_unknown_lens_scales_pitch_and_yaw_alike_and_roll_not(scene: Any) -> None:
    film = list(scene.but(field_of_view_deg=75.0).film(np.arange(10) / 16, steady(20, 8, 16)))
    roll, pitch, yaw = np.median(rates_dps(seen(film, None)), axis=0)
    assert roll == pytest.approx(20, abs=1.0)
    assert yaw / 16 == pytest.approx(pitch / 8, abs=0.12)
    guessed, true = (np.tan(np.radians(angle / 2)) for angle in (95, 75))
    assert yaw / 16 == pytest.approx(guessed / true, abs=0.15)  # a pinhole's focal length goes with the cotangent


def test_a_barrel_lens_costs_a_tenth_of_the_rate_at_most(scene: Any) -> None:
    series = seen(scene.but(barrel=0.15).film(np.arange(10) / 16, steady(30, 0, 20)))
    roll, pitch, yaw = np.nanmedian(rates_dps(series), axis=0)
    assert roll == pytest.approx(30, abs=3.0)
    assert pitch == pytest.approx(0, abs=1.5)
    assert yaw == pytest.approx(20, abs=5.0)


@pytest.mark.parametrize("axis", [0, 1, 2], ids=["roll", "pitch", "yaw"])
@pytest.mark.parametrize(
    ("pitch_deg", "most_s"), [(-60.0, 0.002), (-12.0, 0.3 * 0.028)], ids=["ground all over", "level"]
)
def test_a_rolling_shutter_stamped_at_its_middle_row(scene: Any, axis: int, pitch_deg: float, most_s: float) -> None:
    """No delay where points are all over the picture; else that of the row that is told, in which the points lie."""
    times, period, reach, readout_s = np.arange(25) / 16, 1.5, 12.0, 0.028
    series = seen(scene.film(times, swinging(reach, period, axis, pitch_deg), readout_s=readout_s))
    truth = 2 * np.pi / period * np.cos(2 * np.pi * series.time_s / period)
    across = 2 * np.pi / period * np.sin(2 * np.pi * series.time_s / period)
    wave = np.column_stack((truth, across, np.ones_like(truth)))
    found = np.linalg.lstsq(wave, rates_dps(series)[:, axis], rcond=None)[0]
    late_s = np.arctan2(found[1], found[0]) * period / (2 * np.pi)
    assert abs(late_s) < most_s
    assert -late_s == pytest.approx(readout_s * (np.nanmedian(series.row) - 0.5), abs=0.0025)
    assert np.hypot(*found[:2]) == pytest.approx(reach * np.sinc(1 / 16 / period), rel=0.05)


def test_white_out_is_no_number(scene: Any) -> None:
    series = seen(scene.but(visible_m=8.0, cloud=0.5).film(np.arange(12) / 16, steady(20, 5, 10)))
    assert np.isnan(series.rate_radps).all()
    assert np.isnan(series.stillness).all()
    assert np.all(series.confidence < 0.15)


def test_flying_into_cloud_the_rates_stay_right_until_they_end(scene: Any) -> None:
    flown, film = steady(15, 0, 12), []
    for k, visible_m in enumerate(np.geomspace(4000, 8, 24)):
        film += scene.but(visible_m=visible_m, cloud=0.5).film(np.array([k / 16]), flown)
    series = seen(film)
    told = np.isfinite(series.rate_radps).all(axis=1)
    assert told[:6].all()
    assert not told[-4:].any()
    assert np.abs(rates_dps(series)[told] - (15, 0, 12)).max() < 4.0
    assert series.confidence[-4:].max() < series.confidence[:6].min()


@pytest.mark.parametrize("lights", [0, 400])
def test_at_night_the_lights_tell_or_nothing_does(scene: Any, lights: int) -> None:
    rng = np.random.default_rng(3)
    places = np.column_stack((rng.uniform(-1500, 1500, (lights, 2)), np.zeros(lights)))
    film = []
    for k in range(12):
        camera = steady(10, 0, 12)(np.array([k / 16]))[0]
        picture = rng.normal(17, 1.2, (180, 320))
        rays = camera.inv().apply(places - (0, 0, -80.0)) if lights else np.zeros((0, 3))
        ahead = rays[rays[:, 0] > 1]
        focal = 160 / np.tan(np.radians(FOV / 2))
        for x, y in np.rint(ahead[:, 1:] / ahead[:, :1] * focal * 16 + (159.5 * 16, 89.5 * 16)).astype(int):
            if 0 <= x < 320 * 16 and 0 <= y < 180 * 16:
                light = np.zeros((180, 320), np.float32)
                cv2.circle(light, (int(x), int(y)), 20, 1.0, -1, cv2.LINE_AA, 4)
                picture = picture + 180 * cv2.GaussianBlur(light, (0, 0), 0.8)
        film.append((k / 16, np.clip(picture, 0, 255).astype(np.uint8)))
    series = seen(film)
    told = np.isfinite(series.rate_radps).all(axis=1)
    assert told.all() if lights else not told.any()
    if lights:
        np.testing.assert_allclose(rates_dps(series), np.broadcast_to((10, 0, 12), (11, 3)), atol=2.0)


def test_repeated_pictures_are_no_standstill(scene: Any) -> None:
    film = list(scene.film(np.arange(12) / 30, steady(20, 0, 15)))
    doubled = [(k / 30, film[k - (k % 3 == 2)][1]) for k in range(12)]
    series = seen(doubled)
    true = np.broadcast_to((20, 0, 15), (len(series.time_s), 3))
    # A repeat shows the moment before it, so the step after it covers two intervals; the rates stay what they were.
    np.testing.assert_allclose(rates_dps(series), true, atol=1.5)
    assert np.all(series.stillness < 0.2)
    assert len(series.time_s) == 7


def test_dropped_pictures_lengthen_the_interval(scene: Any) -> None:
    times = np.array([0, 1, 2, 4, 5, 8, 9, 10]) / 30
    series = seen(scene.film(times, steady(20, 0, 15)))
    np.testing.assert_allclose(series.interval_s, np.diff(times))
    np.testing.assert_allclose(rates_dps(series), np.broadcast_to((20, 0, 15), (7, 3)), atol=1.5)


def test_across_a_gap_nothing_is_told(scene: Any) -> None:
    series = seen(scene.film(np.array([0.0, 0.06, 0.12, 0.62, 0.68]), steady(5, 0, 5)))
    assert np.isfinite(series.rate_radps).all(axis=1).tolist() == [True, True, False, True]


def test_a_frozen_picture_tells_nothing(scene: Any) -> None:
    picture = scene.picture(Rotation.identity())
    series = seen((k / 16, picture) for k in range(16))
    assert not np.isfinite(series.rate_radps).any()
    assert not (series.stillness > 0).any()


def test_a_live_camera_at_rest_is_still(scene: Any) -> None:
    series = seen(scene.film(np.arange(12) / 16, steady(0, 0, 0)))
    assert np.all(series.stillness > 0.8)
    assert np.abs(rates_dps(series)).max() < 0.6


def figures(picture: Grey, number: int) -> Grey:
    """Writing along all four edges and in the middle, some of it changing from picture to picture."""
    marked = picture.copy()
    for line, (x, y) in enumerate(
        [(6, 16), (200, 16), (6, 60), (240, 60), (6, 120), (230, 120), (6, 172), (190, 172), (110, 95)]
    ):
        text = f"{line}ALT {37 + number // 3:03d}"
        cv2.putText(marked, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 0, 3, cv2.LINE_AA)
        cv2.putText(marked, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 1, cv2.LINE_AA)
    return marked


def test_figures_burned_in_do_not_hold_the_picture(scene: Any) -> None:
    film = list(scene.film(np.arange(90) / 16, swinging(15.0, 2.5, 2)))
    truth = rates_dps(seen(film))[:, 2]
    marked = rates_dps(seen([(time, figures(picture, k)) for k, (time, picture) in enumerate(film)]))[:, 2]
    assert np.isfinite(marked).all()
    assert np.abs(marked - truth)[50:].max() < 1.0  # the marks are known by then
    assert np.abs(marked - truth).max() < 6.0
    assert np.quantile(np.abs(marked - truth), 0.9) < 1.0


def test_figures_burned_in_do_not_make_a_moving_picture_stand(scene: Any) -> None:
    film = scene.film(np.arange(40) / 16, swinging(15.0, 2.5, 2))
    moving = seen([(time, figures(picture, k)) for k, (time, picture) in enumerate(film)])
    turning = np.abs(rates_dps(moving)[:, 2]) > 5.0
    assert turning.sum() > 15
    assert np.all(moving.stillness[turning] < 0.5)
    rest = scene.film(np.arange(40) / 16, steady(0, 0, 0))
    standing = seen([(time, figures(picture, k)) for k, (time, picture) in enumerate(rest)])
    assert np.nanmedian(standing.stillness) > 0.5


def test_noise_turns_nowhere() -> None:
    rng = np.random.default_rng(5)
    series = seen((k / 16, rng.integers(0, 255, (180, 320), np.uint8)) for k in range(12))
    assert not np.isfinite(series.rate_radps).any()


def test_mirrored_the_film_rolls_and_yaws_the_other_way(scene: Any) -> None:
    film = list(scene.film(np.arange(8) / 16, steady(20, 8, 15)))
    mirrored = rates_dps(seen([(time, np.ascontiguousarray(p[:, ::-1])) for time, p in film]))
    np.testing.assert_allclose(mirrored, rates_dps(seen(film)) * (-1, 1, -1), atol=0.8)


def test_turned_by_half_a_turn_pitch_and_yaw_change_sign(scene: Any) -> None:
    film = list(scene.film(np.arange(8) / 16, steady(20, 8, 15)))
    turned = rates_dps(seen([(time, np.ascontiguousarray(p[::-1, ::-1])) for time, p in film]))
    np.testing.assert_allclose(turned, rates_dps(seen(film)) * (1, -1, -1), atol=0.8)


def test_the_clock_may_begin_anywhere(scene: Any) -> None:
    film = list(scene.film(np.arange(8) / 16, steady(20, 8, 15)))
    late = seen([(time + 5000.0, picture) for time, picture in film])
    np.testing.assert_allclose(late.time_s, seen(film).time_s + 5000.0)
    np.testing.assert_allclose(late.rate_radps, seen(film).rate_radps, atol=1e-6)


def test_pictures_that_change_size_are_refused(scene: Any) -> None:
    ((_, picture),) = scene.film(np.zeros(1), steady(0, 0, 0))
    with pytest.raises(ValueError, match="picture of"):
        seen([(0.0, picture), (0.1, picture[:100])])


def test_no_pictures_no_rows() -> None:
    assert len(seen([]).time_s) == 0


def test_the_horizon_is_looked_for_where_that_is_asked_for(scene: Any) -> None:
    """Rolling at 40 °/s: what is told stands at the middle of its interval, as the rates do."""
    start = Rotation.from_euler("ZYX", [20, -4, -30], degrees=True)
    film = list(scene.film(np.arange(32) / 16, steady(40, 0, 0, start)))
    series = motion_from_picture(film, field_of_view_deg=FOV, horizon=True)
    told = np.isfinite(series.bank_rad)
    assert 4 <= told.sum() <= 5  # in two seconds, every 0.4
    bank = np.degrees(series.bank_rad[told])
    np.testing.assert_allclose(bank, 40.0 * series.time_s[told] - 30.0, atol=1.0)
    assert not np.isfinite(seen(film).bank_rad).any()
