"""The coded picture that is drawn on, and how places on the shown picture fall on it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from overlay.instruments.panel import Rect


@dataclass(frozen=True)
class Raster:
    """The coded picture that is drawn on: its size, and the shape of its pixels (width : height as shown)."""

    width: int
    height: int
    sample_aspect: Fraction = Fraction(1)

    @property
    def shown_width(self) -> int:
        """Width in square pixels of the same height: the frame in which panels are placed."""
        return 2 * round(self.width * self.sample_aspect / 2)

    def squeezed(self, rect: Rect) -> Rect:
        """`rect` of the shown picture in coded pixels, kept even and inside."""
        if self.sample_aspect == 1:
            return rect
        left = 2 * round(rect.x / self.sample_aspect / 2)
        width = 2 * max(1, round(rect.width / self.sample_aspect / 2))
        return Rect(left, rect.y, min(width, (self.width - left) // 2 * 2), rect.height)
