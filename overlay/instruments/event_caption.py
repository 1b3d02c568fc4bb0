"""A sentence in plain words when something begins; a break-up's stands as long as it lasts, with a hatched edge."""

from __future__ import annotations

from typing import Literal

from overlay.instruments.canvas import Canvas
from overlay.instruments.captions import caption_at
from overlay.instruments.instrument import INSET, Instrument, Options

State = tuple[str, bool, int]  # sentence, whether a break-up, strength in tenths

_SIZE, _LINE, _PAD, _EDGE = 32.0, 40.0, 15.0, 12.0
_FADE_S = 0.3


class EventCaptionOptions(Options):
    """A sentence when something begins."""

    kind: Literal["event caption"] = "event caption"


class EventCaption(Instrument[EventCaptionOptions, State]):
    """See the module."""

    size = (900.0, 2 * _LINE + 2 * _PAD)

    def _state(self, time_s: float) -> State | None:
        event = caption_at(self.setting.captions, time_s)
        if event is None:
            return None
        edge = min(time_s - event.start_s, event.end_s - time_s)
        return event.sentence, event.kind == "break-up", max(1, min(10, round(edge / _FADE_S * 10)))

    def _ground(self, canvas: Canvas) -> None:
        """Lay nothing: the plate is as wide as its sentence."""

    def _paint(self, canvas: Canvas, state: State) -> None:
        sentence, broken, strength = state
        room = self.width - 2 * INSET - _EDGE
        lines = wrapped(canvas, sentence, room)
        size = _SIZE * min(1.0, *(room / max(canvas.measure(line, _SIZE), 1.0) for line in lines))
        wide = min(self.width, max(canvas.measure(line, size) for line in lines) + 2 * INSET + _EDGE)
        tall = len(lines) * _LINE + 2 * _PAD
        left, top = self._corner(wide, tall)
        p = self.palette
        self.plate(canvas, left, top, wide, tall)
        if broken:
            canvas.hatch(
                [(left, top), (left + _EDGE, top), (left + _EDGE, top + tall), (left, top + tall)],
                p.broken,
                p.backing._replace(alpha=255),
                pitch=10.0,
            )
        else:
            canvas.box(left, top, 4.0, tall, p.ink)
        for i, line in enumerate(lines):
            canvas.text(left + _EDGE + INSET - 4, top + _PAD + _LINE * i + _SIZE * 0.86, line, size, p.ink)
        if strength < 10:
            canvas.fade(strength / 10)

    def _corner(self, wide: float, tall: float) -> tuple[float, float]:
        anchor = self.options.anchor
        left = (
            0.0
            if anchor.endswith("left")
            else self.width - wide
            if anchor.endswith("right")
            else (self.width - wide) / 2
        )
        top = (
            self.height - tall
            if anchor.startswith("bottom")
            else 0.0
            if anchor.startswith("top")
            else (self.height - tall) / 2
        )
        return left, top


def wrapped(canvas: Canvas, sentence: str, room: float) -> list[str]:
    """Break a sentence into at most two lines, after a comma or colon where one is near the middle."""
    if canvas.measure(sentence, _SIZE) <= room:
        return [sentence]
    words = sentence.split(" ")
    breaks: list[tuple[str, ...]] = [(" ".join(words[:i]), " ".join(words[i:])) for i in range(1, len(words))]

    def badness(pair: tuple[str, ...]) -> float:
        longest = max(canvas.measure(line, _SIZE) for line in pair)
        return longest + (0.0 if pair[0].endswith((",", ":")) else 0.25 * room) + (10 * room if longest > room else 0.0)

    return list(sorted(breaks, key=badness)[0]) if breaks else [sentence]
