"""How the two ends of a link see each other: angles off the aerials' axes, and how polarisation leans."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.readings import Readings

Floats = NDArray[np.float64]
Axis = tuple[float, float, float]


@dataclass(frozen=True)
class Sight:
    """The line from the aircraft to the ground station, (N,) each.

    `slant_m` its length; `body` (N, 3) its direction in the aircraft's axes forward, right, down; `earth` (N, 3) in
    north, east, down; `to_earth` (N, 3, 3) turns one into the other, `level` (N, 3, 3) would if the aircraft flew level
    on the same heading; `elevation_deg` of the aircraft from the ground.
    """

    distance_m: Floats
    height_m: Floats
    slant_m: Floats
    bearing_deg: Floats
    elevation_deg: Floats
    body: Floats
    earth: Floats
    to_earth: Floats
    level: Floats

    def off_nose_deg(self) -> Floats:
        """Angle between the nose and the ground station."""
        return _angle_deg(self.body[:, 0])

    def off_body_axis_deg(self, axis: Axis, attitude: Floats) -> Floats:
        """Angle between an axis of the aircraft and the ground station, flown at `to_earth` or `level` as attitude."""
        return _angle_deg(np.sum(np.einsum("nij,j->ni", attitude, np.array(axis)) * self.earth, axis=1))

    def off_ground_axis_deg(self, bearing_deg: Floats | float, elevation_deg: Floats | float = 0.0) -> Floats:
        """Angle between a ground aerial's axis and the aircraft."""
        azimuth, up = np.radians(bearing_deg), np.radians(elevation_deg)
        axis = (np.cos(azimuth) * np.cos(up), np.sin(azimuth) * np.cos(up), -np.sin(up))
        toward = -self.earth
        return _angle_deg(toward[:, 0] * axis[0] + toward[:, 1] * axis[1] + toward[:, 2] * axis[2])

    def lean_deg(self, axis: Axis, attitude: Floats, *, horizontal: bool = False) -> Floats:
        """Angle between an aircraft's axis and an upright (or level) rod at the station, seen along the sight line."""
        ours = self._across(np.einsum("nij,j->ni", attitude, np.array(axis)))
        upright = np.broadcast_to(np.array([0.0, 0.0, 1.0]), self.earth.shape)
        theirs = np.cross(self.earth, upright) if horizontal else self._across(upright)
        size = np.linalg.norm(ours, axis=1) * np.linalg.norm(theirs, axis=1)
        cosine = np.abs(np.sum(ours * theirs, axis=1)) / np.maximum(size, 1e-9)
        return _angle_deg(np.where(size > 1e-6, cosine, 1.0))

    def _across(self, vectors: Floats) -> Floats:
        return np.asarray(vectors - np.sum(vectors * self.earth, axis=1, keepdims=True) * self.earth)


def sight(readings: Readings, ground_height_m: float) -> Sight:
    """Line of sight at every row; attitude that is not known counts as level, heading as the course; NaN elsewhere."""
    distance, height = readings["range_m"], readings["height_m"]
    drop = height - ground_height_m
    bearing = readings["bearing_deg"]
    back, slant = np.radians(bearing + 180.0), np.hypot(distance, drop)
    level = np.maximum(slant, 1e-3)
    earth = np.column_stack([distance * np.cos(back), distance * np.sin(back), drop]) / level[:, None]
    heading = np.where(np.isfinite(readings["heading_deg"]), readings["heading_deg"], readings["course_deg"])
    bank, pitch, heading = (np.nan_to_num(v) for v in (readings["bank_deg"], readings["pitch_deg"], heading))
    to_earth, flat = body_to_earth(bank, pitch, heading), np.zeros_like(heading)
    body = np.einsum("nji,nj->ni", to_earth, earth)
    elevation = np.degrees(np.arctan2(drop, np.maximum(distance, 1e-3)))
    return Sight(distance, height, slant, bearing, elevation, body, earth, to_earth, body_to_earth(flat, flat, heading))


def body_axis(tilt_deg: float, toward_deg: float) -> Axis:
    """An axis of the aircraft, forward, right, down: tilted from straight up toward a direction clockwise of the nose.

    >>> [round(part, 3) + 0.0 for part in body_axis(90.0, 90.0)]
    [0.0, 1.0, 0.0]
    """
    tilt, toward = np.radians(tilt_deg), np.radians(toward_deg)
    across = float(np.sin(tilt))
    return across * float(np.cos(toward)), across * float(np.sin(toward)), -float(np.cos(tilt))


def tracked_bearing_deg(time_s: Floats, bearing_deg: Floats, rate_deg_s: float) -> Floats:
    """Where an aerial points that follows a bearing no faster than it can turn; an unknown bearing leaves it standing.

    >>> [float(b) for b in tracked_bearing_deg(np.arange(4.0), np.array([350.0, 20.0, 20.0, 20.0]), 20.0)]
    [350.0, 10.0, 20.0, 20.0]
    """
    found = np.full(len(time_s), np.nan)
    known = np.flatnonzero(np.isfinite(bearing_deg))
    if len(known) == 0:
        return found
    points, before = float(bearing_deg[known[0]]), float(time_s[0])
    for row, (now, wanted) in enumerate(zip(time_s.tolist(), bearing_deg.tolist(), strict=True)):
        off = (wanted - points + 180.0) % 360.0 - 180.0
        most = rate_deg_s * (now - before)
        if off == off:  # not NaN
            points = (points + min(max(off, -most), most)) % 360.0
        found[row], before = points, now
    return found


def _angle_deg(cosine: Floats) -> Floats:
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))), np.float64)


def body_to_earth(bank_deg: Floats, pitch_deg: Floats, heading_deg: Floats) -> Floats:
    """Rotation matrices (N, 3, 3) from forward–right–down to north–east–down: heading, then pitch, then bank."""
    b, p, h = (np.radians(angle) for angle in (bank_deg, pitch_deg, heading_deg))
    cb, sb, cp, sp, ch, sh = np.cos(b), np.sin(b), np.cos(p), np.sin(p), np.cos(h), np.sin(h)
    rows = [
        [cp * ch, sb * sp * ch - cb * sh, cb * sp * ch + sb * sh],
        [cp * sh, sb * sp * sh + cb * ch, cb * sp * sh - sb * ch],
        [-sp, sb * cp, cb * cp],
    ]
    return np.asarray(np.array(rows).transpose(2, 0, 1))
