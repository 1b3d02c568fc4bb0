"""What the positions of a log say about its other numbers: speed and course made good, distance, turning."""

from __future__ import annotations

import numpy as np

from overlay.tracks.fixes import distance_m
from overlay.tracks.samples import Floats

MOVING_MPS = 4.0
STEADY_DEG = 6.0
LONGEST_CHORD_S = 30.0  # between the fixes before and after, for the chord to stand for the path


class Flown:
    """Where and when the flight was, to hold its other numbers against."""

    def __init__(self, time_s: Floats, latitude_deg: Floats, longitude_deg: Floats) -> None:
        known = np.isfinite(time_s) & np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
        known &= (np.abs(latitude_deg) <= 90) & ((latitude_deg != 0) | (longitude_deg != 0))
        moved = np.concatenate(([True], (np.diff(latitude_deg) != 0) | (np.diff(longitude_deg) != 0)))
        self.all_times_s = time_s  # of every row, with a fresh fix or not
        self.rows = np.flatnonzero(known & moved)
        self.time_s = time_s[self.rows]
        self.latitude_deg, self.longitude_deg = latitude_deg[self.rows], longitude_deg[self.rows]

    def made_good(self) -> tuple[Floats, Floats]:
        """(speed m/s, course deg) across each fresh fix, from its neighbours; NaN at the ends, at gaps, standing."""
        blank = np.full(len(self.rows), np.nan)
        if len(self.rows) < 3:
            return blank, blank.copy()
        before, after = slice(None, -2), slice(2, None)
        lasted = self.time_s[after] - self.time_s[before]
        place = self.latitude_deg, self.longitude_deg
        away = distance_m(place[0][before], place[1][before], place[0][after], place[1][after])
        north = np.radians(place[0][after] - place[0][before])
        east = np.radians(place[1][after] - place[1][before]) * np.cos(np.radians(place[0][1:-1]))
        usable = (lasted > 0) & (lasted < LONGEST_CHORD_S)
        speed, course = blank.copy(), blank.copy()
        speed[1:-1] = np.divide(away, lasted, out=np.full(len(away), np.nan), where=usable)
        course[1:-1] = np.where(usable & (away > 5.0), np.degrees(np.arctan2(east, north)) % 360.0, np.nan)
        return speed, course

    def straight_mps(self) -> Floats:
        """Speed made good where the course is steady, so that the chord is the path; NaN elsewhere."""
        speed, course = self.made_good()
        change = np.full(len(course), np.nan)
        change[1:-1] = np.abs((course[2:] - course[:-2] + 180.0) % 360.0 - 180.0)
        return np.where(change < STEADY_DEG, speed, np.nan)

    def distance_m(self) -> Floats:
        """From the first fix, at each fresh fix."""
        start = np.full(len(self.rows), self.latitude_deg[0]), np.full(len(self.rows), self.longitude_deg[0])
        return distance_m(*start, self.latitude_deg, self.longitude_deg)

    def turning_dps(self) -> Floats:
        """Rate of turn to the right at each fresh fix, from the courses made good around it; NaN where unknown."""
        speed, course = self.made_good()
        rate = np.full(len(course), np.nan)
        if len(course) > 2:
            turn = (course[2:] - course[:-2] + 180.0) % 360.0 - 180.0
            lasted = self.time_s[2:] - self.time_s[:-2]
            usable = (lasted > 0) & (lasted < 10.0) & (np.nan_to_num(speed[1:-1]) > MOVING_MPS)
            rate[1:-1] = np.divide(turn, lasted, out=np.full(len(turn), np.nan), where=usable)
        return rate


def agrees_with_positions(column: str, values: Floats, flown: Flown) -> bool:
    """Whether a ground speed (m/s) or course (deg) fits the positions; True where there is too little to tell."""
    speed, course = flown.made_good()
    logged = values[flown.rows]
    judged = np.isfinite(logged) & np.isfinite(course) & (np.nan_to_num(speed) > MOVING_MPS)
    if judged.sum() < 30:
        return True
    if column == "ground_speed_mps":
        return bool(0.8 < np.median(logged[judged] / speed[judged]) < 1.25)
    miss = np.abs((logged[judged] - course[judged] + 180.0) % 360.0 - 180.0)
    return bool(np.median(miss) < 30.0)
