"""Align a recording's motion with a reference's: search everywhere, refine, and judge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from overlay.alignment import refine, votes
from overlay.alignment.coarse import Search, search
from overlay.alignment.result import Alignment, Candidate, Traces
from overlay.alignment.roll_axis import roll_axis
from overlay.alignment.sampling import Averager, rates
from overlay.alignment.verdict import judge
from overlay.clock import AffineClock
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]

LEAST_OVERLAP_S = 45.0
FOLLOWING_SIGMA_S = 0.05  # 1σ of how late the path follows the nose: gusts and sideslip, unknown to a log of positions


def align(
    recording: MotionSeries,
    reference: MotionSeries,
    *,
    recording_name: str = "camera",
    reference_name: str = "track",
    keeps_utc: bool = False,
    least_overlap_s: float = LEAST_OVERLAP_S,
    reference_lag_s: float = 0.0,
) -> Alignment:
    """Find the recording's clock on the reference's: ``t_reference = offset + (1 + drift) · t_recording``.

    Every overlap of at least `least_overlap_s` is tried. `reference_lag_s`: by how much the reference is known to
    report late (a receiver's velocity, 0.1–0.25 s); taken off the offset, which is otherwise the *effective* one. Never
    raises for want of an answer: read the verdict.
    """
    ours, theirs = rates(recording), rates(reference)
    names: dict[str, Any] = {"recording": recording_name, "reference": reference_name, "keeps_utc": keeps_utc}
    if min(ours.known_s, theirs.known_s) < least_overlap_s:
        short = (
            f"only {min(ours.known_s, theirs.known_s):.0f} s of motion are known, {least_overlap_s:.0f} s are needed"
        )
        return Alignment(verdict="none", reasons=(short,), **names)
    found = search(theirs, ours, least_overlap_s)
    if not found.candidates:
        return Alignment(verdict="none", reasons=("nothing correlates",), traces=_curve(found), **names)
    spacing = (
        float(np.median(reference.interval_s))
        if len(reference.interval_s)
        else float(np.median(np.diff(reference.time_s)))
    )
    start = AffineClock(found.candidates[0].offset_s)
    try:
        axis = _roll_axis(recording, start, theirs) if reference.inferred else None
        fit, compared = refine.refined(theirs, ours, start, spacing, reference.inferred, axis)
    except (ValueError, np.linalg.LinAlgError):
        return Alignment(verdict="none", reasons=("the best overlap is too short to refine",),
        candidates=found.candidates,
                         traces=_curve(found), **names)  # fmt: skip
    covariance = fit.covariance()
    sigma, drift_sigma = float(np.sqrt(covariance[0, 0])), float(np.sqrt(covariance[1, 1]))
    if reference.inferred:
        sigma = float(np.hypot(sigma, FOLLOWING_SIGMA_S))
    ballot = votes.window_votes(
        refine.comparison(theirs, ours, fit.clock, max(1.0, spacing), max(0.5, spacing), compared.roll_extra_s), fit
    )
    halves = votes.half_lags(fit)
    verdict, reasons = judge(found, fit, ballot, halves, sigma)
    best = AffineClock(fit.clock.offset_s - reference_lag_s, fit.clock.drift)
    moved = fit.clock.offset_s - found.candidates[0].offset_s
    candidates = (
        Candidate(best.offset_s, found.candidates[0].score),
        *(Candidate(c.offset_s - reference_lag_s, c.score) for c in found.candidates[1:]),
    )
    return Alignment(
        verdict=verdict,
        best=best,
        sigma_s=sigma,
        half_interval_s=float(student.ppf(0.975, max(2.0, _freedom(fit)))) * sigma,
        drift_sigma_ppm=1e6 * drift_sigma,
        overlap_s=fit.overlap_s,
        mid_recording_s=fit.mid_recording_s,
        candidates=candidates,
        rival_ratio=found.rival_ratio,
        evidence=_told(found, fit, ballot, halves, reference_lag_s) | {"moved_by_refinement_s": round(moved, 3)},
        reasons=reasons,
        traces=_traces(found, fit, compared),
        **names,
    )


def _roll_axis(recording: MotionSeries, clock: AffineClock, reference: Averager) -> Floats | None:
    """The roll axis as the picture tells it, from the part of the recording that lies in the reference's flight."""
    low, high = (clock.to_recording(moment) for moment in reference.span)
    inside = (recording.time_s >= low) & (recording.time_s <= high)
    return roll_axis(recording.time_s[inside], recording.rate_radps[inside])


def _freedom(fit: refine.Fit) -> float:
    """Blocks that carry the information, as an effective number, less one."""
    information = np.maximum(fit.information[:, 0, 0], 0.0)
    return float(information.sum() ** 2 / max(float((information**2).sum()), 1e-12)) - 1.0


def _told(
    found: Search,
    fit: refine.Fit,
    ballot: votes.WindowVotes,
    halves: list[tuple[float, float]],
    lag_s: float,
) -> dict[str, Any]:
    return {
        "chance": float(f"{found.probability:.2g}"),
        "z": round(float(found.z), 1),
        "least_overlap_s": found.least_overlap_s,
        "windows_asked": ballot.asked,
        "windows_agreeing": ballot.agreeing,
        "halves_s": [round(lag, 4) for lag, _ in halves],
        "agreement": dict(zip(("roll", "pitch", "yaw"), (round(float(r), 3) for r in fit.agreement), strict=True)),
        "mount_tilt_deg": round(fit.mount.tilt_deg, 1),
        "focal_length_ratio": round(1 / fit.mount.zoom, 3),
        "offset_kind": "effective: any delay of the log is part of it" if lag_s == 0 else "true",
    }


def _curve(found: Search) -> Traces:
    return Traces(lag_s=found.offset_s, score=found.score)


def _traces(found: Search, fit: refine.Fit, compared: refine.Comparison) -> Traces:
    centre, lag, sigma = votes.windows_lags(fit)
    return Traces(
        found.offset_s, found.score, compared.times, compared.wanted,
        compared.seen(fit.clock.to_recording(compared.times), fit.mount), centre, lag, sigma,
    )  # fmt: skip


def motion_span(series: MotionSeries) -> tuple[float, float]:
    """First and last moment at which the rates are known."""
    source: Averager = rates(series)
    return source.span


__all__: Sequence[str] = ("align",)
