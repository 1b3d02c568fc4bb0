"""When a break-up began, looked for once all of it is known.

States are told forwards, and cautiously, lest a clean picture be called broken. Once a break-up is known to follow, weaker
signs before it count as well: burned-in figures that have left their place. And sparkles that annoy nobody are no
beginning.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.picture.states import ANNOYING_GRADE, CLEAN, STATES

Floats = NDArray[np.float64]
States = NDArray[np.intp]

_REACH_S, _BLOCKS_SEEN_WITHIN_S = 1.0, 0.5
_FIGURES_LEFT = 0.15
"""Share of the burned-in edges that only noise far beyond annoying hides of a picture in its place."""
_FIGURES_GO = 0.05
"""Share that goes with the first blocks lost: without noise what figures show wanders less within a second or two."""
_SURE_BY = 0.75
"""By how much of a grade a frame is surely better or worse than annoying: 95 % of the frames about onsets on the simulated link
(−0.74 … 0.81)."""
_CONCEALED = STATES.index("blocks")


def reached_back(state: States, grade: Floats, missing: Floats, frame_rate: float) -> States:
    """States (N,) with each run that annoys led back over frames before it that lack figures, by the share missing (N,)."""
    state, reach = state.copy(), max(1, round(_REACH_S * frame_rate))
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (state != CLEAN).astype(int), [0]])))
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if grade[start:end].min() >= ANNOYING_GRADE:
            continue
        earliest, left = max(0, start - reach), _FIGURES_LEFT
        if state[start] == _CONCEALED and earliest:
            left = min(left, float(np.median(missing[max(0, earliest - reach) : earliest])) + _FIGURES_GO)
        stays = np.flatnonzero((missing[earliest:start] <= left) | (state[earliest:start] != CLEAN))
        first = earliest + (int(stays[-1]) + 1 if len(stays) else 0)
        moved = _CONCEALED if STATES[state[start]] == "frozen" else state[start]  # what is frozen has not moved yet
        state[first:start] = moved
    return state


def annoying(grade: Floats) -> NDArray[np.bool_]:
    """Whether each frame (N,) is graded annoying, and the one before or after it, too."""
    bad = np.concatenate([[False], grade < ANNOYING_GRADE, [False]])
    return np.asarray(bad[1:-1] & (bad[:-2] | bad[2:]))


def first_annoying(grade: Floats, start: int, end: int) -> int:
    """First frame of a break-up, from `start` to before `end`, that annoys."""
    return start + int(np.argmax(grade[start:end] < ANNOYING_GRADE))


def interval(
    time: Floats, grade: Floats, span: tuple[int, int], before: int, kind: str, frame_s: float
) -> tuple[float, float]:
    """From the last frame before the onset that is surely good to the end of the first after it that is surely bad.

    `span`: first and one past last frame of the break-up; `before`: one past last of that before it, 0 if there is none.
    The interval is as long as it must be: where a grade hovers about the threshold, as on a slow fade, all of it may be the
    onset, while a sudden loss is known to a frame either way. Lost blocks are seen only by the figures that they cost, before
    which much may have been lost elsewhere, and while little else is: half a second more either way, within the break-up.
    """
    start, end = span
    good = np.flatnonzero(grade[before:start] > ANNOYING_GRADE + _SURE_BY)
    bad = np.flatnonzero(grade[start:end] < ANNOYING_GRADE - _SURE_BY)
    low, past = before + int(good[-1]) if len(good) else before, start + int(bad[0]) + 1 if len(bad) else end
    until_s, end_s = (float(time[k]) if k < len(time) else float(time[-1] + frame_s) for k in (past, end))
    more_s = _BLOCKS_SEEN_WITHIN_S if kind == "blocks" else 0.0
    return max(float(time[low]) - more_s, float(time[before])), min(until_s + more_s, end_s)
