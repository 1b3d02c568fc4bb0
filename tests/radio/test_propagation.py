"""Propagation against the recommendations' own figures, exact Fresnel integrals, and geometry worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import fresnel

from overlay.radio.mirror import smooth_mirror
from overlay.radio.propagation import (
    bulge_m,
    bullington_dB,
    diffraction_parameter,
    free_space_dB,
    fresnel_radius_m,
    horizon_m,
    knife_edge_dB,
    smooth_earth_dB,
    two_ray_nulls_m,
    wavelength_m,
)


def two_rays_dB(distance, height, station, MHz, *, reflection=0.9, roughness_m=0.1):
    """Direct plus mirrored wave over the direct one, above a smooth Earth of that reflection and roughness."""
    smooth = smooth_mirror(distance, height, station)
    like = np.ones_like(smooth.distance_m)
    return replace(smooth, reflects=reflection * like, roughness_m=roughness_m * like).gain_dB(MHz)


@pytest.mark.parametrize(("MHz", "dB"), [(433, 105.2), (1280, 114.6), (2400, 120.0), (5800, 127.7)])
def test_free_space_at_ten_kilometres(MHz, dB):
    # ITU-R P.525: 32.4 + 20·log f(MHz) + 20·log d(km).
    assert free_space_dB(10_000.0, MHz) == pytest.approx(dB, abs=0.06)
    assert free_space_dB(10_000.0, MHz) == pytest.approx(32.45 + 20 * np.log10(MHz) + 20, abs=0.01)


@pytest.mark.parametrize(("MHz", "radius"), [(433, 42), (1280, 24), (2400, 18), (5800, 11)])
def test_first_fresnel_radius_in_the_middle_of_ten_kilometres(MHz, radius):
    # ITU-R P.526 eq. 2 in practical units: 550·√(n·d₁·d₂/((d₁+d₂)·f)).
    assert fresnel_radius_m(5e3, 5e3, MHz) == pytest.approx(radius, abs=0.5)
    assert fresnel_radius_m(2e3, 8e3, MHz, 3) == pytest.approx(550 * np.sqrt(3 * 2 * 8 / (10 * MHz)), rel=5e-3)


def test_knife_edge_of_the_recommendation():
    assert knife_edge_dB(0.0) == pytest.approx(6.0, abs=0.05)  # P.526: J(0) = 6.0, J(1) = 13.9 dB
    assert knife_edge_dB(1.0) == pytest.approx(13.9, abs=0.05)
    assert knife_edge_dB(-5.0) == 0.0


def test_knife_edge_against_exact_fresnel_integrals():
    v = np.linspace(-0.7, 5.0, 200)
    s, c = fresnel(v)
    exact = -20 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2)  # P.526 eq. 30
    assert np.abs(knife_edge_dB(v) - exact).max() < 0.5


def test_fresnel_zone_and_parameter_agree():
    # The first zone's edge is ν = √2 (P.526: ν = h·√2/R₁ at any place of the path).
    radius = fresnel_radius_m(3e3, 7e3, 2400.0)
    assert diffraction_parameter(radius, 3e3, 7e3, 2400.0) == pytest.approx(np.sqrt(2), rel=1e-9)


def test_horizon_rule():
    # P.526's 4/3 Earth: 4.12·(√h₁ + √h₂) km.
    assert (horizon_m(2.0) + horizon_m(100.0)) / 1000 == pytest.approx(4.12 * (np.sqrt(2) + 10), rel=2e-3)
    assert bulge_m(5e3, 5e3) == pytest.approx(1.47, abs=0.01)  # 25/17 m
    assert horizon_m(-3.0) == 0.0


def test_farthest_nulls_of_two_rays():
    # 2·h_t·h_r/λ for 100 m and 2 m: 0.58, 1.7, 3.2, 7.7 km at 433, 1280, 2400, 5800 MHz.
    for MHz, km in ((433, 0.58), (1280, 1.7), (2400, 3.2), (5800, 7.7)):
        assert two_ray_nulls_m(100.0, 2.0, MHz)[0] / 1000 == pytest.approx(km, rel=0.01)


@pytest.mark.parametrize("MHz", [1280.0, 2400.0])
def test_the_field_really_is_least_at_the_nulls(MHz):
    distance = np.linspace(300.0, 6000.0, 20_000)
    gain = two_rays_dB(distance, 100.0, 2.0, MHz, roughness_m=0.0)
    for null in two_ray_nulls_m(100.0, 2.0, MHz, 3):
        near = np.abs(distance / null - 1) < 0.08
        found = distance[near][np.argmin(gain[near])]
        assert found == pytest.approx(null, rel=0.03)  # the curve of the Earth and the slant shift it a little
        assert gain[near].min() < -12.0
    assert gain.max() == pytest.approx(20 * np.log10(1.9), abs=0.05)


def test_plane_earth_law_beyond_the_break_point():
    # Far beyond 4·h_t·h_r/λ the loss is 40·log d − 20·log(h_t·h_r), whatever the frequency (any handbook).
    h_t, h_r, d = 30.0, 2.0, 9e3
    total = free_space_dB(d, 433.0) - two_rays_dB(d, h_t, h_r, 433.0, reflection=1.0, roughness_m=0.0)
    assert total == pytest.approx(40 * np.log10(d) - 20 * np.log10(h_t * h_r), abs=2.5)


def test_a_rough_ground_mirrors_less():
    distance = np.linspace(200.0, 2000.0, 500)
    smooth = np.ptp(two_rays_dB(distance, 100.0, 2.0, 5800.0, roughness_m=0.0))
    assert np.ptp(two_rays_dB(distance, 100.0, 2.0, 5800.0, roughness_m=0.5)) < smooth / 2


def profile(hill_m, at_m, total=10_000.0):
    distance = np.linspace(0.0, total, 1001)
    return distance, np.where(np.isclose(distance, at_m), hill_m, -500.0)


def test_one_hill_is_one_knife_edge():
    distance, ground = profile(150.0, 4000.0)
    loss, clearance = bullington_dB(distance, ground, 100.0, 100.0, 1280.0)
    above = 150.0 + bulge_m(4000.0, 6000.0) - 100.0
    edge = knife_edge_dB(diffraction_parameter(above, 4000.0, 6000.0, 1280.0))
    supplement = (1 - np.exp(-edge / 6)) * (10 + 0.02 * 10)  # P.526 eq. 52
    assert loss == pytest.approx(edge + supplement, abs=0.05)
    assert clearance == pytest.approx(-above / fresnel_radius_m(4000.0, 6000.0, 1280.0), rel=1e-3)


def test_clear_path_loses_nothing():
    loss, clearance = bullington_dB(*profile(0.0, 4000.0), 100.0, 100.0, 1280.0)
    assert loss == pytest.approx(0.0, abs=0.01)
    assert clearance > 3.0
    assert bullington_dB(np.array([0.0, 10.0]), np.zeros(2), 1.0, 1.0, 1280.0) == (0.0, np.inf)


def test_smooth_earth():
    beyond = horizon_m(2.0) + horizon_m(10.0)
    assert smooth_earth_dB(2000.0, 100.0, 2.0, 2400.0) == 0.0
    assert smooth_earth_dB(beyond, 10.0, 2.0, 2400.0) == pytest.approx(6.0, abs=0.3)  # grazing: J(0)
    assert smooth_earth_dB(2 * beyond, 10.0, 2.0, 2400.0) > 10.0


@given(st.floats(-10, 1e6), st.floats(-50, 5000), st.floats(0.1, 50), st.floats(70, 6000))
def test_nothing_breaks_it(distance, height, ground, MHz):
    assert np.isfinite(free_space_dB(distance, MHz))
    assert -41.0 < two_rays_dB(distance, height, ground, MHz) <= 6.03
    assert smooth_earth_dB(distance, height, ground, MHz) >= 0.0
    assert wavelength_m(MHz) > 0
