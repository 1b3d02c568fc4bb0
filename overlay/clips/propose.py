"""From moments of the flight to entries of the clip list: which recording shows it, from where to where, and how."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple

import numpy as np

from overlay.clips.clip_list import Clip, ClipList, time_text
from overlay.clips.moments import Moment
from overlay.clips.plan import Plan, centred, nearest
from overlay.clock import AffineClock, format_duration
from overlay.errors import UsageError
from overlay.recordings import Recording

Source = Literal["camera", "ground"]


class Take(NamedTuple):
    """A recording, and the map from its clock to the flight's where that is known."""

    recording: Recording
    clock: AffineClock | None


class _Manner(NamedTuple):
    """How a kind of moment is shown: seconds before and after, held, slowed how many times for how long."""

    before_s: float
    after_s: float
    hold_s: float = 0.0
    slow: int = 1
    slow_s: float = 0.0


_MANNERS: Mapping[str, _Manner] = {
    "launch": _Manner(3.0, 8.0, slow=2, slow_s=2.5),
    "turn-back": _Manner(5.0, 8.0, hold_s=2.5),
    "break-up": _Manner(6.0, 6.0, hold_s=3.5),
    "tightest turn": _Manner(5.0, 6.0, slow=2, slow_s=3.0),
    "strongest wind": _Manner(4.0, 6.0, hold_s=2.5),
    "automatic return": _Manner(5.0, 8.0, hold_s=3.0),
    "landing": _Manner(11.0, 3.0, hold_s=2.0),
}
_LEAST_S = 2.0  # a break-up nearer to an end of its recording is not centred


def proposed(found: Iterable[Moment], footage: Mapping[Source, Take]) -> tuple[tuple[Clip, ...], tuple[str, ...]]:
    """(a clip for each moment that a recording shows, what was left out and why)."""
    clips, left_out = [], []
    for moment in found:
        clip = _clip(moment, footage)
        if clip is None:
            left_out.append(f"no clip of {moment.kind}: no recording whose clock is known shows that moment")
        else:
            clips.append(clip)
    return tuple(clips), tuple(left_out)


def _clip(moment: Moment, footage: Mapping[Source, Take]) -> Clip | None:
    broken = moment.kind == "break-up"
    order: tuple[Source, ...] = ("ground", "camera") if broken else ("camera", "ground")
    for name in order:
        shown = footage.get(name)
        if shown is None or shown.clock is None:
            continue
        time_s = shown.clock.to_recording(moment.time_s)
        if 0.0 <= time_s < shown.recording.duration_s:
            both = len([one for one in footage.values() if one.clock is not None]) > 1
            view: Literal["side by side", "inset", "alone"] = "alone"
            if both:
                view = "side by side" if broken else "inset"
            return _placed(moment, name, shown.recording, time_s, view)
    return None


def _placed(
    moment: Moment, name: Source, recording: Recording, time_s: float, view: Literal["side by side", "inset", "alone"]
) -> Clip:
    manner, rate = _MANNERS[moment.kind], float(recording.frame_rate)
    times = times_of(recording)
    at = nearest(times[:-1], time_s)
    if moment.kind == "break-up":
        first, stop = centred(at, round(manner.before_s * rate), recording.frames, round(_LEAST_S * rate))
    else:
        first = max(at - round(manner.before_s * rate), 0)
        stop = min(at + round(manner.after_s * rate), recording.frames)
    return Clip(
        kind=moment.kind, title=moment.title, caption=moment.told[:200], picture=name, view=view,
        first=time_text(times[first]), at=time_text(times[at]), end=time_text(times[max(stop, at + 1)]),
        hold_s=manner.hold_s, slow=manner.slow, slow_s=manner.slow_s,
    )  # fmt: skip


def plan_of(clip: Clip, clips: ClipList, recording: Recording) -> Plan:
    """The clip picture by picture. UsageError where it does not lie in the recording."""
    times, rate = times_of(recording), float(recording.frame_rate)
    first_s, at_s, end_s = clip.span_s
    last = float(times[-1])
    if first_s >= last or end_s > last + 1.0 / rate:
        raise UsageError(
            f"clip {clip.name!r} runs from {clip.first} to {clip.end}, but the {clip.picture} recording ends at "
            f"{format_duration(last)}: change its times"
        )
    first, stop = nearest(times[:-1], first_s), nearest(times, end_s)
    moment = min(max(nearest(times[:-1], at_s), first), max(stop - 1, first))
    slowed = nearest(times, float(times[moment]) + clip.slow_s)
    return Plan(
        times, rate, first, max(stop, moment + 1), moment,
        card=round(clips.card_s * rate), hold=round(clip.hold_s * rate) if clip.at else 0,
        slow=clip.slow, slow_first=moment, slow_stop=slowed if clip.slow > 1 else moment,
    )  # fmt: skip


def times_of(recording: Recording) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """When each picture is shown, and when the last one ends (frames + 1,)."""
    return np.append(recording.pts_index, float(recording.duration_s))
