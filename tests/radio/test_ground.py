"""The ground under the sight line: a real surface, published diffraction figures, an independent wave computation."""

import matplotlib.cbook
import numpy as np
import pyproj
import pytest
from scipy.special import fresnel

from overlay.errors import NoAnswerError
from overlay.radio.aerials import aerial_of
from overlay.radio.causes import attribute
from overlay.radio.evidence import picture_evidence
from overlay.radio.fit import fit_margin
from overlay.radio.ground import Ground, ground_along, obstruction, with_terrain
from overlay.radio.link import Link, link_terms
from overlay.radio.propagation import bullington_dB, diffraction_parameter, fresnel_radius_m
from overlay.readings import BrokenPicture, Home, Leg, Readings

GEOD = pyproj.Geod(ellps="WGS84")
EARTH_M = 8.5e6  # 4/3 of the Earth's radius (P.526)


class Jacksboro:
    """matplotlib's sample surface (SRTM, public domain), read at its posts by nearest neighbour: no interpolation."""

    def __init__(self):
        data = matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")
        self.z, self.step = data["elevation"].astype(float), float(data["dx"])
        self.west, self.north = float(data["xmin"]), float(max(data["ymin"], data["ymax"]))

    def heights(self, latitude, longitude):
        row = ((self.north - latitude) / self.step).astype(int)
        column = ((longitude - self.west) / self.step).astype(int)
        inside = (row >= 0) & (row < self.z.shape[0]) & (column >= 0) & (column < self.z.shape[1])
        return np.where(inside, self.z[np.where(inside, row, 0), np.where(inside, column, 0)], np.nan)


@pytest.fixture(scope="module")
def jacksboro():
    return Jacksboro()


def flight(home, bearing, far_m=12_000.0, height=250.0, speed=20.0):
    """Straight out and back at a height over home; the geodesic by pyproj."""
    time = np.arange(0.0, 2 * far_m / speed, 0.5)
    out = np.minimum(time, time[-1] - time) * speed + 5.0
    longitude, latitude, _ = GEOD.fwd(
        np.full(len(time), home[1]), np.full(len(time), home[0]), np.full(len(time), bearing), out
    )
    columns = {
        "latitude_deg": latitude, "longitude_deg": longitude, "range_m": out, "height_m": np.full(len(time), height),
        "bearing_deg": np.full(len(time), bearing), "heading_deg": np.where(time < time[-1] / 2, bearing, bearing + 180.0),
        "east_m": out * np.sin(np.radians(bearing)), "north_m": out * np.cos(np.radians(bearing)),
    }  # fmt: skip
    legs = (Leg("out", 0.0, time[-1] / 2), Leg("home", time[-1] / 2, time[-1] + 1))
    return Readings(time, columns, home=Home(*home, 0.0, "made"), legs=legs)


HOME = (36.62, -84.33)


def test_profiles_of_a_real_surface(jacksboro):
    readings = flight(HOME, 60.0)
    ground = ground_along(readings, jacksboro.heights)
    assert ground.known_share == 1.0
    at_home = jacksboro.heights(np.array([HOME[0]]), np.array([HOME[1]]))[0]
    for moment in (200, 400, 590):
        row = int(np.argmin(np.abs(ground.time_s - moment)))
        posts = np.linspace(0.0, ground.distance_m[row], ground.profiles_m.shape[1])
        lon, lat, _ = GEOD.fwd(
            np.full(len(posts), HOME[1]), np.full(len(posts), HOME[0]), np.full(len(posts), 60.0), posts
        )
        truth = jacksboro.heights(lat, lon) - at_home
        assert np.mean(np.abs(ground.profiles_m[row] - truth) < 1e-9) > 0.98  # but for posts on the edge of a cell


@pytest.mark.parametrize(("bearing", "height"), [(180.0, 200.0), (120.0, 250.0)])
def test_a_sight_line_over_real_hills_is_blocked_where_geometry_says(jacksboro, bearing, height):
    readings = flight(HOME, bearing, far_m=9000.0, height=height)
    ground = ground_along(readings, jacksboro.heights)
    found = obstruction(ground, readings, 2.0, 1280.0)
    for row in range(100, 440, 40):
        d = np.linspace(0.0, readings["range_m"][row], 1200)[1:-1]
        lon, lat, _ = GEOD.fwd(np.full(len(d), HOME[1]), np.full(len(d), HOME[0]), np.full(len(d), bearing), d)
        at_home = jacksboro.heights(np.array([HOME[0]]), np.array([HOME[1]]))[0]
        far = readings["range_m"][row]
        bulge = d * (far - d) / (2 * EARTH_M)
        line = 2.0 + (height - 2.0) * d / far
        above = jacksboro.heights(lat, lon) - at_home + bulge - line
        wave = 299.792458 / 1280.0
        clearance = np.min(-above / np.sqrt(wave * d * (far - d) / far))
        if abs(clearance) > 0.5:  # nearer to grazing the posts' places decide
            assert np.sign(found.clearance[row]) == np.sign(clearance)
        assert found.clearance[row] == pytest.approx(clearance, rel=0.25, abs=0.4)
        if clearance < -0.5:
            assert found.loss_dB[row] > 10.0
        if clearance > 1.0:
            assert found.loss_dB[row] < 0.5  # P.526: 0.6 of the first zone free, and no diffraction is felt


def test_where_the_ground_is_known_it_is_a_column(jacksboro):
    readings = flight(HOME, 60.0)
    found = with_terrain(readings, ground_along(readings, jacksboro.heights))
    row = 400
    at = np.array([readings["latitude_deg"][row]]), np.array([readings["longitude_deg"][row]])
    at_home = jacksboro.heights(np.array([HOME[0]]), np.array([HOME[1]]))[0]
    assert found["terrain_m"][row] == pytest.approx(jacksboro.heights(*at)[0] - at_home, abs=12.0)  # a cell of slope
    assert "terrain files" in found.derived["terrain_m"]


def test_beyond_the_files_the_path_is_not_known(jacksboro):
    west = flight(HOME, 270.0, far_m=12_000.0)  # the surface ends 7.4 km west of there
    ground = ground_along(west, jacksboro.heights)
    assert 0.4 < ground.known_share < 0.8
    terms = link_terms(west, Link(1280.0, aerial_of("crossed"), aerial_of("crossed")), ground)
    far = west["range_m"] > 9000.0
    assert np.isnan(terms.ground.loss_dB[far]).all()
    assert np.isfinite(terms.dB["horizon or hill"][far]).all()  # the smooth Earth's


def test_terrain_that_does_not_fit_is_refused(jacksboro):
    with pytest.raises(NoAnswerError, match="do not fit"):
        ground_along(flight(HOME, 60.0, height=-200.0), jacksboro.heights)
    with pytest.raises(NoAnswerError, match="cover home"):
        ground_along(flight((10.0, 10.0), 60.0), jacksboro.heights)


def exact_edge_dB(v):
    s, c = fresnel(v)
    return -20 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2)  # P.526 eq. 30


@pytest.mark.parametrize("rise", [-5.0, 0.0, 30.0, 80.0])
def test_one_ridge_by_exact_fresnel_integrals(rise):
    """P.526-15 §4.5.1 is the exact edge plus its eq. 52, to the 0.5 dB that J(ν) itself is good for."""
    d = np.linspace(0.0, 8000.0, 1601)
    ground = np.full(1601, -300.0)
    line = 10.0 + (100.0 - 10.0) * 3000.0 / 8000.0
    ground[600] = line + rise - 3000.0 * 5000.0 / (2 * EARTH_M)
    loss, _ = bullington_dB(d, ground, 10.0, 100.0, 2400.0)
    edge = exact_edge_dB(float(diffraction_parameter(rise, 3000.0, 5000.0, 2400.0)))
    edge = max(edge, 0.0)
    assert loss == pytest.approx(edge + (1 - np.exp(-edge / 6)) * (10 + 0.16), abs=0.9)


def two_screens_dB(first, second, total, near, far, tops, wave):
    """Field behind two half planes: the wave is carried from screen to screen by Fresnel's integral, numerically.

    Paraxial Huygens–Fresnel in two dimensions, trapezoidal, the upper end tapered off; 0 dB in free space.
    """
    k = 2 * np.pi / wave
    z = np.linspace(min(tops) - 10.0, 400.0, 9000)
    taper = np.where(z < 250.0, 1.0, 0.5 * (1 + np.cos(np.pi * (z - 250.0) / 150.0)))

    def carried(field, sources, targets, length):
        step = sources[1] - sources[0]
        phase = np.exp(1j * k * (targets[:, None] - sources[None, :]) ** 2 / (2 * length))
        return np.sqrt(1 / (1j * wave * length)) * (phase @ field) * step

    def through(first_top, second_top):
        field = np.exp(1j * k * (z - near) ** 2 / (2 * first)) / np.sqrt(first)
        field = field * taper * (z >= first_top)
        coarse = z[::3]
        field = carried(field, z, coarse, second - first) * (coarse >= second_top) * taper[::3]
        return carried(field, coarse, np.array([far]), total - second)[0]

    free = np.exp(1j * k * (far - near) ** 2 / (2 * total)) / np.sqrt(total)
    return -20 * np.log10(abs(through(*tops)) / abs(free))


@pytest.mark.parametrize(("tops", "tolerance"), [((60.0, -500.0), 12.0), ((60.0, 60.0), 8.0), ((70.0, 60.0), 9.0)])
def test_several_edges_against_a_wave_carried_from_screen_to_screen(tops, tolerance):
    """Bullington with eq. 52 stands for real ridges, about as many dB above bare screens as eq. 52 adds (up to 10)."""
    total, first, second = 9000.0, 3000.0, 6000.0
    near = far = 20.0
    d = np.linspace(0.0, total, 1801)
    ground = np.full(1801, -500.0)
    for at, top in zip((first, second), tops, strict=True):
        ground[int(at / 5)] = top - at * (total - at) / (2 * EARTH_M)
    ours = float(bullington_dB(d, ground, near, far, 433.0)[0])
    truth = two_screens_dB(first, second, total, near, far, tops, 299.792458 / 433.0)
    assert -1.0 < ours - truth < tolerance


def test_a_break_up_behind_a_ridge_is_said_to_be_that():
    """The margin falls by the exact edge of a ridge 2 km out while the aircraft flies low behind it."""
    readings = flight((47.3, -33.9), 0.0, far_m=5000.0, height=60.0)
    ground = Ground(readings.time_s, readings["range_m"], np.zeros((len(readings), 501)))
    behind = readings["range_m"] > 2100.0
    posts = np.linspace(0, 1, 501) * readings["range_m"][:, None]
    ground.profiles_m[(np.abs(posts - 2000.0) < 6.0) & behind[:, None]] = 55.0
    line = 2.0 + 58.0 * 2000.0 / readings["range_m"]
    v = np.where(
        behind, diffraction_parameter(55.0 - line, 2000.0, np.maximum(readings["range_m"] - 2000, 50.0), 1280.0), -3
    )
    rng = np.random.default_rng(3)
    fade = np.convolve(rng.normal(size=len(readings) + 20), np.ones(16) / 4, "same")[: len(readings)] * 1.2
    margin = 13.0 - 20 * np.log10(readings["range_m"] / 5000.0) - np.maximum(exact_edge_dB(v), 0) - 6.0 * behind + fade
    grade = np.interp(margin, [-6, -2.5, 0.5, 4.5, 10], [1, 2, 3, 4, 5])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (margin < 0).astype(int), [0]]))).reshape(-1, 2)
    broken = [(readings.time_s[a], readings.time_s[b - 1]) for a, b in edges if b - a > 6]
    assert broken
    seen = Readings(
        readings.time_s, {**readings.columns, "picture_grade": grade}, home=readings.home, legs=readings.legs,
        breakups=tuple(BrokenPicture(a, b, "noise", 1.5) for a, b in broken),
    )  # fmt: skip
    link = Link(1280.0, aerial_of("crossed"), aerial_of("crossed"))
    terms = link_terms(seen, link, ground)
    fit = fit_margin(terms, picture_evidence(seen), link)
    told = attribute(fit, terms, seen, broken)
    assert all(event.top.cause == "horizon or hill" for event in told)
    assert "the ground 2.0 km from the station stood" in told[0].sentence
    assert fresnel_radius_m(2000.0, 2000.0, 1280.0) < 40.0
