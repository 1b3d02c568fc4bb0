"""WGS 84 geodesics against Karney's algorithm (pyproj, geographiclib) and published lines."""

import numpy as np
import pyproj
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given
from hypothesis import strategies as st

from overlay.mechanics.geodesy import LocalPlane, direct, inverse

GEOD = pyproj.Geod(ellps="WGS84")


def test_published_lines():
    # JFK–LHR, the worked example of GeographicLib's GeodSolve: 5 551 759.400 m, 51.1989° (from memory).
    distance, azimuth, _ = inverse(40.6, -73.8, 51.6, -0.5)
    assert distance == pytest.approx(5551759.400, abs=0.001)
    assert azimuth == pytest.approx(51.198882845579824, abs=1e-9)
    # Wellington–Salamanca: geographiclib's own documentation, 19 959 679.267 m: close to antipodal (from memory).
    assert inverse(-41.32, 174.81, 40.96, -5.50)[0] == pytest.approx(19959679.26735382, abs=0.001)


# Lines of GeodTest.dat (Karney 2010, doi:10.5281/zenodo.32156) as geographiclib's own tests quote them:
# latitude, longitude, azimuth at both ends, metres between them.
GEODTEST = (
    (35.60777, -139.44815, 111.098748429560326, -11.17491, -69.95921, 129.289270889708762, 8935244.5604818305),
    (55.52454, 106.05087, 22.020059880982801, 77.03196, 197.18234, 109.112041110671519, 4105086.1713924406),
    (-21.97856, 142.59065, -32.44456876433189, 41.84138, 98.56635, -41.84359951440466, 8394328.894657671),
    (-66.99028, 112.2363, 173.73491240878403, -12.70631, 285.90344, 2.512956620913668, 11150344.2312080241),
    (-17.42761, 173.34268, -159.033557661192928, -15.84784, 5.93557, -20.787484651536988, 16076603.1631180673),
    (32.84994, 48.28919, 150.492927788121982, -56.28556, 202.29132, 48.113449399816759, 16727068.9438164461),
    (6.96833, 52.74123, 92.581585386317712, -7.39675, 206.17291, 90.721692165923907, 17102477.2496958388),
    (-50.56724, -16.30485, -105.439679907590164, -33.56571, -94.97412, -47.348547835650331, 6455670.5118668696),
)


@pytest.mark.parametrize("line", GEODTEST)
def test_published_pairs_there_and_back(line):
    lat1, lon1, azimuth1, lat2, lon2, azimuth2, metres = line
    distance, forward, onward = inverse(lat1, lon1, lat2, lon2)
    assert distance == pytest.approx(metres, abs=1e-3)
    assert (forward - azimuth1 + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-7)
    assert (onward - azimuth2 + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-7)
    latitude, longitude = direct(lat1, lon1, azimuth1, metres)
    assert latitude == pytest.approx(lat2, abs=1e-8)
    assert (longitude - lon2 + 180) % 360 - 180 == pytest.approx(0.0, abs=1e-8)


def test_a_quarter_meridian_and_a_degree_of_equator():
    # WGS 84 meridian quadrant 10 001 965.729 m (NGA TR8350.2 derived constants); equator: a·π/180.
    assert inverse(0.0, 0.0, 90.0, 0.0)[0] == pytest.approx(10001965.729, abs=0.001)
    assert inverse(0.0, 0.0, 0.0, 1.0)[0] == pytest.approx(6378137.0 * np.pi / 180, abs=1e-6)


def test_all_over_the_earth_within_a_millimetre_of_pyproj():
    rng = np.random.default_rng(7)
    lat1, lat2 = rng.uniform(-90, 90, (2, 5000))
    lon1, lon2 = rng.uniform(-180, 180, (2, 5000))
    distance, forward, back = inverse(lat1, lon1, lat2, lon2)
    azimuth, reverse, expected = GEOD.inv(lon1, lat1, lon2, lat2)
    assert np.abs(distance - expected).max() < 1e-3
    assert np.abs((forward - azimuth + 180) % 360 - 180).max() < 1e-6
    assert np.abs((back - reverse) % 360 - 180).max() < 1e-6


@given(
    st.floats(-89.9, 89.9), st.floats(-180, 180), st.floats(0, 359.99), st.floats(0.0, 60e3)
)  # fmt: skip
def test_there_and_back_at_model_ranges(latitude, longitude, azimuth, distance):
    lat2, lon2 = direct(latitude, longitude, azimuth, distance)
    expected = Geodesic.WGS84.Direct(latitude, longitude, azimuth, distance)
    assert abs(lat2 - expected["lat2"]) < 1e-9
    found, bearing, _ = inverse(latitude, longitude, lat2, lon2)
    assert found == pytest.approx(distance, abs=1e-4)
    if distance > 10.0:
        assert abs((bearing - azimuth + 180) % 360 - 180) < 1e-3


def test_antipodes_poles_coincidence_and_nothing():
    # The two lines by which Vincenty's iteration is usually shown to be slow and to fail (from memory).
    assert inverse(0.0, 0.0, 0.5, 179.5)[0] == pytest.approx(19936288.579, abs=0.001)
    assert inverse(0.0, 0.0, 0.5, 179.7)[0] == pytest.approx(19944127.421, abs=0.001)
    assert inverse(90.0, 0.0, -90.0, 77.0)[0] == pytest.approx(2 * 10001965.729, abs=0.01)
    assert inverse(12.0, 34.0, 12.0, 34.0)[:2] == (0.0, 0.0)
    assert np.isnan(inverse(np.nan, 0.0, 1.0, 1.0)[0])


def test_across_the_date_line():
    distance, azimuth, _ = inverse(10.0, 179.95, 10.0, -179.95)
    assert distance == pytest.approx(GEOD.inv(179.95, 10.0, -179.95, 10.0)[2], abs=1e-4)
    assert azimuth == pytest.approx(90.0, abs=0.02)


def test_local_plane_is_the_azimuthal_equidistant_projection():
    plane = LocalPlane(47.3, -33.9)
    reference = pyproj.Proj(proj="aeqd", lat_0=47.3, lon_0=-33.9, ellps="WGS84")
    rng = np.random.default_rng(1)
    latitude, longitude = 47.3 + rng.uniform(-0.4, 0.4, 300), -33.9 + rng.uniform(-0.4, 0.4, 300)
    east, north = plane.to_plane(latitude, longitude)
    x, y = reference(longitude, latitude)
    assert np.hypot(east - x, north - y).max() < 1e-3
    again = plane.to_geodetic(east, north)
    assert np.abs(again[0] - latitude).max() < 1e-10
    assert np.abs(again[1] - longitude).max() < 1e-10
