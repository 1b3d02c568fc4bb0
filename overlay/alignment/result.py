"""What an alignment says, what it rests on, and what a hand-set pin changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from overlay.clock import AffineClock, format_utc
from overlay.errors import NoAnswerError

Floats = NDArray[np.float64]
Verdict = Literal["sure", "ambiguous", "none"]

JUMP_S = 0.01  # between two chapters; no picture takes less
MAX_DRIFT_SIGMA_PPM = 20.0  # beyond that a drift is not worth stating
ASSUMED = {
    "path_follows_bank": "how late the path follows a bank",
    "frame_stamps": "which moment of a picture its time stamp means",
}


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True)
class Candidate:
    """A place where the recording may belong: `offset_s` for recording time 0, and its evidence (log-likelihood ratio)."""

    offset_s: float
    score: float


@dataclass(frozen=True)
class ChapterClock:
    """A chapter's own offset (for recording time 0) and how far it jumps against the chapter before; σ of either.

    `start_s` is the recording's time at its first frame.
    """

    file: str
    offset_s: float
    jump_s: float
    sigma_s: float
    start_s: float = 0.0

    @property
    def jumps(self) -> bool:
        """Whether time was lost before it, beyond what chance makes of the measurement."""
        return abs(self.jump_s) > max(JUMP_S, 3 * self.sigma_s)


def lost_between(chapters: Sequence[ChapterClock]) -> tuple[tuple[float, float], ...]:
    """(recording time, seconds lost) of every chapter that jumps, as the steps of a clock."""
    return tuple((each.start_s, each.jump_s) for each in chapters[1:] if each.jumps)


@dataclass(frozen=True)
class Pin:
    """A moment set by hand: it lies `from_computed_s` after where the computed clock puts it (NaN without one)."""

    recording_s: float
    reference_s: float
    from_computed_s: float


@dataclass(frozen=True)
class Traces:
    """Arrays for the picture of the evidence.

    ``lag_s``, ``score``: evidence at every offset tried. ``time_s``, ``reference``, ``recording`` (N, 3): roll, pitch and
    yaw at the solution on the reference clock. ``window_s``, ``window_lag_s``, ``window_sigma_s``: what each window says by
    itself.
    """

    lag_s: Floats = field(default_factory=_none)
    score: Floats = field(default_factory=_none)
    time_s: Floats = field(default_factory=_none)
    reference: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    recording: Floats = field(default_factory=lambda: np.zeros((0, 3)))
    window_s: Floats = field(default_factory=_none)
    window_lag_s: Floats = field(default_factory=_none)
    window_sigma_s: Floats = field(default_factory=_none)


@dataclass(frozen=True)
class Alignment:
    """The clock of `recording` against that of `reference`, or the reasons for giving none.

    `best` is the likeliest clock whatever the verdict; ask `clock`, which refuses unless it can be trusted. `sigma_s` is
    one standard error of the reference time at mid-overlap; the interval is at mid-overlap too, told as an offset with
    the drift held. `reasons` are sentences.
    """

    recording: str
    reference: str
    verdict: Verdict
    best: AffineClock | None = None
    sigma_s: float = float("nan")
    half_interval_s: float = float("nan")
    drift_sigma_ppm: float = float("inf")
    overlap_s: float = 0.0
    mid_recording_s: float = 0.0
    keeps_utc: bool = False
    candidates: tuple[Candidate, ...] = ()
    rival_ratio: float | None = None
    chapters: tuple[ChapterClock, ...] = ()
    evidence: Mapping[str, Any] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    pin: Pin | None = None
    scatter_s: float = float("nan")  # of `sigma_s`, what other recordings do not share
    assumed_s: Mapping[str, float] = field(
        default_factory=dict
    )  # 1σ of each thing that is assumed, as no file tells it
    traces: Traces = field(default_factory=Traces, repr=False, compare=False)

    @property
    def clock(self) -> AffineClock:
        """The clock to use. NoAnswerError, with the candidates, unless the verdict is sure or a pin was set."""
        if self.best is not None and (self.verdict == "sure" or self.pin is not None):
            return replace(self.best, steps=self.steps)
        raise NoAnswerError(
            f"{self.recording} against {self.reference}: {self.verdict}: {'; '.join(self.reasons) or 'nothing found'}",
            self.candidates,
        )

    @property
    def steps(self) -> tuple[tuple[float, float], ...]:
        """See `lost_between`."""
        return lost_between(self.chapters)

    @property
    def drift_ppm(self) -> float | None:
        """Drift in parts per million, where its standard error is below `MAX_DRIFT_SIGMA_PPM`."""
        if self.best is None or not self.drift_sigma_ppm < MAX_DRIFT_SIGMA_PPM:
            return None
        return 1e6 * self.best.drift

    @property
    def interval95_s(self) -> tuple[float, float] | None:
        """95 % interval of the offset."""
        if self.best is None or not np.isfinite(self.half_interval_s):
            return None
        return self.best.offset_s - self.half_interval_s, self.best.offset_s + self.half_interval_s

    def half_interval_at(self, recording_s: float) -> float:
        """Half the 95 % interval (s) of the reference time at a moment of the recording; NaN where it is not known."""
        drifting = 1e-6 * self.drift_sigma_ppm * (recording_s - self.mid_recording_s)
        here, middle = self._chapter_at(recording_s), self._chapter_at(self.mid_recording_s)
        lost = [each.sigma_s for each in (here, middle) if here is not middle and each is not None and each.jumps]
        return float(np.linalg.norm([self.half_interval_s, 1.96 * drifting, *(1.96 * sigma for sigma in lost)]))

    def _chapter_at(self, recording_s: float) -> ChapterClock | None:
        return next((each for each in reversed(self.chapters) if each.start_s <= recording_s), None)

    def as_json(self) -> dict[str, Any]:
        """One member of ``pairs`` in ``overlay/alignment`` version 1."""
        known = self.best is not None and (self.verdict == "sure" or self.pin is not None)
        offset = self.best.offset_s if known and self.best is not None else None
        rival = self.candidates[1] if len(self.candidates) > 1 else None
        return {
            "recording": self.recording,
            "reference": self.reference,
            "verdict": self.verdict,
            "offset_s": offset,
            "start_utc": format_utc(offset) if offset is not None and self.keeps_utc else None,
            "drift_ppm": self.drift_ppm if known else None,
            "sigma_s": _number(self.sigma_s) if known else None,
            "interval95_s": list(self.interval95_s) if known and self.interval95_s else None,
            "overlap_s": round(self.overlap_s, 3),
            "rival": {"offset_s": rival.offset_s, "ratio": self.rival_ratio} if rival else None,
            "candidates": [{"offset_s": c.offset_s, "score": round(c.score, 2)} for c in self.candidates],
            "chapters": [{"file": c.file, "offset_s": c.offset_s, "jump_s": c.jump_s} for c in self.chapters]
            if known
            else [],
            "evidence": dict(self.evidence)
            | self._drift_json(known)
            | self._parts_json(known)
            | {"reasons": list(self.reasons)}
            | self._pin_json(),
        }

    @property
    def interval_parts_s(self) -> dict[str, float]:
        """Halves of 95 % intervals that make up `half_interval_s` in quadrature: what was "measured", and all assumed."""
        assumed = {name: 1.96 * sigma for name, sigma in self.assumed_s.items()}
        rest = self.half_interval_s**2 - sum(half**2 for half in assumed.values())
        return {"measured": float(np.sqrt(max(rest, 0.0)))} | assumed

    @property
    def interval_in_words(self) -> str:
        """What the 95 % interval consists of; empty without one."""
        if not np.isfinite(self.half_interval_s) or not self.assumed_s:
            return ""
        parts = {
            name: f"± {1000 * half:.{0 if half >= 1e-3 else 1}f} ms" for name, half in self.interval_parts_s.items()
        }
        assumed = " and ".join(f"{parts[name]} for {ASSUMED[name]}" for name in self.assumed_s)
        return f"{parts['measured']} by what was measured; assumed, as no file tells it, {assumed}"

    def _parts_json(self, known: bool) -> dict[str, Any]:
        if not known or not np.isfinite(self.half_interval_s):
            return {}
        return {"interval_parts_s": {name: round(half, 5) for name, half in self.interval_parts_s.items()}}

    def _drift_json(self, known: bool) -> dict[str, Any]:
        return {"drift_sigma_ppm": self.drift_sigma_ppm} if known and self.drift_ppm is not None else {}

    def _pin_json(self) -> dict[str, Any]:
        if self.pin is None:
            return {}
        return {
            "pin": {
                "recording_s": self.pin.recording_s,
                "reference_s": self.pin.reference_s,
                "from_computed_s": _number(self.pin.from_computed_s),
            }
        }


def pin(alignment: Alignment, recording_s: float, reference_s: float) -> Alignment:
    """The alignment with a moment set by hand: ``recording_s`` on the recording *is* ``reference_s`` on the reference.

    The computed drift is kept where it is known. `Alignment.pin.from_computed_s` says how far the pin lies from the
    computed clock; the verdict stays what the data said.
    """
    trusted = alignment.verdict == "sure" and alignment.best is not None
    computed = alignment.clock.to_reference(recording_s) if trusted else float("nan")
    drift = alignment.best.drift if trusted and alignment.best else 0.0
    lost = sum(size for at, size in alignment.steps if recording_s >= at) if trusted else 0.0
    clock = AffineClock(reference_s - (1 + drift) * recording_s - lost, drift)
    return replace(
        alignment,
        best=clock,
        chapters=alignment.chapters if trusted else (),
        pin=Pin(recording_s, reference_s, reference_s - computed),
        sigma_s=float("nan"),
        half_interval_s=float("nan"),
        assumed_s={},
    )


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
