"""A clip's sound: what the recording heard wherever the clip runs as recorded, silence elsewhere, evenly loud."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from overlay.clips.loudness import levelled
from overlay.clips.plan import Heard, Plan
from overlay.clock import AffineClock
from overlay.recordings import Recording
from overlay.recordings.container import opened

if TYPE_CHECKING:
    from overlay.recordings.recording import Chapter

Samples = NDArray[np.float32]

RATE_HZ = 48_000
_FADE = 480  # samples: ten milliseconds keep a cut from clicking
_RUN_IN_S = 0.5  # a decoder's first packets after a seek are not to be heard


def sound_of(plan: Plan, recording: Recording, clock: AffineClock) -> Samples | None:
    """The clip's sound (n, channels) at 48 kHz; None where the recording has none or its clock was reset inside.

    `clock` maps the clip's source times to the recording's own: identity for the recording that the clip shows.
    """
    tracks = [chapter.audio for chapter in recording.chapters]
    if not all(tracks) or any(chapter.splices for chapter in recording.chapters):
        return None
    channels = 1 if all(track is not None and track.channels == 1 for track in tracks) else 2
    result = np.zeros((round(plan.duration_s * RATE_HZ), channels), np.float32)
    for heard in plan.heard():
        _lay(result, heard, recording, clock)
    return levelled(result, RATE_HZ)


def _lay(result: Samples, heard: Heard, recording: Recording, clock: AffineClock) -> None:
    start, end = clock.to_reference(heard.source_s), clock.to_reference(heard.source_end_s)
    part = window(recording, start, end, result.shape[1])
    ramp = np.minimum(1.0, np.arange(1, len(part) + 1) / _FADE)[:, None].astype(np.float32)
    part *= ramp * ramp[::-1]
    at = round(heard.time_s * RATE_HZ)
    room = result[at : at + len(part)]
    room[...] = part[: len(room)]


def window(recording: Recording, start_s: float, end_s: float, channels: int) -> Samples:
    """Sound (n, channels) of a window of the recording's clock at 48 kHz, zero where there is none."""
    result = np.zeros((max(round((end_s - start_s) * RATE_HZ), 0), channels), np.float32)
    for chapter in recording.chapters:
        if chapter.start_s < end_s and chapter.end_s > start_s:
            for time_s, samples in _decoded(chapter, start_s, end_s, channels):
                at = round((time_s - start_s) * RATE_HZ)
                low, high = max(at, 0), min(at + len(samples), len(result))
                if low < high:
                    result[low:high] = samples[low - at : high - at]
    return result


def _decoded(chapter: Chapter, start_s: float, end_s: float, channels: int) -> Iterator[tuple[float, Samples]]:
    """(time on the recording's clock, samples) of the chapter's sound about the window."""
    import av

    assert chapter.audio is not None
    resampler = av.AudioResampler(format="flt", layout="mono" if channels == 1 else "stereo", rate=RATE_HZ)
    # the chapter's video begins at first_pts · time_base on the container's own clock
    shift = float(chapter.start_s - chapter.first_pts * chapter.time_base)
    with opened(chapter.path) as file:
        stream = file.container.streams[chapter.audio.stream]
        assert isinstance(stream, av.AudioStream)
        before = max(start_s - shift - _RUN_IN_S, 0.0)
        try:
            file.container.seek(int(before * av.time_base))
        except av.error.FFmpegError:
            file.container.seek(0)
        for packet in file.container.demux(stream):
            try:
                frames = packet.decode()
            except av.error.FFmpegError:
                continue  # a broken packet is a moment of silence
            for frame in frames:
                if frame.pts is None or frame.time_base is None:
                    continue
                time_s = float(frame.pts * frame.time_base) + shift
                if time_s >= end_s:
                    return
                for out in resampler.resample(frame):
                    assert out.pts is not None
                    assert out.time_base is not None
                    yield (
                        float(out.pts * out.time_base) + shift,
                        np.asarray(out.to_ndarray(), np.float32).reshape(-1, channels),
                    )
