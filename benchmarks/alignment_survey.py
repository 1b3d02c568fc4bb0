"""Whether watching little of a long recording, and more where the clock is not yet sure, is honest: generated flights, scored.

    python benchmarks/alignment_survey.py [--flights N] [--first-seed S] [--minutes M] [--processes P]

Every flight is put on its own log's clock and on a stranger's, each time by `motion_in` and by all there is to see. What is
watched comes from `alignment_flights`, which shares nothing with the package, in place of decoded pictures. Asking again after
each stretch is asking up to three times, so "sure" could be wrong up to three times as often as where it is asked once.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from multiprocessing import get_context
from types import SimpleNamespace
from typing import Any, NamedTuple

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import alignment_flights as af
import numpy as np

from overlay import motion_survey
from overlay.alignment import align
from overlay.motion import MotionSeries
from overlay.motion.from_track import motion_from_track
from overlay.tracks import Track

LOGS: tuple[dict[str, Any], ...] = (
    {"rate": 5.0},
    {"rate": 10.0, "holds": "attitude"},
    {"rate": 1.0},
    {"rate": 5.0, "holds": "velocity"},
)
STYLES = ("errand", "busy", "loiter", "errand")
START_S, DRIFT, MOST_WRONG_S = 7.3, 12e-6, 0.25


class Score(NamedTuple):
    """Of one recording beside one log: the verdict by both ways, errors and half intervals (s), the share watched."""

    stranger: bool
    verdicts: tuple[str, str]
    errors_s: tuple[float, float]
    halves_s: tuple[float, float]
    share: float


def scores(seed: int, minutes: float) -> list[Score]:
    """One flight beside its own log and beside a stranger's."""
    flown = af.fly(seed, minutes=minutes, style=STYLES[seed // len(LOGS) % len(STYLES)])
    seen = af.see(flown, seed, start=START_S, drift=DRIFT, mount=(1.5, -6.0, 0.8), pan=0.1 * (seed % 2))
    told = MotionSeries(seen.time, seen.rates, interval_s=seen.interval)
    log = LOGS[seed % len(LOGS)]
    own, other = af.log(flown, seed, **log), af.log(af.fly(seed + 5000, minutes=minutes), seed, **log)
    return [_scored(told, own, stranger=False), _scored(told, other, stranger=True)]


def _scored(told: MotionSeries, logged: af.Logged, *, stranger: bool) -> Score:
    reference = motion_from_track(Track(logged.time, logged.columns))
    watched = np.zeros(len(told.time_s), bool)

    def shown(_recording: object, windows: Sequence[tuple[float, float]], *_rest: object) -> MotionSeries:
        rows = np.any([(told.time_s >= start) & (told.time_s < end) for start, end in windows], axis=0)
        watched[rows] = True
        return MotionSeries(told.time_s[rows], told.rate_radps[rows], interval_s=told.interval_s[rows])

    motion_survey._watched = shown  # type: ignore[assignment]
    recording: Any = SimpleNamespace(duration_s=float(told.time_s[-1]))
    found = [
        align(series, reference, keeps_utc=True) for series in (motion_survey.motion_in(recording, [reference]), told)
    ]
    true_s = af.EPOCH + START_S + logged.lag
    errors = [
        np.nan if one.best is None else one.best.to_reference(m := one.mid_recording_s) - true_s - (1 + DRIFT) * m
        for one in found
    ]
    return Score(
        stranger,
        (found[0].verdict, found[1].verdict),
        (errors[0], errors[1]),
        (found[0].half_interval_s, found[1].half_interval_s),
        float(watched.mean()),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--flights", type=int, default=24)
    parser.add_argument("--first-seed", type=int, default=70_000)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--processes", type=int, default=1)
    arguments = parser.parse_args()
    tasks = [(arguments.first_seed + k, arguments.minutes) for k in range(arguments.flights)]
    with get_context("spawn").Pool(arguments.processes) as pool:
        all_scores = [score for pair in pool.starmap(scores, tasks, chunksize=1) for score in pair]
    for stranger in (False, True):
        some = [score for score in all_scores if score.stranger == stranger]
        watched = np.array([score.share for score in some])
        print(f"{'strangers' if stranger else 'own logs'}: {len(some)}, watched {np.median(watched):.1%} (median), "
              f"all of {np.sum(watched > 0.99)}")  # fmt: skip
        for k, way in enumerate(("surveyed", "thorough")):
            sure = [s for s in some if s.verdicts[k] == "sure"]
            wrong = [s for s in sure if stranger or abs(s.errors_s[k]) > MOST_WRONG_S]
            inside = [s for s in sure if abs(s.errors_s[k]) <= s.halves_s[k]]
            error = f", {1e3 * np.quantile(np.abs([s.errors_s[k] for s in sure]), 0.95):.1f} ms at 95 %" if sure else ""
            print(f"  {way}: sure {len(sure)}, wrong {len(wrong)}, inside their interval {len(inside)}{error}")


if __name__ == "__main__":
    main()
