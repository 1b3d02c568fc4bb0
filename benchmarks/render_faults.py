"""Renders that are killed and disks that fill up: what stands under the target's name, and whether they can be gone on from.

Each of `--kills` seeded moments between the start of a render and its end gets a kill -9, with nothing or an old file
under the target's name; then the same render is given again. Each of `--disks` file systems, from next to nothing to
just too small, is filled by a render; then it is made larger and the render given again. Whatever comes out is compared
frame by frame and packet by packet of sound with a render that nothing disturbed.

    python benchmarks/render_faults.py [--kills 50] [--disks 20] [--seed 1] [--workers 1]

The disks are mounted in memory, which takes a Linux machine and root; without that this part says so and is left out.
"""

from __future__ import annotations

import argparse
import hashlib
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from render import Case, made_up, make_source

if TYPE_CHECKING:
    from overlay.render.pipeline import Review

SECONDS, SEGMENT_FRAMES = 10, 25
SIZE = "320x180"
# The libx264 in PyAV's wheels does not code small pictures alike every time (docs/measured.md says what was tried). Without
# loss whatever it codes is the pictures that were handed to it, and those are what is to be the same.
LOSSLESS = {"crf": "0", "preset": "veryfast"}
OLD = b"what stood there before"


def child(said: Connection, review: Review, target: Path, workers: int) -> None:
    """Render in small segments and say how it ended."""
    from overlay.errors import OverlayError
    from overlay.render import pipeline, segments

    segments.SEGMENT_FRAMES = pipeline.SEGMENT_FRAMES = SEGMENT_FRAMES  # so that a short video has many
    try:
        done = pipeline.render(review, target, overwrite=True, workers=workers)
    except OverlayError as error:
        said.send("; ".join([str(error), *getattr(error, "__notes__", ())]))
        raise SystemExit(error.exit_code) from error
    said.send("; ".join(["done", *done.notes]))


def digest(path: Path) -> str:
    """Of every frame's time and pixels and every packet of sound."""
    import av

    seen = hashlib.sha256()
    with av.open(str(path)) as file:
        for frame in file.decode(video=0):
            seen.update(f"{frame.pts * frame.time_base}".encode() + frame.to_ndarray().tobytes())
    with av.open(str(path)) as file:
        for packet in file.demux(audio=0):
            if packet.pts is not None:
                seen.update(f"{packet.pts * packet.time_base}".encode() + bytes(packet))
    return seen.hexdigest()


class Run(NamedTuple):
    """How a render ended: its exit code (negative: the signal), what it said, and how long it took."""

    code: int
    said: str
    took_s: float


def run(review: Review, target: Path, workers: int, kill_after_s: float | None = None) -> Run:
    """Render in a process of its own and, after so many seconds, kill it.

    The process is a copy of this one, which has loaded everything and runs no thread: start-up is not what is tried.
    """
    context = get_context("fork")
    hears, says = context.Pipe(duplex=False)
    program = context.Process(target=child, args=(says, review, target, workers))
    began = time.monotonic()
    program.start()
    program.join(kill_after_s)
    if program.is_alive():
        program.kill()
        program.join()
    took_s = time.monotonic() - began
    return Run(program.exitcode or 0, hears.recv() if hears.poll() else "", took_s)


def found_at(target: Path, old: bool, whole: str) -> str:
    """What stands under the target's name."""
    if not target.exists():
        return "LOST" if old else "absent"
    if old and target.read_bytes() == OLD:
        return "old"
    try:
        return "complete" if digest(target) == whole else "WRONG"
    except (OSError, IndexError):
        return "WRONG"


def killed(review: Review, folder: Path, whole: str, length_s: float, options: argparse.Namespace) -> None:
    """Every seeded moment: half of them with an old file in place, half without."""
    found, after = Counter[str](), Counter[str]()
    for number in range(options.kills):
        rng = np.random.default_rng([options.seed, number])
        target, old = folder / f"killed-{number}.mp4", number % 2 == 1
        if old:
            target.write_bytes(OLD)
        first = run(review, target, options.workers, rng.uniform(0, 0.95 * length_s))
        found[found_at(target, old, whole)] += 1
        again = run(review, target, options.workers)
        found_then = found_at(target, False, whole)
        gone_on = "gone on from" if "went on" in again.said else "begun afresh"
        after[f"{gone_on}, {found_then}" if first.code else "had ended in time"] += 1
        left = [entry.name for entry in folder.iterdir() if ".part" in entry.name]
        after[f"left behind: {left}"] += bool(left)
        target.unlink()
    print(
        f"{options.kills} kills between 0 and {0.95 * length_s:.1f} s, seed {options.seed}, {options.workers} worker(s)"
    )
    print(f"  under the target's name then: {told(found)}")
    print(f"  after the same command again: {told(after)}")


def full(review: Review, folder: Path, whole: str, needed: int, options: argparse.Namespace) -> None:
    """Every size of disk, from next to nothing to just too small for the video."""
    found, said, after = Counter[str](), Counter[str](), Counter[str]()
    sizes = np.linspace(64 << 10, needed, options.disks + 1)[:-1].astype(int)
    for number, size in enumerate(sizes):
        with disk(folder / "disk", int(size)) as place:
            target, old = place / "out.mp4", number % 2 == 1
            if old:
                target.write_bytes(OLD)
            first = run(review, target, options.workers)
            names = str(target) in first.said and "\n" not in first.said
            said[f"exit {first.code}, {'one line that names the path' if names else first.said}"] += 1
            found[found_at(target, old, whole)] += 1
            said["says what is kept"] += "is kept in" in first.said
            said["leaves nothing"] += not list(place.glob("*.part"))
            mount("-o", f"remount,size={4 * needed}", str(place))
            again = run(review, target, options.workers)
            gone_on = "gone on from" if "went on" in again.said else "begun afresh"
            after[f"{gone_on}, {found_at(target, False, whole)}"] += 1
    print(f"{options.disks} disks of {sizes[0] >> 10} to {sizes[-1] >> 10} KiB for a video of {needed >> 10} KiB")
    print(f"  how it ended: {told(said)}")
    print(f"  under the target's name then: {told(found)}")
    print(f"  on a larger disk: {told(after)}")


def told(counts: Counter[str]) -> str:
    """``3 absent, 2 old``."""
    return "; ".join(f"{number} {what}" for what, number in counts.most_common() if number)


@contextmanager
def disk(at: Path, size: int) -> Iterator[Path]:
    """A file system of so many bytes in memory."""
    at.mkdir(exist_ok=True)
    mount("-t", "tmpfs", "-o", f"size={size}", "none", str(at))
    try:
        yield at
    finally:
        subprocess.run(["umount", str(at)], check=True)


def mount(*words: str) -> None:
    """Call the system's command."""
    subprocess.run(["mount", *words], check=True, capture_output=True)


def may_mount(folder: Path) -> bool:
    """Whether this machine lets us."""
    try:
        with disk(folder / "trial", 1 << 16):
            return True
    except (OSError, subprocess.CalledProcessError):
        return False


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--disks", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        source, whole = folder / "source.mp4", folder / "whole.mp4"
        make_source(source, Case(SIZE, 30), SECONDS)
        review = made_up(str(source), "review")
        review = replace(review, encoder=replace(review.encoder, options=LOSSLESS))
        # The second time everything is in memory already, as it will be for those that are killed.
        undisturbed = [run(review, whole, options.workers) for _ in range(2)][-1]
        if undisturbed.code:
            raise SystemExit(undisturbed.said)
        wanted = digest(whole)
        if options.kills:
            killed(review, folder, wanted, undisturbed.took_s, options)
        if options.disks and may_mount(folder):
            full(review, folder, wanted, whole.stat().st_size, options)
        elif options.disks:
            print("no disk could be mounted here: the full disks were not tried")


if __name__ == "__main__":
    main()
