"""Names of flight modes by number, from the published MAVLink enumerations PLANE_MODE and COPTER_MODE."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_TABLES: dict[str, tuple[str, ...]] = {
    "plane": (
        "manual", "circle", "stabilize", "training", "acro", "fbw-a", "fbw-b", "cruise", "autotune", "-",
        "auto", "rtl", "loiter", "takeoff", "avoid", "guided", "initialising", "qstabilize", "qhover",
        "qloiter", "qland", "qrtl", "qautotune", "qacro", "thermal",
    ),
    "copter": (
        "stabilize", "acro", "alt-hold", "auto", "guided", "loiter", "rtl", "circle", "-", "land", "-",
        "drift", "-", "sport", "flip", "autotune", "poshold", "brake", "throw", "avoid", "guided-nogps",
        "smart-rtl", "flowhold", "follow", "zigzag", "systemid", "autorotate", "auto-rtl",
    ),
}  # fmt: skip


def mode_names(numbers: Floats, kind: str) -> dict[int, str]:
    """Names of mode numbers on a "plane" or "copter"; a number without a name, or another kind, reads "mode 7".

    >>> mode_names(np.array([11.0, 99.0, np.nan]), "plane")
    {11: 'rtl', 99: 'mode 99'}
    """
    table = _TABLES.get(kind, ())
    codes = (int(code) for code in np.unique(numbers[np.isfinite(numbers)]))
    return {code: table[code] if 0 <= code < len(table) else f"mode {code}" for code in codes}
