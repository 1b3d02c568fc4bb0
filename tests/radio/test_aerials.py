"""Aerials against their published directivities and beamwidths, and the polarisation table of any handbook."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import UsageError
from overlay.radio.aerials import FLOOR_DB, Aerial, aerial_of, polarisation_dB


def directivity_dBi(aerial):
    """Peak over mean of the pattern on the sphere; the floor lifted so that only the pattern counts."""
    theta = np.linspace(0.0, 180.0, 20_001)
    power = 10 ** (aerial.pattern_dB(theta) / 10)
    sine = np.sin(np.radians(theta))
    return 10 * np.log10(2 * power.max() / np.trapezoid(power * sine, np.radians(theta)))


def half_power_deg(aerial, peak_deg=0.0):
    theta = np.linspace(0.0, 180.0, 200_001)
    near = (aerial.pattern_dB(theta) >= -3.0103) & (np.abs(theta - peak_deg) < 60)
    return theta[near].max() - (theta[near].min() if peak_deg else -theta[near].max())


def test_half_wave_dipole():
    # Kraus, Balanis: 2.15 dBi, 78° between half-power directions.
    dipole = aerial_of("dipole")
    assert directivity_dBi(dipole) == pytest.approx(2.15, abs=0.05)
    assert half_power_deg(dipole, 90.0) == pytest.approx(78.0, abs=0.5)


def test_turnstile_and_ring():
    assert directivity_dBi(aerial_of("turnstile")) == pytest.approx(10 * np.log10(1.5), abs=0.02)  # (1 + cos²θ)/2
    assert directivity_dBi(aerial_of("crossed elements")) == pytest.approx(
        1.76, abs=0.05
    )  # sin²θ: a short dipole's 1.5


@pytest.mark.parametrize("turns", [4, 6, 8, 10])
def test_helix_beam_of_kraus(turns):
    # Kraus: HPBW = 52°/(C/λ·√(N·S/λ)) with C = λ, S = λ/4; the array formula gives a little less than his fit.
    helix = aerial_of(f"{turns}-turn helix")
    assert helix.beamwidth_deg == pytest.approx(52 / np.sqrt(turns / 4))
    assert half_power_deg(helix) == pytest.approx(helix.beamwidth_deg, rel=0.2)
    assert helix.pattern_dB(np.array([0.0])) == pytest.approx(0.0, abs=1e-9)


def test_beams_from_their_gain():
    # Handbook rule: 8 dBi of a patch go with about 65°.
    patch = aerial_of("8 dBi patch")
    assert patch.beamwidth_deg == pytest.approx(65.0, abs=3.0)
    assert patch.pattern_dB(np.array([patch.beamwidth_deg / 2])) == pytest.approx(-3.0)
    assert patch.pattern_dB(np.array([180.0])) == FLOOR_DB


@pytest.mark.parametrize(("bank", "loss"), [(30, 1.2), (45, 3.0), (60, 6.0), (75, 11.7)])
def test_polarisation_of_a_banked_aircraft(bank, loss):
    # −20·log|cos bank|, as any handbook tabulates it.
    rod = aerial_of("dipole")
    assert -polarisation_dB(rod, rod, np.array([float(bank)])) == pytest.approx(loss, abs=0.05)


def test_circular_polarisation():
    angles = np.array([0.0, 60.0])
    right, left = (Aerial("crossed", 1.8, f"{hand}-hand circular") for hand in ("right", "left"))
    assert polarisation_dB(right, right, angles) == pytest.approx(0.0)
    assert polarisation_dB(right, aerial_of("dipole"), angles) == pytest.approx(-3.0)
    assert polarisation_dB(left, right, angles) == pytest.approx(-15.0)


def test_plain_words():
    assert aerial_of("quarter-wave whip").kind == "whip"
    assert aerial_of("12 dBi yagi, horizontal").polarisation == "horizontal"
    assert aerial_of("patch", "left-hand circular").circular
    assert aerial_of("Helical, 7 turns").turns == 7.0
    for nonsense in ("", "antenna", "patch on a helix"):
        with pytest.raises(UsageError, match="helix"):
            aerial_of(nonsense)


@given(
    st.sampled_from(["isotropic", "dipole", "whip", "crossed", "turnstile", "patch", "helix", "beam"]),
    st.floats(-720, 720),
)
def test_patterns_stay_between_floor_and_peak(kind, angle):
    gain = aerial_of(kind).pattern_dB(np.array([angle]))
    assert FLOOR_DB <= gain <= 1e-9
