"""Units against their definitions, numbers as they are read, and figures that do not flicker."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.instruments.quantities import MINUS, NO_DATA, THIN_SPACE, UNITS, number, round_scale, steady

finite = st.floats(-5000, 5000)


@pytest.mark.parametrize(
    ("system", "kind", "si", "shown"),
    [
        # Conversion factors of NIST Special Publication 811 (2008), appendix B.8.
        ("metric", "speed", 10.0, 36.0),
        ("imperial", "speed", 1 / 2.236936, 1.0),
        ("aviation", "speed", 0.5144444, 1.0),
        ("imperial", "height", 0.3048, 1.0),
        ("aviation", "climb", 5.08e-3, 1.0),  # 1 ft/min = 5.08e-3 m/s
        ("imperial", "far", 1609.344, 1.0),
        ("aviation", "far", 1852.0, 1.0),
    ],
)
def test_units_convert_as_defined(system: str, kind: str, si: float, shown: float) -> None:
    assert si * getattr(UNITS[system], kind).per_si == pytest.approx(shown, rel=1e-6)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1234.0, 0, f"1{THIN_SPACE}234"),
        (-0.04, 1, "0.0"),  # never minus nought
        (-3.26, 1, f"{MINUS}3.3"),
        (math.nan, 0, NO_DATA),
        (math.inf, 0, NO_DATA),
    ],
)
def test_numbers_as_they_are_read(value: float, decimals: int, text: str) -> None:
    assert number(value, decimals) == text


@pytest.mark.parametrize(
    ("system", "metres", "text"),
    [
        ("metric", 994.0, "990 m"),
        ("metric", 6612.0, "6.6 km"),
        ("imperial", 1609.344, "1.0 mi"),
        ("imperial", 30.48, "100 ft"),
        ("aviation", 18520.0, "10.0 NM"),
        ("aviation", 926.0, "0.50 NM"),
        ("metric", math.nan, f"{NO_DATA} km"),
    ],
)
def test_distances_take_the_unit_of_their_size(system: str, metres: float, text: str) -> None:
    assert " ".join(UNITS[system].distance(metres)) == text


@given(st.lists(finite | st.just(math.nan), max_size=200), st.sampled_from([0.1, 1.0, 5.0]))
def test_a_steady_figure_is_near_its_value_and_a_whole_number_of_steps(values: list[float], step: float) -> None:
    shown = steady(np.array(values, np.float64), step)
    for value, figure in zip(values, shown, strict=True):
        if math.isfinite(value):
            assert abs(figure - value) <= 0.7 * step + 1e-9
            assert figure / step == pytest.approx(round(figure / step), abs=1e-6)
        else:
            assert math.isnan(figure)


def test_a_value_hovering_between_two_digits_does_not_flicker() -> None:
    rng = np.random.default_rng(1)
    hovering = 47.5 + rng.normal(0, 0.06, 500)
    assert np.count_nonzero(np.diff(steady(hovering, 1.0))) <= 1 < np.count_nonzero(np.diff(np.rint(hovering)))


@given(st.floats(0.01, 1e6), st.integers(2, 12))
def test_a_ruler_holds_its_largest_value_in_round_steps(largest: float, divisions: int) -> None:
    top, step = round_scale(largest, divisions)
    assert top >= largest * 0.999
    assert top <= largest + step * 1.001
    assert top / step <= divisions + 1e-6
    assert round(step / 10 ** math.floor(math.log10(step) + 1e-9), 6) in (1, 2, 5)
