"""A flight's review: which of its recordings are drawn on, how they stand to each other, and what is drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Literal, NamedTuple

from overlay.clock import AffineClock
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.flight import Flight
    from overlay.instruments.panel import Panel
    from overlay.instruments.quantities import UnitSystem
    from overlay.layouts import Layout
    from overlay.recordings import Recording
    from overlay.render.footage import Footage
    from overlay.render.inset import Inset
    from overlay.render.pipeline import Mark, Review

PictureName = Literal["camera", "ground", "both", "none"]
USUAL_RATE = Fraction(30)


@dataclass(frozen=True)
class Sight:
    """What is to be seen below the instruments.

    `picture` None: the onboard recording, else the ground recording, else none. `inset`: the other recording in it.
    `size` (width, height) is that of a canvas for both recordings, or for none; `rate` its frames per second without
    any recording. `map_hdr`: a recording of high dynamic range is brought to BT.709, not refused.
    """

    picture: PictureName | None = None
    inset: bool = True
    size: tuple[int, int] | None = None
    rate: Fraction | None = None
    map_hdr: bool = False


def picture_of(flight: Flight, sight: Sight) -> PictureName:
    """The picture asked for, or the flight's own best. Raises UsageError where size or rate cannot be chosen for it."""
    best: PictureName = "camera" if flight.file.camera else "ground" if flight.file.ground else "none"
    picture = sight.picture or best
    if sight.size is not None and picture in ("camera", "ground"):
        raise UsageError(
            f"--size: the {picture} recording keeps its own size; choose one with --picture both or --picture none"
        )
    if sight.rate is not None and picture != "none":
        raise UsageError("--rate: a recording keeps its own frame times; choose a rate with --picture none")
    return picture


def review_of(flight: Flight, layout: Layout, sight: Sight = Sight(), units: UnitSystem | None = None) -> Review:
    """What is drawn on a flight. Raises NoAnswerError where a clock is not known, UsageError where a file is missing."""
    picture = picture_of(flight, sight)
    if picture == "none":
        return _on_plain_ground(flight, layout, sight, units)
    if picture == "both":
        return _side_by_side(flight, layout, sight, units)
    return _on_one(flight, layout, picture, sight, units)


class Instruments(NamedTuple):
    """The instruments alone, for a frame of `size`, at the frame times of `footage`."""

    panels: tuple[Panel, ...]
    clock: AffineClock
    size: tuple[int, int]
    footage: Footage


def instruments_of(
    flight: Flight, layout: Layout, sight: Sight = Sight(), units: UnitSystem | None = None
) -> Instruments:
    """What is laid over a recording elsewhere, frame by frame; raises as `review_of`, but any size can be chosen."""
    picture = picture_of(flight, replace(sight, size=None))
    if picture in ("both", "none"):
        review = review_of(flight, layout, sight, units)
        raster = review.footage.format.raster
        return Instruments(tuple(review.panels), review.clock, (raster.width, raster.height), review.footage)
    # nothing is drawn on the recording here, so its dynamic range is no matter
    review = review_of(flight, layout, replace(sight, inset=False, size=None, map_hdr=True), units)
    recording = flight.recording(picture)
    size = sight.size or (recording.width, recording.height)
    return Instruments(layout.place(*size, flight.readings, units=units), review.clock, size, review.footage)


def _on_one(
    flight: Flight, layout: Layout, name: Literal["camera", "ground"], sight: Sight, units: UnitSystem | None
) -> Review:
    from overlay.instruments.panel import Rect
    from overlay.render.footage import Staged, Whole
    from overlay.render.pipeline import Review
    from overlay.render.stage import Stage
    from overlay.render.tone import HIGH_DYNAMIC_RANGE

    recording, clock = flight.recording(name), flight.clock(name)
    window = _inset(flight, layout, name, sight) if sight.inset else None
    panels = layout.place(
        recording.width,
        recording.height,
        flight.readings,
        units=units,
        inset_aspect=window.aspect if window else None,
        on_board=name == "ground",
    )
    footage: Footage = Whole(recording)
    if sight.map_hdr and recording.chapters[0].colour.transfer in HIGH_DYNAMIC_RANGE:
        size = (recording.width, recording.height)
        stage = Stage(*size, Rect(0, 0, *size))
        footage = Staged(recording, stage, layout.palette.palette(), Fraction(0), recording.duration_s, map_hdr=True)
    return Review(footage, clock, panels, window, _marks(flight, clock), flight.file.title, *_recorded(recording))


def _inset(flight: Flight, layout: Layout, main_name: Literal["camera", "ground"], sight: Sight) -> Inset | None:
    from overlay.render.inset import Inset

    name = "ground" if main_name == "camera" else "camera"
    main, other = flight.recording(main_name), flight.ground if name == "ground" else flight.camera
    if other is None:
        return None
    rect = layout.inset_rect(main.width, main.height, other.width / other.height)
    try:
        clock = flight.clock(name)
    except NoAnswerError as error:
        flight.notes.append(f"no inset: {error}")
        return None
    return Inset(other, clock, rect, layout.palette.palette(), map_hdr=sight.map_hdr) if rect is not None else None


def _side_by_side(flight: Flight, layout: Layout, sight: Sight, units: UnitSystem | None) -> Review:
    """Both, for as long as one of them lasts, at the frame times of the onboard recording."""
    from overlay.render.footage import Staged
    from overlay.render.inset import Inset
    from overlay.render.pipeline import Review
    from overlay.render.stage import Stage

    camera, ground = flight.recording("camera"), flight.recording("ground")
    clock, other = flight.clock("camera"), flight.clock("ground")
    size, palette = sight.size or (camera.width, camera.height), layout.palette.palette()
    aspects = (camera.width / camera.height, ground.width / ground.height)
    pair = layout.side_by_side(*size, flight.readings, aspects, units=units)
    begin, end = (clock.to_recording(other.to_reference(float(t))) for t in (Fraction(0), ground.duration_s))
    footage = Staged(camera, Stage(*size, pair.left), palette, Fraction(begin), Fraction(end), sight.map_hdr)
    window = Inset(ground, other, pair.right, palette, map_hdr=sight.map_hdr)
    return Review(footage, clock, pair.panels, window, _marks(flight, clock), flight.file.title, *_recorded(camera))


def _on_plain_ground(flight: Flight, layout: Layout, sight: Sight, units: UnitSystem | None) -> Review:
    """The whole log, zero at its first row."""
    from overlay.render.footage import Plain
    from overlay.render.pipeline import Review

    readings = flight.readings
    clock = AffineClock(float(readings.time_s[0]))
    lasts = Fraction(float(readings.time_s[-1] - readings.time_s[0]))
    size, rate = sight.size or layout.usual_size(), sight.rate or USUAL_RATE
    footage = Plain(size, rate, max(Fraction(math.ceil(lasts * rate)), Fraction(1)) / rate)
    panels = layout.place(*size, readings, units=units)
    return Review(footage, clock, panels, None, _marks(flight, clock), title=flight.file.title)


def _marks(flight: Flight, clock: AffineClock) -> list[Mark]:
    from overlay.render.pipeline import Mark

    return [
        Mark(leg.name.capitalize(), clock.to_recording(leg.start_s), clock.to_recording(leg.end_s))
        for leg in flight.readings.legs
    ]


def _recorded(recording: Recording) -> tuple[float | None, str | None]:
    """When the recorder believed it began, and its time code then."""
    first = recording.chapters[0]
    return first.created_utc, first.timecode
