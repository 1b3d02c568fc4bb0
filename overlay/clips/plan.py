"""Which pictures of a recording a clip shows, how often, and when: whole numbers, so that it can be checked by frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Shot(NamedTuple):
    """Picture `number` of the recording, shown once from `time_s` of the clip on; the title card has no number."""

    number: int | None
    time_s: float


class Part(NamedTuple):
    """A named span of the clip, in its own seconds."""

    title: str
    start_s: float
    end_s: float


class Heard(NamedTuple):
    """Sound of the recording from `source_s` to `source_end_s` that is heard from `time_s` of the clip on."""

    time_s: float
    source_s: float
    source_end_s: float


@dataclass(frozen=True)
class Plan:
    """The title card, then pictures first ≤ number < stop in order, some of them longer than they were.

    `times_s` (frames + 1,) are those of the whole recording and its end. The picture `moment` is shown `hold` times more
    at the recording's average rate; those from `slow_first` to before `slow_stop` last `slow` times as long, each being
    shown `slow` times.
    """

    times_s: Floats
    rate: float
    first: int
    stop: int
    moment: int
    card: int = 0
    hold: int = 0
    slow: int = 1
    slow_first: int = 0
    slow_stop: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.first <= self.moment < self.stop < len(self.times_s):
            raise ValueError(f"pictures {self.first} ≤ {self.moment} < {self.stop} do not lie in the recording")

    def shots(self) -> Iterator[Shot]:
        """Every picture of the clip in order."""
        for n in range(self.card):
            yield Shot(None, n / self.rate)
        time = self.card / self.rate
        for number in range(self.first, self.stop):
            for n in range(self.hold if number == self.moment else 0):
                yield Shot(number, time + n / self.rate)
            time += self.hold / self.rate if number == self.moment else 0.0
            lasts, again = self._lasts(number), self._again(number)
            for n in range(again):
                yield Shot(number, time + n * lasts)
            time += again * lasts

    @property
    def frames(self) -> int:
        """How many pictures the clip has."""
        slowed = max(0, min(self.stop, self.slow_stop) - max(self.first, self.slow_first))
        return self.card + self.hold + (self.stop - self.first) + slowed * (self.slow - 1)

    @property
    def duration_s(self) -> float:
        """Length of the clip."""
        return self.time_of(self.stop)

    def time_of(self, number: int) -> float:
        """When in the clip a picture is first shown; for `stop`, the clip's end."""
        first, stop = (min(max(n, self.first), number) for n in (self.slow_first, self.slow_stop))
        time = self.card / self.rate + self.times_s[number] - self.times_s[self.first]
        time += (self.slow - 1) * max(0.0, self.times_s[max(stop, first)] - self.times_s[first])
        return float(time + (self.hold / self.rate if number > self.moment else 0.0))

    def parts(self) -> tuple[Part, ...]:
        """Chapters: the card, what leads to the moment, the moment itself, what comes after."""
        at, after = self.time_of(self.moment), max(self.moment + 1, min(self.slow_stop, self.stop))
        edges = [0.0, self.card / self.rate, at, self.time_of(after), self.duration_s]
        names = ("Title", "Before", "The moment", "After")
        spans = zip(names, edges[:-1], edges[1:], strict=True)
        return tuple(Part(*span) for span in spans if span[2] - span[1] > 1e-6)

    def heard(self) -> tuple[Heard, ...]:
        """Where the recording's sound is heard: wherever the picture runs as it was recorded."""
        cuts = sorted(
            {self.first, self.stop, self.moment, *(self._clipped(n) for n in (self.slow_first, self.slow_stop))}
        )
        found = []
        for low, high in pairwise(cuts):
            if self._again(low) == 1:
                start = self.time_of(low) + (self.hold / self.rate if low == self.moment else 0.0)
                found.append(Heard(start, float(self.times_s[low]), float(self.times_s[high])))
        return tuple(found)

    def _clipped(self, number: int) -> int:
        return min(max(number, self.first), self.stop)

    def _again(self, number: int) -> int:
        return self.slow if self.slow_first <= number < self.slow_stop else 1

    def _lasts(self, number: int) -> float:
        return float(self.times_s[number + 1] - self.times_s[number])


def nearest(times_s: Floats, time_s: float) -> int:
    """Number of the picture whose time is nearest: a time written to the millisecond still names its picture.

    >>> nearest(np.array([0.0, 1 / 30, 2 / 30]), 0.033)
    1
    """
    after = int(np.clip(np.searchsorted(times_s, time_s), 1, len(times_s) - 1))
    return after - int(time_s - times_s[after - 1] <= times_s[after] - time_s)


def centred(moment: int, reach: int, frames: int, least: int) -> tuple[int, int]:
    """(first, stop) of pictures with as many before as after the moment; `reach` shrinks to the recording's ends.

    Below `least` on the shorter side the centre is given up.

    >>> centred(100, 20, 1000, 5), centred(10, 20, 1000, 5), centred(2, 20, 1000, 5)
    ((80, 121), (0, 21), (0, 23))
    """
    room = min(reach, moment, frames - 1 - moment)
    if room >= least:
        return moment - room, moment + room + 1
    return max(moment - reach, 0), min(moment + reach + 1, frames)
