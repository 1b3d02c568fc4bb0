"""Every picture's time, from the packets alone: nothing is decoded.

A recorder's stamps are not always what they should be. Three faults are mended, each one told as `Damage`:

* single stamps far off their neighbours (flipped bits) take the time that their place in the file gives them;
* where the clock was reset (the recorder lost power and went on in the same file) the later part is moved to follow
  the earlier one without a gap: a *splice*;
* packets without any stamp (bare elementary streams) are counted at the stream's nominal rate.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

import av.error
import numpy as np
from av.video.stream import VideoStream
from numpy.typing import NDArray

from overlay.errors import Damage, RecordingError
from overlay.recordings.container import Opened, packets
from overlay.recordings.recording import Splice, Ticks, into_the_file, pictures

UNKNOWN = np.iinfo(np.int64).min
MAX_PACKETS = 8_000_000  # nine hours at 240 frames per second
BACK_S, AHEAD_S = 0.25, 600.0  # a clock that leaves this span between two packets was reset
PAUSE_S = 2.0  # where to look whether it was
BY_PTS = ("matroska,webm",)  # demuxers that seek by time of showing; the others go by time of decoding
MAX_DELAY_S = 10.0  # between decoding and showing, beyond the usual
BY_DECODING = ("avi", "asf", "mxf")  # containers that keep only times of decoding
STRAY_PACKETS = 4  # so few packets between two jumps are flipped bits, not another part


@dataclass(frozen=True)
class Timeline:
    """Times of a chapter's pictures in ticks of the stream's time base; fields as in `Chapter`."""

    pts: Ticks
    key_pts: Ticks
    key_entry: Ticks
    duration: int
    stamped: bool
    splices: tuple[Splice, ...]
    damage: tuple[Damage, ...]

    def begun_at(self, first_pts: int, path: str) -> Timeline:
        """The same without the pictures before `first_pts`, which need others that are not in the file."""
        early = int(np.searchsorted(self.pts, first_pts))
        if early == 0:
            return self
        told = Damage(path, f"begins in the middle of a group: its first {pictures(early)} cannot be shown")
        lost = int(self.pts[early] - self.pts[0])
        keys = self.key_pts >= first_pts
        return replace(
            self,
            pts=self.pts[early:],
            key_pts=self.key_pts[keys],
            key_entry=self.key_entry[keys],
            duration=self.duration - lost,
            damage=(*self.damage, told),
        )


class _Packets(NamedTuple):
    pts: Ticks
    dts: Ticks
    duration: Ticks
    key: NDArray[np.bool_]
    corrupt: NDArray[np.bool_]
    cut: int
    fault: str

    def order(self) -> Ticks:
        """A stamp per packet that rises along an unbroken file: dts, or pts where there is none.

        Containers that keep only times of showing let dts be worked out, but not of the first pictures, whose pts run ahead
        of the dts that follow by as much as pictures are reordered: they are decoded no later than the first that has one.
        """
        order = np.where(self.dts == UNKNOWN, self.pts, self.dts)
        known = np.flatnonzero(self.dts != UNKNOWN)
        if len(known):
            lead = order[: known[0]]
            lead[lead != UNKNOWN] = np.minimum(lead[lead != UNKNOWN], self.dts[known[0]])
        return order

    def astray(self, base: Fraction) -> NDArray[np.bool_]:
        """Which packets are to be shown at a time that has nothing to do with when they are decoded."""
        known: NDArray[np.bool_] = (self.pts != UNKNOWN) & (self.dts != UNKNOWN)
        if not known.any():
            return known
        delay = np.where(known, self.pts.astype(np.float64) - self.dts, 0.0) * float(base)
        far: NDArray[np.bool_] = np.abs(delay - np.median(delay[known])) > MAX_DELAY_S
        return known & far


def read_timeline(path: str, file: Opened) -> Timeline:
    """Walk through all packets of a file just opened. RecordingError when there are none."""
    stream = file.stream
    found = _walk(path, file)
    if len(found.pts) == 0:
        raise RecordingError(path, "no pictures in its picture stream", "copy it again from the recorder's card")
    base = stream.time_base or Fraction(1, 1000)
    step = _nominal_step(found, stream, base)
    pts, splices, faults = _mend(path, found, step, base)
    shown = np.sort(pts)
    keys = np.flatnonzero(found.key)
    keys = keys[np.argsort(pts[keys], kind="stable")]
    last = int(found.duration[int(np.argmax(pts))]) or step
    return Timeline(
        pts=shown,
        key_pts=pts[keys],
        key_entry=(pts if file.container.format.name in BY_PTS else found.order())[keys],
        duration=int(shown[-1] - shown[0]) + (last if last * base <= 10 else step),
        stamped=_is_stamped(found, file),
        splices=splices,
        damage=(
            *faults,
            *_reading_faults(path, found, shown, base),
            *_cut_short(path, file, len(pts) + found.cut, shown),
        ),
    )


def _is_stamped(packets: _Packets, file: Opened) -> bool:
    """Whether a stamp is that of its own picture.

    Some containers keep only times of decoding. For codecs that reorder, and whose packets the demuxer does not look
    into, what it gives out as times of showing are those of decoding, moved along: right as a set, not one by one.
    """
    context = file.stream.codec_context
    guessed = file.container.format.name in BY_DECODING and context.name in ("h264", "hevc") and context.has_b_frames
    return bool(np.any(packets.pts != UNKNOWN)) and not guessed


def _walk(path: str, file: Opened) -> _Packets:
    columns = tuple(array("q") for _ in range(5))
    pts, dts, duration, key, corrupt = columns
    budget, fault, cut = 2 * file.container.size + 1_000_000, "", 0
    try:
        for packet in packets(file):
            if packet.is_discard:  # outside the edit list
                cut += 1
                continue
            pts.append(UNKNOWN if packet.pts is None else packet.pts)
            dts.append(UNKNOWN if packet.dts is None else packet.dts)
            duration.append(packet.duration or 0)
            key.append(packet.is_keyframe)
            corrupt.append(packet.is_corrupt)
            budget -= packet.size
            if budget < 0 or len(pts) > MAX_PACKETS:
                raise RecordingError(path, "an index that lists more pictures than the file can hold", "give another")
    except av.error.FFmpegError as error:
        fault = "too long without a picture" if isinstance(error, av.error.ExitError) else error.strerror or "fault"
    arrays = [np.frombuffer(column, np.int64) if column else np.zeros(0, np.int64) for column in columns]
    return _Packets(arrays[0], arrays[1], arrays[2], arrays[3] != 0, arrays[4] != 0, cut, fault)


def _nominal_step(packets: _Packets, stream: VideoStream, base: Fraction) -> int:
    """Ticks from one picture to the next: the usual interval, or as the stream says where it has no stamps."""
    stated = packets.duration[packets.duration > 0]
    if len(stated):
        return int(np.median(stated))
    known = np.unique(packets.pts[packets.pts != UNKNOWN])
    if len(known) > 1:
        return int(np.median(np.diff(known)))
    rate = stream.guessed_rate or stream.average_rate or Fraction(25)
    return max(1, round(1 / (rate * base)))


def _mend(
    path: str, packets: _Packets, step: int, base: Fraction
) -> tuple[Ticks, tuple[Splice, ...], tuple[Damage, ...]]:
    """(pts of every packet as it shall be, splices, damage)."""
    pts = packets.pts.copy()
    faults: list[Damage] = []
    missing = pts == UNKNOWN
    if missing.all():
        note = Damage(path, f"carries no times: its pictures are counted at {float(1 / (step * base)):g} per second")
        return np.arange(len(pts), dtype=np.int64) * step, (), (note,)
    parts, stray = _parts(packets.order(), base)
    missing |= stray | packets.astray(base)
    if missing.any():
        faults.append(Damage(path, f"no usable time on {pictures(int(missing.sum()))}: the place in the file decides"))
        pts[missing] = _placed(pts, missing, step)
    splices: list[Splice] = []
    for begin, end in pairwise([*parts[1:], len(pts)]):
        shift = int(pts[:begin].max()) + step - int(pts[begin:end].min())
        pts[begin:end] += shift
        splices.append(Splice(begin, shift))
        where = into_the_file((int(pts[begin]) - int(pts.min())) * base)
        faults.append(Damage(path, f"the recorder's clock was reset by {float(-shift * base):+.3f} s", where))
    return pts, tuple(splices), tuple(faults)


def _parts(order: Ticks, base: Fraction) -> tuple[list[int], NDArray[np.bool_]]:
    """(first packet of each part between resets of the clock, which packets carry stray stamps)."""
    stray = np.zeros(len(order), bool)
    known = np.flatnonzero(order != UNKNOWN)
    times = order[known].astype(np.float64) * float(base)
    runs = _runs(times)
    if (
        len(runs) > 1
        and _is_short(runs[0])
        and not _is_short(runs[1])
        and _is_reset(times[runs[1][0]] - times[runs[0][1] - 1])
    ):
        stray[known[slice(*runs.pop(0))]] = True
    parts, last = [0], runs[0]
    for number, run in enumerate(runs[1:], 1):
        after = runs[number + 1][0] if number + 1 < len(runs) else None
        if _is_short(run) and _is_stray(times, last[1] - 1, run, after):
            stray[known[slice(*run)]] = True
            continue
        if _is_reset(times[run[0]] - times[last[1] - 1]):
            parts.append(int(known[run[0]]))
        last = run
    return parts, stray


def _runs(times: NDArray[np.float64]) -> list[tuple[int, int]]:
    """(begin, end) of the stretches between steps back and pauses."""
    steps = np.diff(times)
    edges = (np.flatnonzero((steps < -BACK_S) | (steps > PAUSE_S)) + 1).tolist()
    return list(pairwise([0, *edges, len(times)]))


def _is_short(run: tuple[int, int]) -> bool:
    return run[1] - run[0] <= STRAY_PACKETS


def _is_reset(step_s: float) -> bool:
    return not -BACK_S <= step_s <= AHEAD_S


def _is_stray(times: NDArray[np.float64], before: int, run: tuple[int, int], after: int | None) -> bool:
    """Whether the clock makes no sense with this run but does without it."""
    into = _is_reset(times[run[0]] - times[before])
    if after is None:
        return into
    out_of = _is_reset(times[after] - times[run[1] - 1])
    return (into or out_of) and not _is_reset(times[after] - times[before])


def _placed(pts: Ticks, missing: NDArray[np.bool_], step: int) -> Ticks:
    """Times for the packets without one: evenly on from the packet before, or back from the first that has one."""
    place = np.arange(len(pts))
    source = np.maximum.accumulate(np.where(missing, -1, place))
    source[source < 0] = int(np.argmin(missing))
    return pts[source[missing]] + (place[missing] - source[missing]) * step


def _reading_faults(path: str, packets: _Packets, shown: Ticks, base: Fraction) -> tuple[Damage, ...]:
    last = into_the_file((int(shown[-1]) - int(shown[0])) * base)
    faults = [Damage(path, f"reading stopped: {packets.fault}", last)] if packets.fault else []
    broken = np.flatnonzero(packets.corrupt)
    if len(broken):
        where = f"the first is packet {broken[0]} of {len(packets.pts)}"
        faults.append(Damage(path, f"incomplete or damaged: {pictures(len(broken))}", where))
    return tuple(faults)


def _cut_short(path: str, file: Opened, read: int, shown: Ticks) -> tuple[Damage, ...]:
    """Compare with what the head of the file promises."""
    container, stream, cut = file
    base = stream.time_base or Fraction(1)
    held = (int(shown[-1]) - int(shown[0])) * base
    where = f"the last is shown {into_the_file(held)}"
    if cut:
        return (Damage(path, "cut short inside a fragment", where),)
    if container.format.name.startswith("mov") and stream.frames > read:
        return (Damage(path, f"cut short: {read} of {pictures(stream.frames)} are there", where),)
    promised = Fraction(container.duration or 0, 1_000_000)
    if container.format.name.startswith(("matroska", "avi", "flv")) and promised - held > max(
        Fraction(1, 2), held / 50
    ):
        return (Damage(path, f"cut short: {float(promised):.3f} s were promised", where),)
    return ()
