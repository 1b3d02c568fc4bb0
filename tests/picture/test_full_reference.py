"""A received picture graded without its original, held against measures that have it, and against FFmpeg's signalstats.

The link is the simulated one, which shares no code with the grading; the frames are the ones it hands to the recorder.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import spearmanr
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from overlay.picture.breakups import Diagnosis, find_breakups
from overlay.picture.features import FeatureExtractor
from overlay.picture.impairment import LUMINANCE_SWING, grade_of
from overlay.picture.states import STATES
from overlay_samples.link import receive

Image = NDArray[np.uint8]
Planes = tuple[Image, Image, Image]

EACH = 8
LEVELS_dB = (30.0, 18.0, 15.0, 13.0, 11.0, 9.0, 7.0, 5.0, 30.0, -10.0)


class Received(NamedTuple):
    ratio_dB: NDArray[np.float64]
    got: list[Planes]
    meant: list[Planes]
    said: Diagnosis


def _scene(count: int) -> list[Image]:
    """BGR frames of a camera sliding over ground in patches, hills of two sizes under it."""
    rng = np.random.default_rng(31)
    rough = rng.normal(size=(700, 1400)).astype(np.float32)
    luma = sum((20 * k * cv2.GaussianBlur(rough, (0, 0), k) for k in (3, 12)), np.float32(120))
    luma += np.kron(rng.uniform(-35, 35, (14, 28)), np.ones((50, 50))).astype(np.float32)
    tint = np.kron(rng.uniform(-18, 18, (14, 28, 3)), np.ones((50, 50, 1))).astype(np.float32)
    ground = np.clip(luma[..., None] + tint, 20, 235).astype(np.uint8)
    return [ground[20 + k // 2 :, 5 * k :][:576, :720] for k in range(count)]


def _planes(picture: Image) -> Planes:
    y, v, u = cv2.split(cv2.cvtColor(picture, cv2.COLOR_BGR2YCrCb))
    luma = np.rint(16 + y * (219 / 255)).astype(np.uint8)
    return luma, *(cv2.resize(plane, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for plane in (u, v))


@pytest.fixture(scope="module")
def received() -> Received:
    ratio = np.repeat(LEVELS_dB, EACH)
    scene = _scene(len(ratio))
    got = [_planes(picture) for picture in receive(scene, ratio, seed=3)]
    meant = [_planes(picture) for picture in receive(scene, np.full(len(ratio), 60.0), seed=3)]
    extractor = FeatureExtractor()
    for k, (y, u, v) in enumerate(got):
        extractor.push(k / 25.0, y, u, v)
    return Received(ratio, got, meant, find_breakups(extractor.result(), frame_rate=25))


def _settled(received: Received, ratio_dB: float) -> slice:
    """The frames at this ratio, first run, without the two at either end: ratios run from frame to frame."""
    first = int(np.flatnonzero(received.ratio_dB == ratio_dB)[0])
    return slice(first + 2, first + EACH - 2)


def test_grades_are_those_of_scikit_images_PSNR(received: Received) -> None:
    for ratio_dB in LEVELS_dB:
        frames = _settled(received, ratio_dB)
        pairs = zip(received.meant[frames], received.got[frames], strict=True)
        psnr = [peak_signal_noise_ratio(meant[0], got[0], data_range=LUMINANCE_SWING) for meant, got in pairs]
        off = received.said.grade[frames] - grade_of(np.array(psnr))
        assert off.max() < 0.3  # never told much better than it is
        assert off.min() > -0.75


def test_grades_fall_in_the_order_of_scikit_images_SSIM(received: Received) -> None:
    frames = range(2, LEVELS_dB.index(5.0) * EACH)
    similar = [
        structural_similarity(received.meant[k][0], received.got[k][0], data_range=LUMINANCE_SWING) for k in frames
    ]
    assert spearmanr(similar, received.said.grade[2 : frames.stop]).statistic > 0.97


def test_snow_between_the_picture_and_the_blue_screen_is_no_good_picture(received: Received) -> None:
    # No figures are burned in here, and the colour killer lets some of the noise through as colour.
    lost = len(received.got) - EACH
    snow = [k for k in range(lost, len(received.got)) if np.std(received.got[k][0]) > 40]
    assert snow
    assert np.all(received.said.grade[snow] == 1.0)
    assert received.said.events[-1].onset_frame <= lost


def test_noise_ranks_as_FFmpegs_temporal_outliers_and_repeated_lines_are_the_blue_screen(
    received: Received, signalstats: Callable
) -> None:  # type: ignore[type-arg]
    theirs = signalstats(received.got)
    noisy = slice(2, LEVELS_dB.index(5.0) * EACH)
    assert spearmanr(theirs["TOUT"][noisy], received.said.features.colour_noise[noisy]).statistic > 0.95
    blank = received.said.state == STATES.index("blank")
    assert np.array_equal(theirs["VREP"] > 0.9, blank)
    assert blank.any()


def test_streaks_rise_with_FFmpegs_outliers(received: Received, signalstats: Callable) -> None:  # type: ignore[type-arg]
    # FFmpeg's count noise, too; ours rise only where Rice has clicks: none a line at 11 dB, 0.07 at 9, 5.2 at 5.
    theirs, ours = signalstats(received.got)["TOUT"], received.said.features.clicks_per_line
    levels = [_settled(received, ratio_dB) for ratio_dB in (13.0, 9.0, 7.0, 5.0)]
    assert np.all(np.diff([np.median(theirs[frames]) for frames in levels]) > 0)
    rates = [float(np.mean(ours[frames])) for frames in levels]
    assert rates[0] == 0.0
    assert np.all(np.diff(rates) > 0)
