"""Which break-ups are shown in pictures, and which of their frames."""

from __future__ import annotations

import numpy as np

from overlay.picture.breakups import Breakup, Diagnosis


def gravest(diagnosis: Diagnosis, most: int) -> list[Breakup]:
    """The `most` break-ups that cost the picture most, in the order of time."""
    lost = [np.sum(5.0 - diagnosis.grade[event.onset_frame : event.end_frame]) for event in diagnosis.events]
    return [diagnosis.events[k] for k in sorted(np.argsort(lost)[::-1][:most].tolist())]


def moments(event: Breakup, diagnosis: Diagnosis) -> list[tuple[str, int]]:
    """(name, frame) of its onset, its worst, and where it is over, unless the recording ends in it."""
    named = [("onset", event.onset_frame), ("worst", event.worst_frame)]
    return named + ([("over", event.end_frame)] if event.end_frame < len(diagnosis.grade) else [])
