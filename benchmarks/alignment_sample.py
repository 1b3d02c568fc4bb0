"""Positions alone against the sample generator's flights, whose aircraft is flown by a pilot: what the path's delay costs.

    python benchmarks/alignment_sample.py [--heights tenths|metres|none|late] [--places fine|coarse] [--seeds 6]

Four-minute flights and two-minute ones at 1, 5, 10 and 20 Hz, at the level of motion signals: the camera and the receiver
are those of `alignment_flights`, the aircraft with its lift, its sideslip and its pilot is `overlay_samples`'. `--heights`:
what the log tells of them; `late` are those of a barometer behind a filter of half a second. `--places coarse`: as IGC
writes them, in thousandths of a minute, which is 1.9 m.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

sys.path.insert(0, str(Path(__file__).parent))

import alignment_flights as af

from overlay.alignment import align
from overlay.motion import MotionSeries
from overlay.motion.from_track import motion_from_track
from overlay.tracks import Track
from overlay_samples.flight import fly
from overlay_samples.scenario import DEFAULT, Scenario

START_S = 4.0
LATE_S = 0.5


def flown(scenario: Scenario) -> af.Flown:
    """A flight of the sample generator as the benchmark's camera and receiver want it."""
    flight = fly(scenario)
    since = flight.time_s - flight.time_s[0]
    time = np.arange(0, since[-1] - af.STEP, af.STEP)
    angles = np.column_stack((np.unwrap(flight.heading_rad), flight.pitch_rad, flight.bank_rad))
    attitude = Slerp(since, Rotation.from_euler("ZYX", angles))(time)
    velocity = np.column_stack([np.interp(time, since, column) for column in flight.velocity_mps.T])
    airspeed = np.linalg.norm(flight.velocity_mps - flight.wind_mps, axis=1)
    low, high = flight.span("flying")
    airborne = (time + flight.time_s[0] >= low) & (time + flight.time_s[0] <= high)
    return af.Flown(attitude, velocity, np.interp(time, since, airspeed), airborne)


def log(flight: af.Flown, rate: float, heights: str, places: str) -> Track:
    """Places at `rate`, with places and heights as asked for."""
    columns = dict(af.log(flight, 5, rate=rate).columns)
    time = af.log(flight, 5, rate=rate).time
    if heights == "none":
        del columns["height_m"]
    elif heights == "metres":
        columns["height_m"] = np.round(columns["height_m"])
    elif heights == "late":
        slow = af.delayed(np.interp(flight.time, time - af.EPOCH, columns["height_m"]), LATE_S)
        columns["height_m"] = np.interp(time - af.EPOCH, flight.time, slow)
    if places == "coarse":
        for name in ("latitude_deg", "longitude_deg"):
            columns[name] = np.round(columns[name] * 60e3) / 60e3
    return Track(time, columns)


def main() -> None:
    """Print each flight and the sums."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--heights", choices=("tenths", "metres", "none", "late"), default="tenths")
    parser.add_argument("--places", choices=("fine", "coarse"), default="fine")
    parser.add_argument("--seeds", type=int, default=6)
    options = parser.parse_args()
    todo = [(f"four minutes, {s}", DEFAULT.replace(seed=s, distance_out_m=2200.0, loiter_turns=1.5))
            for s in range(1, options.seeds + 1)]  # fmt: skip
    todo += [(f"two minutes, {s}", DEFAULT.replace(seed=s)) for s in range(1, options.seeds - 1)]
    errors, halves, asked = [], [], 0
    for name, scenario in todo:
        flight = flown(scenario)
        seen = af.see(flight, 3, start=START_S)
        for rate in (1.0, 5.0, 10.0, 20.0):
            asked += 1
            motion = motion_from_track(log(flight, rate, options.heights, options.places))
            found = align(MotionSeries(seen.time, seen.rates, interval_s=seen.interval), motion)
            if found.best is None or found.verdict != "sure":
                print(f"{name}, {rate:g} Hz: {found.verdict}: {'; '.join(found.reasons)}")
                continue
            middle = found.mid_recording_s
            errors.append(found.best.to_reference(middle) - (af.EPOCH + START_S + middle))
            halves.append(found.half_interval_s)
            print(f"{name}, {rate:g} Hz: {1e3 * errors[-1]:+.1f} ms of ±{1e3 * halves[-1]:.0f}")
    off, half = np.abs(errors), np.array(halves)
    print(f"{len(off)} sure of {asked}: {1e3 * np.quantile(off, 0.95):.0f} ms at 95 %, worst {1e3 * off.max():.0f}, "
          f"{int((off <= half).sum())} inside, half interval {1e3 * np.median(half):.0f} ms")  # fmt: skip


if __name__ == "__main__":
    main()
