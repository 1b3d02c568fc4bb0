import numpy as np
import pytest

from overlay.readings import LEGS, BrokenPicture, Home, Leg, Pack, Readings, conditions


def test_leg_at_is_half_open():
    readings = Readings([0.0, 1.0, 2.0], {}, legs=(Leg("out", 0.0, 1.0), Leg("home", 1.0, 2.0)))
    assert [readings.leg_at(t) for t in (-0.1, 0.0, 0.999, 1.0, 2.0)] == [None, "out", "out", "home", None]


def test_absent_and_unknown_read_the_same():
    readings = Readings([0.0, 1.0], {"range_m": [float("nan"), float("nan")]})
    assert not readings.has("range_m")
    assert not readings.has("bank_deg")
    assert readings["range_m"] == pytest.approx(readings["bank_deg"], nan_ok=True)


def test_everything_is_frozen():
    readings = Readings([0.0], {"range_m": [1.0]}, home=Home(1.0, 2.0, 3.0, "by hand"), pack=Pack(5000.0))
    with pytest.raises(AttributeError):
        readings.home = None
    with pytest.raises(ValueError, match="read-only"):
        readings["range_m"][0] = 2.0
    assert readings.home.sure
    assert readings.pack.usable_fraction == 0.8
    assert BrokenPicture(0.0, 1.0, "noise", 2.0).kind == "noise"
    assert LEGS[0] == "on the ground"


def there_and_back(**columns) -> Readings:
    """A minute out to 1200 m due east and a minute back."""
    time = np.arange(0.0, 120.0)
    out = time < 60
    usual = {
        "range_m": 20 * np.where(out, time, 120 - time),
        "bearing_deg": np.full(120, 90.0),
        "heading_deg": np.where(out, 90.0, 270.0),
    }
    legs = (Leg("out", 0.0, 60.0), Leg("home", 60.0, 120.0))
    return Readings(time, {**usual, **columns}, legs=legs)


def test_nose_against_the_way_home():
    readings = there_and_back()
    assert abs(conditions(readings, 30.0)["heading_off_home_deg"]) == pytest.approx(180.0)
    assert conditions(readings, 90.0)["heading_off_home_deg"] == pytest.approx(0.0)
    right = there_and_back(heading_deg=np.full(120, 300.0))
    assert conditions(right, 90.0)["heading_off_home_deg"] == pytest.approx(30.0)


def test_same_range_on_the_other_leg():
    grade = np.where(np.arange(120) < 60, 5.0, 4.5)
    grade[88:92] = 1.5  # 560 to 640 m, homebound
    readings = there_and_back(picture_grade=grade)
    assert conditions(readings, 30.0)["other_leg_grade"] == 1.5
    assert conditions(readings, 10.0)["other_leg_grade"] == 4.5
    assert conditions(readings, 90.0)["other_leg_grade"] == 5.0
    assert "other_leg_grade" not in conditions(there_and_back(), 30.0)
