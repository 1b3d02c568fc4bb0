"""The clocks of one flight: every pair aligned, told of in words, pinned by hand, and made to agree."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from overlay.alignment import Alignment, ChapterClock, align, lost_between, pin, reconciled
from overlay.clock import AffineClock, parse_pin
from overlay.errors import NoAnswerError, UsageError
from overlay.motion import MotionSeries

Progress = Callable[[str, float], None]
Pairs = tuple[Alignment, ...]

UPSIDE_DOWN_DEG = 135.0  # of the mount about the optical axis


@dataclass(frozen=True)
class Watched:
    """A recording's motion, and the file and start of each of its chapters."""

    motion: MotionSeries
    chapters: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Logged:
    """A log's motion; `lag_s` by how much it is known to report late; `among` of how many flights it was taken."""

    motion: MotionSeries
    keeps_utc: bool
    lag_s: float = 0.0
    among: int = 1


def align_all(
    recordings: Mapping[str, Watched], log: Logged | None, pinned: str | None, progress: Progress
) -> tuple[Pairs, list[str]]:
    """Camera to track, ground to camera, ground to track, as far as there are such, and remarks in plain words.

    With all three the triangle must close; a pin is the user's word, which nothing is measured against.
    """
    camera, ground = recordings.get("camera"), recordings.get("ground")
    found: list[Alignment] = []
    timed = _timed_by(ground, camera) if camera and ground and log else ()
    if camera and log:
        found.append(_in_chapters(camera, timed, log, progress))
    if ground and camera:
        sure = found and found[0].verdict == "sure"
        found.append(_against_camera(ground, camera, timed or (found[0].chapters if sure else ()), progress))
    if ground and log and (pinned is None or not camera):
        found.append(_against_log("ground", ground, log, progress, mislabelled=camera is None))
    if not found:
        raise UsageError("nothing to align: a flight needs a recording and a track, or two recordings")
    if pinned is not None:
        found[0] = _pinned(found[0], pinned)
    if len(found) == 3:
        found = list(reconciled(found[0], found[1], found[2]))
    return tuple(found), [remark for pair in found for remark in _remarks(pair)]


def clock_of(name: str, pairs: Pairs) -> AffineClock:
    """Map from a recording's clock to the track's. NoAnswerError where no trustworthy one was found."""
    direct = next((pair for pair in pairs if pair.recording == name and pair.reference == "track"), None)
    through = next((pair for pair in pairs if pair.recording == name and pair.reference == "camera"), None)
    if direct is not None and (through is None or direct.verdict == "sure"):
        return direct.clock
    if through is None:
        raise NoAnswerError(f"the {name} recording cannot be aligned to anything in this flight")
    camera = next((pair.clock for pair in pairs if pair.recording == "camera"), AffineClock(0.0))
    # It is told against the camera's time with its chapters' jumps already out.
    return through.clock.then(replace(camera, steps=()))


def _against_log(
    name: str, watched: Watched, log: Logged, progress: Progress, *, mislabelled: bool = True
) -> Alignment:
    progress(f"aligning {name} to track", 0.0)
    found = align(
        watched.motion,
        log.motion,
        recording_name=name,
        reference_name="track",
        keeps_utc=log.keeps_utc,
        reference_lag_s=log.lag_s,
        chapters=watched.chapters,
        mislabelled=mislabelled,
        among=log.among,
    )
    progress(f"aligning {name} to track", 1.0)
    return found


def _against_camera(ground: Watched, camera: Watched, timed: tuple[ChapterClock, ...], progress: Progress) -> Alignment:
    """The ground recording against the camera's time, what its chapters are known to have lost taken out beforehand."""
    progress("aligning ground to camera", 0.0)
    found = align(
        ground.motion,
        _without(camera.motion, lost_between(timed)),
        recording_name="ground",
        reference_name="camera",
        chapters=ground.chapters,
        # a picture lost between the camera's chapters bends the clock as a wrong rate does
        mislabelled=len(camera.chapters) < 2,
    )
    progress("aligning ground to camera", 1.0)
    return _as_unsure(found, timed)


def _timed_by(ground: Watched, camera: Watched) -> tuple[ChapterClock, ...]:
    """The camera's chapters as the other recording times them, to a few milliseconds; none where it has a gap of its own.

    A track of positions does not tell one lost picture; a recording that ran on meanwhile does.
    """
    if len(camera.chapters) < 2 or len(ground.chapters) > 1:
        return ()
    found = align(camera.motion, ground.motion, recording_name="camera", reference_name="ground",
                  chapters=camera.chapters, mislabelled=False)  # fmt: skip
    return found.chapters if found.verdict == "sure" and found.steps else ()


def _in_chapters(camera: Watched, timed: tuple[ChapterClock, ...], log: Logged, progress: Progress) -> Alignment:
    """The camera against the log, the time that its chapters are known to have lost taken out beforehand."""
    if not timed:
        return _against_log("camera", camera, log, progress)
    whole = Watched(_without(camera.motion, lost_between(timed)), ())
    found = _as_unsure(_against_log("camera", whole, log, progress), timed)
    if found.best is None:
        return found
    first_s = found.best.offset_s - timed[0].offset_s
    return replace(found, chapters=tuple(replace(each, offset_s=each.offset_s + first_s) for each in timed))


def _as_unsure(found: Alignment, timed: tuple[ChapterClock, ...]) -> Alignment:
    """An alignment from which lost time was taken out beforehand, as uncertain as that was.

    A step of σ in the middle tilts the line that is laid through it by 3/2 σ a length, and shifts it by half of σ where
    it lies at an end; both are the most that it can do (least squares of a step by a line, evenly spread information).
    """
    step_s = float(np.sqrt(sum(each.sigma_s**2 for each in timed if each.jumps)))
    if step_s == 0.0 or found.best is None:
        return found
    return replace(
        found,
        sigma_s=float(np.hypot(found.sigma_s, step_s / 2)),
        scatter_s=float(np.hypot(found.scatter_s, step_s / 2)),
        half_interval_s=float(np.hypot(found.half_interval_s, 1.96 * step_s / 2)),
        drift_sigma_ppm=float(np.hypot(found.drift_sigma_ppm, 1.5e6 * step_s / found.overlap_s)),
    )


def _without(motion: MotionSeries, steps: tuple[tuple[float, float], ...]) -> MotionSeries:
    """The motion on a clock that lost no time between chapters."""
    if not steps:
        return motion
    return replace(motion, time_s=AffineClock(0.0, steps=steps).to_reference(motion.time_s))


def _pinned(found: Alignment, text: str) -> Alignment:
    try:
        recording_s, reference_s = parse_pin(text)
    except ValueError as error:
        raise UsageError(f"--pin: {error}; write it as 00:03:12.4=2026-05-03T10:15:44.2Z") from error
    return pin(found, recording_s, reference_s)


def _remarks(pair: Alignment) -> list[str]:
    """What a user should know of a pair beside its numbers."""
    told = []
    if pair.reference == "track" and abs(pair.evidence.get("mount_roll_deg", 0.0)) > UPSIDE_DOWN_DEG:
        remedy = (
            "turn it before it is shown"
            if pair.recording == "ground"
            else "set camera.upside_down = true in flight.toml"
        )
        told.append(f"the {pair.recording} recording is upside down; {remedy} to see it upright")
    if pair.evidence.get("clock_hypothesis"):
        told.append(f"the {pair.recording} recording's frame rate is mislabelled: {pair.evidence['clock_hypothesis']}")
    if pair.evidence.get("through"):
        told.append(f"{pair.recording} to {pair.reference}: {pair.reasons[0]}")
    if pair.recording == "ground" and pair.reference == "track" and "closure_s" in pair.evidence:
        return told  # its chapters were told of beside the camera
    for each in pair.chapters[1:]:
        if each.jumps:
            late = f"{each.file} begins {each.jump_s:+.2f} s off the end of the chapter before it"
            told.append(f"{late}, and keeps a clock of its own")
    return told
