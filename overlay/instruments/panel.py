"""What the render engine asks of a placed instrument; it knows nothing else about drawing."""

from __future__ import annotations

from collections.abc import Hashable
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

Patch = NDArray[np.uint8]


class Rect(NamedTuple):
    """Pixels of the upright display picture, origin top left; always even, so that chroma samples line up."""

    x: int
    y: int
    width: int
    height: int

    def overlaps(self, other: Rect) -> bool:
        """Whether the two have a pixel in common."""
        across = self.x < other.x + other.width and other.x < self.x + self.width
        return across and self.y < other.y + other.height and other.y < self.y + self.height


class Panel(Protocol):
    """An instrument at its place, for one flight, one frame size and one style."""

    rect: Rect

    def shows(self, time_s: float) -> Hashable | None:
        """All that the drawing depends on at a moment of the flight clock, as coarse as the eye; None: draw nothing."""
        ...

    def draw(self, time_s: float) -> Patch:
        """(height, width, 4) uint8 RGBA in sRGB, colour premultiplied by alpha. Equal `shows` give equal patches."""
        ...
