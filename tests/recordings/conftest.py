"""Small recordings made on the spot, each frame carrying its own number in the picture."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import imageio_ffmpeg
import numpy as np
import pytest
from numpy.typing import NDArray

WIDTH, HEIGHT, BITS = 96, 64, 8
CELL = WIDTH // BITS


def numbered(number: int, width: int = WIDTH, height: int = HEIGHT) -> NDArray[np.uint8]:
    """Luma with `number` as eight bright or dark cells across the upper half, and a moving texture below."""
    bits = (number >> np.arange(BITS)[::-1]) & 1
    picture = np.empty((height, width), np.uint8)
    picture[: height // 2] = np.kron(np.where(bits, 200, 50), np.ones(width // BITS)).astype(np.uint8)
    x, y = np.meshgrid(np.arange(width), np.arange(height - height // 2))
    picture[height // 2 :] = 120 + 60 * np.sin((x + 3 * number) / 5.0) * np.cos((y - number) / 4.0)
    return picture


def read_number(luma: NDArray[np.uint8]) -> int:
    """The number that `numbered` drew, read back from a picture of any size, upright."""
    height, width = luma.shape
    cell = width // BITS
    band = luma[height // 8 : 3 * height // 8]
    bits = [band[:, k * cell + cell // 4 : (k + 1) * cell - cell // 4].mean() > 125 for k in range(BITS)]
    return int(sum(bit << (BITS - 1 - k) for k, bit in enumerate(bits)))


@dataclass(frozen=True)
class Recipe:
    """How a clip is written. `pts` are in units of 1/`rate` unless `tick` says otherwise."""

    suffix: str
    codec: str
    pixel_format: str = "yuv420p"
    options: dict[str, str] = field(default_factory=dict)
    rate: int = 25
    gop: int = 12
    format: str | None = None
    container_options: dict[str, str] = field(default_factory=dict)
    size: tuple[int, int] = (WIDTH, HEIGHT)
    prepare: Callable[[av.VideoStream], None] | None = None
    sound: bool = False
    metadata: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Clip:
    """A written file and what went into it: `times` in seconds from the first frame, exact."""

    path: Path
    recipe: Recipe
    times: tuple[Fraction, ...]


def write_clip(
    path: Path, recipe: Recipe, frames: int = 60, pts: Sequence[int] | None = None, tick: Fraction | None = None
) -> Clip:
    """Encode `frames` numbered pictures; `pts` (default 0, 1, 2 …) count in `tick` (default one frame)."""
    tick = tick or Fraction(1, recipe.rate)
    pts = list(range(frames)) if pts is None else list(pts)
    with av.open(str(path), "w", format=recipe.format, options=recipe.container_options) as out:
        out.metadata.update(recipe.metadata)
        stream = out.add_stream(recipe.codec, rate=recipe.rate, options=recipe.options)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height = recipe.size
        stream.pix_fmt = recipe.pixel_format
        stream.codec_context.gop_size = recipe.gop
        stream.codec_context.time_base = tick
        sound = out.add_stream("aac" if path.suffix == ".mp4" else "pcm_s16le", rate=48000) if recipe.sound else None
        if recipe.prepare:
            recipe.prepare(stream)
        for number, stamp in enumerate(pts):
            frame = av.VideoFrame.from_ndarray(numbered(number % 256, *recipe.size), "gray")
            frame = frame.reformat(format=recipe.pixel_format)
            frame.pts, frame.time_base = stamp, tick
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
        if sound is not None:
            _hum(out, sound, float((pts[-1] - pts[0]) * tick))
    return Clip(path, recipe, tuple((stamp - pts[0]) * tick for stamp in pts))


def _hum(out: av.container.OutputContainer, stream: av.AudioStream, seconds: float) -> None:
    for begin in range(0, int(48000 * seconds), 1024):
        wave = (3000 * np.sin(np.arange(begin, begin + 1024) / 30)).astype(np.int16)
        frame = av.AudioFrame.from_ndarray(wave[None], format="s16", layout="mono")
        frame.sample_rate, frame.pts, frame.time_base = 48000, begin, Fraction(1, 48000)
        out.mux(stream.encode(frame))
    out.mux(stream.encode())


X264 = {"preset": "veryfast", "crf": "20", "x264-params": "bframes=3:b-adapt=0:scenecut=0:log-level=none"}
X265 = {"preset": "ultrafast", "x265-params": "bframes=3:b-adapt=0:scenecut=0:log-level=none:crf=20"}
CLEAN = {"qscale": "3"}

RECIPES = {
    "mp4 h264": Recipe(".mp4", "libx264", options=X264, sound=True),
    "mp4 h264 no B": Recipe(".mp4", "libx264", options={**X264, "bf": "0"}),
    "mp4 h264 open": Recipe(
        ".mp4", "libx264", options={**X264, "x264-params": X264["x264-params"] + ":open-gop=1:bframes=2"}
    ),
    "mp4 fragments": Recipe(
        ".mp4", "libx264", options=X264, container_options={"movflags": "frag_keyframe+empty_moov"}
    ),
    "mp4 hevc": Recipe(".mp4", "libx265", options=X265),
    "mov prores": Recipe(".mov", "prores_ks", "yuv422p10le"),
    "mov h264 10": Recipe(".mov", "libx264", "yuv420p10le", options=X264),
    "mkv h264": Recipe(".mkv", "libx264", options=X264, sound=True),
    "mkv hevc 10": Recipe(".mkv", "libx265", "yuv420p10le", options=X265),
    "webm vp9": Recipe(".webm", "libvpx-vp9", options={"deadline": "realtime", "cpu-used": "8", "crf": "30"}),
    "avi mpeg4": Recipe(".avi", "mpeg4", options={"bf": "2", "b": "2M"}, sound=True),
    "avi mjpeg": Recipe(".avi", "mjpeg", "yuvj422p", options={"q": "3"}),
    "avi h264": Recipe(".avi", "libx264", options=X264),
    "asf h264": Recipe(".asf", "libx264", options=X264),
    "mxf mpeg2": Recipe(".mxf", "mpeg2video", options={"bf": "2", "b": "2M"}),
    "ts h264": Recipe(".ts", "libx264", options=X264),
    "ts h264 refresh": Recipe(
        ".ts", "libx264", options={**X264, "x264-params": X264["x264-params"] + ":intra-refresh=1:bframes=0"}
    ),
    "ts mpeg2": Recipe(".ts", "mpeg2video", options={"bf": "2", "b": "2M"}),
    "ps mpeg2": Recipe(".mpg", "mpeg2video", options={"bf": "2", "b": "2M"}, format="vob"),
    "flv h264": Recipe(".flv", "libx264", options=X264),
    "h264": Recipe(".h264", "libx264", options=X264),
    "hevc": Recipe(".hevc", "libx265", options=X265),
    "mjpeg": Recipe(".mjpeg", "mjpeg", "yuvj420p", options={"q": "3"}),
}


class Clips(dict[str, Clip]):
    """All clips by name; prints short in a failing example."""

    def __repr__(self) -> str:
        return "clips"


@pytest.fixture(scope="session")
def clips(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Clip]:
    """One clip of sixty frames per recipe."""
    folder = tmp_path_factory.mktemp("clips")
    return Clips(
        {
            name: write_clip(folder / (name.replace(" ", "_") + recipe.suffix), recipe)
            for name, recipe in RECIPES.items()
        }
    )


@pytest.fixture(params=sorted(RECIPES))
def clip(request: pytest.FixtureRequest, clips: dict[str, Clip]) -> Clip:
    """Each clip in turn."""
    return clips[request.param]


def run_ffmpeg(*arguments: str) -> str:
    """Run the ffmpeg program that imageio-ffmpeg carries; what it printed."""
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-nostdin", "-hide_banner", "-v", "error", "-y", *arguments]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=60, check=True)
    return done.stdout.decode()


@pytest.fixture(scope="session")
def number_in() -> Callable[[NDArray[np.uint8]], int]:
    """Reads the number out of a picture."""
    return read_number


@pytest.fixture(scope="session")
def write() -> Callable[..., Clip]:
    """Writes a clip to a recipe."""
    return write_clip


@pytest.fixture(scope="session")
def recipes() -> dict[str, Recipe]:
    """All recipes by name."""
    return RECIPES


@pytest.fixture(scope="session")
def ffmpeg() -> Callable[..., str]:
    """Runs the ffmpeg program."""
    return run_ffmpeg
