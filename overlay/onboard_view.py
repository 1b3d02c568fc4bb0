"""What the onboard recording shows besides its motion: how clearly the ground is seen, and how the horizon leans."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from overlay.clock import AffineClock
from overlay.mechanics.seen_bank import seen_bank
from overlay.motion import MotionSeries
from overlay.motion_cache import kept
from overlay.motion_survey import WIDTH, glance
from overlay.picture.visibility import Visibility, VisibilityMeter
from overlay.readings import Readings
from overlay.recordings import Recording

LOOKS_EVERY_S, MOST_LOOKS = 4.0, 300  # at what the motion did not need watched: a cloud is not flown through faster


def visibility_of(
    recording: Recording, meter: VisibilityMeter, folder: Path | None, progress: Callable[[float], None]
) -> Visibility:
    """How clearly the ground was seen, on the recording's clock; kept in `folder`, if there is one.

    `meter` has looked on while the motion was measured, and is shown a few key pictures of what was not watched.
    """
    every_s = max(LOOKS_EVERY_S, float(recording.duration_s) / MOST_LOOKS)

    def measure() -> Visibility:
        glance(recording, meter.push, besides_s=meter.times_s, every_s=every_s, progress=progress)
        progress(1.0)
        return meter.result()

    return kept(Visibility, folder, recording, f"visibility {WIDTH} {every_s:g}", measure)


def with_visibility(readings: Readings, clock: AffineClock, seen: Visibility) -> Readings:
    """The readings with what the onboard camera, whose clock that is, saw of the ground."""
    share = 100.0 * seen.at(clock.to_recording(readings.time_s))
    derived = {**readings.derived, "visibility_pct": "contrast of the ground in the onboard recording"}
    return replace(readings, columns={**readings.columns, "visibility_pct": share}, derived=derived)


def with_seen_bank(readings: Readings, clock: AffineClock, seen: MotionSeries) -> Readings:
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
