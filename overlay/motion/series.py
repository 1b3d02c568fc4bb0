"""The one shape in which motion is compared."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def _none() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True)
class MotionSeries:
    """Motion against one clock; NaN where unknown. Empty arrays stand for channels that the source does not have.

    ``time_s`` (N,): the *middle* of the interval that a rate was measured over.
    ``rate_radps`` (N, 3): roll about forward, pitch about right, yaw about down (aircraft body axes, right-handed). A
    picture gives the camera's rates in the same naming, its optical axis taken as forward.
    ``bank_rad`` (N,): right wing down positive; from the log, or inferred from turn rate and airspeed. Of a picture it is how
    the camera leans against the horizon, NaN where that was not looked for or not found.
    ``stillness`` (N,): 0 moving … 1 standing still.
    ``confidence`` (N,): 0 … 1 weight of each sample.
    ``upward_mps2`` (N,): the upward acceleration that an inferred bank takes into account; NaN where it takes none.
    ``interval_s`` (N,): length of the interval that each rate is the mean of; the sample spacing where empty.
    ``row`` (N,): of a picture, where the points that were followed lay on average, in shares of its height from the top: a
    rolling shutter exposes each row at a time of its own, and the rates are those of this one.
    ``smoothing_s``: how long a mean (boxcar) had been taken before the rates were.
    ``inferred``: bank and roll come from the turn rate (positions alone), so roll is a mean over twice ``interval_s``
    more.
    """

    time_s: Floats
    rate_radps: Floats
    bank_rad: Floats = field(default_factory=_none)
    stillness: Floats = field(default_factory=_none)
    confidence: Floats = field(default_factory=_none)
    upward_mps2: Floats = field(default_factory=_none)
    interval_s: Floats = field(default_factory=_none)
    row: Floats = field(default_factory=_none)
    smoothing_s: float = 0.0
    inferred: bool = False

    def __post_init__(self) -> None:
        count = len(self.time_s)
        if self.rate_radps.shape != (count, 3):
            raise ValueError(f"rate_radps has shape {self.rate_radps.shape}, wanted ({count}, 3)")
        for name in ("bank_rad", "stillness", "confidence", "upward_mps2", "interval_s", "row"):
            values = getattr(self, name)
            if values.shape not in ((0,), (count,)):
                raise ValueError(f"{name} has shape {values.shape}, wanted ({count},) or (0,)")
