"""The claim that it was the cloud: whether the ground was hidden from the onboard camera as the picture broke up.

What `weather` takes from a wave is physics and small on most bands; this is about the claim itself. A camera that saw
the ground clearly was in no cloud, which acquits it. One that saw nothing proves a cloud, and no more than that: a
picture of cloud is empty over the best of links.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.radio.contrast import rank_correlation, remainder
from overlay.readings import Readings

Floats = NDArray[np.float64]

_CLEAR_PCT, _HIDDEN_PCT = 50.0, 10.0
_BEFORE_S, _JUDGED_S = 2.0, 15.0
_LEAST_SAMPLES, _TOLD_P, _LEAST_RANK = 12, 0.01, 0.3


def seen_meanwhile(readings: Readings, onset_s: float, end_s: float) -> str:
    """A sentence on what the onboard camera saw about an event's onset on the flight clock; empty where not known."""
    about = (readings.time_s >= onset_s - _BEFORE_S) & (readings.time_s <= min(end_s, onset_s + _JUDGED_S))
    known = readings["visibility_pct"][about]
    known = known[np.isfinite(known)]
    if len(known) == 0:
        return ""
    share = float(np.median(known))
    seen = f"the onboard camera saw the ground at {share:.0f} % of its clearest"
    if share >= _CLEAR_PCT:
        return f"The aircraft was not in cloud: {seen} meanwhile."
    if share > _HIDDEN_PCT:
        return f"Haze, thin cloud or plainer ground: {seen} meanwhile."
    return f"The aircraft was in cloud or thick haze ({seen} meanwhile), which empties a picture but breaks no link."


def went_with_visibility(readings: Readings, column: str = "picture_grade") -> str | None:
    """A sentence on whether a column went with visibility over the whole flight, range taken out; None if not known.

    Rank correlation of samples 5 s apart, of which neighbours count for less the more alike they are.
    """
    rows, rest = remainder(readings, column)
    seen = readings["visibility_pct"][rows]
    known = np.isfinite(seen)
    seen, rest = seen[known], rest[known]
    if len(seen) < _LEAST_SAMPLES or np.ptp(seen) == 0.0 or np.ptp(rest) == 0.0:
        return None
    rank, p = rank_correlation(seen, rest)
    told = f"rank correlation {rank:+.2f}".replace("-", "−")
    if rank >= _LEAST_RANK and p <= _TOLD_P:
        return f"Once range is taken out the picture was worse where the onboard camera saw less ({told})."
    return f"Once range is taken out the picture was no worse where the onboard camera saw less ({told})."
