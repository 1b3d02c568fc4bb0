"""How much of a recording is watched to find its place on the track's clock: all, or the telling parts of a long one.

Decoding costs more than everything else together. A long recording is first looked at in a few places; where that gives
a fix, only the stretches in which the track turns most are watched besides, a few at first and more where those do not make
the clock sure. Where that does not either, everything is watched: nothing is called uncertain out of thrift.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from overlay.alignment import Alignment
from overlay.alignment.several import choose
from overlay.motion import MotionSeries
from overlay.motion.from_picture import motion_from_picture
from overlay.motion.plan import first_look, informative_windows
from overlay.recordings import Recording, grey
from overlay.recordings.ahead import ahead

WIDTH = 320  # enough for rotation to a hundredth of a degree, small enough to be cheap
WATCHED_HZ = 16.0  # an aircraft's turning lies below 2 Hz
WHOLE_UP_TO_S = 600.0
TELLING_SHARES = (0.03, 0.10)  # of a long recording, besides what was watched before

Frames = Iterable[tuple[float, NDArray[np.uint8]]]
Progress = Callable[[float], None]
Onlooker = Callable[[float, NDArray[np.uint8]], None]
"""Is shown each small picture that is watched, with its time, for whatever else there is to see in it."""


def motion_in(
    recording: Recording,
    references: Sequence[MotionSeries],
    *,
    field_of_view_deg: float | None = None,
    horizon: bool = False,
    thorough: bool = False,
    onlooker: Onlooker | None = None,
    progress: Progress | None = None,
) -> MotionSeries:
    """Motion seen in a recording, on its own clock, NaN where it was not watched.

    `references` are the motions of the log's flights that it may be of, where there are any: the one that fits says which
    stretches tell most. `horizon`: whether to look for it as well. `thorough` watches all.
    """
    total = float(recording.duration_s)

    def watched(windows: Sequence[tuple[float, float]], begun: float = 0.0, end: float = 1.0) -> MotionSeries:
        told = _part(progress, begun, end)
        return _watched(recording, windows, field_of_view_deg, horizon, onlooker, told)

    if _is_whole(recording, references, thorough):
        return watched([(0.0, total)])
    looks = first_look(total)
    seen, begun = watched(looks, 0.0, 0.4), 0.4
    fix, reference, sure = _fixed(seen, references)
    for share, end in zip(TELLING_SHARES, (0.6, 0.75), strict=True):
        if fix.best is None or fix.verdict == "none":
            break
        telling = informative_windows(reference, fix.best, total, share * total, besides=looks)
        seen, looks, begun = _joined(seen, watched(telling, begun, end)), [*looks, *telling], end
        fix, reference, sure = _fixed(seen, references)
        if sure:
            return seen
    return watched([(0.0, total)], begun)


def way_of(recording: Recording, references: Sequence[MotionSeries], *, thorough: bool = False) -> str:
    """How `motion_in` watches, in one word that differs where what it watches may differ."""
    if _is_whole(recording, references, thorough):
        return f"all-{WIDTH}"
    told = hashlib.sha256()
    for each in references:
        told.update(each.time_s.tobytes() + each.rate_radps.tobytes())
    return f"telling-{WIDTH}-{told.hexdigest()[:12]}"


def _is_whole(recording: Recording, references: Sequence[MotionSeries], thorough: bool) -> bool:
    return thorough or not references or recording.duration_s <= WHOLE_UP_TO_S


def _fixed(seen: MotionSeries, references: Sequence[MotionSeries]) -> tuple[Alignment, MotionSeries, bool]:
    """(clock, reference) that fit best, and whether no other fits as well."""
    choice = choose(seen, references, one_clock=True)
    return choice.found[choice.taken], references[choice.taken], choice.sure


def glance(
    recording: Recording,
    onlooker: Onlooker,
    *,
    besides_s: NDArray[np.float64],
    every_s: float,
    progress: Progress | None = None,
) -> None:
    """Show a key picture from each stretch of `every_s` that holds none of the moments `besides_s`, seen before."""
    starts = np.arange(0.0, float(recording.duration_s), every_s)
    unseen = starts[np.searchsorted(besides_s, starts) == np.searchsorted(besides_s, starts + every_s)]
    for count, start in enumerate(unseen.tolist()):
        if progress is not None:
            progress(count / len(unseen))
        for time_s, picture in grey(recording, WIDTH, start, start + every_s, keyframes_only=True, threads=1):
            onlooker(time_s, picture)
            break


def _watched(
    recording: Recording,
    windows: Sequence[tuple[float, float]],
    angle: float | None,
    horizon: bool,
    onlooker: Onlooker | None,
    progress: Progress | None,
) -> MotionSeries:
    whole = sum(end - start for start, end in windows)
    done, parts = 0.0, []
    for start, end in windows:
        with closing(ahead(thinned(grey(recording, WIDTH, start, end), WATCHED_HZ), "watch")) as frames:
            told = _told(_shown(frames, onlooker), start, done, whole, progress)
            parts.append(motion_from_picture(told, field_of_view_deg=angle, horizon=horizon))
        done += end - start
    return _joined(*parts)


def _shown(frames: Frames, onlooker: Onlooker | None) -> Frames:
    for time_s, picture in frames:
        if onlooker is not None:
            onlooker(time_s, picture)
        yield time_s, picture


def thinned(
    frames: Generator[tuple[float, NDArray[np.uint8]]], most_Hz: float
) -> Generator[tuple[float, NDArray[np.uint8]]]:
    """Leave out frames that follow the last one kept by less than 1 / `most_Hz` seconds. Closing it closes `frames`."""
    due = -np.inf
    with closing(frames):
        for time_s, picture in frames:
            if time_s >= due:
                due = time_s + 1 / most_Hz - 1e-6
                yield time_s, picture


def _told(
    frames: Frames, start: float, done: float, whole: float, progress: Progress | None
) -> Iterator[tuple[float, Any]]:
    for time_s, picture in frames:
        if progress is not None:
            progress(min(1.0, (done + time_s - start) / whole))
        yield time_s, picture


def _part(progress: Progress | None, low: float, high: float) -> Progress | None:
    return None if progress is None else lambda share: progress(low + (high - low) * share)


def _joined(*parts: MotionSeries) -> MotionSeries:
    """Several stretches as one series in order of time; where two overlap the first one's samples stand."""
    kept: list[MotionSeries] = [part for part in parts if len(part.time_s)]
    if not kept:
        return parts[0]
    time_s = np.concatenate([part.time_s for part in kept])
    order = np.argsort(time_s, kind="stable")
    first = np.concatenate([[True], np.diff(time_s[order]) > 1e-6])
    arrays: dict[str, Any] = {}
    for field in fields(MotionSeries):
        values = [getattr(part, field.name) for part in kept]
        if isinstance(values[0], np.ndarray):
            filled = all(len(value) for value in values)
            arrays[field.name] = np.concatenate(values)[order][first] if filled else np.zeros(0)
    return MotionSeries(**arrays, inferred=kept[0].inferred)
