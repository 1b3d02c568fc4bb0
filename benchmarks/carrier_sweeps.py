"""Carrier-to-noise ratios read off recordings, scored on sweeps of the ratio over links and recorders drawn by lot.

    python benchmarks/carrier_sweeps.py [--first-seed S] [--links N] [--jobs N] [--keep FOLDER]

Each link has a seed, which draws the scene, the standard and a course of 9 s: a good picture, a ratio that wanders between
3.5 and 16 dB, a good picture. What the receiver shows is recorded by every recorder, some of which cut the borders off or
drop lines of colour. The truth is the mean of the ratio within each frame, which the simulated link is given. `bounds` is the
share of the frames out of range, and said to be, whose one bound is true.

Below the table stands what more knowledge could reach with the same noise and clicks: of the recorder (codec, fields, colour,
standard), by what its like are out by on the other links, and of the whole error of each recording's scale.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from breakups import diagnose
from link_trials import RATE, RECORDERS, Recording, Trial, scene_frames, sent, trimmed, within_frames
from numpy.typing import NDArray

from overlay.picture.carrier import LinkRatio

Floats = NDArray[np.float64]

SCENES = ("plain", "plain", "sun", "dusk", "rain", "water", "crops", "pans", "exposure", "haze", "wobble")
_LENGTH_S, _GOOD_S = 9.0, 2.0
_ENOUGH_FRAMES, _PRIOR = 8, 2.0
"""Frames of a recording to know its error by; recordings that it takes to learn a trait of the recorder half."""
_KNOTS_S, _RANGE_dB = (0.3, 1.2), (3.5, 16.0)


def sweep_of(seed: int) -> Trial:
    """A link whose ratio wanders, drawn by lot."""
    rng = np.random.default_rng([seed, 0x51])
    standard = str(rng.choice(["625", "525"]))
    return Trial(
        f"sweep-{seed}",
        str(rng.choice(SCENES)),
        seed,
        course(rng, float(RATE[standard])),
        standard=standard,
        lost=str(rng.choice(["blue", "frozen", "noise"])),
        deinterlace=bool(rng.random() < 0.5),
    )


def course(rng: np.random.Generator, rate: float) -> Floats:
    """Ratios in dB at the start of each frame: straight lines between knots drawn by lot."""
    good = rng.uniform(24, 30)
    times, levels = [0.0, _GOOD_S], [good, good]
    while times[-1] < _LENGTH_S - _GOOD_S:
        times.append(times[-1] + rng.uniform(*_KNOTS_S))
        levels.append(rng.uniform(*_RANGE_dB))
    return np.interp(np.arange(round(_LENGTH_S * rate)) / rate, [*times, times[-1] + 0.5], [*levels, good])


def on_every_recorder(trial: Trial) -> list[Trial]:
    """The link's picture as each recorder takes it down, one in four cropped, one in four without half of the colour."""
    rng = np.random.default_rng([trial.seed, 0x52])
    return [
        replace(
            trial,
            name=f"{trial.name}-{recorder.replace(' ', '-')}",
            recorder=recorder,
            cropped=bool(rng.random() < 0.25),
            colour_dropped=bool(rng.random() < 0.25),
        )
        for recorder in RECORDERS
    ]


def record(trial: Trial, folder: Path) -> list[tuple[Trial, Path]]:
    """Send the scene over the link once and record it on every recorder, unless that has been done."""
    each = on_every_recorder(trial)
    paths = [folder / f"{one.name}.mkv" for one in each]
    if not all(path.exists() for path in paths):
        files = [
            Recording(path, one.recorder, one.standard, colour_dropped=one.colour_dropped)
            for one, path in zip(each, paths, strict=True)
        ]
        for picture in sent(trial, scene_frames(trial), trial.carrier_to_noise_dB):
            for one, file in zip(each, files, strict=True):
                file.add(trimmed(picture) if one.cropped else picture)
        for file in files:
            file.close()
    return list(zip(each, paths, strict=True))


@dataclass(frozen=True)
class Reading:
    """What was told of one recording, and what is true (N,)."""

    trial: Trial
    told: LinkRatio
    true_dB: Floats


def read(job: tuple[int, str | None]) -> list[Reading]:
    """Record and diagnose one link on every recorder."""
    cv2.setNumThreads(1)
    seed, keep = job
    trial = sweep_of(seed)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(keep or temporary)
        folder.mkdir(parents=True, exist_ok=True)
        true = within_frames(trial.carrier_to_noise_dB)
        return [Reading(one, diagnose(path).link, true) for one, path in record(trial, folder)]


HEAD = f"{'recordings':24}  n   told  ≤1 dB   95 %  in iv.  true 5–10: ≤1 dB  true >10  bounds"


def row(name: str, readings: Sequence[Reading]) -> str:
    """Frames told, share within 1 dB, error at 95 %, share inside the interval; share within 1 dB of those truly in range."""
    ratio, low, high, true = (
        np.concatenate(part) for part in zip(*((*reading.told, reading.true_dB) for reading in readings), strict=True)
    )
    told = np.isfinite(ratio)
    off, truly = (ratio - true)[told], true[told]
    inside = (truly >= 5) & (truly <= 10)
    one_sided = ~told & (np.isfinite(low) | np.isfinite(high))
    kept = ~((low > true) | (true > high))
    if not inside.any():
        return f"{name:24} {len(readings):2d} {len(off):6d}"
    return (
        f"{name:24} {len(readings):2d} {len(off):6d} {np.mean(np.abs(off) <= 1):6.0%} {np.quantile(np.abs(off), 0.95):6.1f}"
        f" {np.mean(kept[told]):7.0%} {np.mean(np.abs(off[inside]) <= 1):17.0%} {np.mean(truly > 10):9.0%}"
        f" {np.mean(kept[one_sided]):7.0%}"
    )


def bounds(readings: Sequence[Reading]) -> str:
    """Share within 1 dB of the frames told and truly in range: as told, with the recorder known, with every scale known."""
    chosen = [(one.trial, (one.told.ratio_dB - one.true_dB)[_in_range(one)]) for one in readings]
    chosen = [(trial, off) for trial, off in chosen if len(off) >= _ENOUGH_FRAMES]
    own = np.array([np.median(off) for _, off in chosen])
    links, traits = np.array([trial.seed for trial, _ in chosen]), np.array([_traits(trial) for trial, _ in chosen])
    like = np.zeros(len(own))
    for link in set(links.tolist()):
        others = traits[links != link]
        weights = np.linalg.solve(others.T @ others + _PRIOR * np.eye(traits.shape[1]), others.T @ own[links != link])
        like[links == link] = traits[links == link] @ weights
    shares = [
        np.mean(np.abs(np.concatenate([off - less for (_, off), less in zip(chosen, known, strict=True)])) <= 1)
        for known in (np.zeros(len(own)), like, own)
    ]
    return "as told {:.0%}, with the recorder known {:.0%}, with every recording's scale known {:.0%}".format(*shares)


def _in_range(one: Reading) -> NDArray[np.bool_]:
    return np.isfinite(one.told.ratio_dB) & (one.true_dB >= 5) & (one.true_dB <= 10)


def _traits(trial: Trial) -> list[float]:
    """What a recorder does that may shift the scale, as columns of a regression."""
    woven, is525 = not trial.deinterlace, trial.standard == "525"
    codecs = [float(trial.recorder == name) for name in RECORDERS]
    return [*codecs, float(woven), float(is525), float(woven and is525), float(woven and trial.colour_dropped)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--first-seed", type=int, default=61000)
    parser.add_argument("--links", type=int, default=6)
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--keep", metavar="FOLDER", help="keep the recordings here, and use those that are here")
    arguments = parser.parse_args()
    began, readings = time.perf_counter(), []
    seeds = range(arguments.first_seed, arguments.first_seed + arguments.links)
    with ProcessPoolExecutor(arguments.jobs, mp_context=get_context("spawn")) as pool:
        for done, future in enumerate(as_completed([pool.submit(read, (s, arguments.keep)) for s in seeds]), start=1):
            readings += future.result()
            left = (time.perf_counter() - began) / done * (len(seeds) - done)
            print(f"{done} of {len(seeds)} links, {left:.0f} s left", flush=True)
    report(readings)


def report(readings: Sequence[Reading]) -> None:
    """The table by recorder, standard and what the recorder does to the picture."""
    print(HEAD)
    for recorder in RECORDERS:
        print(row(recorder, [one for one in readings if one.trial.recorder == recorder]))
    for standard in ("625", "525"):
        if each := [one for one in readings if one.trial.standard == standard]:
            print(row(f"{standard} lines", each))
    woven = [one for one in readings if one.trial.colour_dropped and not one.trial.deinterlace]
    if woven:
        print(row("woven, colour dropped", woven))
    print(row("all", readings))
    if len({one.trial.seed for one in readings}) > 1:
        print(f"frames told and truly 5–10, within 1 dB: {bounds(readings)}")


if __name__ == "__main__":
    main()
