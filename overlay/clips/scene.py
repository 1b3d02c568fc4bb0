"""What is seen in one clip: recordings, instruments, caption and title card, put on a stage."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from overlay.clips.card import Covering, card, fitted
from overlay.clips.clip_list import Clip, ClipList
from overlay.clips.propose import Source, Take
from overlay.clock import AffineClock
from overlay.errors import UsageError
from overlay.instruments.captions import Caption, CaptionKind
from overlay.instruments.panel import Panel, Rect
from overlay.instruments.quantities import UnitSystem
from overlay.layouts import Layout
from overlay.readings import Readings
from overlay.recordings import Recording
from overlay.render.inset import Inset
from overlay.render.stage import Stage

if TYPE_CHECKING:
    import av

_FADE_IN_S = 0.3  # the caption is there, whole, when the moment comes
_LEAST_CAPTION_S = 4.0


@dataclass(frozen=True)
class Material:
    """All that the clips of a flight are made of; `readings` None where there is no log.

    `map_hdr`: recordings of high dynamic range are brought to BT.709, not refused.
    """

    footage: Mapping[Source, Take]
    readings: Readings | None
    layout: Layout
    units: UnitSystem | None = None
    map_hdr: bool = False


@dataclass(frozen=True)
class Scene:
    """One clip ready to be drawn: `clock` maps `recording` to what the panels and the inset go by."""

    recording: Recording
    clock: AffineClock
    stage: Stage
    panels: tuple[Panel, ...]
    inset: Inset | None
    card: av.VideoFrame
    title: str
    heard: tuple[Recording, AffineClock] | None = None
    map_hdr: bool = False


def scene_of(material: Material, clip: Clip, clips: ClipList) -> Scene:
    """Put a clip on its stage. UsageError where its recording is missing; LayoutError where instruments do not fit."""
    if clip.picture not in material.footage:
        raise UsageError(f"clip {clip.name!r} shows the {clip.picture} recording, which this flight does not have")
    shown = material.footage[clip.picture]
    other = _follower(material, clip, shown)
    clock = shown.clock or AffineClock(0.0)
    beside = clip.view == "side by side" and other is not None
    camera = other if beside and other is not None and clip.picture == "ground" else shown
    size = fitted(camera.recording.width, camera.recording.height, clips.height)
    beside &= size[0] > size[1]
    if not beside:
        size = fitted(shown.recording.width, shown.recording.height, clips.height)
    setting = _Setting(material, clip, clips, shown, other, clock, size)
    sight = setting.beside() if beside else setting.inset()
    words = (clip.caption,) if clip.caption else ()
    front = card(*size, clip.name, words, material.layout.palette.palette())
    return Scene(
        shown.recording, clock, *sight, front, clip.name, _heard(clips, clip, shown, other, clock), material.map_hdr
    )


def _follower(material: Material, clip: Clip, shown: Take) -> Take | None:
    """The other recording, where it can be shown in step."""
    other = material.footage.get("ground" if clip.picture == "camera" else "camera")
    known = shown.clock is not None and other is not None and other.clock is not None
    return other if known and clip.view != "alone" else None


@dataclass(frozen=True)
class _Setting:
    """Everything that decides where things stand in one clip."""

    material: Material
    clip: Clip
    clips: ClipList
    shown: Take
    other: Take | None
    clock: AffineClock
    size: tuple[int, int]

    def inset(self) -> tuple[Stage, tuple[Panel, ...], Inset | None]:
        """The recording whole, the other one where the layout has a place for it."""
        whole, layout = Rect(0, 0, *self.size), self._layout()
        aspect = _aspect(self.other) if self.other is not None else None
        rect = layout.inset_rect(*self.size, aspect) if aspect is not None else None
        aspect = aspect if rect is not None else None
        panels = layout.place(
            *self.size,
            self._readings(),
            units=self.material.units,
            inset_aspect=aspect,
            on_board=self.clip.picture == "ground",
            told=self._told(),
        )
        return Stage(*self.size, whole), (*self._covers(whole, rect), *panels), self._in_step(rect)

    def beside(self) -> tuple[Stage, tuple[Panel, ...], Inset | None]:
        """Both recordings, the onboard one at the left, between the instruments above and those below."""
        assert self.other is not None
        first_on_board = self.clip.picture == "camera"
        camera, ground = (self.shown, self.other) if first_on_board else (self.other, self.shown)
        pair = self._layout().side_by_side(
            *self.size,
            self._readings(),
            (_aspect(camera), _aspect(ground)),
            units=self.material.units,
            told=self._told(),
        )
        place, following = (pair.left, pair.right) if first_on_board else (pair.right, pair.left)
        drawn = (*self._covers(pair.left, pair.right, first_on_board=True), *pair.panels)
        return Stage(*self.size, place), drawn, self._in_step(following)

    def _layout(self) -> Layout:
        """The layout; without readings nothing but its captions."""
        layout = self.material.layout
        if self.material.readings is not None and self.shown.clock is not None:
            return layout
        kept = tuple(each for each in layout.instrument if each.kind == "event caption")
        return layout.model_copy(update={"instrument": kept})

    def _readings(self) -> Readings:
        if self.material.readings is not None and self.shown.clock is not None:
            return self.material.readings
        return Readings(np.array([0.0, float(self.shown.recording.duration_s)]))

    def _in_step(self, rect: Rect | None) -> Inset | None:
        if rect is None or self.other is None or self.other.clock is None:
            return None
        palette = self.material.layout.palette.palette()
        return Inset(self.other.recording, self.other.clock, rect, palette, map_hdr=self.material.map_hdr)

    def _covers(self, main: Rect, second: Rect | None, *, first_on_board: bool | None = None) -> Iterator[Panel]:
        on_board = self.clip.picture == "camera" if first_on_board is None else first_on_board
        for cover in self.clips.cover:
            picture = main if (cover.picture == "camera") == on_board else second
            if picture is not None:
                yield Covering(picture, cover.left, cover.top, cover.width, cover.height)

    def _told(self) -> tuple[Caption, ...] | None:
        """The clip's own caption from its moment on; None: what the flight itself has to say."""
        if not self.clip.caption or self.clip.at is None:
            return None
        _, at_s, end_s = self.clip.span_s
        start = self.clock.to_reference(at_s)
        until = start + max(min(_LEAST_CAPTION_S, end_s - at_s), self.clip.slow_s) + _FADE_IN_S
        kind: CaptionKind = "break-up" if self.clip.kind == "break-up" else "event"
        return (Caption(start - _FADE_IN_S, until, kind, self.clip.caption),)


def _aspect(footage: Take) -> float:
    return footage.recording.width / footage.recording.height


def _heard(
    clips: ClipList, clip: Clip, shown: Take, other: Take | None, clock: AffineClock
) -> tuple[Recording, AffineClock] | None:
    """The recording whose sound is heard and the map from the shown one's clock to its: its own, else the other's.

    The map is that of the clip's middle: neither recording may have lost time between there and the clip's ends.
    """
    if not clips.sound:
        return None
    if shown.recording.chapters[0].audio is not None:
        return shown.recording, AffineClock(0.0)
    if other is None or other.clock is None or other.recording.chapters[0].audio is None:
        return None
    first, _, end = clip.span_s
    middle, rate = (first + end) / 2, (1 + clock.drift) / (1 + other.clock.drift)
    there = other.clock.to_recording(clock.to_reference(middle))
    return other.recording, AffineClock(there - rate * middle, rate - 1)
