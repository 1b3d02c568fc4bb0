"""A line of the user's own text, in any script that the fonts at hand can write."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, INSET, Instrument, Options
from overlay.instruments.lettering import advance


class TextOptions(Options):
    """A fixed line of text."""

    kind: Literal["text"] = "text"
    text: Annotated[str, Field(min_length=1, max_length=120)]


class Text(Instrument[TextOptions, str]):
    """See the module."""

    size = (300.0, 58.0)

    @classmethod
    def natural_size(cls, options: TextOptions) -> tuple[float, float]:
        """As wide as the text needs."""
        return advance(options.text, "regular", BODY * 2) / 2 + 2 * INSET, cls.size[1]

    def _state(self, time_s: float) -> str:  # noqa: ARG002 (the text stands the whole flight)
        return self.options.text

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        text = canvas.shortened(self.options.text, BODY, self.width - 2 * INSET + 1)
        canvas.text(self.width / 2, self.height / 2 + BODY * 0.32, text, BODY, self.palette.ink, anchor="centre")

    def _paint(self, canvas: Canvas, state: str) -> None:
        """Nothing changes."""
