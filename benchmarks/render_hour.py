"""A long render: is every frame there, on its tick, in step with the sound, and does memory stay flat?

Records `--minutes` of a moving picture with a tone at 60 frames a second, renders it with the full layout, reopens the
result, and compares every frame's time with n/60 s and every packet of sound, content and time, with the recording's.

    python benchmarks/render_hour.py [--minutes 60] [--size 1920x1080] [--preset veryfast] [--workers 1]
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from fractions import Fraction
from itertools import zip_longest
from pathlib import Path

import av
from render import PROGRAM, made_up

RATE = 60
SAMPLES = 12  # of memory, over the run


def make_source(path: Path, size: str, minutes: float) -> None:
    """A test picture with a tone; the picture is a minute's over and over, drawn and encoded once."""
    minute, program = path.with_name("minute.mp4"), [PROGRAM, "-y", "-v", "error"]
    picture = ["-f", "lavfi", "-i", f"testsrc2=size={size}:rate={RATE}", "-t", str(60 * min(minutes, 1))]
    picture += ["-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p", str(minute)]
    subprocess.run(program + picture, check=True, stdin=subprocess.DEVNULL)
    joined = ["-stream_loop", "-1", "-i", str(minute), "-f", "lavfi", "-i", "sine=220:r=48000"]
    joined += ["-t", str(minutes * 60), "-c:v", "copy", "-c:a", "aac", str(path)]
    subprocess.run(program + joined, check=True, stdin=subprocess.DEVNULL)
    minute.unlink()


def resident_MiB() -> float:
    """What this process holds in memory now (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 2**20


def child(source: str, target: str, preset: str, workers: int) -> None:
    """Render, noting the memory as the video grows."""
    from overlay.render.pipeline import render

    noted: list[tuple[float, float]] = []

    def progress(done_s: float, whole_s: float) -> None:
        if done_s >= whole_s * len(noted) / SAMPLES:
            noted.append((done_s / 60, resident_MiB()))

    review = made_up(source, "review")
    review = replace(review, encoder=replace(review.encoder, options={**review.encoder.options, "preset": preset}))
    done = render(review, target, overwrite=True, progress=progress, workers=workers)
    print(json.dumps({"frames": done.frames, "wall_s": done.wall_s, "memory": noted}))


def frames(path: Path) -> tuple[int, Fraction, Fraction]:
    """(frames, largest distance of one from n / rate in ticks, tick)."""
    with av.open(str(path)) as file:
        stream = file.streams.video[0]
        tick = stream.time_base
        assert tick is not None
        stamps = sorted(packet.pts for packet in file.demux(stream) if packet.pts is not None)
    off = (abs(pts * tick - Fraction(number, RATE)) for number, pts in enumerate(stamps))
    return len(stamps), max(off, default=Fraction(0)) / tick, tick


def sound(source: Path, target: Path) -> tuple[int, bool, float]:
    """(packets, whether they are the recording's, largest difference of their times in ms)."""
    with av.open(str(source)) as before, av.open(str(target)) as after:
        pairs = zip_longest(*((p for p in file.demux(audio=0) if p.pts is not None) for file in (before, after)))
        count, same, worst = 0, True, Fraction(0)
        for theirs, ours in pairs:
            if theirs is None or ours is None:
                return count, False, float("nan")
            count += 1
            same &= bytes(theirs) == bytes(ours)
            worst = max(worst, abs(theirs.pts * theirs.time_base - ours.pts * ours.time_base))
    return count, same, float(worst * 1000)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument(
        "--preset", default="veryfast", help="of libx264; a fast one where the encoder is not in question"
    )
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--folder", help="where to work (default: a temporary folder)")
    parser.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(*options.child[:3], int(options.child[3]))
        return
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        source, target = Path(name, "source.mp4"), Path(name, "review.mp4")
        make_source(source, options.size, options.minutes)
        began = time.monotonic()
        order = [sys.executable, __file__, "--child", str(source), str(target), options.preset]
        order += [str(options.workers)]
        said = json.loads(subprocess.run(order, check=True, stdout=subprocess.PIPE, text=True).stdout)
        count, off, tick = frames(target)
        packets, same, apart_ms = sound(source, target)
        print(f"{options.minutes:g} min of {options.size} at {RATE}/s, full layout, {time.monotonic() - began:.0f} s")
        print(
            f"frames: {count} of {round(options.minutes * 60 * RATE)}; farthest from n/{RATE} s: {float(off):g} ticks"
        )
        print(f"  (a tick is {float(tick) * 1e6:.1f} µs)")
        print(f"sound: {packets} packets, {'the same' if same else 'NOT the same'}; at most {apart_ms:.3f} ms apart")
        print("memory: " + ", ".join(f"{MiB:.0f} MiB at {minutes:.1f} min" for minutes, MiB in said["memory"]))


if __name__ == "__main__":
    main()
