"""Whether a flight was worse than usual: the level kept, the loss found, the refusals; figures from series made by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.radio.usual import LEAST_OTHERS, Figure, judged


def figures(values, sigma=0.3):
    return [Figure(float(value), sigma) for value in values]


def test_the_prediction_interval_against_a_table() -> None:
    # t(0.975, 4) = 2.776 (NIST/SEMATECH e-Handbook §1.3.6.7.2); five values 1 … 5: mean 3, s = √2.5.
    found = judged(figures([1.0, 2.0, 3.0, 4.0, 5.0, 3.0]), 5)
    assert found.usual_dB == pytest.approx(2.776 * math.sqrt(2.5 * (1 + 1 / 5)), abs=1e-3)
    assert (found.verdict, found.others) == ("as usual", 5)
    assert found.chance == pytest.approx(1.0)


def test_grubbs_published_limit_is_the_level_of_one_singled_out() -> None:
    # Grubbs' two-sided 5 % limit for N = 8 is G = 2.126 (Grubbs & Beck, Technometrics 14, 1972, table I; from memory).
    # G counts the flight among its own mean and deviation; here it is left out of them, which is the same test.
    others = np.array([-1.5, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5])
    limit = judged(figures([*others, 0.0]), 7, singled_out=True).usual_dB
    everyone = np.append(others, limit)
    assert (limit - everyone.mean()) / everyone.std(ddof=1) == pytest.approx(2.126, abs=0.005)


@pytest.mark.parametrize(("count", "scatter"), [(4, 0.5), (6, 1.5), (12, 3.0)])
def test_false_alarms_come_as_often_as_stated(count, scatter) -> None:
    """Days differ by more than each flight is known to; nothing is wrong with the last one."""
    rng = np.random.default_rng(5)
    tries, own = 3000, 0.4
    found = [
        judged(figures(scatter * rng.normal(size=count) + own * rng.normal(size=count), own), count - 1)
        for _ in range(tries)
    ]
    worse = np.mean([one.verdict == "worse" for one in found])
    off = np.mean([one.verdict != "as usual" for one in found])
    assert worse <= 0.025 + 3 * math.sqrt(0.025 * 0.975 / tries)
    assert off <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / tries)
    if scatter > 3 * own:  # where the days scatter, the level is kept, not undercut
        assert off > 0.03


def test_a_flight_known_less_well_than_the_others_is_no_alarm() -> None:
    rng = np.random.default_rng(6)
    own = np.array([0.3, 0.3, 0.3, 0.3, 0.3, 2.5])
    alarms = 0
    for _ in range(2000):
        values = rng.normal(size=6) * np.hypot(0.5, own)
        found = judged([Figure(value, sigma) for value, sigma in zip(values, own, strict=True)], 5)
        alarms += found.verdict != "as usual"
    assert alarms / 2000 <= 0.05


@pytest.mark.parametrize(("loss", "least"), [(3.0, 0.45), (6.0, 0.95)])
def test_power_for_a_loss_among_eight_flights_that_scatter_by_one_dB(loss, least) -> None:
    rng = np.random.default_rng(7)
    verdicts = []
    for _ in range(500):
        values = rng.normal(size=8)
        values[-1] -= loss
        verdicts.append(judged(figures(values), 7).verdict)
    assert np.mean([verdict == "worse" for verdict in verdicts]) >= least


def test_the_interval_of_the_difference_holds_the_truth() -> None:
    rng = np.random.default_rng(8)
    tries, held, chance_held = 2000, 0, 0
    for _ in range(tries):
        days, own, loss = 1.2 * rng.normal(size=7), 0.5, 4.0
        days[-1] -= loss
        found = judged(figures(days + own * rng.normal(size=7), own), 6)
        low, high = found.measured95_dB
        held += low <= days[-1] <= high  # against the mean that such days have, 0
        chance_held += abs(found.difference_dB + loss) <= found.usual_dB
    assert held / tries == pytest.approx(0.95, abs=0.02)
    assert chance_held / tries == pytest.approx(0.95, abs=0.02)


def test_too_few_flights_are_refused_and_the_reason_told() -> None:
    for count in range(1, LEAST_OTHERS + 1):
        found = judged(figures([0.0] * (count - 1) + [-9.0]), count - 1)
        assert found.verdict == "not told"
        assert "3 are needed" in found.why
    last = judged([*figures([0.0, 0.4]), Figure(1.0, math.nan, at_least=True), Figure(-6.0, 0.3)], 3)
    assert last.verdict == "not told"
    assert "at least 6.0 dB below each of 3 other flights" in last.why
    assert "one chance in 4" in last.why


def test_bounds_are_used_as_bounds() -> None:
    known = figures([0.1, -0.2, 0.3, 0.0, -0.1])

    def bound(dB):
        return Figure(dB, math.nan, at_least=True)

    assert judged([*known, bound(3.0)], 5).verdict == "better"
    assert judged([*known, bound(0.0)], 5).verdict == "as usual"
    hidden = judged([*known, bound(-4.0)], 5)
    assert (hidden.verdict, hidden.why) == ("not told", "it was not flown far enough to tell")
    # One that was never flown to where it falls may be as good as the one that seems better than all.
    assert judged([*known, bound(0.5), Figure(4.0, 0.2)], 6).verdict == "not told"
    assert judged([*known, bound(0.5), Figure(-4.0, 0.2)], 6).verdict == "worse"
    assert judged([*known, bound(3.0), bound(3.0)], 6).verdict == "not told", "both may be as good"


def test_flights_without_a_figure_have_no_say() -> None:
    known = figures([0.1, -0.2, 0.3, 0.0, -3.0])
    more = [*known[:2], Figure.none("no log"), *known[2:]]
    assert judged(more, 5) == judged(known, 4)
    assert judged([*known, Figure.none("it has no log")], 5).why == "it has no log"


@given(st.lists(st.floats(-20, 20), min_size=4, max_size=12), st.floats(-100, 100), st.randoms(use_true_random=False))
def test_neither_the_zero_nor_the_order_matters(values, shift, random) -> None:
    first = judged(figures(values), 0)
    others = [value + shift for value in values[1:]]
    random.shuffle(others)
    second = judged(figures([values[0] + shift, *others]), 0)
    assert second.difference_dB == pytest.approx(first.difference_dB, abs=1e-9)
    assert second.usual_dB == pytest.approx(first.usual_dB, rel=1e-6)
    mirrored = judged(figures([-value for value in values]), 0)
    swap = {"worse": "better", "better": "worse"}
    assert mirrored.verdict == swap.get(first.verdict, first.verdict)


def test_range_factor_is_free_space() -> None:
    # ITU-R P.525: 20·log10 of the range, 6.02 dB for a doubling.
    found = judged(figures([0.0, 0.0, 0.0, -6.0206]), 3)
    assert found.range_factor == pytest.approx(0.5, abs=1e-5)
