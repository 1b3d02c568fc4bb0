"""Clips and stills of every layout over grounds that are hard to read on, and sheets of their frames, to be looked at.

Each clip is ten seconds of the generated flight around a break-up far out, drawn by the renderer over a ground that
drifts past; the live picture of that moment stands still in its inset. A sheet has a row for each ground. Prints how
often each clip's instruments were drawn anew: a display that flickers shows there.

    python benchmarks/layout_clips.py -o DIR [--layouts review link …] [--grounds cloud water …] [--stills-only]
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np

from overlay.cli.sample_moments import SampleMoments
from overlay.clock import AffineClock
from overlay.gallery import GROUNDS, Moment, Picture, drawn, ground, sheet
from overlay.instruments.panel import Panel
from overlay.layouts import Layout, available, load
from overlay.recordings import Recording, decode, open_recording
from overlay.render.footage import Staged, Whole
from overlay.render.inset import Inset
from overlay.render.pipeline import Review, render
from overlay.render.stage import Stage

PROGRAM = imageio_ffmpeg.get_ffmpeg_exe()
RATE, SECONDS, BEFORE_S, SHOWN = 25, 10, 5.0, 4
USUAL = ("cloud", "dark", "water", "sun", "busy")


def save(path: Path, picture: Picture) -> None:
    """Write an sRGB picture as PNG."""
    cv2.imwrite(str(path), picture[..., ::-1])


def footage(picture: Picture, size: tuple[int, int], path: Path) -> Recording:
    """A recording of a picture that drifts past, as far as it is larger than the frame."""
    still = path.with_suffix(".png")
    save(still, picture)
    width, height = size
    drift = f"crop={width}:{height}:(iw-{width})*t/{SECONDS}:(ih-{height})*t/{SECONDS},format=yuv420p"
    order = [PROGRAM, "-y", "-v", "error", "-loop", "1", "-framerate", str(RATE), "-i", str(still), "-vf", drift]
    order += ["-t", str(SECONDS), "-c:v", "libx264", "-preset", "ultrafast", "-crf", "12", str(path)]
    subprocess.run(order, check=True, stdin=subprocess.DEVNULL)
    return open_recording([str(path)])


def review(layout: Layout, moment: Moment, main: Recording, live: Recording, size: tuple[int, int]) -> Review:
    """The clip's panels over its ground, with the live picture where the layout has a place for it."""
    clock = AffineClock(moment.time_s - BEFORE_S)
    aspect = live.width / live.height
    if layout.pictures == "both":
        pair = layout.side_by_side(*size, moment.readings, (main.width / main.height, aspect))
        palette = layout.palette.palette()
        staged = Staged(main, Stage(*size, pair.left), palette, Fraction(0), main.duration_s, False)
        return Review(staged, clock, pair.panels, Inset(live, clock, pair.right))
    panels: tuple[Panel, ...] = layout.place(*size, moment.readings, inset_aspect=aspect)
    rect = layout.inset_rect(*size, aspect)
    return Review(Whole(main), clock, panels, Inset(live, clock, rect) if rect else None)


def frames(path: Path) -> list[Picture]:
    """`SHOWN` frames spread over a clip, sRGB."""
    wanted = set(np.linspace(5, RATE * SECONDS - 6, SHOWN).astype(int).tolist())
    pictures = enumerate(decode(open_recording([str(path)])))
    return [np.asarray(p.frame.to_ndarray(format="rgb24"), np.uint8) for n, p in pictures if n in wanted]


def clips(name: str, grounds: Sequence[str], moment: Moment, folder: Path, work: Path) -> None:
    """A clip over each ground, and the sheet."""
    layout = load(name)
    size = (720, 1280) if layout.shape == "upright" else (1280, 720)
    assert moment.live is not None
    live = footage(moment.live, (moment.live.shape[1], moment.live.shape[0]), work / "live.mp4")
    seen: list[Picture] = []
    for behind in grounds:
        main = footage(ground(behind, size[0] * 5 // 4, size[1] * 5 // 4), size, work / f"{behind}.mp4")
        target = folder / f"{name}-{behind}.mp4"
        done = render(review(layout, moment, main, live, size), str(target), overwrite=True)
        print(f"{name:10} {behind:6} {done.frames} frames, {done.redrawn} panels drawn anew", flush=True)
        seen += frames(target)
    save(folder / f"{name}-clips.png", sheet(seen, SHOWN, 480 if layout.shape != "upright" else 300))


def stills(name: str, grounds: Sequence[str], moments: Sequence[Moment], folder: Path) -> None:
    """At 4K and at 720 lines, each ground with one of the moments in turn."""
    layout = load(name)
    for number, behind in enumerate(grounds):
        moment = moments[number % len(moments)]
        for lines in (720, 2160):
            size = (lines, lines * 16 // 9) if layout.shape == "upright" else (lines * 16 // 9, lines)
            picture = drawn(layout, moment.readings, moment.time_s, ground(behind, *size), inset=moment.live)
            save(folder / f"{name}-{behind}-{lines}.png", picture)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="DIR")
    parser.add_argument("--layouts", nargs="+", default=[name for name, _ in available()])
    parser.add_argument("--grounds", nargs="+", choices=GROUNDS, default=USUAL)
    parser.add_argument("--stills-only", action="store_true")
    options = parser.parse_args()
    options.output.mkdir(parents=True, exist_ok=True)
    sample = SampleMoments()
    moments = [sample.at(name) for name in ("far", "near", "silent")]
    with tempfile.TemporaryDirectory() as work:
        for name in options.layouts:
            stills(name, options.grounds, moments, options.output)
            if not options.stills_only:
                clips(name, options.grounds, moments[0], options.output, Path(work))


if __name__ == "__main__":
    main()
