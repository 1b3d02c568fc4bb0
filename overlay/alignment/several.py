"""A recording held against several references, to one of which it may belong: the flights of one log."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from overlay.alignment.coarse import APART_S
from overlay.alignment.result import Alignment
from overlay.alignment.solve import align
from overlay.alignment.verdict import MAX_SIGMA_S, RIVAL
from overlay.motion.series import MotionSeries

AGREE_S = 3 * MAX_SIGMA_S  # two sure clocks closer than this, beyond their intervals, are one


@dataclass(frozen=True)
class Choice:
    """Which of several references a recording belongs to, by their places in `found`.

    `taken` is the likeliest. `also` fit with the very same clock: the same flight once more, or one that the recording
    runs on into. `rivals` fit with another clock, which leaves nothing sure.
    """

    found: tuple[Alignment, ...]
    taken: int
    also: tuple[int, ...] = ()
    rivals: tuple[int, ...] = ()

    @property
    def sure(self) -> bool:
        """Whether one reference alone, or one clock alone, fits."""
        return self.found[self.taken].verdict == "sure" and not self.rivals

    @property
    def fitting(self) -> tuple[int, ...]:
        """All that the recording may belong to; none where it is sure of none."""
        return (self.taken, *self.also, *self.rivals) if self.found[self.taken].verdict == "sure" else ()


def choose(
    recording: MotionSeries,
    references: Sequence[MotionSeries],
    *,
    one_clock: bool,
    chapters: Sequence[tuple[str, float]] = (),
    progress: Callable[[float], None] | None = None,
) -> Choice:
    """Align the recording with each of the references and take the one that fits.

    `one_clock`: all references keep the same time, such as UTC, so that their clocks can be compared. That one of so many
    fits by chance is allowed for in each verdict.
    """
    found = []
    for number, reference in enumerate(references):
        if progress is not None:
            progress(number / len(references))
        found.append(align(recording, reference, chapters=chapters, among=len(references)))
    return chosen(found, one_clock=one_clock)


def chosen(found: Sequence[Alignment], *, one_clock: bool) -> Choice:
    """The likeliest of alignments of one recording with several references, and those that fit as well."""
    taken = max(range(len(found)), key=lambda k: (found[k].verdict == "sure", _score(found[k])))
    best = found[taken]
    sure = best.verdict == "sure"  # of what is not sure in itself nothing is asked besides
    near = [k for k, each in enumerate(found) if sure and k != taken and _comes_near(each, best)]
    also = tuple(k for k in near if one_clock and _same_clock(found[k], best))
    rivals = tuple(k for k in near if k not in also)
    return Choice(tuple(found), taken, also, rivals)


def _score(found: Alignment) -> float:
    return found.candidates[0].score if found.candidates else 0.0


def _comes_near(found: Alignment, best: Alignment) -> bool:
    """Sure by itself, or as near the best as a rival offset may not come (the evidence goes with the correlation squared)."""
    return found.verdict == "sure" or _score(found) > RIVAL**2 * _score(best) > 0


def _same_clock(found: Alignment, best: Alignment) -> bool:
    if found.best is None or best.best is None or found.verdict != "sure":
        return bool(found.candidates) and abs(found.candidates[0].offset_s - best.candidates[0].offset_s) < APART_S
    middle = found.mid_recording_s
    gap = abs(found.best.to_reference(middle) - best.best.to_reference(middle))
    return gap < AGREE_S + found.half_interval_s + min(best.half_interval_at(middle), AGREE_S)
