"""The editing timeline read back by OpenTimelineIO itself."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import UsageError
from overlay.exports.timeline import Marker, Reel, Strip, write_timeline

otio = pytest.importorskip("opentimelineio", reason="OpenTimelineIO is an extra")

CAMERA = Strip(
    "On board", [Reel("a%20b.mp4", 1500), Reel("c.mp4", 500)], Fraction(25), 1_757_773_208.9, 4e-6, sound=True
)
GROUND = Strip("Live picture", [Reel("ground.mp4", 700)], Fraction(25), 1_757_773_212.2)


def written(tmp_path: Path, strips: list[Strip], markers: list[Marker]):
    write_timeline(strips, markers, tmp_path / "a.otio", title="edit")
    return otio.adapters.read_from_file(str(tmp_path / "a.otio"))


def test_recordings_lie_where_their_clocks_put_them(tmp_path: Path) -> None:
    read = written(tmp_path, [CAMERA, GROUND], [])
    camera, sound, ground = read.tracks
    assert [track.kind for track in read.tracks] == ["Video", "Audio", "Video"]
    assert [clip.media_reference.target_url for clip in camera] == ["a%20b.mp4", "c.mp4"]
    assert [clip.duration().value for clip in camera] == [1500, 500]
    assert camera.metadata["overlay"]["drift_ppm"] == 4.0
    assert len(sound) == 2
    gap, clip = ground
    assert isinstance(gap, otio.schema.Gap)
    assert gap.duration().to_seconds() == pytest.approx(3.3, abs=0.0201)  # half a frame
    assert clip.trimmed_range_in_parent().start_time == gap.duration()
    assert read.duration().to_seconds() == pytest.approx(80.0)


def test_time_lost_or_written_twice_between_chapters_stays_in_place(tmp_path: Path) -> None:
    """The third file begins two seconds after the second ended, the fourth repeats the last 0.4 s of the third."""
    reels = [Reel("a.mp4", 100), Reel("b.mp4", 100), Reel("c.mp4", 100, 2.0), Reel("d.mp4", 100, -0.4)]
    (track,) = written(tmp_path, [Strip("On board", reels, Fraction(25), 0.0)], []).tracks
    found = {
        item.media_reference.target_url: track.trimmed_range_of_child(item)
        for item in track
        if isinstance(item, otio.schema.Clip)
    }
    starts = {url: span.start_time.to_seconds() for url, span in found.items()}
    assert starts == {"a.mp4": 0.0, "b.mp4": 4.0, "c.mp4": 10.0, "d.mp4": 14.0}
    last = track[-1]
    assert last.source_range.start_time.value == 10  # whose first ten pictures the third file showed
    assert last.duration().value == 90


def test_whichever_recording_began_first_begins_the_timeline(tmp_path: Path) -> None:
    early = Strip("Live picture", [Reel("g.mp4", 100)], Fraction(30000, 1001), 1_757_773_200.0)
    camera, _, ground = written(tmp_path, [CAMERA, early], []).tracks
    assert camera[0].duration().to_seconds() == pytest.approx(8.9, abs=0.0201)
    assert ground[0].media_reference.target_url == "g.mp4"
    assert ground[0].duration().rate == pytest.approx(30000 / 1001)


TIMES = st.tuples(st.floats(0, 7200), st.floats(0, 600))


@given(st.lists(TIMES, max_size=6), st.text(max_size=20))
def test_markers_come_back_within_half_a_frame(tmp_path_factory, spans: list[tuple[float, float]], words: str) -> None:
    zero = CAMERA.starts_s
    asked = [Marker(zero + at, zero + at + length, words, words, "RED") for at, length in spans]
    read = written(tmp_path_factory.mktemp("t"), [CAMERA], asked).tracks.markers
    assert len(read) == len(asked)
    for marker, (at, length) in zip(read, spans, strict=True):
        assert marker.marked_range.start_time.to_seconds() == pytest.approx(at, abs=0.0201)
        assert marker.marked_range.duration.to_seconds() == pytest.approx(max(length, 0.04), abs=0.0201)
        assert (marker.color, marker.comment, marker.name) == ("RED", words, words)
        assert marker.metadata["overlay"]["start_s"] == pytest.approx(at, abs=0.00051)


def test_without_the_library_it_says_what_to_do(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "opentimelineio", None)
    with pytest.raises(UsageError, match=r"overlay\[timeline\]"):
        write_timeline([CAMERA], [], tmp_path / "a.otio", title="x")
