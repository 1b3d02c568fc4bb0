"""Decode, draw, encode: the review video, and single stills of it."""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from overlay.clock import AffineClock
from overlay.errors import Damage, OutputError, RecordingError
from overlay.instruments.panel import Panel
from overlay.output import Workplace, workplace
from overlay.render.blend import as_image
from overlay.render.compositor import Compositor
from overlay.render.encoder import Encoder, container_options, encoded_format
from overlay.render.fingerprint import files, fingerprint, program
from overlay.render.footage import Footage
from overlay.render.inset import Inset
from overlay.render.joining import Join
from overlay.render.segments import SEGMENT_FRAMES, Plan, Progress, encode
from overlay.render.side_by_side import encode_side_by_side


@dataclass(frozen=True)
class Mark:
    """A chapter mark in the review, in seconds of the footage's clock."""

    title: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Rendered:
    """What was written. `arguments` are the encoder's settings as the ffmpeg program takes them."""

    path: str
    frames: int
    duration_s: float
    wall_s: float
    arguments: tuple[str, ...]
    redrawn: int
    notes: tuple[str, ...] = ()
    damage: tuple[Damage, ...] = ()


@dataclass(frozen=True)
class Review:
    """What is to be rendered: footage, its place on the flight clock, and what is drawn on it.

    `created_utc` and `timecode` are the recorder's own, of the footage's zero.
    """

    footage: Footage
    clock: AffineClock
    panels: Sequence[Panel] = ()
    inset: Inset | None = None
    marks: Sequence[Mark] = ()
    title: str = ""
    created_utc: float | None = None
    timecode: str | None = None
    encoder: Encoder = field(default_factory=Encoder)


def render(
    review: Review,
    path: str | os.PathLike[str],
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    workers: int = 1,
) -> Rendered:
    """Write the review video of [start_s, end_s) on the footage's clock; frame times are kept exactly.

    `progress` is called with (seconds done, seconds in all). The target appears complete or not at all; what an
    interrupted run finished is taken over where this one would make the same. `workers` processes encode segments side
    by side, which changes nothing in the video. Raises OutputError, UsageError and RecordingError.
    """
    import av

    started = time.monotonic()
    target = Path(path)
    plan = _plan(review, target, start_s, end_s)
    with workplace(target, overwrite=overwrite, inputs=review.footage.files) as place:
        try:
            join, redrawn = _made(plan, place, progress, workers)
        except av.error.FFmpegError as error:
            raise OutputError(
                f"{target}: cannot be written: {error.strerror}; free space or choose another place"
            ) from error
    notes = [f"went on after {join.kept_s:.0f} s that an interrupted run had finished"] if join.kept else []
    return Rendered(
        path=str(target),
        frames=join.frames,
        duration_s=float(plan.stop - plan.begin),
        wall_s=time.monotonic() - started,
        arguments=tuple(review.encoder.as_arguments(plan.pixel_format)),
        redrawn=redrawn,
        notes=(*notes, *filter(None, [join.sound_note])),
        damage=tuple(join.damage),
    )


def _plan(review: Review, target: Path, start_s: float | None, end_s: float | None) -> Plan:
    """What will be encoded; what cannot be written is refused before any work."""
    suffix, look = target.suffix.lower(), review.footage.format
    begin, stop = review.footage.window(start_s, end_s)
    pixel_format = encoded_format(review.encoder, look.pixel_format)
    container_options(suffix, look.time_base)
    return Plan(review, begin, stop, pixel_format, suffix)


def _made(plan: Plan, place: Workplace, progress: Progress | None, workers: int) -> tuple[Join, int]:
    """Encode what is missing and join it as it comes, in a thread of its own; (the join, panels drawn)."""
    join = Join(plan, place.folder, _key(plan))
    place.worth_keeping = join.worth_keeping
    missing = plan.segments[join.kept :]
    redrawn = 0
    try:
        if workers > 1:
            encoded = encode_side_by_side(plan, missing, place.folder, progress, workers)
        else:
            encoded = encode(plan, missing, place.folder, progress)
        # closed at once after a fault: what decodes, draws and encodes must not outlive the folder, or the program
        with ThreadPoolExecutor(1, "join") as joining, closing(encoded) as coded:
            under_way: Future[None] | None = None
            for one in coded:
                redrawn += one.redrawn
                if under_way is not None:
                    under_way.result()
                    place.worth_keeping = join.worth_keeping
                under_way = joining.submit(join.append, one)
            if under_way is not None:
                under_way.result()
        if not join.frames:
            at_s, first = float(plan.begin), next(iter(plan.review.footage.files), "footage")
            raise RecordingError(first, f"no picture can be decoded from {at_s:.3f} s on", "ask for another part of it")
        place.result = join.finish()
    except BaseException:
        place.worth_keeping = join.worth_keeping
        join.abandon()
        raise
    if progress is not None:
        progress(float(plan.stop - plan.begin), float(plan.stop - plan.begin))
    return join, redrawn


def _key(plan: Plan) -> str:
    """Tells runs that would make the same video."""
    review = plan.review
    read = [*review.footage.files, *(review.inset.files if review.inset is not None else ())]
    try:
        return fingerprint(program(), files(read), SEGMENT_FRAMES, plan)
    except TypeError:  # something on the picture cannot be compared with what was drawn before
        return secrets.token_hex()


def still(review: Review, time_s: float) -> Any:
    """The drawn frame on show at `time_s` of the footage's clock, as a Pillow image with square pixels."""
    footage, look = review.footage, review.footage.format
    begin, stop = footage.window(time_s, None)
    picture = next(footage.pictures(begin, stop), None)
    if picture is None:
        raise RecordingError(
            next(iter(footage.files), "footage"), f"no frame can be decoded at {time_s:.3f} s", "ask for another moment"
        )
    compositor = Compositor(review.panels, look.encoding, look.raster, review.inset)
    compositor.draw(picture.frame, review.clock.to_reference(float(picture.time)))
    return as_image(picture.frame, look.encoding, look.raster.shown_width, look.raster.height)
