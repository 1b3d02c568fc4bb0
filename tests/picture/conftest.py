from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from overlay.picture.features import FeatureExtractor, Features

Image = NDArray[np.uint8]
Planes = tuple[Image, Image, Image]

ROWS, COLUMNS = 288, 360


class Flight:
    """A camera sliding over a picture, with black borders, figures burned in and a little of its own noise."""

    def __init__(self, seed: int = 0, speed: float = 3.0, noise: float = 1.5) -> None:
        self.rng = np.random.default_rng(seed)
        rough = self.rng.normal(size=(900, 2600)).astype(np.float32)
        self.ground = sum((18 * k * cv2.GaussianBlur(rough, (0, 0), k) for k in (2, 5, 14)), np.float32(118))
        self.ground[:260] = 150 + 0.05 * (self.ground[:260] - 118) + np.linspace(40, 0, 260)[:, None]
        self.speed, self.noise = speed, noise

    def clean(self, k: int) -> NDArray[np.float64]:
        """Luma of frame `k` as a camera far from any trouble sends it, real-valued."""
        x, y = int(50 + self.speed * k) % 2100, int(60 + 20 * np.sin(k / 15))
        picture = self.ground[y : y + ROWS, x : x + COLUMNS].astype(np.float64)
        return picture + self.rng.normal(0, self.noise, picture.shape)

    def finish(self, picture: NDArray[np.float64], k: int) -> Planes:
        """Borders and figures, then eight bits."""
        luma = np.clip(picture, 16, 235).astype(np.uint8)
        for text, place in ((f"{k % 100:02d}", (40, 60)), ("HOME", (150, 50)), ("12.4 V", (230, 240))):
            ink = np.zeros_like(luma)
            cv2.putText(ink, text, place, cv2.FONT_HERSHEY_SIMPLEX, 0.7, 255, 1)
            luma[cv2.dilate(ink, np.ones((3, 3), np.uint8)) > 0] = 16
            luma[ink > 0] = 225
        luma[:, :6] = luma[:, -6:] = 16
        u = np.clip(118 + self.rng.normal(0, 0.5, (ROWS // 2, COLUMNS // 2)), 0, 255).astype(np.uint8)
        v = np.clip(131 + self.rng.normal(0, 0.5, (ROWS // 2, COLUMNS // 2)), 0, 255).astype(np.uint8)
        return luma, u, v

    def frame(self, k: int) -> Planes:
        return self.finish(self.clean(k), k)

    def snowy(self, k: int, sigma: float) -> Planes:
        """A frame through a noisy link: picture, borders and colour alike."""
        luma, u, v = self.frame(k)
        noisy = [np.clip(plane + self.rng.normal(0, sigma, plane.shape), 16, 240) for plane in (luma, u, v)]
        return noisy[0].astype(np.uint8), noisy[1].astype(np.uint8), noisy[2].astype(np.uint8)


@pytest.fixture
def flight() -> Flight:
    return Flight()


@pytest.fixture
def measure() -> Callable[[Iterator[Planes]], Features]:
    def run(frames: Iterator[Planes], rate: float = 25.0) -> Features:
        extractor = FeatureExtractor()
        for k, planes in enumerate(frames):
            extractor.push(k / rate, *planes)
        return extractor.result()

    return run


@pytest.fixture(scope="session")
def signalstats() -> Callable[[Iterable[Planes]], dict[str, NDArray[np.float64]]]:
    return _signalstats


def _signalstats(frames: Iterable[Planes]) -> dict[str, NDArray[np.float64]]:
    """FFmpeg's numbers for each frame, TOUT, VREP and BRNG among them."""
    graph, told = None, []
    for k, planes in enumerate(frames):
        height, width = planes[0].shape
        frame = av.VideoFrame(width, height, "yuv420p")
        for plane, values in zip(frame.planes, planes, strict=True):
            padded = np.zeros((plane.height, plane.line_size), np.uint8)
            padded[:, : plane.width] = values
            plane.update(padded)
        frame.pts = k
        if graph is None:
            graph = av.filter.Graph()
            source = graph.add_buffer(width=width, height=height, format="yuv420p", time_base="1/25")
            stats, sink = graph.add("signalstats", "stat=tout+vrep+brng"), graph.add("buffersink")
            source.link_to(stats)
            stats.link_to(sink)
            graph.configure()
        graph.push(frame)
        told.append(dict(graph.pull().metadata))
    names = [name for name in told[0] if name.startswith("lavfi.signalstats.")]
    return {name.rsplit(".", 1)[1]: np.array([float(row[name]) for row in told]) for name in names}
