"""Logged tracks: one reader per open format, chosen by content; every one returns a `Log` of `Track`s."""

from __future__ import annotations

from overlay.tracks.read import read_log, sniff
from overlay.tracks.track import Fix, Log, Track

__all__ = ["Fix", "Log", "Track", "read_log", "sniff"]
