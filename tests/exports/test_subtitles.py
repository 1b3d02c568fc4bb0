from __future__ import annotations

import io
import re
from pathlib import Path

import av
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.exports.subtitles import Cue, write_srt, write_vtt

# WebVTT: The Web Video Text Tracks Format (W3C), section 4.1: timestamps of two and more digits of hours, a full stop,
# three digits; a cue's text holds no "-->", no "&" and no "<" but in escapes and tags.
VTT_STAMP = r"\d{2,}:[0-5]\d:[0-5]\d\.\d{3}"
VTT_CUE = re.compile(rf"[^\n]+\n({VTT_STAMP}) --> ({VTT_STAMP})\n((?:(?!-->)[^\n<&]|&(?:amp|lt|gt);)+)")
CUES = (
    Cue(12.0, 18.0, "Outbound: 0.4 km out, 60 m high"),
    Cue(3.25, 9.0, "Take-off"),
    Cue(-4.0, -1.0, "Before the recording"),
    Cue(-1.0, 2.0, "Half before it"),
    Cue(3723.4567, 3730.0, "Picture breaks up: 5 < 6 & --> so"),
    Cue(50.0, 50.0, "No time at all"),
)


def text_of(write, cues) -> str:
    text = io.StringIO()
    write(cues, text)
    return text.getvalue()


def seconds(stamp: str) -> float:
    hours, minutes, rest = stamp.replace(",", ".").split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(rest)


def test_vtt_follows_the_grammar() -> None:
    head, *blocks = text_of(write_vtt, CUES).removesuffix("\n").split("\n\n")
    assert head == "WEBVTT"
    found = [VTT_CUE.fullmatch(block) for block in blocks]
    assert all(found)
    spans = [(seconds(cue[1]), seconds(cue[2])) for cue in found]
    assert spans == [(0.0, 2.0), (3.25, 9.0), (12.0, 18.0), (3723.457, 3730.0)]
    assert found[-1][3] == "Picture breaks up: 5 &lt; 6 &amp; --&gt; so"


@pytest.mark.parametrize(("write", "suffix"), [(write_vtt, ".vtt"), (write_srt, ".srt")])
def test_another_reader_finds_the_cues(write, suffix: str, tmp_path: Path) -> None:
    target = tmp_path / f"cues{suffix}"
    target.write_text(text_of(write, CUES), encoding="utf-8")
    with av.open(str(target)) as container:
        stream = container.streams.subtitles[0]
        packets = [p for p in container.demux(stream) if p.size]
        spans = [(float(p.pts * p.time_base), float((p.pts + p.duration) * p.time_base)) for p in packets]
    assert spans == [(0.0, 2.0), (3.25, 9.0), (12.0, 18.0), (3723.457, 3730.0)]


@given(st.lists(st.builds(Cue, st.floats(-100, 1e6), st.floats(-100, 1e6), st.text(max_size=40))))
def test_round_trip(cues: list[Cue]) -> None:
    told = [c for c in cues if round(1000 * c.end_s) > max(round(1000 * c.start_s), 0) and c.text.split()]
    blocks = re.findall(r"^(\S+:\S+) --> (\S+)$", text_of(write_srt, cues), flags=re.MULTILINE)
    read = sorted((round(1000 * seconds(start)), round(1000 * seconds(end))) for start, end in blocks)
    assert read == sorted((max(round(1000 * c.start_s), 0), round(1000 * c.end_s)) for c in told)


def test_nothing_to_tell_is_still_a_file() -> None:
    assert text_of(write_vtt, ()) == "WEBVTT\n"
    assert text_of(write_srt, ()) == ""
