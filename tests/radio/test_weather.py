"""Rain and cloud against `itur`, an independent implementation, and the recommendations' own magnitudes."""

import pytest

from overlay.radio.weather import cloud_dB_per_km, rain_coefficients, rain_dB_per_km

itur = pytest.importorskip("itur")


def number(value):
    return float(getattr(value, "value", value))


@pytest.mark.parametrize("GHz", [1.0, 1.28, 2.4, 5.8, 10.0, 24.0])
@pytest.mark.parametrize("tilt", [0.0, 45.0, 90.0])
@pytest.mark.filterwarnings("ignore")
def test_rain_coefficients(GHz, tilt):
    from itur.models import itu838

    k, alpha = itu838.rain_specific_attenuation_coefficients(GHz, 7.0, tilt)
    assert rain_coefficients(GHz * 1000, tilt, 7.0) == pytest.approx((number(k), number(alpha)), rel=1e-6)


@pytest.mark.parametrize("GHz", [1.28, 2.4, 5.8, 10.0, 24.0])
@pytest.mark.parametrize("celsius", [-8.0, 0.0, 10.0])
@pytest.mark.filterwarnings("ignore")
def test_cloud(GHz, celsius):
    from itur.models import itu840

    expected = number(itu840.specific_attenuation_coefficients(GHz, celsius))
    assert cloud_dB_per_km(1.0, GHz * 1000, celsius) == pytest.approx(expected, rel=1e-6)


def test_weather_does_not_break_a_picture_below_three_gigahertz():
    # P.838-3 at 50 mm/h and P.840 at 1 g/m³: the magnitudes that acquit the weather.
    assert rain_dB_per_km(50.0, 1280.0, "horizontal") == pytest.approx(0.0017, abs=1e-4)
    assert rain_dB_per_km(50.0, 2400.0, "horizontal") == pytest.approx(0.009, abs=1e-3)
    assert rain_dB_per_km(50.0, 5800.0, "horizontal") == pytest.approx(0.31, abs=0.01)
    assert rain_dB_per_km(50.0, 433.0) < 0.002
    assert [cloud_dB_per_km(1.0, MHz) for MHz in (1280.0, 2400.0, 5800.0)] == pytest.approx(
        [0.0011, 0.004, 0.023], abs=5e-4
    )


def test_dry_air_and_polarisation():
    assert rain_dB_per_km(0.0, 5800.0) == 0.0
    low, middle, high = (rain_dB_per_km(50.0, 5800.0, p) for p in ("vertical", "circular", "horizontal"))
    assert low < middle < high  # flattened drops take more of the horizontal
    with pytest.raises(KeyError):
        rain_dB_per_km(5.0, 5800.0, "slanted")
