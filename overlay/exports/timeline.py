"""The recordings on one editing timeline, with markers where something happens, through OpenTimelineIO.

The onboard recording begins the timeline, or whichever was started first; the other lies where its clock puts it, to the
frame at the middle of the two (a drift of their clocks is parts in a million, and told in the track's metadata). Media
are named relative to the file. Nothing of the place is written.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal, NamedTuple

from overlay.errors import UsageError

Colour = Literal["RED", "GREEN", "BLUE", "YELLOW"]


class Reel(NamedTuple):
    """One file of a recording: its address, how many pictures it holds, and the time lost before it.

    Time is won where a camera wrote the same moments into two files; then the later file is shown from where it is new.
    """

    url: str
    frames: int
    lost_s: float = 0.0


@dataclass(frozen=True)
class Strip:
    """A recording on the timeline: it begins `starts_s` after the others' common zero; `drift` against the flight."""

    name: str
    reels: Sequence[Reel]
    rate: Fraction
    starts_s: float
    drift: float = 0.0
    sound: bool = False


@dataclass(frozen=True)
class Marker:
    """Something that begins at `start_s` of the same zero and lasts until `end_s`; `words` say what."""

    start_s: float
    end_s: float
    name: str
    words: str
    colour: Colour = "GREEN"


def write_timeline(
    strips: Sequence[Strip], markers: Iterable[Marker], path: str | os.PathLike[str], *, title: str
) -> None:
    """Write a timeline as OpenTimelineIO's own JSON. UsageError where the library is not installed."""
    try:
        import opentimelineio as otio
    except ImportError:
        raise UsageError("an editing timeline needs OpenTimelineIO: install overlay[timeline]") from None
    zero = min(strip.starts_s for strip in strips)
    rate = float(strips[0].rate)
    timeline = otio.schema.Timeline(title)
    for strip in strips:
        timeline.tracks.append(_track(otio, strip, zero, otio.schema.TrackKind.Video))
        if strip.sound:
            timeline.tracks.append(_track(otio, strip, zero, otio.schema.TrackKind.Audio))
    for marker in markers:
        timeline.tracks.markers.append(_marker(otio, marker, zero, rate))
    otio.schema.Timeline.to_json_file(timeline, os.fspath(path))


def _track(otio: Any, strip: Strip, zero: float, kind: str) -> Any:
    track = otio.schema.Track(strip.name, kind=kind, metadata={"overlay": {"drift_ppm": round(strip.drift * 1e6, 3)}})
    rate = float(strip.rate)
    before = round((strip.starts_s - zero) * rate)
    if before > 0:
        track.append(otio.schema.Gap(duration=otio.opentime.RationalTime(before, rate)))
    for number, reel in enumerate(strip.reels, 1):
        lost = round(reel.lost_s * rate)
        if lost > 0:
            track.append(otio.schema.Gap(duration=otio.opentime.RationalTime(lost, rate)))
        twice = min(max(-lost, 0), reel.frames)
        whole, new = (
            otio.opentime.TimeRange(
                otio.opentime.RationalTime(first, rate), otio.opentime.RationalTime(reel.frames - first, rate)
            )
            for first in (0, twice)
        )
        media = otio.schema.ExternalReference(target_url=reel.url, available_range=whole)
        name = strip.name if len(strip.reels) == 1 else f"{strip.name} {number}"
        track.append(otio.schema.Clip(name, media_reference=media, source_range=new))
    return track


def _marker(otio: Any, marker: Marker, zero: float, rate: float) -> Any:
    start = otio.opentime.RationalTime(round((marker.start_s - zero) * rate), rate)
    length = otio.opentime.RationalTime(max(round((marker.end_s - marker.start_s) * rate), 1), rate)
    seconds = {"start_s": round(marker.start_s - zero, 3), "end_s": round(marker.end_s - zero, 3)}
    return otio.schema.Marker(
        marker.name,
        marked_range=otio.opentime.TimeRange(start, length),
        color=marker.colour,
        comment=marker.words,
        metadata={"overlay": seconds},
    )
