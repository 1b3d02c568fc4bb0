"""The diagnosis of the live picture, scored on recordings whose truth is known.

    python benchmarks/breakups.py [--seeds scoring|design|both] [--jobs N] [--only NAME…] [--keep FOLDER]
    python benchmarks/breakups.py --hard-minutes N [--first-seed S] [--jobs N] [--only SCENE…] [--keep FOLDER]

Each trial sends a scene over the simulated link twice, at the trial's carrier-to-noise ratio and at 60 dB, and records
both with the same recorder: compression, burned-in figures and all. What differs between the two recordings, less what
two recordings of an equally good picture differ by, is the truth. Hard clean footage goes over a good link once; every
break-up told there is false. With `--hard-minutes` only such footage is scored, a minute a seed, as much of it as wanted.

A break-up is a stretch whose grade is worse than 2.5 (half way from "slightly annoying" to "annoying"), gaps under a
second bridged. Those that never get worse than 2.0 need not be found, and what is found where the true grade is worse
than 3.0 is not false; `strict` counts all of them. Onsets are compared with the first truly annoying
frame. C/N is scored where the truth lies between 5 and 10 dB, and then wherever it is told: within 1 dB, and inside the
interval told with it. The seeds on which the code was designed and those on which it is scored differ.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import tempfile
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from hard_minutes import report_minutes
from link_trials import RATE, Trial, Truth, fade, make, make_clean
from numpy.typing import NDArray

from overlay.picture.breakups import Diagnosis, find_breakups
from overlay.picture.impairment import grade_of, signal_to_noise_dB
from overlay.picture_survey import features_in
from overlay.recordings import open_recording

Floats = NDArray[np.float64]
Span = tuple[int, int]

SEEDS = {"design": 100, "scoring": 77000}
_BREAKUP, _SURE, _BARELY = 2.5, 2.0, 3.0
_MERGE_S = 1.0
_GOOD_LINK_dB = 20.0
_BROKEN_S, _CLEAN_S = 18.0, 12.0

BROKEN: dict[str, tuple[str, dict[str, object]]] = {
    "slow fades, 625, blue": ("fade", {"scene": "plain"}),
    "nulls, 625 deinterlaced, frozen": ("null", {"scene": "plain", "lost": "frozen", "deinterlace": True}),
    "flutter, 625, noise": ("flutter", {"scene": "plain", "lost": "noise", "recorder": "mjpeg"}),
    "slow fades, 525 deinterlaced, blue": (
        "fade",
        {"scene": "plain", "standard": "525", "deinterlace": True, "recorder": "h264 5M"},
    ),
    "nulls, 525, low bit rate": ("null", {"scene": "plain", "standard": "525", "recorder": "h264 1.2M"}),
    "flutter, 525 cropped, low bit rate": (
        "flutter",
        {"scene": "plain", "standard": "525", "cropped": True, "recorder": "mpeg4 3M"},
    ),
    "slow fades over crops": ("fade", {"scene": "crops", "lost": "noise"}),
    "slow fades at dusk": ("fade", {"scene": "dusk", "deinterlace": True}),
    "nulls over water": ("null", {"scene": "water", "recorder": "h264 5M"}),
    "echo": ("null", {"scene": "plain", "echo": True, "lost": "noise"}),
    "digital, packets lost": ("fade", {"scene": "plain", "standard": "digital", "recorder": "h264 5M"}),
    "slow fades, colour of lines dropped": (
        "fade",
        {"scene": "plain", "recorder": "h264 5M", "deinterlace": True, "colour_dropped": True},
    ),
    "digital, few packets lost": ("edge", {"scene": "plain", "standard": "digital", "recorder": "h264 5M"}),
}
CLEAN: dict[str, dict[str, object]] = {
    "plain": {},
    "white-out": {"recorder": "h264 1.2M"},
    "sun": {},
    "dusk": {},
    "dark": {"deinterlace": True},
    "rain": {},
    "water": {"recorder": "h264 5M"},
    "crops": {},
    "pans": {"standard": "525"},
    "exposure": {"recorder": "mjpeg"},
    "cuts": {"deinterlace": True},
    "still": {},
    "blinking": {"standard": "525", "deinterlace": True},
    "wobble": {"recorder": "mpeg4 3M"},
    "haze": {"recorder": "h264 1.2M"},
}


def broken_trial(name: str, seed: int) -> Trial:
    """A recording with break-ups in it."""
    style, options = BROKEN[name]
    place = list(BROKEN).index(name)
    rate = float(RATE[str(options.get("standard", "625"))])
    rng = np.random.default_rng([seed, place])
    ratio = fade(round(_BROKEN_S * rate), rate, rng, style)
    return Trial(f"broken-{seed}-{place}", seed=seed + place, carrier_to_noise_dB=ratio, **options)  # type: ignore[arg-type]


def clean_trial(scene: str, seed: int) -> Trial:
    """A recording of a scene over a good link."""
    options = CLEAN[scene]
    place = list(CLEAN).index(scene)
    rate = float(RATE[str(options.get("standard", "625"))])
    level = np.random.default_rng([seed, place, 1]).uniform(20, 32)
    ratio = np.full(round(_CLEAN_S * rate), level)
    return Trial(f"clean-{seed}-{scene}", scene, seed + place, ratio, **options)  # type: ignore[arg-type]


def diagnose(path: Path) -> Diagnosis:
    """What the program says of a recording."""
    recording = open_recording([path])
    return find_breakups(features_in(recording), frame_rate=recording.frame_rate, full_range=recording.full_range)


def true_grade(truth: Truth) -> Floats:
    """Grade (N,) of each frame by its difference from the clean recording.

    Two recordings of equally good pictures differ by their compression. What four in five of the frames that came over
    a good link differ by is taken off.
    """
    good = np.convolve(truth.carrier_to_noise_dB < _GOOD_LINK_dB, np.ones(13), "same") < 0.5
    floor = float(np.quantile(truth.error_rms[good], 0.8))
    return grade_of(signal_to_noise_dB(np.sqrt(np.maximum(truth.error_rms**2 - floor**2, 0.0))))


def spans(bad: NDArray[np.bool_], merge: int) -> list[Span]:
    """First and one past last frame of each stretch of two frames and more, shorter gaps than `merge` bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], bad.astype(int), [0]])))
    found: list[Span] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if found and start - found[-1][1] < merge:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return [(start, end) for start, end in found if end - start >= 2]


@dataclass
class Score:
    """Counts and errors of one or several trials."""

    true: int = 0
    told: int = 0
    hit: int = 0
    sure_true: int = 0
    sure_hit: int = 0
    false: int = 0
    onsets: list[int] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    grade_errors: list[Floats] = field(default_factory=list)
    ratio_errors: list[Floats] = field(default_factory=list)
    told_ratio_errors: list[Floats] = field(default_factory=list)
    ratio_covered: list[NDArray[np.bool_]] = field(default_factory=list)

    def __iadd__(self, other: Score) -> Score:
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)
        return self


def score(truth: Truth, said: Diagnosis) -> Score:
    """Compare a diagnosis with the truth."""
    grade = true_grade(truth)
    merge = round(_MERGE_S * float(said.frame_rate))
    true = spans(grade < _BREAKUP, merge)
    told = [(event.onset_frame, event.end_frame) for event in said.events]
    pairs = _matched(true, told)
    sure = [k for k, (a, b) in enumerate(true) if np.sort(grade[a:b])[1] < _SURE]
    taken = {j for _, j in pairs}
    false = [j for j, (a, b) in enumerate(told) if j not in taken and not (grade[a:b] < _BARELY).any()]
    split = [j for j, span in enumerate(told) if j not in taken and any(_overlap(span, each) for each in true)]
    result = Score(len(true), len(told), len(pairs), len(sure), len({i for i, _ in pairs} & set(sure)))
    result.false = len({*false, *split})
    for i, j in pairs:
        event = said.events[j]
        result.onsets.append(told[j][0] - true[i][0])
        low, high = event.onset_interval_s
        result.covered.append(low <= float(said.features.time_s[true[i][0]]) <= high)
    result.grade_errors = [said.grade - grade]
    ratio = truth.link_ratio_dB
    told = np.isfinite(said.link.ratio_dB)
    off = said.link.ratio_dB - ratio
    result.ratio_errors = [off[told & (ratio >= 5) & (ratio <= 10)]]
    result.told_ratio_errors = [off[told]]
    result.ratio_covered = [((said.link.low_dB <= ratio) & (ratio <= said.link.high_dB))[told]]
    return result


def _overlap(one: Span, other: Span) -> int:
    return max(0, min(one[1], other[1]) - max(one[0], other[0]))


def _matched(true: Sequence[Span], told: Sequence[Span]) -> list[tuple[int, int]]:
    """Pairs of true and told break-ups that overlap, each used once, the longest overlap first."""
    options = sorted(((_overlap(a, b), i, j) for i, a in enumerate(true) for j, b in enumerate(told)), reverse=True)
    pairs: list[tuple[int, int]] = []
    for length, i, j in options:
        if length and all(i != a and j != b for a, b in pairs):
            pairs.append((i, j))
    return pairs


def _f1(hit: int, true: int, told: int) -> tuple[float, float, float]:
    precision, recall = hit / told if told else 1.0, hit / true if true else 1.0
    return precision, recall, 2 * precision * recall / max(precision + recall, 1e-9)


def row(name: str, s: Score) -> str:
    precision, recall, f1 = _f1(s.sure_hit, s.sure_true, s.sure_hit + s.false)
    strict = _f1(s.hit, s.true, s.told)[2]
    off = np.abs(s.onsets) if s.onsets else np.array([np.nan])
    grades = np.abs(np.concatenate(s.grade_errors))
    ratios, everywhere = (
        np.abs(np.concatenate(errors)) if errors else np.zeros(0) for errors in (s.ratio_errors, s.told_ratio_errors)
    )
    ratio = f"{np.median(ratios):5.2f} {np.mean(ratios <= 1):5.0%}" if len(ratios) > 10 else "    –     –"
    all_told = "        –      –"
    if len(everywhere) > 10:
        all_told = f"   {np.mean(everywhere <= 1):6.0%} {np.mean(np.concatenate(s.ratio_covered)):6.0%}"
    return (
        f"{name:36} {s.true:4d} {s.told:4d} {precision:6.2f} {recall:6.2f} {f1:5.2f} {strict:6.2f}"
        f" {np.median(off):6.1f} {np.quantile(off, 0.95):6.1f} {np.mean(s.covered) if s.covered else np.nan:6.0%}"
        f" {np.median(grades):6.2f} {np.mean(grades <= 0.5):5.0%}  {ratio} {all_told}"
    )


HEAD = (
    f"{'condition':36} true told precis recall    F1 strict onset: 50 %  95 % in iv. grade: 50 % ≤½"
    "   C/N: 50 %  ≤1 dB  told: ≤1 dB in iv."
)


def run_broken(job: tuple[str, int, str]) -> tuple[str, Score]:
    """Make, diagnose and score one trial with break-ups."""
    cv2.setNumThreads(1)
    name, seed, folder = job
    trial = broken_trial(name, seed)
    truth = make(trial, Path(folder))
    return name, score(truth, diagnose(Path(folder) / f"{trial.name}.received.mkv"))


def run_clean(job: tuple[str, int, str]) -> tuple[str, int, float, list[str]]:
    """False break-ups told in one hard clean recording, its hours, and what they were."""
    cv2.setNumThreads(1)
    scene, seed, folder = job
    trial = clean_trial(scene, seed)
    said = diagnose(make_clean(trial, Path(folder)))
    words = [f"{e.kind} {e.onset_s:.1f}–{e.end_s:.1f} s grade {e.worst_grade:.1f}" for e in said.events]
    return scene, len(said.events), trial.frames / float(RATE[trial.standard]) / 3600, words


def report(which: str, seeds: Iterable[int], folder: str, jobs: int, only: Sequence[str]) -> None:
    began = time.perf_counter()
    wanted = [name for name in (*BROKEN, *CLEAN) if not only or any(word in name for word in only)]
    seeds = list(seeds)
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        broken = list(pool.map(run_broken, [(n, s, folder) for n in wanted if n in BROKEN for s in seeds]))
        clean = list(pool.map(run_clean, [(n, s, folder) for n in wanted if n in CLEAN for s in seeds]))
    print(f"\n{which} seeds: {len(broken)} recordings with break-ups, {len(clean)} of hard clean footage")
    if broken:
        print(HEAD)
        total = Score()
        for name in dict.fromkeys(name for name, _ in broken):
            condition = Score()
            for each, scored in broken:
                if each == name:
                    condition += scored
            print(row(name, condition))
            total += condition
        print(row("all", total))
    if clean:
        hours, false = sum(part[2] for part in clean), sum(part[1] for part in clean)
        print(f"hard clean footage: {false} false in {hours * 60:.1f} minutes, {false / hours:.1f} an hour")
        for scene, _, _, words in clean:
            if words:
                print(f"  {scene}: {'; '.join(words)}")
    print(f"({time.perf_counter() - began:.0f} s)")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", choices=("scoring", "design", "both"), default="scoring")
    parser.add_argument("--repeats", type=int, default=1, help="recordings of each condition")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--only", nargs="*", default=[], help="conditions whose name contains one of these")
    parser.add_argument("--keep", metavar="FOLDER", help="keep the recordings here, and use those that are here")
    parser.add_argument(
        "--hard-minutes", type=int, metavar="N", help="score so many minutes of hard clean footage instead"
    )
    parser.add_argument("--first-seed", type=int, default=9100, help="of the hard minutes")
    arguments = parser.parse_args()
    if arguments.hard_minutes:
        scenes = [scene for scene in CLEAN if not arguments.only or any(word in scene for word in arguments.only)]
        count, first, jobs = arguments.hard_minutes, arguments.first_seed, arguments.jobs
        report_minutes(count, scenes, first, jobs, diagnose, arguments.keep)
        return
    with tempfile.TemporaryDirectory() as temporary:
        for which in ("design", "scoring") if arguments.seeds == "both" else (arguments.seeds,):
            seeds = [SEEDS[which] + 40 * k for k in range(arguments.repeats)]
            report(which, seeds, arguments.keep or temporary, arguments.jobs, arguments.only)


if __name__ == "__main__":
    main()
