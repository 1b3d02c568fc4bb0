"""Long hard clean footage, minute by minute, scored for break-ups told where there are none.

Each minute has a seed, which draws the world, the flight, the link and the recorder; the scenes take turns. A minute is
drawn, sent over a good link, recorded, diagnosed and thrown away, so that many of them need no more room than a few.
`breakups.py --hard-minutes N` runs it.
"""

from __future__ import annotations

import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from link_trials import RATE, RECORDERS, Trial, make_clean
from scipy.stats import chi2

from overlay.picture.breakups import Breakup, Diagnosis

MINUTE_S = 60.0
GOOD_LINK_dB = (20.0, 32.0)
"""Far above the threshold of FM at 10 dB and of the simulated digital link at 5 dB."""
SURE = 0.95


@dataclass(frozen=True)
class Minute:
    """One minute that was scored, and the break-ups told in it, all of them false."""

    trial: Trial
    false: tuple[Breakup, ...]

    @property
    def hours(self) -> float:
        return self.trial.frames / float(RATE[self.trial.standard]) / 3600.0


def minute_of(scene: str, seed: int) -> Trial:
    """A minute of the scene over a link and on a recorder drawn by lot."""
    rng = np.random.default_rng([seed, 0x40])
    standard = str(rng.choice(["625", "625", "525", "digital"]))
    frames = round(MINUTE_S * float(RATE[standard]))
    analogue = standard != "digital"
    return Trial(
        f"hard-{seed}-{scene}",
        scene,
        seed,
        np.full(frames, rng.uniform(*GOOD_LINK_dB)),
        standard=standard,
        deinterlace=analogue and bool(rng.random() < 0.5),
        cropped=analogue and bool(rng.random() < 0.25),
        recorder=str(rng.choice(list(RECORDERS))),
        colour_dropped=bool(rng.random() < 0.25),
    )


def score_minute(job: tuple[str, int, Callable[[Path], Diagnosis], str | None]) -> Minute:
    """Draw, send, record and diagnose a scene's minute. A recording with false break-ups may be kept in a folder."""
    cv2.setNumThreads(1)
    scene, seed, diagnose, keep = job
    trial = minute_of(scene, seed)
    with tempfile.TemporaryDirectory() as temporary:
        recorded = make_clean(trial, Path(temporary))
        minute = Minute(trial, diagnose(recorded).events)
        if minute.false and keep:
            Path(keep).mkdir(parents=True, exist_ok=True)
            (Path(keep) / recorded.name).write_bytes(recorded.read_bytes())
    return minute


def most_an_hour(events: int, hours: float) -> float:
    """Upper bound, 95 %, of the rate of a Poisson process that showed so many events (Garwood 1936, one side).

    None in one hour leaves the rule of three: ln 20.

    >>> round(most_an_hour(0, 1.0), 2), round(most_an_hour(2, 1.0), 2)
    (3.0, 6.3)
    """
    return float(chi2.ppf(SURE, 2 * (events + 1))) / 2.0 / hours


def report_minutes(
    count: int,
    scenes: Sequence[str],
    first_seed: int,
    jobs: int,
    diagnose: Callable[[Path], Diagnosis],
    keep: str | None,
) -> None:
    """Score so many minutes and print each as it comes, with the sum so far and the time left."""
    began, done = time.perf_counter(), []
    wanted = [(scenes[k % len(scenes)], first_seed + k, diagnose, keep) for k in range(count)]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for future in as_completed([pool.submit(score_minute, job) for job in wanted]):
            done.append(future.result())
            left = (time.perf_counter() - began) / len(done) * (count - len(done))
            print(f"{described(done[-1])}   [{_sum(done)}; {left:.0f} s left]", flush=True)
    print(f"\nhard clean footage, seeds {first_seed} to {first_seed + count - 1}: {_sum(done)}")
    for kind, number in Counter(event.kind for minute in done for event in minute.false).most_common():
        told = ", ".join(_place(minute, event) for minute in done for event in minute.false if event.kind == kind)
        print(f"  {kind}: {number} ({told})")


def described(minute: Minute) -> str:
    """One line for a minute: scene, seed, link, recorder and what was told."""
    trial = minute.trial
    traits = [name.replace("_", " ") for name in ("deinterlace", "cropped", "colour_dropped") if getattr(trial, name)]
    link = ", ".join([trial.standard, trial.recorder, f"{trial.carrier_to_noise_dB[0]:.1f} dB", *traits])
    told = [f"{e.kind} {e.onset_s:.1f}–{e.end_s:.1f} s grade {e.worst_grade:.1f}" for e in minute.false]
    return f"{trial.scene:10} {trial.seed} {link:55} {'; '.join(told) or 'none'}"


def _place(minute: Minute, event: Breakup) -> str:
    return f"{minute.trial.scene} {minute.trial.seed} at {event.onset_s:.1f} s"


def _sum(done: Sequence[Minute]) -> str:
    hours, false = sum(minute.hours for minute in done), sum(len(minute.false) for minute in done)
    rate, most = false / hours, most_an_hour(false, hours)
    return f"{false} false in {hours * 60:.0f} minutes, {rate:.1f} an hour, fewer than {most:.1f} (95 %)"
