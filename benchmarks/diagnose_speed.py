"""What diagnosing a 576-line recording costs beside decoding it, in turn in one process.

    python benchmarks/diagnose_speed.py [--minutes 2] [--rounds 3] [FILE]

Without FILE, half a minute of a live picture that fades is made over the simulated link and recorded over and over at
2.5 Mbit/s. Prints wall and processor time of decoding alone and of decoding, measuring and finding the break-ups, their
ratio in each round, and what memory the second half of the recording adds.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from link_trials import Recording, Trial, fade, scene_frames, sent

from overlay.picture.breakups import find_breakups
from overlay.picture_survey import features_in
from overlay.recordings import Recording as Opened
from overlay.recordings import open_recording, planes

_SCENE_S, _RATE = 24, 25


def make(folder: Path, minutes: float) -> Path:
    """A recording of so many minutes: one stretch of a fading picture again and again."""
    ratio = fade(_SCENE_S * _RATE, _RATE, np.random.default_rng(11), "fade")
    trial = Trial("speed", "plain", 11, ratio)
    pictures = list(sent(trial, scene_frames(trial), ratio))
    target = Recording(folder / "speed.mkv", "h264 2.5M", "625")
    for number in range(round(minutes * 60 * _RATE)):
        target.add(pictures[number % len(pictures)])
    target.close()
    return target.path


def resident_MiB() -> float:
    """Memory in use now."""
    words = Path("/proc/self/statm").read_text().split()
    return int(words[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def decode(recording: Opened) -> None:
    for _ in planes(recording):
        pass


def diagnose(recording: Opened) -> None:
    find_breakups(features_in(recording), frame_rate=recording.frame_rate, full_range=recording.full_range)


def timed(work: Callable[[Opened], None], recording: Opened) -> tuple[float, float]:
    """Wall and processor seconds of one pass."""
    wall, processor = time.perf_counter(), time.process_time()
    work(recording)
    return time.perf_counter() - wall, time.process_time() - processor


def growth_MiB(recording: Opened) -> float:
    """What the second half of a pass adds to the memory in use."""
    half: list[float] = []

    def look(time_s: float) -> None:
        if not half and time_s > recording.duration_s / 2:
            half.append(resident_MiB())

    features_in(recording, look)
    return resident_MiB() - half[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", nargs="?", type=Path)
    parser.add_argument("--minutes", type=float, default=2.0)
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        recording = open_recording([arguments.file or make(Path(folder), arguments.minutes)])
        print(f"{recording.width} × {recording.height}, {float(recording.duration_s):.0f} s")
        decode(recording)
        ratios = []
        for _ in range(arguments.rounds):
            alone, whole = timed(decode, recording), timed(diagnose, recording)
            ratios.append((whole[0] / alone[0], whole[1] / alone[1]))
            print(
                f"decoding {alone[0]:.2f} s wall, {alone[1]:.2f} s processor; "
                f"diagnosing {whole[0]:.2f} s, {whole[1]:.2f} s: × {ratios[-1][0]:.2f}, × {ratios[-1][1]:.2f}"
            )
        wall, processor = (statistics.median(ratio[k] for ratio in ratios) for k in (0, 1))
        print(f"median: wall × {wall:.2f}, processor × {processor:.2f}")
        print(f"memory added by the second half: {growth_MiB(recording):.1f} MiB")


if __name__ == "__main__":
    main()
