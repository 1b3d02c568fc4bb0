"""Align a recording's motion with a reference's: search everywhere, refine, and judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from overlay.alignment import chapters as chapter_jumps
from overlay.alignment import votes
from overlay.alignment.coarse import APART_S, Search, search
from overlay.alignment.comparison import Comparison, Pose, Reference
from overlay.alignment.moments import Lag, contradiction, moment_lags, moments, placed
from overlay.alignment.refine import Fit, refined
from overlay.alignment.result import Alignment, Candidate, ChapterClock, Traces, Verdict
from overlay.alignment.sampling import Averager, rates
from overlay.alignment.verdict import CHANCE, NOTHING, judge, never_sure
from overlay.clock import AffineClock, format_utc
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]

LEAST_OVERLAP_S = 45.0
# 1σ of what a picture's time stamp means: exposure and read-out of a frame take 10 to 30 ms, and no file says which of its
# rows the stamp belongs to. Common practice, no source; generated recordings agree.
STAMP_SIGMA_S = 0.0025
JUMP_AT_REST_S, JUMP_ROUNDS = 2e-3, 4  # a better clock makes better jumps, and they a better clock
TOLD_APART = 8.0  # standard errors between a wrong frame rate and the right one: lost time bends a clock by five or so
# A recorder that writes one frame rate and keeps another makes a clock that runs wrong by just so much.
MISLABELLED = {
    "29.97 frames a second labelled as 30": 30 / (30000 / 1001) - 1,
    "30 frames a second labelled as 29.97": (30000 / 1001) / 30 - 1,
    "24 frames a second labelled as 25": 25 / 24 - 1,
    "25 frames a second labelled as 24": 24 / 25 - 1,
}


@dataclass(frozen=True)
class _Solution:
    """One hypothesis about the clock's nominal rate, worked out."""

    found: Search
    fit: Fit
    compared: Comparison
    ballot: votes.WindowVotes
    sigma_s: float
    verdict: Verdict
    reasons: tuple[str, ...]
    chapters: tuple[ChapterClock, ...]
    moments: tuple[Lag, ...]
    hypothesis: str = ""


def align(
    recording: MotionSeries,
    reference: MotionSeries,
    *,
    recording_name: str = "camera",
    reference_name: str = "track",
    keeps_utc: bool = False,
    least_overlap_s: float = LEAST_OVERLAP_S,
    reference_lag_s: float = 0.0,
    chapters: Sequence[tuple[str, float]] = (),
    mislabelled: bool = True,
    among: int = 1,
) -> Alignment:
    """Find the recording's clock on the reference's: ``t_reference = offset + (1 + drift) · t_recording``.

    Every overlap of at least `least_overlap_s` is tried. `reference_lag_s`: by how much the reference is known to report
    late (a receiver's velocity, 0.1–0.25 s); taken off the offset, which is otherwise the *effective* one. `chapters`: file
    and start on the recording's clock of each; the first chapter's offset is the recording's, jumps are told beside it.
    `mislabelled`: whether wrong frame rates are tried where the plain clock is not sure. `among`: of how many references this
    is one that the recording is held against, each of which may fit by chance.
    Never raises for want of an answer: read the verdict.
    """
    ours, theirs = rates(recording), rates(reference)
    blank = Alignment(recording_name, reference_name, "none", keeps_utc=keeps_utc)
    known = min(ours.known_s, theirs.known_s)
    if known < least_overlap_s:
        short = f"only {known:.0f} s of motion are known, {least_overlap_s:.0f} s are needed"
        return replace(blank, reasons=(short, *_by_moments(recording, reference, keeps_utc)))
    found = replace(search(theirs, ours, least_overlap_s), among=among)
    solution = _solved(recording, reference, found, chapters) if found.probability < NOTHING else None
    # Between chapters a lost half second looks like a wrong frame rate: then nothing is sure, rather than the wrong thing.
    if mislabelled and len(chapters) < 2 and (solution is None or solution.verdict != "sure"):
        solution = _mislabelled(recording, reference, found, chapters) or solution
    if solution is None:
        nothing = _nothing(blank, found, Reference(reference), ours)
        return replace(nothing, reasons=(*nothing.reasons, *_by_moments(recording, reference, keeps_utc)))
    told = _told(blank, solution, reference, reference_lag_s)
    return replace(told, evidence={**told.evidence, "clock_row": _row(recording)})


def _mislabelled(
    recording: MotionSeries, reference: MotionSeries, plain: Search, chapters: Sequence[tuple[str, float]]
) -> _Solution | None:
    """The one wrong frame rate under which everything falls into place; None when none does, or more than one."""
    sure = []
    for name, drift in MISLABELLED.items():
        found = search(rates(reference), rates(recording), plain.least_overlap_s, drift, chance=plain.null)
        found = replace(found, among=plain.among)
        tried = _solved(recording, reference, found, chapters, drift) if found.probability < CHANCE else None
        if tried is not None and tried.verdict == "sure" and TOLD_APART * tried.fit.measured_drift_sigma < abs(drift):
            sure.append(replace(tried, hypothesis=name))
    return sure[0] if len(sure) == 1 else None


def _nothing(blank: Alignment, found: Search, reference: Reference, recording: Averager) -> Alignment:
    """The refusal, with the best there is laid over each other so that anyone can see that it does not fit."""
    if not found.candidates:
        traces = Traces(lag_s=found.offset_s, score=found.score)
        return replace(blank, reasons=("nothing correlates",), traces=traces)
    clock = AffineClock(found.candidates[0].offset_s)
    traces = Traces(lag_s=found.offset_s, score=found.score)
    try:
        compared = reference.against(recording, clock, 1.0, 0.5)
        mount = reference.likely_mount(recording, clock, 1.5)
        times, wanted, seen = _laid_over(compared, Pose(clock, mount, compared.middle_s))
        traces = replace(traces, time_s=times, reference=wanted, recording=seen)
        channels = compared.channels
    except (ValueError, np.linalg.LinAlgError):
        channels = ()
    return replace(
        blank,
        candidates=found.candidates,
        rival_ratio=found.rival_ratio,
        reasons=never_sure(found),
        evidence={"chance": _short(found.probability), "z": round(float(found.z), 1), "channels": list(channels),
                  "least_overlap_s": found.least_overlap_s},
        traces=traces,
    )  # fmt: skip


def _by_moments(recording: MotionSeries, reference: MotionSeries, keeps_utc: bool) -> tuple[str, ...]:
    """Where launch and landing alone would have it, as a reason that goes with a refusal: half a second is no clock."""
    place = placed(moments(recording), moments(reference))
    if place is None:
        return ()
    begins = format_utc(place[0]) if keeps_utc else f"{place[0]:.1f} s of the reference"
    told = f"launch and landing alone, as of any flight of this length, have it begin at {begins} ± {1.96 * place[1]:.1f} s"
    return (told,)


def _solved(
    recording: MotionSeries,
    reference: MotionSeries,
    found: Search,
    chapters: Sequence[tuple[str, float]],
    nominal: float = 0.0,
) -> _Solution | None:
    if not found.candidates:
        return None
    against = Reference(reference)
    ours = rates(recording).interpolated().smoothed(against.smoothing_s)
    start = AffineClock(found.candidates[0].offset_s, nominal)
    moved = recording
    try:
        fit, compared = refined(against, ours, start)
        clocks: tuple[ChapterClock, ...] = ()
        if len(chapters) > 1:
            moved, ours, fit, compared, clocks = _by_chapter(recording, against, ours, fit, compared, chapters)
        if any(each.jumps for each in clocks):
            found = _searched_again(found, reference, moved, fit.clock)
        wide = against.against(ours, fit.clock, max(1.0, against.spacing_s), max(0.5, against.spacing_s))
        ballot = votes.window_votes(wide, fit)
    except (ValueError, np.linalg.LinAlgError):
        return None
    spread = votes.disagreement(list(votes.channel_lags(fit).values()))
    sigma = float(np.sqrt(fit.covariance()[0, 0])) * spread
    lags_of_moments = moment_lags(moments(moved), moments(reference), fit.clock)
    elsewhere = contradiction(lags_of_moments)
    verdict, reasons = judge(found, fit, ballot, votes.half_lags(fit), sigma, nominal, elsewhere)
    return _Solution(found, fit, compared, ballot, sigma, verdict, reasons, clocks, lags_of_moments)


def _searched_again(found: Search, reference: MotionSeries, moved: MotionSeries, clock: AffineClock) -> Search:
    """The search once the lost time is out: until then each chapter had a peak of its own, the others' rival."""
    again = search(rates(reference), rates(moved), found.least_overlap_s, clock.drift, chance=found.null)
    again = replace(again, among=found.among)
    same = again.candidates and abs(again.candidates[0].offset_s - clock.offset_s) < APART_S
    return again if same else found


def _by_chapter(
    recording: MotionSeries,
    against: Reference,
    ours: Averager,
    fit: Fit,
    compared: Comparison,
    chapters: Sequence[tuple[str, float]],
) -> tuple[MotionSeries, Averager, Fit, Comparison, tuple[ChapterClock, ...]]:
    """Recording, fit and chapters' clocks once the time that was lost between chapters is taken out.

    Whole lost seconds are looked for at every lag first; from there the lags are solved together with the clock.
    """
    moved, whole = recording, ours
    lags = chapter_jumps.rough_jumps(against, ours, fit, chapters)
    lags = lags - lags[0]
    for _ in range(JUMP_ROUNDS):
        before = lags
        lags, covariance = chapter_jumps.fine_jumps(against, whole, fit, chapters, lags)
        if np.any(lags != 0):
            moved = chapter_jumps.without(recording, chapters, lags)
            ours = rates(moved).interpolated().smoothed(against.smoothing_s)
            fit, compared = refined(against, ours, AffineClock(fit.clock.offset_s, fit.prior.drift))
        if np.all(np.abs(lags - before) < JUMP_AT_REST_S):
            break
    fit = chapter_jumps.with_lags(fit, chapters, lags, covariance)
    return moved, ours, fit, compared, chapter_jumps.chapter_clocks(fit, chapters, lags, covariance)


def _told(blank: Alignment, solution: _Solution, reference: MotionSeries, lag_s: float) -> Alignment:
    found, fit = solution.found, solution.fit
    best = AffineClock(fit.clock.offset_s - lag_s, fit.clock.drift)
    rest = [Candidate(c.offset_s - lag_s, c.score) for c in found.candidates[1:]]
    centre, lag, sigma = votes.windows_lags(fit)
    compared = solution.compared
    # What is not known of the aircraft is no matter of samples: Student's factor goes to the rest alone.
    following_s = fit.prior.bank_late_s[1] if reference.inferred else 0.0
    counted_s = float(np.sqrt(max(solution.sigma_s**2 - following_s**2, solution.sigma_s**2 / 16)))
    t95 = float(student.ppf(0.975, max(2.0, _freedom(fit))))
    stamps_s = STAMP_SIGMA_S * np.sqrt(1 if blank.reference == "track" else 2)
    half_s = float(np.hypot(t95 * counted_s, 1.96 * np.hypot(following_s, stamps_s)))
    assumed_s = {"path_follows_bank": following_s} if reference.inferred else {}
    assumed_s["frame_stamps"] = float(stamps_s)
    return replace(
        blank,
        verdict=solution.verdict,
        best=best,
        sigma_s=float(np.hypot(solution.sigma_s, stamps_s)),
        scatter_s=solution.sigma_s,
        half_interval_s=half_s,
        assumed_s=assumed_s,
        drift_sigma_ppm=1e6 * float(np.sqrt(fit.covariance()[1, 1])),
        overlap_s=fit.overlap_s,
        mid_recording_s=fit.mid_recording_s,
        candidates=(Candidate(best.offset_s, found.candidates[0].score), *rest),
        rival_ratio=found.rival_ratio,
        chapters=tuple(replace(c, offset_s=c.offset_s - lag_s) for c in solution.chapters),
        evidence=_evidence(solution, reference, lag_s, blank.reference == "track"),
        reasons=solution.reasons,
        traces=Traces(found.offset_s, found.score, *_laid_over(compared, fit.pose), centre, lag, sigma),
    )  # fmt: skip


def _laid_over(compared: Comparison, pose: Pose) -> tuple[Floats, Floats, Floats]:
    """Times (N,), reference and recording (N, 3) as roll, pitch, yaw; NaN for what the reference cannot vouch for."""
    columns = [("roll", "pitch", "yaw").index(name) for name in compared.channels]
    both = np.full((2, len(compared.times), 3), np.nan)
    both[0][:, columns], both[1][:, columns] = compared.wanted, compared.seen(pose)
    return compared.times, both[0], both[1]


def _freedom(fit: Fit) -> float:
    """Blocks that carry the information, as an effective number, less one."""
    information = np.maximum(fit.information[:, :, 0, 0].sum(axis=1), 0.0)
    return float(information.sum() ** 2 / max(float((information**2).sum()), 1e-12)) - 1.0


def _evidence(solution: _Solution, reference: MotionSeries, lag_s: float, logged: bool) -> dict[str, Any]:
    found, fit = solution.found, solution.fit
    return {
        "chance": _short(found.probability),
        "z": round(float(found.z), 1),
        "least_overlap_s": found.least_overlap_s,
        "windows_asked": solution.ballot.asked,
        "windows_agreeing": solution.ballot.agreeing,
        "halves_s": [round(lag, 4) for lag, _ in votes.half_lags(fit)],
        "channels_s": {name: [round(lag, 4), round(sigma, 4)] for name, (lag, sigma) in votes.channel_lags(fit).items()},
        "channels": list(fit.agreement),
        "agreement": {name: round(value, 3) for name, value in fit.agreement.items()},
        "mount_tilt_deg": round(fit.mount.tilt_deg, 1),
        "mount_roll_deg": round(fit.mount.roll_deg, 1),
        "focal_length_ratio": round(1 / fit.mount.zoom, 3),
        "moments_s": {each.kind: [round(each.lag_s, 2), round(each.sigma_s, 2)] for each in solution.moments},
        "clock_hypothesis": solution.hypothesis or None,
        "bank_late_s": round(fit.pose.bank_late_s, 4) if reference.inferred else None,
        "pushed": round(fit.pose.pushed, 3) if reference.inferred else None,
        "offset_kind": "effective: any delay of the log is part of it" if logged and lag_s == 0 else "true",
    }  # fmt: skip


def _row(recording: MotionSeries) -> float | None:
    """The row of the picture that the clock is of, in shares of its height from the top."""
    known = recording.row[np.isfinite(recording.row)]
    return round(float(np.median(known)), 2) if len(known) else None


def _short(probability: float) -> float:
    return float(f"{probability:.2g}")
