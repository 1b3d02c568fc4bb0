"""The ground that mirrors: the handbook's two-ray nulls over ground at any height, shadows, and Rayleigh's criterion."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from overlay.radio.aerials import aerial_of
from overlay.radio.ground import Ground
from overlay.radio.link import Link, link_terms
from overlay.radio.mirror import mirror_over, smooth_mirror
from overlay.readings import Leg, Readings

WAVE_1280 = 299.792458 / 1280.0


def over(ground_of, distance, height=100.0, station=2.0, MHz=1280.0, posts=400):
    """Mirrors of straight paths to `distance` (M,) over ground given as a function of the way from the station."""
    along = distance[:, None] * np.linspace(0.0, 1.0, posts)
    count = np.full(len(distance), 1.0)
    return mirror_over(along, ground_of(along), station * count, height * count, MHz)


@pytest.mark.parametrize(
    ("height", "station", "MHz"), [(100.0, 2.0, 1280.0), (100.0, 2.0, 2400.0), (60.0, 4.0, 1280.0)]
)
@pytest.mark.parametrize("lower_m", [0.0, 6.0])
@pytest.mark.parametrize("order", [1, 2, 3])
def test_nulls_of_the_flat_earth_table_over_ground_at_any_level(height, station, MHz, lower_m, order):
    """The field is least at 2·h_t·h_r/(n·λ), heights over the ground that mirrors: six metres lower, far other places."""
    wave = 299.792458 / MHz
    up, down = height + lower_m, station + lower_m
    null = 2.0 * up * down / (order * wave)
    distance = np.linspace(0.85 * null, 1.1 * null, 801)
    found = over(lambda along: np.full_like(along, -lower_m), distance, height, station, MHz)
    gain = found.gain_dB(MHz)
    # The table is for a plane and long ways: the slant √(d² + h²) and the curve d²/(2a) under the aircraft shift a null.
    slant, curve = (up / null) ** 2 / 2, null**2 / (2 * 8.5e6) / up
    assert distance[np.argmin(gain)] == pytest.approx(null, rel=0.01 + slant + curve)
    assert gain.min() < -6.0
    assert gain.min() < gain[0] - 6.0


def test_flat_ground_is_the_smooth_earth():
    distance = np.linspace(400.0, 9000.0, 300)
    flat = over(np.zeros_like, distance).gain_dB(1280.0)
    smooth = smooth_mirror(distance, np.full(300, 100.0), 2.0).gain_dB(1280.0)
    assert np.abs(flat - smooth).max() < 1.5
    assert np.median(np.abs(flat - smooth)) < 0.1


@pytest.mark.parametrize("slope", [-0.03, 0.02])
def test_a_slope_mirrors_by_the_shortest_way_that_touches_it(slope):
    """Fermat's principle: the way by the ground is the shortest one, found by numbers and not by planes."""
    distance = np.array([1500.0, 3000.0])
    found = over(lambda along: slope * along, distance, height=150.0, posts=800)
    for row, total in enumerate(distance):

        def way(x, total=total):
            bulge = x * (total - x) / (2 * 8.5e6)
            ground = slope * x + bulge
            return np.hypot(x, 2.0 - ground) + np.hypot(total - x, 150.0 - ground)

        shortest = minimize_scalar(way, bounds=(0.0, total), method="bounded", options={"xatol": 1e-6}).fun
        longer = shortest - np.hypot(total, 148.0)
        plane = np.hypot(found.distance_m[row], found.far_m[row] + found.near_m[row]) - np.hypot(
            found.distance_m[row], found.far_m[row] - found.near_m[row]
        )
        assert plane == pytest.approx(longer, rel=0.03)


def test_a_mirror_that_one_end_cannot_see_mirrors_nothing():
    """A bank 40 m high in front of the station hides all the ground that could throw the wave up to the aircraft."""
    distance = np.linspace(1200.0, 6000.0, 200)

    def bank(along):
        return np.where((along > 60.0) & (along < 140.0), 40.0, 0.0)

    hidden = over(bank, distance, posts=800)
    open_ = over(np.zeros_like, distance, posts=800)
    plain = hidden.near_m < 10.0  # the plain beyond the bank; the bank's own top is no plane either
    assert np.abs(hidden.gain_dB(1280.0)[plain]).max(initial=0.0) < 1.0
    assert np.abs(hidden.gain_dB(1280.0)).max() < 3.0
    assert np.ptp(open_.gain_dB(1280.0)) > 10.0


def test_rayleighs_criterion_divides_smooth_from_rough():
    """σ = λ/(8·sin ψ) (any handbook): well below it nulls are deep, well above it there are none."""
    distance = np.linspace(3000.0, 6000.0, 600)  # across the farthest null of a 3 m mast at 433 MHz and what is beyond
    bound = 0.6924 / (8 * 103.0 / 4500.0)  # 3.8 m at 4.5 km
    depth = {}
    for times in (0.0, 3.0):
        rng = np.random.default_rng(4)
        waves = rng.normal(size=4000) * bound * times

        def rough(along, waves=waves):
            return np.where(along > 0.0, np.interp(along, np.arange(4000) * 15.0, waves), 0.0)

        found = over(rough, distance, station=30.0, MHz=433.0, posts=400)
        gain = found.gain_dB(433.0)
        depth[times] = np.ptp(np.quantile(gain, [0.025, 0.975]))  # of random ground a patch is flat by chance
        if times:
            assert np.median(found.roughness_m) > bound
    assert depth[0.0] > 8.0
    assert depth[3.0] < depth[0.0] / 4
    at_bound = smooth_mirror(np.array([4500.0]), np.array([100.0]), 3.0)
    weakened = np.exp(-2 * (2 * np.pi / 0.6924 * bound * 103.0 / 4500.0) ** 2)
    assert weakened == pytest.approx(0.29, abs=0.01)  # exp(−π²/8)
    assert at_bound.reflects == pytest.approx(0.9)


def test_heights_from_space_over_a_flat_field_do_not_make_it_rough():
    rng = np.random.default_rng(5)
    noise = np.round(rng.normal(size=500))  # posts 30 m apart, a metre rms, whole metres
    distance = np.linspace(1000.0, 4000.0, 200)
    found = over(lambda along: np.interp(along, np.arange(500) * 30.0, noise), distance, station=6.0)
    assert np.median(found.roughness_m) < 0.5
    assert np.mean(found.reflects > 0) > 0.9


def test_unknown_ground_is_unknown_and_the_smooth_earth_is_taken():
    along = np.linspace(0, 1, 50) * np.array([[1000.0], [2000.0]])
    ground = np.zeros((2, 50))
    ground[0] = np.nan
    found = mirror_over(along, ground, np.full(2, 2.0), np.full(2, 80.0), 1280.0)
    assert np.isnan(found.table()[0]).all()
    assert np.isfinite(found.table()[1]).all()
    filled = found.known_or(smooth_mirror(np.array([1000.0, 2000.0]), np.full(2, 80.0), 2.0))
    assert filled.near_m == pytest.approx(2.0, abs=0.01)


def test_the_links_term_mirrors_where_the_ground_is():
    """A station on the rim of a valley 25 m deep: nulls of the valley's floor, not of home's level."""
    distance = np.linspace(3000.0, 8000.0, 1801)
    readings = Readings(
        np.arange(1801.0),
        {
            "range_m": distance, "bearing_deg": np.zeros(1801), "height_m": np.full(1801, 30.0),
            "heading_deg": np.zeros(1801), "bank_deg": np.zeros(1801),
        },
        legs=(Leg("out", 0.0, 1801.0),),
    )  # fmt: skip
    along = distance[:, None] * np.linspace(0, 1, 500)
    ground = Ground(readings.time_s, distance, np.where(along < 40.0, 0.0, -25.0))
    link = Link(1280.0, aerial_of("crossed"), aerial_of("crossed"), ground_height_m=2.0)
    far = distance > 4000.0
    valley = link_terms(readings, link, ground).dB["ground reflection"]
    plain = link_terms(readings, link).dB["ground reflection"]
    first = 2 * 55.0 * 27.0 / WAVE_1280  # 12.7 km; the second of them 6.3 km
    assert distance[far][np.argmin(valley[far])] == pytest.approx(first / 2, rel=0.05)
    assert np.ptp(valley[far]) > 8.0
    assert plain[far].max() < -1.0  # beyond 2·30·2/λ there is no null any more, only the plane-earth law
