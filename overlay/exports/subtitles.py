"""What happens in a flight as subtitles of a recording: WebVTT (W3C) and SubRip.

Times are on the recording's own clock; nothing before its first frame or without length is written.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TextIO


@dataclass(frozen=True)
class Cue:
    """A sentence that stands from `start_s` to `end_s` of a recording."""

    start_s: float
    end_s: float
    text: str


def write_vtt(cues: Iterable[Cue], file: TextIO) -> None:
    """Write WebVTT: cues by start, each with its number as identifier."""
    file.write("WEBVTT\n")
    for number, (start, end, text) in enumerate(_in_order(cues), 1):
        words = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
        file.write(f"\n{number}\n{_stamp(start, '.')} --> {_stamp(end, '.')}\n{words}\n")


def write_srt(cues: Iterable[Cue], file: TextIO) -> None:
    """Write SubRip: as WebVTT, with its comma and without escapes, which it does not know."""
    for number, (start, end, text) in enumerate(_in_order(cues), 1):
        file.write(f"{number}\n{_stamp(start, ',')} --> {_stamp(end, ',')}\n{text}\n\n")


def _in_order(cues: Iterable[Cue]) -> Iterator[tuple[int, int, str]]:
    """Start, end (ms) and text in one line, as players can show them."""
    for cue in sorted(cues, key=lambda cue: (cue.start_s, cue.end_s)):
        start, end = max(round(1000 * cue.start_s), 0), round(1000 * cue.end_s)
        text = " ".join(cue.text.split())
        if end > start and text:
            yield start, end, text


def _stamp(milliseconds: int, point: str) -> str:
    seconds, rest = divmod(milliseconds, 1000)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}{point}{rest:03d}"
