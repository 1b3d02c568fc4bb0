"""What the onboard recording shows besides its motion: how clearly the ground is seen, and how the horizon leans.

Both are looked at in the pictures that are watched for motion anyway, and in a few key pictures between them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from overlay.clock import AffineClock
from overlay.mechanics.seen_bank import seen_bank
from overlay.motion.horizon import HorizonMeter, HorizonSeen
from overlay.motion_cache import kept
from overlay.motion_survey import WIDTH, glance
from overlay.picture.visibility import Visibility, VisibilityMeter
from overlay.readings import Readings
from overlay.recordings import Recording

LOOKS_EVERY_S, MOST_LOOKS = 4.0, 300  # at what the motion did not need watched: a cloud is not flown through faster


class OnboardView:
    """Looks at pictures of the onboard `recording`; what it found is kept in `folder`, if there is one.

    `horizon`: whether that is looked for as well, which takes some milliseconds a picture.
    """

    def __init__(
        self, recording: Recording, folder: Path | None, progress: Callable[[float], None], *, horizon: bool
    ) -> None:
        self._recording, self._folder, self._progress = recording, folder, progress
        self._visibility = VisibilityMeter(full_range=bool(recording.chapters[0].colour.full_range))
        self._horizon = HorizonMeter() if horizon else None
        self._every_s = max(LOOKS_EVERY_S, float(recording.duration_s) / MOST_LOOKS)
        self._glanced = False

    def push(self, time_s: float, picture: NDArray[np.uint8]) -> None:
        """Look at a small grey picture (H, W) shown at `time_s` of the recording."""
        self._visibility.push(time_s, picture)
        if self._horizon is not None:
            self._horizon.push(time_s, picture)

    def visibility(self) -> Visibility:
        """How clearly the ground was seen, on the recording's clock; after the motion was measured."""

        def measure() -> Visibility:
            self._glance()
            return self._visibility.result()

        return kept(Visibility, self._folder, self._recording, f"visibility {WIDTH} {self._every_s:g}", measure)

    def horizon(self) -> HorizonSeen:
        """How the horizon leant, on the recording's clock; after the motion was measured."""
        meter = self._horizon if self._horizon is not None else HorizonMeter()

        def measure() -> HorizonSeen:
            self._glance()
            return meter.result()

        return kept(HorizonSeen, self._folder, self._recording, f"horizon {WIDTH} {self._every_s:g}", measure)

    def _glance(self) -> None:
        if not self._glanced:
            seen = self._visibility.times_s
            glance(self._recording, self.push, besides_s=seen, every_s=self._every_s, progress=self._progress)
            self._progress(1.0)
            self._glanced = True


def with_visibility(readings: Readings, clock: AffineClock, seen: Visibility) -> Readings:
    """The readings with what the onboard camera, whose clock that is, saw of the ground."""
    share = 100.0 * seen.at(clock.to_recording(readings.time_s))
    derived = {**readings.derived, "visibility_pct": "contrast of the ground in the onboard recording"}
    return replace(readings, columns={**readings.columns, "visibility_pct": share}, derived=derived)


def with_seen_bank(readings: Readings, clock: AffineClock, seen: HorizonSeen) -> Readings:
    """The readings with the bank by the horizon in place of one inferred from turning, where the horizon was seen."""
    inferred = readings["bank_deg"]
    found = seen_bank(readings.time_s, inferred, clock.to_reference(seen.time_s), np.degrees(seen.bank_rad))
    if found is None:
        return readings
    bank = np.where(np.isfinite(found.bank_deg), found.bank_deg, inferred)
    how = (
        f"the horizon in the onboard recording, where it was seen, less the mount's lean of {found.mount_deg:.0f}° by the "
        f"flight's own turns; elsewhere {readings.derived['bank_deg']}"
    )
    derived = {**readings.derived, "bank_deg": how}
    return replace(readings, columns={**readings.columns, "bank_deg": bank}, derived=derived)
