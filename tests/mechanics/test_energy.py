"""Charge and energy by hand-worked integrals, and the trade's figure of a kilometre's cost."""

import numpy as np
import pytest

from overlay.mechanics.energy import charge_mAh, energy_Wh, per_kilometre


def test_hand_worked_integrals():
    # 10 A for 6 min is 1 Ah; a ramp 0 → 20 A over 6 min the same; at 14.8 V, 10 A for 6 min is 14.8 Wh.
    time = np.linspace(0.0, 360.0, 721)
    assert charge_mAh(time, np.full(721, 10.0), 2.0).total[-1] == pytest.approx(1000.0)
    assert charge_mAh(time, 20.0 * time / 360.0, 2.0).total[-1] == pytest.approx(1000.0)
    assert energy_Wh(time, np.full(721, 148.0), 2.0).total[-1] == pytest.approx(14.8)


def test_uneven_steps_follow_the_trapezium_rule():
    # (0 s, 6 A) (1 s, 12 A) (3 s, 0 A): 9 + 12 = 21 A·s = 5.8333 mAh.
    found = charge_mAh(np.array([0.0, 1.0, 3.0]), np.array([6.0, 12.0, 0.0]), 5.0)
    assert found.total == pytest.approx([0.0, 9 / 3.6, 21 / 3.6])
    assert (found.bridged_s, found.bridged) == (0.0, 0.0)


def test_a_hole_is_bridged_and_counted():
    time = np.array([0.0, 1.0, 2.0, 62.0, 63.0])
    found = charge_mAh(time, np.array([6.0, 6.0, 6.0, 12.0, 12.0]), 2.0)
    assert found.bridged_s == 60.0
    assert found.bridged == pytest.approx(9.0 * 60 / 3.6)


def test_unknown_currents_are_left_out():
    time = np.arange(5.0)
    current = np.array([4.0, np.nan, 4.0, np.nan, 4.0])
    assert charge_mAh(time, current, 3.0).total[-1] == pytest.approx(16 / 3.6)
    assert np.isnan(charge_mAh(time, np.full(5, np.nan), 3.0).at(time)).all()


def test_cost_of_a_kilometre():
    # Common practice, no source: a 2 m foam aircraft draws 5 700 mAh over a 33 km round trip: 173 mAh/km.
    distance = np.linspace(0.0, 33e3, 3301)
    cost = per_kilometre(distance, 5700.0 * distance / 33e3)
    assert np.isnan(cost[:100]).all()
    assert cost[101:] == pytest.approx(172.7, abs=0.1)


def test_a_hover_counts_in_the_kilometre_it_was_flown_in():
    distance = np.concatenate([np.linspace(0, 2000, 201), np.full(50, 2000.0), np.linspace(2000, 4000, 201)])
    charge = np.concatenate([np.linspace(0, 300, 201), np.linspace(300, 350, 50), np.linspace(350, 650, 201)])
    cost = per_kilometre(distance, charge)
    assert cost[200] == pytest.approx(150.0)
    assert cost[250] == pytest.approx(200.0)
    assert cost[-1] == pytest.approx(150.0)
    assert np.isnan(per_kilometre(np.full(3, np.nan), np.full(3, 1.0))).all()
