"""Recordings of a live picture that breaks up, with labels taken from the picture itself.

A trial sends a scene over the simulated link twice, once with the carrier-to-noise ratio of the trial and once with far
too much of it, and records both on the same cheap recorder. What differs between the two recordings, frame by frame, is
the truth: not what the simulator meant to do, and not what the code under test measures.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import tee
from pathlib import Path

import av
import cv2
import hard_footage
import numpy as np
from numpy.typing import NDArray

from overlay_samples.link import Echo, receive
from overlay_samples.link.digital import receive_digital

Image = NDArray[np.uint8]
Floats = NDArray[np.float64]

_CLEAN_dB = 60.0
_ECHO = Echo(0.35, 0.7, 2.0)
_FULL_RANGE = np.clip((np.arange(256) - 16) * 255 / 219, 0, 255).astype(np.uint8)
ROWS = {"625": 576, "525": 480, "digital": 576}
RATE = {"625": Fraction(25), "525": Fraction(30000, 1001), "digital": Fraction(30)}

RECORDERS: dict[str, tuple[str, dict[str, str]]] = {
    "h264 2.5M": ("libx264", {"b": "2500k", "preset": "veryfast", "g": "50", "bf": "0"}),
    "h264 1.2M": ("libx264", {"b": "1200k", "preset": "veryfast", "g": "100", "bf": "0"}),
    "h264 5M": ("libx264", {"b": "5000k", "preset": "veryfast", "g": "25", "bf": "0"}),
    "mjpeg": ("mjpeg", {"qmin": "6", "qmax": "6"}),
    "mpeg4 3M": ("mpeg4", {"b": "3000k", "g": "15"}),
}
"""Codec and options. Bit rates are held over half a second, as recorders with little memory do."""


@dataclass(frozen=True)
class Trial:
    """One recording to be made. For digital links the ratio is that of their own receiver's signal to noise."""

    name: str
    scene: str
    seed: int
    carrier_to_noise_dB: Floats
    standard: str = "625"
    lost: str = "blue"
    deinterlace: bool = False
    cropped: bool = False
    """The recorder cuts the picture's black borders off."""
    echo: bool = False
    """A second path all along, 0.7 µs late: ghosts in the clean recording, too, and fades that it deepens."""
    recorder: str = "h264 2.5M"
    colour_dropped: bool = False
    """The recorder drops the colour of every other line instead of averaging two."""

    @property
    def frames(self) -> int:
        return len(self.carrier_to_noise_dB)


@dataclass(frozen=True)
class Truth:
    """Labels (N,): rms luma error of the recording in levels of the 219 between black and white, and the ratio set.

    Of a link that is not FM no carrier-to-noise ratio is true: `link_ratio_dB` is NaN, and whatever is told of it wrong.
    """

    error_rms: Floats
    carrier_to_noise_dB: Floats
    link_ratio_dB: Floats


def within_frames(ratio_dB: Floats) -> Floats:
    """Mean ratio (N,) within each frame: the link is given it at the start of each and runs linearly to the next."""
    return (ratio_dB + np.append(ratio_dB[1:], ratio_dB[-1:])) / 2


def scene_frames(trial: Trial) -> Iterator[Image]:
    """The scene as the camera sends it, BGR."""
    scene = hard_footage.scene_named(trial.scene, trial.seed)
    rows, rate = ROWS[trial.standard], float(RATE[trial.standard])
    woven = trial.standard != "digital"
    shots = hard_footage.shoot(scene, trial.frames, rows=rows, frame_rate=rate, seed=trial.seed, interlaced=woven)
    for y, u, v in shots:
        yield cv2.cvtColor(cv2.merge([cv2.LUT(y, _FULL_RANGE), v, u]), cv2.COLOR_YCrCb2BGR)


class Recording:
    """Writes frames as a cheap recorder would: 4:2:0, low bit rate, whole frames with their combs."""

    def __init__(self, path: Path, recorder: str, standard: str, *, colour_dropped: bool = False) -> None:
        codec, options = RECORDERS[recorder]
        self._colour_dropped = colour_dropped
        self.path, self.part = path, path.with_suffix(".part.mkv")
        self._file = av.open(str(self.part), "w")
        if "b" in options:
            rate = int(options["b"].rstrip("k"))
            options = {**options, "maxrate": f"{rate}k", "bufsize": f"{rate // 2}k"}
        self._stream = self._file.add_stream(codec, rate=RATE[standard], options=options)
        self._stream.width, self._stream.height = hard_footage.WIDTH, ROWS[standard]
        self._stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        self._stream.codec_context.thread_count = 1

    def add(self, picture: Image) -> None:
        frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
        if self._colour_dropped:  # OpenCV takes the colour of one pixel in four
            frame = av.VideoFrame.from_ndarray(cv2.cvtColor(picture, cv2.COLOR_BGR2YUV_I420), format="yuv420p")
        self._file.mux(self._stream.encode(frame))

    def close(self) -> None:
        self._file.mux(self._stream.encode())
        self._file.close()
        self.part.rename(self.path)


def planes(path: Path) -> Iterator[tuple[float, Image, Image, Image]]:
    """Time and native planes of each recorded frame."""
    with av.open(str(path)) as file:
        stream = file.streams.video[0]
        stream.thread_type = "AUTO"
        for frame in file.decode(stream):
            yield float(frame.pts * stream.time_base), *(_plane(frame, k) for k in range(3))


def _plane(frame: av.VideoFrame, k: int) -> Image:
    plane = frame.planes[k]
    return np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width]


def paths(trial: Trial, folder: Path) -> tuple[Path, Path, Path]:
    """Where the received and the clean recording and the labels lie."""
    return tuple(folder / f"{trial.name}.{end}" for end in ("received.mkv", "clean.mkv", "labels.npz"))  # type: ignore[return-value]


def make_clean(trial: Trial, folder: Path) -> Path:
    """Record a trial whose ratio is far above threshold throughout: nothing to label."""
    received, *_ = paths(trial, folder)
    if not received.exists():
        folder.mkdir(parents=True, exist_ok=True)
        file = Recording(received, trial.recorder, trial.standard, colour_dropped=trial.colour_dropped)
        for picture in sent(trial, scene_frames(trial), trial.carrier_to_noise_dB):
            file.add(picture)
        file.close()
    return received


def make(trial: Trial, folder: Path) -> Truth:
    """Record the trial and its clean twin, and label it, unless that has been done."""
    received, clean, labels = paths(trial, folder)
    if not labels.exists():
        folder.mkdir(parents=True, exist_ok=True)
        _record(trial, received, clean)
        np.savez(labels, error_rms=_errors(received, clean))
    with np.load(labels) as kept:
        swing = 219.0 / 255.0 if trial.recorder == "mjpeg" else 1.0
        ratio = trial.carrier_to_noise_dB
        analogue = np.full(trial.frames, np.nan) if trial.standard == "digital" else within_frames(ratio)
        return Truth(swing * kept["error_rms"], ratio, analogue)


def _record(trial: Trial, received: Path, clean: Path) -> None:
    """Write both recordings of one scene."""
    scene, twin = tee(scene_frames(trial))
    got_frames = sent(trial, scene, trial.carrier_to_noise_dB)
    meant_frames = sent(trial, twin, np.full(trial.frames, _CLEAN_dB))
    dropped = trial.colour_dropped
    files = [Recording(path, trial.recorder, trial.standard, colour_dropped=dropped) for path in (received, clean)]
    for pair in zip(got_frames, meant_frames, strict=True):
        for file, picture in zip(files, pair, strict=True):
            file.add(picture)
    for file in files:
        file.close()


def sent(trial: Trial, frames: Iterator[Image], ratio: Floats) -> Iterator[Image]:
    """What the recorder is given of these frames at this ratio."""
    if trial.standard == "digital":
        yield from receive_digital(frames, ratio, shape=(ROWS["digital"], hard_footage.WIDTH), seed=trial.seed + 1000)
        return
    for picture in receive(
        frames,
        ratio,
        seed=trial.seed + 1000,
        standard=trial.standard,
        lost=trial.lost,  # type: ignore[arg-type]
        deinterlace=trial.deinterlace,
        echo=_ECHO if trial.echo else None,
    ):
        yield trimmed(picture) if trial.cropped else picture


def trimmed(picture: Image) -> Image:
    """A picture without its black borders, at the width it had."""
    return np.asarray(cv2.resize(picture[:, 16:-16], picture.shape[1::-1]), np.uint8)


def _errors(received: Path, clean: Path) -> Floats:
    """Rms luma difference between the two recordings, frame by frame, in 8-bit levels."""
    pairs = zip(planes(received), planes(clean), strict=True)
    return np.array([cv2.norm(got, meant, cv2.NORM_L2) / np.sqrt(got.size) for (_, got, *_), (_, meant, *_) in pairs])


def fade(frames: int, rate: float, rng: np.random.Generator, style: str) -> Floats:
    """A course of the carrier-to-noise ratio in dB, one value a frame, mostly good with break-ups between.

    Those of the style "edge" go down just to where a digital link begins to lose packets, and not for long.
    """
    level = np.full(frames, float(rng.uniform(24, 30)))
    at = rng.uniform(3, 4) * rate
    while at < frames:
        depth = float(rng.choice([12.0, 10.0, 8.5, 7.0, 5.5, 4.0, 2.0, -4.0]) + rng.uniform(-0.7, 0.7))
        hold = rng.uniform(0.3, 2.5) * rate
        ramp = {"null": 0.0, "fade": rng.uniform(0.3, 2.0) * rate, "flutter": 8.0, "edge": 4.0}[style]
        if style == "edge":
            depth, hold = float(rng.uniform(5.2, 6.4)), hold / 8
        k = np.arange(frames)
        shape = np.clip(np.minimum((k - at) / max(ramp, 0.5), (at + 2 * ramp + hold - k) / max(ramp, 0.5)), 0, 1)
        level += (depth - level) * shape
        at += 2 * ramp + hold + rng.uniform(2.0, 3.5) * rate
    if style == "flutter":
        level -= _flutter(frames, rate, rng) * np.clip((26 - level) / 10, 0.1, 1)
    return level


def _flutter(frames: int, rate: float, rng: np.random.Generator) -> Floats:
    """Depth in dB of Rician fading (direct path 6 dB over the scattered one), a few hertz fast."""
    scattered = np.zeros(frames, complex)
    for _ in range(12):
        scattered += np.exp(2j * np.pi * (rng.uniform(-3, 3) * np.arange(frames) / rate + rng.random())) / np.sqrt(12)
    return np.asarray(-20 * np.log10(np.abs(1 + 0.5 * scattered)))
