"""The rendered picture against the pose it was rendered from, measured in the picture."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from overlay_samples.earth import horizon_dip_rad
from overlay_samples.flight import PHASES, Flight, fly
from overlay_samples.land import Land
from overlay_samples.lens import MountedLens, distort, undistort
from overlay_samples.scenario import SHORT, Lens
from overlay_samples.view import Viewer, render_view
from overlay_samples.ycc import rgb_to_ycc, ycc_to_bgr

PLAIN = Lens(size=(640, 360), field_of_view_deg=80.0, shake_deg=0.0)


def seaward(height_m: float, *, bank_deg: float = 0.0, pitch_deg: float = 0.0) -> Flight:
    """A flight that hangs still over the sea, looking out to it, where the horizon has no hills."""
    flown = fly(SHORT)
    sea = math.radians(SHORT.sea_bearing_deg)
    still = np.zeros_like(flown.east_m)
    return replace(
        flown,
        east_m=still + 6000 * math.sin(sea),
        north_m=still + 6000 * math.cos(sea),
        up_m=still + height_m,
        bank_rad=still + math.radians(bank_deg),
        pitch_rad=still + math.radians(pitch_deg),
        heading_rad=still + sea,
        velocity_mps=np.zeros_like(flown.velocity_mps),
    )


def horizon_in(luma: np.ndarray) -> tuple[float, float]:
    """Offset and slope of the horizon: in each column the largest step from bright to dark, a line through all."""
    smooth = uniform_filter1d(luma.astype(float), 3, axis=0)
    step = (smooth[:-4] - smooth[4:])[5:-5]
    x = np.arange(20, luma.shape[1] - 20, 4)
    y, strength = np.argmax(step, axis=0)[x] + 7.5, step.max(axis=0)[x]
    x, y = x[strength > 0.6 * strength.max()], y[strength > 0.6 * strength.max()]
    first, second = np.triu_indices(len(x), 10)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))  # after Theil and Sen
    near = np.abs(y - slope * x - np.median(y - slope * x)) < 4
    slope, offset = np.polyfit(x[near], y[near], 1)
    return offset, slope


@pytest.mark.parametrize(("bank", "pitch"), [(0, 0), (0, -9), (14, -6), (-23, -4), (38, -10), (-45, -8)])
def test_horizon_lies_where_the_attitude_says(bank, pitch):
    """tan(slope) is −tan(bank) for a camera along the nose; its middle lies at pitch plus the dip of the horizon."""
    flight = seaward(120.0, bank_deg=bank, pitch_deg=pitch)
    clear = replace(flight, scenario=SHORT.replace(cloud_cover=0.01, visibility_m=200_000.0))
    luma = Viewer(clear, PLAIN).planes(clear.start_s + 1.0)[0]
    offset, slope = horizon_in(luma)
    focal = PLAIN.focal_px[0]
    assert math.degrees(math.atan(slope)) == pytest.approx(-bank, abs=0.7)
    # Straight under or over the axis, measured along the picture's own vertical.
    below = math.radians(pitch) + horizon_dip_rad(120.0)
    foot = math.tan(below) * focal / math.cos(math.radians(bank))
    assert offset + slope * 320 == pytest.approx(180 + foot, abs=2.5)


def test_ground_moves_as_the_camera_flies():
    """A camera over a plane: what shows at an angle θ under the horizon lies h/tan θ ahead."""
    import cv2

    low = seaward(80.0, pitch_deg=-20.0)
    still = np.zeros_like(low.east_m)
    first = replace(low, east_m=still + 60.0, north_m=still - 900.0, heading_rad=still)
    second = replace(first, north_m=first.north_m + 10.0)
    images = [Viewer(f, PLAIN).planes(f.start_s)[0].copy() for f in (first, second)]
    x0, y0, size = 320, 250, 40
    template = images[0][y0 - size // 2 : y0 + size // 2, x0 - size : x0 + size]
    found = cv2.minMaxLoc(cv2.matchTemplate(images[1], template, cv2.TM_CCOEFF_NORMED))
    focal = PLAIN.focal_px[0]
    under = math.radians(20) + math.atan((y0 - 180) / focal)
    ahead = 80 / math.tan(under) - 10
    y1 = 180 + focal * math.tan(math.atan(80 / ahead) - math.radians(20))
    assert found[1] > 0.6
    assert found[3][1] + size / 2 == pytest.approx(y1, abs=2.5)
    assert found[3][0] + size == pytest.approx(x0, abs=2.5)


def test_same_moment_same_picture(short_flight):
    first = render_view(short_flight, short_flight.start_s + 30, PLAIN.replace(size=(320, 180)))
    again = Viewer(short_flight, PLAIN.replace(size=(320, 180))).bgr(short_flight.start_s + 30)
    np.testing.assert_array_equal(first, again)


def test_flight_has_sky_above_ground_and_texture_in_the_ground(short_flight):
    f = short_flight
    viewer = Viewer(f, PLAIN.replace(size=(320, 180)))
    start, end = f.span("flying")
    for t in np.linspace(start + 4, end - 4, 6):
        luma, cb, cr = viewer.planes(t)
        level = abs(float(np.degrees(f.at(f.bank_rad, t)))) < 20
        if level:
            assert cb[:8].mean() > cb[-20:].mean() + 6  # blue above
            assert cr[:8].mean() < 128
        assert luma[-40:].std() > 4
        assert luma.max() <= 235


def test_before_launch_the_picture_stands_still(short_flight):
    f = short_flight
    viewer = Viewer(f, PLAIN.replace(size=(320, 180)))
    first = viewer.planes(f.start_s + 0.2)[0].astype(int)
    later = viewer.planes(f.start_s + 1.2)[0].astype(int)
    carried = viewer.planes(f.start_s + 4.0)[0].astype(int)
    ground = slice(110, None)
    assert np.abs(first - later)[ground].mean() < 0.5
    assert np.abs(first - carried)[ground].mean() > 5


def test_cloud_whites_the_picture_out():
    flight = fly(SHORT.replace(cloud_wisps=1))
    viewer = Viewer(flight, PLAIN.replace(size=(320, 180)))
    density = viewer._cloud_hem.density
    thick = float(flight.time_s[np.argmax(density)])
    assert density.max() > 0.6
    clear = viewer.planes(float(flight.span("flying")[0]) + 3)[0].std()
    assert viewer.planes(thick)[0].std() < 0.5 * clear


@pytest.mark.parametrize("matrix", ["601", "709"])
def test_colour_matrices_are_the_standards(matrix):
    """White, black and the primaries of ITU-R BT.601 and BT.709 in 8-bit limited range."""
    red_luma = {"601": 81.481, "709": 62.559}[matrix]
    ycc = rgb_to_ycc(np.array([[255, 255, 255], [0, 0, 0], [255, 0, 0], [0, 0, 255]], np.float32), matrix)
    assert ycc[0] == pytest.approx([235, 128, 128], abs=1e-3)
    assert ycc[1] == pytest.approx([16, 128, 128], abs=1e-3)
    assert ycc[2, 0] == pytest.approx(red_luma, abs=0.01)
    assert ycc[2, 2] == pytest.approx(240, abs=1e-3)
    assert ycc[3, 1] == pytest.approx(240, abs=1e-3)


@pytest.mark.parametrize("matrix", ["601", "709"])
def test_planes_and_bgr_round_trip(matrix):
    rgb = np.array([[[200, 90, 40], [20, 120, 220]]], np.float32)
    ycc = np.round(rgb_to_ycc(rgb, matrix)).astype(np.uint8)
    for i in range(2):
        y = np.full((4, 4), ycc[0, i, 0], np.uint8)
        chroma = [np.full((2, 2), ycc[0, i, c], np.uint8) for c in (1, 2)]
        assert ycc_to_bgr((y, *chroma), matrix)[2, 2][::-1] == pytest.approx(rgb[0, i], abs=2.5)


def test_tiles_of_one_level_meet_without_a_seam():
    land = Land.of(SHORT)
    left, right = land.tile(0, 0, 0)[0].astype(int), land.tile(0, 1, 0)[0].astype(int)
    across = np.abs(left[:, -1] - right[:, 0]).mean()
    inside = np.abs(left[:, -2] - left[:, -1]).mean()
    assert across < 1.6 * inside + 1


def test_levels_agree_about_the_land():
    """Four fine tiles, averaged, look like the coarse one: the land is one, whatever level shows it."""
    land = Land.of(SHORT)
    fine = np.block([[land.tile(1, c, r)[0] for c in (0, 1)] for r in (0, 1)]).astype(float)
    mean = fine.reshape(512, 2, 512, 2).mean(axis=(1, 3))
    coarse = land.tile(2, 0, 0)[0].astype(float)
    blocks = [a.reshape(32, 16, 32, 16).mean(axis=(1, 3)).ravel() for a in (mean, coarse)]
    assert np.corrcoef(*blocks)[0, 1] > 0.8
    assert np.mean(blocks[0]) == pytest.approx(np.mean(blocks[1]), abs=4)


@pytest.mark.parametrize("distortion", [-0.08, 0.05])
def test_distortion_undoes_itself(distortion):
    lens = PLAIN.replace(distortion=distortion)
    x, y = np.array([0.0, 100.0, 320.0, 639.0]), np.array([0.0, 300.0, 180.0, 359.0])
    assert distort(lens, *undistort(lens, x, y))[0] == pytest.approx(x, abs=0.01)
    assert undistort(lens, *distort(lens, x, y))[1] == pytest.approx(y, abs=0.05)


def test_pan_servo_turns_the_camera_for_its_share_of_the_flight(short_flight):
    mounted = MountedLens(short_flight, PLAIN.replace(pan_share=0.15))
    flown = short_flight.phase == PHASES.index("flying")
    panned = np.array([abs(mounted.pan_rad(t)) > 0.01 for t in short_flight.time_s[flown][::10]])
    assert 0.12 < panned.mean() < 0.3
    t = short_flight.time_s[flown][::10][np.argmax(panned)] + 1.0
    straight = MountedLens(short_flight, PLAIN)
    turn = straight.to_earth(t).T @ mounted.to_earth(t)
    assert math.acos(turn[2, 2]) == pytest.approx(abs(mounted.pan_rad(t)), abs=1e-6)


def test_mount_angles_turn_the_axis_as_named(short_flight):
    """Yaw right, pitch up: seen in body axes forward–right–down."""
    axis = MountedLens(short_flight, PLAIN.replace(mount_yaw_deg=5.0, mount_pitch_deg=-7.0)).mount[:, 2]
    assert math.degrees(math.atan2(axis[1], axis[0])) == pytest.approx(5.0)
    assert math.degrees(math.asin(-axis[2])) == pytest.approx(-7.0)


def test_odd_sizes_are_refused(short_flight):
    with pytest.raises(ValueError, match="even"):
        Viewer(short_flight, PLAIN.replace(size=(321, 180)))
