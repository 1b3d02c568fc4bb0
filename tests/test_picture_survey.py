"""Measuring beside decoding tells what measuring after it tells, and ends with it."""

from __future__ import annotations

import threading
from pathlib import Path

import av
import numpy as np
import pytest

from overlay import picture_survey
from overlay.picture.features import TOGETHER, FeatureExtractor, Features
from overlay.picture_survey import features_in
from overlay.recordings import Recording, open_recording, planes

FRAMES, RATE = 3 * TOGETHER + 5, 25


@pytest.fixture(scope="module")
def recording(tmp_path_factory) -> Recording:
    """A picture that moves and grows noisy, not a whole number of batches long."""
    path = Path(tmp_path_factory.mktemp("measured")) / "live.mkv"
    rng = np.random.default_rng(4)
    ground = np.kron(rng.integers(40, 200, (30, 60)), np.ones((16, 16)))
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=RATE, options={"qscale": "3"})
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for k in range(FRAMES):
            grey = ground[2 * k : 2 * k + 240, k : k + 320] + k * rng.normal(size=(240, 320))
            picture = np.clip(grey, 0, 255).astype(np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray8").reformat(format="yuv420p")))
        out.mux(stream.encode(None))
    return open_recording([path])


def one_after_the_other(recording: Recording) -> Features:
    extractor = FeatureExtractor()
    for picture in planes(recording):
        extractor.push(picture.time_s, picture.y.copy(), picture.u.copy(), picture.v.copy(), picture.corrupt)
    return extractor.result()


@pytest.mark.parametrize("room_bytes", [1, 5 * 320 * 240, 1 << 30])
def test_features_are_the_same_however_many_pictures_wait(recording, monkeypatch, room_bytes) -> None:
    monkeypatch.setattr(picture_survey, "_ROOM_BYTES", room_bytes)
    told: list[float] = []
    found, expected = features_in(recording, told.append), one_after_the_other(recording)
    for name, values in vars(expected).items():
        np.testing.assert_array_equal(getattr(found, name), values, err_msg=name)
    assert told == pytest.approx(np.arange(FRAMES) / RATE)


def test_whoever_stops_it_stops_the_decoder_as_well(recording) -> None:
    def stop(time_s: float) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        features_in(recording, stop)
    assert "decode" not in {thread.name for thread in threading.enumerate()}
