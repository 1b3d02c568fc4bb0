"""Three clocks that must agree: what one recording says of the other closes the triangle with the track.

Camera to track, ground to camera and ground to track are measured one by one. Where all three are sure they are solved
together, by least squares under the condition that they close, and must not contradict each other. Where one is not
sure, the other two tell it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from overlay.alignment.result import Alignment
from overlay.clock import AffineClock

CONTRADICTION = 4.0  # σ of the closure
MOST_DRIFT = 100e-6  # 1σ of what two clocks drift apart, where it was not measured
LEAST_GAP_S = 0.1  # smaller gaps are told by the intervals


def reconciled(camera: Alignment, between: Alignment, ground: Alignment) -> tuple[Alignment, Alignment, Alignment]:
    """Camera to track, ground to camera, ground to track: solved together, told by each other, or contradicting.

    `between` is taken against the camera's clock with its chapters' jumps already out. Each pair's evidence says how the
    triangle closes (`closure_s`, at the ground recording's mid-overlap with the track), and what it was told through.
    """
    sure = [pair.verdict == "sure" for pair in (camera, between, ground)]
    if all(sure):
        return _solved(camera, between, ground)
    if sure == [False, True, True]:
        return _through(camera, between, ground), between, ground
    if sure == [True, True, False]:
        return camera, between, _composed(ground, camera, between)
    return camera, between, ground


def _solved(camera: Alignment, between: Alignment, ground: Alignment) -> tuple[Alignment, Alignment, Alignment]:
    middle = ground.mid_recording_s
    onboard = _at(between, middle)
    gap = _at(ground, middle) - _at(camera, onboard)
    sigma = np.array([_spread(camera, onboard), _spread(between, middle), _spread(ground, middle)])
    total = float(np.sqrt((sigma**2).sum()))
    if abs(gap) > max(CONTRADICTION * total, LEAST_GAP_S):
        reason = (
            f"the clocks contradict each other: ground to track differs by {gap:+.2f} s from its way through the camera"
        )
        return tuple(_denied(pair, reason, gap) for pair in (camera, between, ground))  # type: ignore[return-value]
    share = sigma**2 / max(total**2, 1e-18)
    # Two recordings of one flight are laid against the same log, whose noise draws both the same way: what they agree on
    # is known no better than either, and only what tells them apart is measured twice.
    of_camera = min(np.hypot((1 - share[0]) * sigma[0] + share[0] * sigma[2], share[0] * sigma[1]), sigma[0])
    of_between = np.sqrt(max(1 - share[1], 0.0)) * sigma[1]
    moved = (
        _shifted(camera, share[0] * gap, sigma[0], float(of_camera), gap),
        _shifted(between, share[1] * gap, sigma[1], float(of_between), gap),
    )
    return *moved, _composed(ground, *moved, gap)


def _shifted(pair: Alignment, by_s: float, sigma_s: float, kept_s: float, gap_s: float) -> Alignment:
    """Moved by its share of the gap; of its own scatter `sigma_s` that much is kept."""
    assert pair.best is not None
    best = replace(pair.best, offset_s=pair.best.offset_s + float(by_s))
    unshared = float(np.sqrt(max(pair.sigma_s**2 - sigma_s**2, 0.0)))
    shrunk = float(np.hypot(kept_s, unshared)) / pair.sigma_s if pair.sigma_s > 0 else 1.0
    return replace(
        pair,
        best=best,
        sigma_s=pair.sigma_s * shrunk,
        scatter_s=kept_s,
        half_interval_s=pair.half_interval_s * shrunk,
        chapters=tuple(replace(each, offset_s=each.offset_s + float(by_s)) for each in pair.chapters),
        evidence=dict(pair.evidence) | {"closure_s": round(gap_s, 4)},
    )


def _composed(ground: Alignment, camera: Alignment, between: Alignment, gap_s: float | None = None) -> Alignment:
    """Ground to track through the camera."""
    assert camera.best is not None
    assert between.best is not None
    told = {"closure_s": round(gap_s, 4)} if gap_s is not None else {"through": "camera"}
    middle = between.mid_recording_s
    return replace(
        ground,
        verdict="sure",
        best=between.best.then(camera.best),
        sigma_s=float(np.hypot(camera.sigma_s, between.sigma_s)),
        half_interval_s=float(np.hypot(camera.half_interval_s, between.half_interval_s)),
        assumed_s=_assumed(camera, between),
        drift_sigma_ppm=float(np.hypot(camera.drift_sigma_ppm, between.drift_sigma_ppm)),
        mid_recording_s=middle,
        chapters=tuple(replace(each, offset_s=camera.best.to_reference(each.offset_s)) for each in between.chapters),
        reasons=() if gap_s is not None else ("told through the camera; by itself: " + "; ".join(ground.reasons),),
        evidence=dict(ground.evidence) | told,
    )


def _through(camera: Alignment, between: Alignment, ground: Alignment) -> Alignment:
    """Camera to track through the ground recording."""
    assert between.best is not None
    assert ground.best is not None
    drift = (1 + ground.best.drift) / (1 + between.best.drift) - 1
    best = AffineClock(ground.best.offset_s - (1 + drift) * between.best.offset_s, drift)
    return replace(
        camera,
        verdict="sure",
        best=best,
        sigma_s=float(np.hypot(ground.sigma_s, between.sigma_s)),
        half_interval_s=float(np.hypot(ground.half_interval_s, between.half_interval_s)),
        assumed_s=_assumed(ground, between),
        drift_sigma_ppm=float(np.hypot(ground.drift_sigma_ppm, between.drift_sigma_ppm)),
        mid_recording_s=between.best.to_reference(ground.mid_recording_s),
        chapters=(),
        reasons=("told through the ground recording; by itself: " + "; ".join(camera.reasons),),
        evidence=dict(camera.evidence) | {"through": "ground"},
    )


def _assumed(*pairs: Alignment) -> dict[str, float]:
    """What is assumed on the way through two pairs."""
    names = dict.fromkeys(name for pair in pairs for name in pair.assumed_s)
    return {name: float(np.linalg.norm([pair.assumed_s.get(name, 0.0) for pair in pairs])) for name in names}


def _denied(pair: Alignment, reason: str, gap_s: float) -> Alignment:
    evidence = dict(pair.evidence) | {"closure_s": round(gap_s, 4)}
    return replace(pair, verdict="ambiguous", reasons=(*pair.reasons, reason), evidence=evidence)


def _at(pair: Alignment, recording_s: float) -> float:
    assert pair.best is not None
    return pair.best.to_reference(recording_s)


def _spread(pair: Alignment, recording_s: float) -> float:
    """1σ (s) at a moment of what the other pairs do not share.

    What log and aircraft add to a clock against the track is the same for both recordings, and no part of a gap.
    """
    own_s = pair.scatter_s if pair.reference == "track" else pair.sigma_s
    drifted_s = min(1e-6 * pair.drift_sigma_ppm, MOST_DRIFT) * abs(recording_s - pair.mid_recording_s)
    return float(np.hypot(own_s, drifted_s))
