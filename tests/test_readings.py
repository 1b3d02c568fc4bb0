import pytest

from overlay.readings import LEGS, BrokenPicture, Home, Leg, Pack, Readings


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
