"""Wall time and memory of a render with the full layout, against a bare transcode by the ffmpeg program.

Both use the same file, encoder, options and thread count, and are run in turn so that a busy machine hurts both alike.

    python benchmarks/render.py [--seconds 30] [--rounds 3] [--size 1920x1080] [--rate 30] [--inset]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import imageio_ffmpeg

PROGRAM = imageio_ffmpeg.get_ffmpeg_exe()


def make_source(path: Path, size: str, rate: int, seconds: float) -> None:
    """A moving, textured picture with sound, H.264 at a camera's bit rate."""
    picture = f"mandelbrot=size={size}:rate={rate}:start_scale=0.02:end_scale=0.0002,noise=alls=6:allf=t,format=yuv420p"
    order = [PROGRAM, "-y", "-v", "error", "-f", "lavfi", "-i", picture, "-f", "lavfi", "-i", "sine=220:r=48000"]
    order += ["-t", str(seconds), "-c:v", "libx264", "-preset", "veryfast", "-b:v", "16M", "-c:a", "aac", str(path)]
    subprocess.run(order, check=True, stdin=subprocess.DEVNULL)


def timed(order: list[str]) -> tuple[float, float, float]:
    """(wall seconds, processor seconds, peak resident MiB) of a child process."""
    began = time.monotonic()
    child = subprocess.Popen(order, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"failed: {' '.join(order)}")
    return time.monotonic() - began, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def child(source: str, target: str, layout: str, inset: str) -> None:
    """Render with every instrument fed from a made-up but complete flight."""
    import numpy as np

    from overlay.clock import AffineClock
    from overlay.layouts import load
    from overlay.readings import BrokenPicture, Leg, Pack, Readings
    from overlay.recordings import open_recording
    from overlay.render.footage import Whole
    from overlay.render.inset import Inset
    from overlay.render.pipeline import Review, render

    recording = open_recording([source])
    end = float(recording.duration_s)
    time_s = np.arange(0.0, end + 1, 0.1)
    phase = (time_s + 600) / 1500  # some way into a flight of 25 minutes
    wave = np.sin(time_s * 2 * math.pi / 9)  # weaving in nine seconds
    columns = {
        "range_m": 9000 * np.sin(math.pi * phase) + 50, "east_m": 9000 * np.sin(math.pi * phase), "north_m": 400 * wave,
        "bearing_deg": 80 + 3 * wave, "height_m": 140 + 12 * wave, "ground_speed_mps": 17 + 3 * wave,
        "airspeed_mps": 18 + wave, "vertical_speed_mps": 1.5 * wave, "course_deg": (90 + 60 * wave) % 360,
        "heading_deg": (88 + 60 * wave) % 360, "bank_deg": 25 * wave, "pitch_deg": 4 * wave,
        "distance_m": 18000 * phase, "wind_speed_mps": 5 + 0 * wave, "wind_from_deg": 250 + 0 * wave,
        "tailwind_mps": 4 * wave, "voltage_V": 16.2 - 2 * phase, "current_A": 8 + 2 * wave,
        "charge_used_mAh": 5000 * phase, "charge_per_km_mAh": 170 + 10 * wave,
        "charge_home_mAh": 1500 * np.sin(math.pi * phase), "charge_reserve_mAh": np.full_like(wave, 2000.0),
        "charge_spare_mAh": 3000 * (1 - phase), "reach_m": 11000 - 2000 * phase, "control_link_pct": 80 + 15 * wave,
        "picture_grade": np.clip(4 + 1.5 * wave, 1, 5), "aerial_off_axis_deg": 5 + 3 * wave,
    }  # fmt: skip
    legs = (Leg("out", 0.0, end / 2), Leg("home", end / 2, end))
    broken = (BrokenPicture(end * 0.4, end * 0.45, "sparkle", 2.0), BrokenPicture(end * 0.6, end * 0.62, "noise", 3.0))
    readings = Readings(time_s, columns, legs=legs, breakups=broken, pack=Pack(10000.0))
    placed = load(layout)
    panels = placed.place(recording.width, recording.height, readings, units="metric")
    window = None
    if inset:
        rect = placed.inset_rect(recording.width, recording.height, 4 / 3)
        window = Inset(open_recording([inset]), AffineClock(0.0), rect) if rect else None
    done = render(Review(Whole(recording), AffineClock(0.0), panels, window), target, overwrite=True)
    print(json.dumps({"frames": done.frames, "redrawn": done.redrawn}), file=sys.stderr)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--rate", type=int, default=30)
    parser.add_argument("--layout", default="review")
    parser.add_argument("--inset", action="store_true")
    parser.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(*options.child)
        return
    with tempfile.TemporaryDirectory() as folder:
        source, ground = Path(folder, "source.mp4"), Path(folder, "ground.mp4")
        make_source(source, options.size, options.rate, options.seconds)
        if options.inset:
            make_source(ground, "720x576", 25, options.seconds)
        bare = [PROGRAM, "-y", "-v", "error", "-i", str(source), "-c:v", "libx264", "-crf", "18", "-preset", "veryfast"]
        bare += ["-pix_fmt", "yuv420p", "-c:a", "copy", str(Path(folder, "bare.mp4"))]
        ours = [sys.executable, __file__, "--child", str(source), str(Path(folder, "ours.mp4")), options.layout]
        ours += [str(ground) if options.inset else ""]
        rounds = []
        print(
            f"{options.size} {options.rate}/s, {options.seconds:.0f} s, layout {options.layout}, inset {options.inset}"
        )
        print("round  ffmpeg: wall s    cpu s   MiB   overlay: wall s    cpu s   MiB   ratio: wall    cpu")
        for number in range(options.rounds):
            theirs, mine = timed(bare), timed(ours)
            rounds.append([a / b for a, b in zip(mine, theirs, strict=True)])
            cells = [*theirs, *mine]
            print(
                f"{number + 1:5}  {cells[0]:14.1f} {cells[1]:8.1f} {cells[2]:5.0f}   {cells[3]:15.1f} {cells[4]:8.1f} "
                f"{cells[5]:5.0f}   {rounds[-1][0]:11.3f} {rounds[-1][1]:6.3f}"
            )
        wall, processor, memory = (statistics.median(column) for column in zip(*rounds, strict=True))
        print(f"median ratios: wall {wall:.3f}, processor {processor:.3f}, memory {memory:.2f}")


if __name__ == "__main__":
    main()
