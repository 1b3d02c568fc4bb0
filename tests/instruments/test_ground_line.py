"""The ground in the side view stands as high as the terrain is."""

import json

import numpy as np
import pytest

from overlay.layouts import Layout
from overlay.readings import Readings


def drawn(terrain):
    times = np.arange(0.0, 600.0, 0.5)
    ranges = 6000.0 - np.abs(times - 300.0) * 20.0
    columns = {"range_m": ranges, "height_m": np.full(len(times), 200.0)}
    if terrain is not None:
        columns["terrain_m"] = terrain(ranges)
    spec = {"version": 1, "instrument": [{"kind": "side view", "anchor": "top left", "scale": 2.0}]}
    (panel,) = Layout.model_validate_json(json.dumps(spec)).place(1920, 1080, Readings(times, columns))
    return panel.draw(1.0).astype(float)


def test_the_ground_is_drawn_to_scale():
    """A step of 100 m halfway out, flown over at 200 m: it fills half of what lies below the flight, from half the way."""
    bare, hilly = drawn(None), drawn(lambda r: np.where(r > 3000.0, 100.0, 0.0))
    changed = np.abs(hilly - bare).sum(axis=2) > 12
    columns = np.flatnonzero(changed.sum(axis=0) > 40)
    share = (columns[-1] - columns[0]) / bare.shape[1]
    assert 0.3 < share < 0.45  # half of the axis, which is about four fifths of the panel
    heights = changed[:, columns[10:-10]].sum(axis=0)
    low = drawn(lambda r: np.full_like(r, 50.0))
    half = (np.abs(low - bare).sum(axis=2) > 12)[:, columns[10:-10]].sum(axis=0)
    zero = (np.abs(drawn(lambda r: np.zeros_like(r)) - bare).sum(axis=2) > 12)[:, columns[10:-10]].sum(axis=0)
    assert np.median(heights - zero) == pytest.approx(2 * np.median(half - zero), rel=0.1)


def test_unknown_ground_is_not_drawn():
    assert np.array_equal(drawn(None), drawn(lambda r: np.full_like(r, np.nan)))
