"""Signals and pictures shared by the tests of the radio link."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from overlay_samples.link.composite import Encoder
from overlay_samples.link.standards import NTSC_525, PAL_625, LineStandard


@pytest.fixture(scope="session", params=[PAL_625, NTSC_525], ids=["625", "525"])
def standard(request) -> LineStandard:
    return request.param


@pytest.fixture(scope="session")
def encoder(standard) -> Encoder:
    return Encoder(standard)


@pytest.fixture(scope="session")
def landscape():
    """A function giving a coloured, textured (rows, 720, 3) picture with a slanting horizon."""

    def draw(rows: int, seed: int = 1) -> NDArray[np.uint8]:
        rng = np.random.default_rng(seed)
        shape = (rows, 720)
        ground = sum(
            cv2.resize(rng.random((2**k, 2**k), np.float32), shape[::-1], interpolation=cv2.INTER_CUBIC) / 1.4**k
            for k in range(2, 8)
        )
        ground = (ground - ground.min()) / np.ptp(ground)
        tint = np.array([60, 130, 95], np.float32)
        picture = np.full((*shape, 3), (220, 180, 140), np.float32)
        below = np.arange(rows)[:, None] > rows * 0.4 + 0.15 * np.arange(720)[None, :]
        picture[below] = (tint * (0.5 + ground[..., None]))[below]
        return np.clip(picture, 0, 255).astype(np.uint8)

    return draw


@pytest.fixture(scope="session")
def bars():
    """A function giving 75 % colour bars (ITU-R BT.471-1, nomenclature 100/0/75/0) as a (rows, 720, 3) BGR picture."""

    def draw(rows: int) -> NDArray[np.uint8]:
        on = 191  # 75 % of 255
        colours = [
            (255, 255, 255),
            (0, on, on),
            (on, on, 0),
            (0, on, 0),
            (on, 0, on),
            (0, 0, on),
            (on, 0, 0),
            (0, 0, 0),
        ]
        return np.tile(np.repeat(np.array(colours, np.uint8), 90, axis=0), (rows, 1, 1))

    return draw
