"""A flight straight out and back at 2 Hz with a margin made by hand: free space, one loss at a time, fading."""

import numpy as np
import pytest

from overlay.readings import BrokenPicture, Leg, Readings


class Making:
    """Readings of a flight along north, and the margin that decides where its picture breaks up."""

    def __init__(self, far_m=6000.0, speed=18.0, height=110.0, seed=0, spread_dB=1.5):
        rng = np.random.default_rng(seed)
        count = int(2 * far_m / speed * 2)
        self.time = np.arange(count) / 2.0
        self.out = self.time < self.time[-1] / 2
        self.range_m = np.where(self.out, self.time, self.time[-1] - self.time) * speed + 30.0
        self.bank = np.zeros(count)
        self.height = np.full(count, height)
        self.bearing = np.full(count, 0.0)
        keep = np.exp(-0.5 / 4.0)
        fade = np.zeros(count)
        for i in range(1, count):
            fade[i] = keep * fade[i - 1] + rng.normal() * np.sqrt(1 - keep**2)
        self.margin = -20 * np.log10(np.hypot(self.range_m, height) / far_m) + spread_dB * fade

    def events(self):
        broken = np.concatenate([[0], (self.margin < 0).astype(int), [0]])
        edges = np.flatnonzero(np.diff(broken)).reshape(-1, 2)
        return [(self.time[a], self.time[min(b, len(self.time) - 1)]) for a, b in edges if b - a >= 2]

    def readings(self, grade=True, **columns):
        table = {
            "range_m": self.range_m,
            "bearing_deg": self.bearing,
            "height_m": self.height,
            "bank_deg": self.bank,
            "pitch_deg": np.zeros_like(self.time),
            "heading_deg": np.where(self.out, self.bearing, self.bearing + 180.0) % 360.0,
            **columns,
        }
        if grade:
            table["picture_grade"] = np.interp(self.margin, [-6, -2.5, 0.5, 4.5, 10], [1, 2, 3, 4, 5])
        middle = self.time[-1] / 2
        legs = (Leg("out", 0.0, middle), Leg("home", middle, self.time[-1] + 1.0))
        broken = tuple(BrokenPicture(a, b, "noise", 1.5) for a, b in self.events())
        return Readings(self.time, table, legs=legs, breakups=broken)


@pytest.fixture
def making():
    return Making
