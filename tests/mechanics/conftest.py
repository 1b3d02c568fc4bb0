"""Tracks made by simple geometry, independent of the package's own: a stroll, a flight out and back, circles."""

from dataclasses import dataclass

import numpy as np
import pyproj
import pytest

from overlay.tracks.track import Track

GEOD = pyproj.Geod(ellps="WGS84")
HOME = (47.3, -33.9, 31.0)


@dataclass(frozen=True)
class Made:
    """Truth at 10 Hz: metres from home, height over home, and when each phase began (s)."""

    time_s: np.ndarray
    east_m: np.ndarray
    north_m: np.ndarray
    up_m: np.ndarray
    phase_s: dict

    def track(self, rate_Hz=5.0, noise_m=0.0, seed=0, start_s=0.0, end_s=np.inf, height=True, **columns):
        """As a position-only log would have it; `columns` are logged beside."""
        step = round(10.0 / rate_Hz)
        rows = np.flatnonzero((self.time_s >= start_s) & (self.time_s <= end_s))[::step]
        rng = np.random.default_rng(seed)
        east, north = (v[rows] + noise_m * rng.normal(size=len(rows)) for v in (self.east_m, self.north_m))
        count = np.full(len(rows), 1.0)
        azimuth = np.degrees(np.arctan2(east, north))
        lon, lat, _ = GEOD.fwd(HOME[1] * count, HOME[0] * count, azimuth, np.hypot(east, north))
        table = {"latitude_deg": lat, "longitude_deg": lon, **{k: v[rows] for k, v in columns.items()}}
        if height:
            table["height_m"] = self.up_m[rows] + HOME[2]
        return Track(1.7e9 + self.time_s[rows], table)


def _joined(parts):
    """Velocity pieces (seconds, east, north, up m/s as numbers or functions of the piece's time) to a path."""
    east, north, up = [], [], []
    for seconds, *velocity in parts:
        t = np.arange(0.0, seconds, 0.1)
        for store, v in zip((east, north, up), velocity, strict=True):
            store.append(np.broadcast_to(v(t) if callable(v) else v, t.shape))
    path = [np.concatenate([[0.0], np.cumsum(np.concatenate(v)) * 0.1]) for v in (east, north, up)]
    return np.arange(len(path[0])) * 0.1, *path


def out_and_back(speed=16.0, out_s=600.0, loiter_s=120.0, radius=70.0):
    """Stand 40 s, climb out north-east, fly `out_s`, circle, fly home, circle home twice, land 20 m from home."""
    rate, ease = speed / radius, np.sqrt(0.5)
    turn = (lambda t: speed * ease * (np.cos(rate * t) + np.sin(rate * t)),
            lambda t: speed * ease * (np.cos(rate * t) - np.sin(rate * t)))  # fmt: skip
    parts = [
        (40.0, 0.0, 0.0, 0.0),
        (20.0, speed * ease, speed * ease, 5.0),
        (out_s, speed * ease, speed * ease, 0.0),
        (loiter_s, *turn, 0.0),
        (out_s, -speed * ease, -speed * ease, 0.0),
        (20.0, -speed * ease, -speed * ease, -5.0),
        (60.0, 0.0, 0.0, 0.0),
    ]
    time, east, north, up = _joined(parts)
    starts = np.cumsum([0.0] + [p[0] for p in parts])
    names = ("stand", "take-off", "out", "loiter", "home", "landing", "rest", "end")
    return Made(time, east, north, up, dict(zip(names, starts, strict=True)))


@pytest.fixture(scope="session")
def there_and_back():
    return out_and_back()


@pytest.fixture(scope="session")
def straight_back():
    """Half a circle and home, no loiter."""
    return out_and_back(loiter_s=round(70.0 * np.pi / 16.0, 1))
