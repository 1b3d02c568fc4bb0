"""What reading a recording costs: opening, decoding, reduced luma, native planes, key pictures, windows.

Processor time and wall time are both given, since other work on the machine disturbs the latter.

    python benchmarks/recordings.py [--seconds 20] [FILE …]
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from overlay.recordings import Recording, decode, grey, open_recording, planes


def textured(path: Path, seconds: int, rate: int = 30, size: tuple[int, int] = (1920, 1080)) -> Path:
    """A drifting aerial-like texture in H.264 with B pictures, one key picture a second."""
    width, height = size
    chance = np.random.default_rng(3)
    ground = sum(
        np.kron(chance.normal(0, 10 * scale**0.5, (2400 // scale, 3600 // scale)), np.ones((scale, scale)))
        for scale in (2, 8, 24)
    )
    ground = np.clip(110 + ground, 0, 255).astype(np.uint8)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=rate, options={"preset": "veryfast", "b": "20M", "g": str(rate)})
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for number in range(seconds * rate):
            x, y = (3 * number) % (3600 - width), (2 * number) % (2400 - height)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(ground[y : y + height, x : x + width]), "gray")
            frame = frame.reformat(format="yuv420p")
            frame.pts, frame.time_base = number, Fraction(1, rate)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


def timed(work: Callable[[], int]) -> tuple[int, float, float]:
    """(what it counted, wall seconds, processor seconds)."""
    wall, processor = time.perf_counter(), time.process_time()
    count = work()
    return count, time.perf_counter() - wall, time.process_time() - processor


def windows(recording: Recording, count: int = 10) -> int:
    """Read `count` windows of a tenth of a second at random places."""
    starts = np.random.default_rng(0).uniform(0, float(recording.duration_s) - 0.2, count)
    for start in starts:
        for _ in decode(recording, start, start + 0.1):
            pass
    return count


def report(path: Path) -> None:
    """Print the table for one file."""
    recording = open_recording([path])
    size = f"{recording.width}×{recording.height}, {recording.frames} frames, {path.stat().st_size / 1e6:.0f} MB"
    print(f"{path.name}: {recording.chapters[0].codec} {size}")
    rows: dict[str, Callable[[], int]] = {
        "open (whole file, nothing decoded)": lambda: open_recording([path]).frames,
        "decode": lambda: sum(1 for _ in decode(recording)),
        "grey, 320 wide": lambda: sum(1 for _ in grey(recording)),
        "planes": lambda: sum(1 for _ in planes(recording)),
        "key pictures, grey": lambda: sum(1 for _ in grey(recording, keyframes_only=True)),
        "ten windows of 0.1 s": lambda: windows(recording),
    }
    base = 0.0
    print(f"{'':38}{'count':>8}{'wall s':>9}{'proc. s':>9}{'of decode':>11}")
    for name, work in rows.items():
        count, wall, processor = timed(work)
        base = processor if name == "decode" else base
        ratio = f"{processor / base:11.2f}" if base else ""
        print(f"{name:38}{count:8}{wall:9.2f}{processor:9.2f}{ratio}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB\n")


def main() -> None:
    """Measure the files given, or one made for the purpose."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", nargs="*", type=Path, metavar="FILE")
    parser.add_argument("--seconds", type=int, default=20)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for path in arguments.files or [textured(Path(folder) / "texture.mp4", arguments.seconds)]:
            report(path)


if __name__ == "__main__":
    main()
