"""Time code of SMPTE ST 12-1: labels of frames, counted on."""

from __future__ import annotations

import math
import re
from fractions import Fraction

_LABEL = re.compile(r"(\d\d):(\d\d):(\d\d)([:;.])(\d\d)")


def advanced(label: str, frames: int, rate: Fraction) -> str | None:
    """Label `frames` after `label` at `rate` frames per second; None where it is no label of that rate.

    Labels with ``;`` or ``.`` before the frames leave out some numbers, the first two of thirty (four of sixty) in every
    minute but each tenth, so that they keep with the clock at 30000/1001 (60000/1001) frames per second.

    >>> advanced("10:00:59:24", 1, Fraction(25)), advanced("00:00:59;29", 1, Fraction(30000, 1001))
    ('10:01:00:00', '00:01:00;02')
    """
    found = _LABEL.fullmatch(label)
    second = math.ceil(rate)
    if found is None or not 1 <= second <= 100:
        return None
    hours, minutes, seconds, frame = (int(found[group]) for group in (1, 2, 3, 5))
    mark = found[4]
    if minutes > 59 or seconds > 59 or frame >= second or (mark != ":" and second % 30):
        return None
    left_out = second // 30 * 2 if mark != ":" else 0
    whole = hours * 60 + minutes
    count = (whole * 60 + seconds) * second + frame - left_out * (whole - whole // 10) + frames
    minute, ten = 60 * second - left_out, 600 * second - 9 * left_out
    tens, rest = divmod(count % (144 * ten), ten)
    # nothing is left out in the first minute of each ten
    skipped = left_out * ((rest - left_out) // minute) if rest >= minute + left_out else 0
    total, frame = divmod(tens * 600 * second + rest + skipped, second)
    return f"{total // 3600:02d}:{total // 60 % 60:02d}:{total % 60:02d}{mark}{frame:02d}"
