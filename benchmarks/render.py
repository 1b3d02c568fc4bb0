"""Wall time, processor time and memory of a render with the full layout, against a bare transcode by the ffmpeg program.

Both use the same file, encoder, options and thread count, and are run in turn so that a busy machine hurts both alike.
The start-up of interpreter and recording is part of ours; the last but one column leaves it out, as in a long flight.

    python benchmarks/render.py [--cases 1080p30 1080p60 4K30 10-bit] [--seconds 12] [--rounds 3] [--inset]
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
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import imageio_ffmpeg

if TYPE_CHECKING:
    from overlay.render.pipeline import Review

PROGRAM = imageio_ffmpeg.get_ffmpeg_exe()


class Case(NamedTuple):
    """What is recorded: size, frames per second, pixel format, bit rate."""

    size: str
    rate: int
    pixel_format: str = "yuv420p"
    bit_rate: str = "20M"


CASES = {
    "1080p30": Case("1920x1080", 30),
    "1080p60": Case("1920x1080", 60),
    "4K30": Case("3840x2160", 30),
    "10-bit": Case("1920x1080", 30, "yuv420p10le"),
}
GROUND = Case("720x576", 25, bit_rate="5M")  # what recorders of a live picture write: common practice, no source


def make_source(path: Path, case: Case, seconds: float) -> None:
    """A moving, textured, noisy picture with sound, H.264 at its case's bit rate."""
    picture = f"mandelbrot=size=480x270:rate={case.rate}:start_scale=0.02:end_scale=0.0002"
    picture += f",scale={case.size.replace('x', ':')}:flags=bicubic,noise=alls=6:allf=t,format={case.pixel_format}"
    order = [PROGRAM, "-y", "-v", "error", "-f", "lavfi", "-i", picture, "-f", "lavfi", "-i", "sine=220:r=48000"]
    order += ["-t", str(seconds), "-c:v", "libx264", "-preset", "veryfast", "-b:v", case.bit_rate]
    order += ["-c:a", "aac", str(path)]
    subprocess.run(order, check=True, stdin=subprocess.DEVNULL)


class Cost(NamedTuple):
    """Of a child process: wall and processor seconds, peak resident MiB, and how long it says that it took to start."""

    wall_s: float
    processor_s: float
    memory_MiB: float
    start_s: float = 0.0


def timed(order: list[str]) -> Cost:
    """Run a child process; it may print a JSON object with `wall_s`, the time of the work proper."""
    began = time.monotonic()
    child = subprocess.Popen(order, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
    assert child.stdout is not None
    said = child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.monotonic() - began
    if status:
        raise SystemExit(f"failed: {' '.join(order)}")
    start = wall - json.loads(said)["wall_s"] if said else 0.0
    return Cost(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024, start)


def made_up(source: str, layout: str, inset: str = "") -> Review:
    """A recording with every instrument of a layout, fed from a made-up but complete flight."""
    import numpy as np

    from overlay.clock import AffineClock
    from overlay.layouts import load
    from overlay.readings import BrokenPicture, Leg, Pack, Readings
    from overlay.recordings import open_recording
    from overlay.render.footage import Whole
    from overlay.render.inset import Inset
    from overlay.render.pipeline import Review

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
    return Review(Whole(recording), AffineClock(0.0), panels, window)


def child(source: str, target: str, layout: str, inset: str) -> None:
    """What is timed: its start is that of any command."""
    from overlay.render.pipeline import render

    done = render(made_up(source, layout, inset), target, overwrite=True)
    print(json.dumps({"frames": done.frames, "redrawn": done.redrawn, "wall_s": done.wall_s}))


def compare(name: str, options: argparse.Namespace, folder: Path) -> None:
    """One case in `rounds` turns, a line for each and one for the medians."""
    case, kept = CASES[name], Path(options.sources or folder)
    source, ground = (kept / f"{which}-{options.seconds:g}.mp4" for which in (name, "ground"))
    for path, recorded in ((source, case), (ground, GROUND)):
        if not path.exists():
            make_source(path, recorded, options.seconds)
    bare = [PROGRAM, "-y", "-v", "error", "-i", str(source), "-c:v", "libx264", "-crf", "18", "-preset", "veryfast"]
    bare += ["-pix_fmt", case.pixel_format, "-c:a", "copy", str(folder / "bare.mp4")]
    ours = [sys.executable, __file__, "--child", str(source), str(folder / "ours.mp4"), options.layout]
    ours += [str(ground) if options.inset else ""]
    rows = []
    for number in range(options.rounds):
        theirs, mine = timed(bare), timed(ours)
        ratios = (
            mine.wall_s / theirs.wall_s,
            (mine.wall_s - mine.start_s) / theirs.wall_s,
            mine.processor_s / theirs.processor_s,
            mine.memory_MiB / theirs.memory_MiB,
        )
        rows.append((*theirs[:3], *mine, *ratios))
        show(name, str(number + 1), rows[-1])
    show(name, "median", [statistics.median(column) for column in zip(*rows, strict=True)])


def show(name: str, turn: str, cells: Sequence[float]) -> None:
    """A row of the table."""
    formats = ("7.2f", "7.2f", "6.0f", "9.2f", "7.2f", "6.0f", "6.2f", "9.3f", "7.3f", "7.3f", "7.3f")
    print(f"{name:8} {turn:>6} " + " ".join(f"{cell:{form}}" for cell, form in zip(cells, formats, strict=True)))
    sys.stdout.flush()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES))
    parser.add_argument("--seconds", type=float, default=12)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--layout", default="review")
    parser.add_argument("--inset", action="store_true")
    parser.add_argument("--sources", metavar="DIR", help="keep the recordings made there, for another time")
    parser.add_argument("--child", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(*options.child)
        return
    print(f"{options.seconds:.0f} s, layout {options.layout}, {'with a moving inset' if options.inset else 'no inset'}")
    print(
        "                 ffmpeg: s   cpu s    MiB   ours: s   cpu s    MiB  start  ratio: s  no start    cpu  memory"
    )
    with tempfile.TemporaryDirectory() as folder:
        for name in options.cases:
            compare(name, options, Path(folder))


if __name__ == "__main__":
    main()
