"""Rotation and movement, seen in the picture or told by the track, as series that can be correlated."""

from __future__ import annotations

from overlay.motion.series import MotionSeries

__all__ = ["MotionSeries"]
