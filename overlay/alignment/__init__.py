"""One clock for files that know nothing of each other: pure arrays in, a clock with its evidence out."""

from overlay.alignment.joint import reconciled
from overlay.alignment.result import Alignment, Candidate, ChapterClock, Pin, lost_between, pin
from overlay.alignment.solve import align

__all__ = ["Alignment", "Candidate", "ChapterClock", "Pin", "align", "lost_between", "pin", "reconciled"]
