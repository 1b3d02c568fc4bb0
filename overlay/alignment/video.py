"""Two recordings of one flight on one clock, and whether three clocks close."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from overlay.alignment.result import Alignment
from overlay.alignment.solve import align
from overlay.clock import AffineClock
from overlay.motion.series import MotionSeries

CONTRADICTION_SIGMA = 4.0
CONTRADICTION_S = 0.05  # two clocks closer than this do not contradict each other, whatever their σ


def align_recordings(
    ground: MotionSeries,
    camera: MotionSeries,
    *,
    ground_name: str = "ground",
    camera_name: str = "camera",
    least_overlap_s: float = 30.0,
) -> Alignment:
    """Clock of the ground recording on the camera recording's; both motions from pictures of the same nose.

    Other lens, other frame rate and another tilt are fitted; break-ups and frozen spans are NaN in `ground` already.
    """
    return align(
        ground, camera, recording_name=ground_name, reference_name=camera_name, least_overlap_s=least_overlap_s
    )


@dataclass(frozen=True)
class Closure:
    """Whether ground → camera → track equals ground → track: the gap, its σ, and the clocks brought to close.

    The three alignments come back unchanged when they contradict each other: a contradiction is reported, not averaged.
    """

    gap_s: float
    sigma_s: float
    contradicts: bool
    ground_camera: Alignment
    camera_track: Alignment
    ground_track: Alignment

    def __str__(self) -> str:
        if self.contradicts:
            return f"the three clocks contradict each other by {self.gap_s:+.3f} s: one of the alignments is wrong"
        return f"the three clocks close within {abs(self.gap_s) * 1000:.0f} ms"


def closure(ground_camera: Alignment, camera_track: Alignment, ground_track: Alignment) -> Closure:
    """Check three "sure" alignments against each other and, where they agree, share the gap out by their variances.

    NoAnswerError unless all three may be used. With x + y = z asked of measured x, y, z of variances a, b, c, least
    squares moves each by its variance times the gap over a + b + c.
    """
    clocks = [pair.clock for pair in (ground_camera, camera_track, ground_track)]
    moment = ground_track.mid_recording_s
    gap = clocks[2].to_reference(moment) - clocks[1].to_reference(clocks[0].to_reference(moment))
    variance = np.array([_variance(pair) for pair in (ground_camera, camera_track, ground_track)])
    total = float(variance.sum())
    sigma = float(np.sqrt(total))
    contradicts = abs(gap) > max(CONTRADICTION_S, CONTRADICTION_SIGMA * sigma)
    if contradicts or total == 0:
        return Closure(gap, sigma, contradicts, ground_camera, camera_track, ground_track)
    share = gap * variance / total
    moved = (
        _shifted(ground_camera, share[0], variance[0], total),
        _shifted(camera_track, share[1], variance[1], total),
        _shifted(ground_track, -share[2], variance[2], total),
    )
    return Closure(gap, sigma, False, *moved)


def _variance(pair: Alignment) -> float:
    return pair.sigma_s**2 if np.isfinite(pair.sigma_s) else 0.0  # a pin is taken at its word


def _shifted(pair: Alignment, by_s: float, variance: float, total: float) -> Alignment:
    clock = pair.clock
    shrink = float(np.sqrt(1 - variance / total))
    return replace(
        pair,
        best=AffineClock(clock.offset_s + by_s, clock.drift),
        sigma_s=pair.sigma_s * shrink,
        half_interval_s=pair.half_interval_s * shrink,
    )
