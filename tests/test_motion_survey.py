"""What is shown to an onlooker while a recording is watched, and at a glance afterwards."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from overlay.motion_survey import WIDTH, glance, motion_in
from overlay.recordings import Recording, open_recording

SECONDS, RATE = 12, 10


@pytest.fixture(scope="module")
def recording(tmp_path_factory) -> Recording:
    """Twelve seconds, a key picture a second; each picture as bright as it is late."""
    path = Path(tmp_path_factory.mktemp("watched")) / "a.mp4"
    with av.open(str(path), "w") as file:
        stream = file.add_stream("libx264", rate=RATE, options={"g": str(RATE), "crf": "10"})
        stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
        texture = np.random.default_rng(0).integers(-8, 9, (360, 640))
        for k in range(SECONDS * RATE):
            grey = np.clip(40 + k + texture, 0, 255).astype(np.uint8)
            file.mux(stream.encode(av.VideoFrame.from_ndarray(np.dstack([grey] * 3), format="rgb24")))
        file.mux(stream.encode())
    return open_recording([path])


def test_an_onlooker_is_shown_what_is_watched(recording) -> None:
    shown: list[tuple[float, tuple[int, ...]]] = []
    motion_in(recording, (), onlooker=lambda time_s, picture: shown.append((time_s, picture.shape)))
    assert [time_s for time_s, _ in shown] == pytest.approx(np.arange(SECONDS * RATE) / RATE)
    assert {shape for _, shape in shown} == {(180, WIDTH)}


def test_a_glance_falls_where_nothing_was_seen(recording) -> None:
    shown: list[tuple[float, float]] = []
    told: list[float] = []
    glance(
        recording,
        lambda time_s, picture: shown.append((time_s, float(picture.mean()))),
        besides_s=np.arange(4.0, 7.9, 0.1),
        every_s=2.0,
        progress=told.append,
    )
    assert [time_s for time_s, _ in shown] == pytest.approx([0.0, 2.0, 8.0, 10.0])
    levels = [level for _, level in shown]
    assert np.diff(levels) / (0.859 * RATE) == pytest.approx([2.0, 6.0, 2.0], abs=0.15)  # 219/255: limited range
    assert told == sorted(told)


def test_nothing_is_decoded_where_all_was_seen(recording) -> None:
    glance(recording, lambda *_: pytest.fail("shown"), besides_s=np.arange(0.0, 12.0, 0.5), every_s=1.0)
