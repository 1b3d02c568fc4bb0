"""Motion out of encoded recordings: what the way through a file adds to what pictures alone show."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from overlay.motion_survey import motion_in
from overlay.recordings import open_recording

Floats = NDArray[np.float64]

RATE = 25
DPS = (20.0, 0.0, 25.0)


def flown(times: Floats) -> Rotation:
    begin = Rotation.from_euler("ZYX", [20, -12, 0], degrees=True)
    return begin * Rotation.from_rotvec(np.asarray(times)[:, None] * np.radians(DPS))


def encoded(path: Path, pictures: list[NDArray[np.uint8]], params: str = "") -> Path:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=RATE, options={"crf": "18", "x264-params": params})
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = "yuv420p"
        for k, picture in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(picture, "gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, RATE)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return path


@pytest.mark.parametrize("first", ["tff", "bff"])
def test_interlaced_the_first_field_is_what_counts(scene: Any, tmp_path: Path, first: str) -> None:
    """Of two fields a fiftieth of a second apart: woven, they are two pictures in one."""
    fields = [p for _, p in scene.but(width=400, height=224).film(np.arange(24) / (2 * RATE), flown)]
    woven = []
    for early, late in zip(fields[::2], fields[1::2], strict=True):
        picture, lines = late.copy(), slice(0 if first == "tff" else 1, None, 2)
        picture[lines] = early[lines]
        woven.append(picture)
    recording = open_recording([encoded(tmp_path / "laced.mp4", woven, f"{first}=1")])
    motion = motion_in(recording, (), field_of_view_deg=scene.field_of_view_deg)
    known = np.isfinite(motion.rate_radps).all(axis=1)
    assert known.all()
    np.testing.assert_allclose(np.degrees(motion.rate_radps), np.broadcast_to(DPS, (known.sum(), 3)), atol=2.5)


def test_compressed_pictures_turn_as_bare_ones_do(scene: Any, tmp_path: Path) -> None:
    film = [p for _, p in scene.film(np.arange(14) / RATE, flown)]
    recording = open_recording([encoded(tmp_path / "plain.mp4", film)])
    motion = motion_in(recording, (), field_of_view_deg=scene.field_of_view_deg)
    np.testing.assert_allclose(np.degrees(motion.rate_radps), np.broadcast_to(DPS, (len(motion.time_s), 3)), atol=1.5)
    np.testing.assert_allclose(np.diff(motion.time_s), 2 / RATE, atol=1e-6)  # every second picture: 12.5 a second of 16
