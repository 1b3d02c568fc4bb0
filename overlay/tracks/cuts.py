"""Where one flight ends and the next begins in an ordered run of rows.

A silence of the log is not an end by itself: the link may have been lost at the far end of the flight. An end is a
silence with the aircraft standing on both sides, a silence too long to have flown through, a charge counter that has
gone back to its start, or a long stand on the ground between two flights.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.tracks import fixes
from overlay.tracks.samples import Floats, Samples
from overlay.tracks.source import Source

Rows = NDArray[np.intp]

SPLIT_SILENCE_S = 120.0  # a longer silence may be the pack being changed
SHORT_SILENCE_S = 20.0  # landed, switched off and on again takes longer
LONGEST_LINK_LOSS_S = 3600.0  # in the air on both sides of a silence, it is one flight up to here
JOIN_S = 1800.0  # the aircraft standing so long before or after a flight belongs to it
STAND_S = 180.0
AIRBORNE_MPS = 3.0
LANDING_MPS = 5.0
FLOWN_M = 50.0
GROUND_M = 15.0
MOST_CUTS = 1000
LEAST_CHARGE_MAH = 50.0


def parts_of(run: Samples, source: Source) -> list[Rows]:
    """Row numbers of each flight of a run in rising time; stretches that never left the ground go with their flight."""
    motion = _Motion(run)
    new_pack = _new_packs(run)
    cuts = np.unique(np.concatenate((new_pack, _silences(run, motion), _stands(run, motion)))).astype(np.intp)
    if not len(cuts):
        return [np.arange(len(run.time_s))]
    if len(cuts) > MOST_CUTS:
        raise source.error(f"{len(cuts)} silences, each as if a flight had ended", "export the flight's own track")
    parts = np.split(np.arange(len(run.time_s)), cuts)
    return _joined(parts, run, motion, set(new_pack.tolist()), source)


class _Motion:
    """The aircraft's good positions and how fast it went there."""

    def __init__(self, run: Samples) -> None:
        latitude, longitude = run.columns["latitude_deg"], run.columns["longitude_deg"]
        known = np.isfinite(latitude)
        if run.not_valid is not None:
            known &= ~run.not_valid
        logged = run.columns.get("ground_speed_mps")
        self.rows = np.flatnonzero(known)
        self.time_s = run.time_s[known]
        self.latitude_deg, self.longitude_deg = latitude[known], longitude[known]
        self.height_m = run.columns.get("height_over_home_m", run.columns.get("height_m", np.full(len(known), np.nan)))[
            known
        ]
        self.speed_mps = self._made_good()
        if logged is not None and np.isfinite(logged[known]).any():
            self.speed_mps = np.where(np.isfinite(logged[known]), logged[known], self.speed_mps)

    def _made_good(self) -> Floats:
        """Speed over some ten seconds around each position, so that jitter does not count as flying."""
        if len(self.rows) < 2:
            return np.zeros(len(self.rows))
        before = np.clip(np.searchsorted(self.time_s, self.time_s - 5.0), 0, None)
        after = np.clip(np.searchsorted(self.time_s, self.time_s + 5.0, side="right") - 1, None, len(self.rows) - 1)
        place = self.latitude_deg, self.longitude_deg
        away = fixes.distance_m(place[0][before], place[1][before], place[0][after], place[1][after])
        lasted = self.time_s[after] - self.time_s[before]
        return np.divide(away, lasted, out=np.zeros(len(away)), where=lasted > 0)

    def speed_in(self, start_s: float, end_s: float) -> float:
        """Typical speed in a span of time, 0 where no position tells."""
        inside = slice(*np.searchsorted(self.time_s, (start_s, end_s)))
        speeds = self.speed_mps[inside]
        return float(np.median(speeds)) if len(speeds) else 0.0

    def landed(self, before_s: float, after_s: float) -> bool:
        """Whether the aircraft stood after a silence where it had come to stand, or all but, before it."""
        last = int(np.searchsorted(self.time_s, before_s, side="right")) - 1
        first = int(np.searchsorted(self.time_s, after_s))
        if last < 0 or first >= len(self.time_s):
            return False
        places = (self.latitude_deg, self.longitude_deg)
        here, there = ([column[row : row + 1] for column in places] for row in (last, first))
        apart = float(fixes.distance_m(*here, *there)[0])
        slow = self.speed_mps[last] < LANDING_MPS and self.speed_in(after_s, after_s + 2.0) < AIRBORNE_MPS
        return slow and apart < GROUND_M + 5.0 * self.speed_mps[last] and self._low(last) and self._low(first)

    def _low(self, row: int) -> bool:
        """Whether a position is near the lowest of the log, as far as its heights tell."""
        height = self.height_m[row]
        return not np.isfinite(height) or bool(height < np.nanmin(self.height_m) + 2 * GROUND_M)

    def flew(self, rows: Rows) -> bool:
        """Whether the aircraft went anywhere within consecutive rows."""
        inside = slice(*np.searchsorted(self.rows, (rows[0], rows[-1] + 1)))
        latitude, longitude = self.latitude_deg[inside], self.longitude_deg[inside]
        if len(latitude) < 2:
            return False
        middle = np.full(len(latitude), np.median(latitude)), np.full(len(latitude), np.median(longitude))
        away = fixes.distance_m(*middle, latitude, longitude)
        return bool(np.quantile(away, 0.9) > FLOWN_M or np.quantile(self.speed_mps[inside], 0.8) > AIRBORNE_MPS)


def _silences(run: Samples, motion: _Motion) -> Rows:
    """Rows after a silence that ended a flight."""
    steps = np.diff(run.time_s)
    usual = float(np.median(steps)) if len(steps) else 0.0
    found = []
    silent = np.flatnonzero(steps > max(SHORT_SILENCE_S, 20.0 * usual))
    if len(silent) > MOST_CUTS:  # a log that stutters: only what must have ended a flight is looked at
        silent = silent[steps[silent] > LONGEST_LINK_LOSS_S]
    for row in silent[: MOST_CUTS + 1]:
        before, after = run.time_s[row], run.time_s[row + 1]
        flying = min(motion.speed_in(before - 15.0, before + 0.01), motion.speed_in(after, after + 15.0)) > AIRBORNE_MPS
        lost = flying and steps[row] <= LONGEST_LINK_LOSS_S
        if motion.landed(before, after) or (steps[row] > SPLIT_SILENCE_S and not lost):
            found.append(row + 1)
    return np.array(found, dtype=np.intp)


def _new_packs(run: Samples) -> Rows:
    """Rows where the charge counter has gone back to near nothing: another pack, another power-up."""
    charge = run.columns.get("charge_used_mAh")
    if charge is None:
        return np.zeros(0, np.intp)
    rows = np.flatnonzero(np.isfinite(charge))
    found = []
    for i in np.flatnonzero(np.diff(charge[rows]) < -LEAST_CHARGE_MAH) + 1:
        before = float(np.median(charge[rows[max(i - 5, 0) : i]]))
        after = float(np.median(charge[rows[i : i + 5]]))
        if before > LEAST_CHARGE_MAH and after < 0.3 * before:
            found.append(rows[i])
    return np.array(found, dtype=np.intp)


def _stands(run: Samples, motion: _Motion) -> Rows:
    """Rows in the middle of each long stand on the ground between two flights."""
    moving = np.flatnonzero(motion.speed_mps > AIRBORNE_MPS)
    if len(moving) < 2 or not np.isfinite(motion.height_m).any():
        return np.zeros(0, np.intp)
    found = []
    for i in np.flatnonzero(np.diff(motion.time_s[moving]) > STAND_S):
        first, last = moving[i] + 1, moving[i + 1]
        height = motion.height_m[first:last]
        if last - first > 10 and np.isfinite(height).any() and _on_ground(motion, first, last):
            middle = np.searchsorted(run.time_s, 0.5 * (motion.time_s[first] + motion.time_s[last - 1]))
            found.append(int(middle))
    return np.array(found, dtype=np.intp)


def _on_ground(motion: _Motion, first: int, last: int) -> bool:
    """Whether a stand is as low as the lowest of the flying on either side, and both sides rose from it."""
    stand = float(np.nanmedian(motion.height_m[first:last]))
    sides = motion.height_m[:first], motion.height_m[last:]
    if not all(np.isfinite(side).any() for side in sides):
        return False
    lowest = min(float(np.nanmin(side)) for side in sides)
    return stand < lowest + GROUND_M and all(float(np.nanmax(side)) > stand + GROUND_M for side in sides)


def _joined(parts: list[Rows], run: Samples, motion: _Motion, new_pack: set[int], source: Source) -> list[Rows]:
    """Parts with each stand joined to the flight after it, else before it; stands far from any flight are dropped."""
    flown = [motion.flew(part) for part in parts]
    if not any(flown):
        return [np.concatenate(parts)] if not new_pack else parts
    result: list[Rows] = []
    waiting: list[Rows] = []
    dropped = 0
    for part, flew in zip(parts, flown, strict=True):
        near_before = bool(result) and run.time_s[part[0]] - run.time_s[result[-1][-1]] < JOIN_S
        if flew:
            near = [p for p in waiting if run.time_s[part[0]] - run.time_s[p[-1]] < JOIN_S]
            dropped += sum(map(len, waiting)) - sum(map(len, near))
            result.append(np.concatenate([*near, part]))
            waiting = []
        elif near_before and not waiting and int(part[0]) not in new_pack and not _follows(parts, flown, part):
            result[-1] = np.concatenate([result[-1], part])
        else:
            waiting.append(part)
    dropped += sum(map(len, waiting))
    source.count(dropped, "rows of standing apart from any flight dropped")
    return result


def _follows(parts: list[Rows], flown: list[bool], part: Rows) -> bool:
    """Whether a flown part comes after `part`."""
    return any(flew for other, flew in zip(parts, flown, strict=True) if other[0] > part[0])
