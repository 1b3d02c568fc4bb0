from __future__ import annotations

import cv2
import numpy as np
import pytest

from overlay.picture.features import FeatureExtractor


@pytest.mark.parametrize("threads", [1, 2])
def test_measuring_leaves_the_number_of_threads_of_opencv_as_it_was(threads: int) -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(threads)
    try:
        luma, chroma = np.full((288, 352), 90, np.uint8), np.full((144, 176), 128, np.uint8)
        extractor = FeatureExtractor()
        extractor.push(0.0, luma, chroma, chroma)
        with pytest.raises(ValueError, match="wanted luma"):
            extractor.push(0.04, luma[:8], chroma, chroma)
        extractor.result()
        assert cv2.getNumThreads() == threads
    finally:
        cv2.setNumThreads(before)


def test_features_do_not_depend_on_how_many_frames_are_measured_together() -> None:
    rng = np.random.default_rng(5)
    frames = [
        (rng.integers(16, 236, (288, 352), np.uint8), rng.integers(90, 160, (144, 176), np.uint8)) for _ in range(21)
    ]
    together, apart = FeatureExtractor(), FeatureExtractor()
    for number, (luma, chroma) in enumerate(frames):
        for extractor in (together, apart):
            extractor.push(number / 25, luma, chroma, chroma)
        apart.result()  # measures what waits
    for name, values in vars(together.result()).items():
        assert np.array_equal(values, getattr(apart.result(), name), equal_nan=True), name
