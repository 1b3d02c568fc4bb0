"""Cut, spliced, overwritten: what is left is read, what was lost is told, nothing crashes or hangs."""

from __future__ import annotations

import random
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from overlay.errors import RecordingError
from overlay.recordings import Recording, decode, open_recording, planes

FUZZ = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def opened_or_refused(path: Path) -> Recording | None:
    began = time.monotonic()
    try:
        recording = open_recording([path])
    except RecordingError as refusal:
        assert "\n" not in str(refusal)
        assert str(refusal).startswith(str(path))
        recording = None
    assert time.monotonic() - began < 20
    return recording


def variant(folder: Path, clip: Any, content: bytes) -> Path:
    path = folder / f"variant{clip.path.suffix}"
    path.write_bytes(content)
    return path


@FUZZ
@given(which=st.integers(0, 99), part=st.floats(0.02, 0.999))
def test_a_file_cut_anywhere_is_read_up_to_the_cut(
    tmp_path: Path, clips: dict[str, Any], number_in: Any, which: int, part: float
) -> None:
    clip = clips[sorted(clips)[which % len(clips)]]
    whole = clip.path.read_bytes()
    recording = opened_or_refused(variant(tmp_path, clip, whole[: int(len(whole) * part)]))
    if recording is None:
        return
    assert 2 <= recording.frames <= 60
    seen = [(p.number, round(p.time_s * 25), number_in(p.y)) for p in planes(recording)]
    whole_groups = [row for row in seen if row[0] < recording.frames - 12]  # the last group may lack its references
    assert all(shown == written for _, shown, written in whole_groups)
    assert len(whole_groups) >= recording.frames - 12


@pytest.mark.parametrize("name", ["mkv h264", "webm vp9", "flv h264"])
def test_a_cut_is_told_where_the_head_promised_more(tmp_path: Path, clips: Any, name: str) -> None:
    whole = clips[name].path.read_bytes()
    recording = open_recording([variant(tmp_path, clips[name], whole[: len(whole) * 6 // 10])])
    assert any("cut short" in fault.what and "s" in fault.where for fault in recording.damage)


def test_fragments_are_read_up_to_a_cut_inside_the_index_of_one(tmp_path: Path, clips: Any, number_in: Any) -> None:
    whole = clips["mp4 fragments"].path.read_bytes()
    cut = whole.index(b"moof", whole.index(b"moof", whole.index(b"moof") + 4) + 4) + 50
    recording = open_recording([variant(tmp_path, clips["mp4 fragments"], whole[:cut])])
    assert [number_in(picture.y) for picture in planes(recording)] == list(range(24))
    assert [fault.what for fault in recording.damage] == ["cut short inside a fragment"]


def test_an_index_first_mp4_cut_short_says_how_many_are_there(tmp_path: Path, clips: Any, ffmpeg: Any) -> None:
    path = tmp_path / "front.mp4"
    ffmpeg("-i", str(clips["mp4 h264"].path), "-an", "-c", "copy", "-movflags", "+faststart", str(path))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    recording = open_recording([path])
    told: list[Any] = []
    shown = [picture.number for picture in decode(recording, damage=told)]
    cut = next(fault for fault in recording.damage if "cut short" in fault.what)
    assert f"{recording.frames} of 60 pictures are there" in cut.what
    assert recording.frames - 3 <= len(shown) < recording.frames
    assert [fault.what for fault in told] == [f"{recording.frames - len(shown)} picture cannot be decoded"]
    # Independent reader: the program decodes as many from the same piece.
    lines = ffmpeg("-v", "quiet", "-i", str(path), "-fps_mode", "passthrough", "-f", "framecrc", "-").splitlines()
    assert len([line for line in lines if not line.startswith("#")]) == len(shown)


def test_an_mp4_without_its_index_is_refused_with_a_remedy(tmp_path: Path, clips: Any) -> None:
    whole = clips["mp4 h264"].path.read_bytes()
    path = variant(tmp_path, clips["mp4 h264"], whole[: whole.index(b"moov") - 4])
    with pytest.raises(RecordingError, match=r"no index \(moov\): the recorder stopped .*; copy it again, or put"):
        open_recording([path])


def test_a_stream_begun_in_mid_group_starts_at_the_first_whole_picture(
    tmp_path: Path, clips: Any, number_in: Any
) -> None:
    stream = clips["ts h264"].path.read_bytes()
    recording = open_recording([variant(tmp_path, clips["ts h264"], stream[188 * 20 :])])
    assert [number_in(picture.y) for picture in planes(recording)] == list(range(12, 60))
    assert "begins in the middle of a group: its first 5 pictures cannot be shown" in recording.damage[0].what
    assert recording.pts_index[0] == 0


@pytest.mark.parametrize("name", ["ts h264", "ps mpeg2"])
def test_a_clock_reset_within_a_file_is_closed_up_and_told(
    tmp_path: Path, clips: Any, number_in: Any, name: str
) -> None:
    once = clips[name].path.read_bytes()
    recording = open_recording([variant(tmp_path, clips[name], once + once)])
    assert recording.frames == 120
    assert not recording.chapters[0].variable_rate
    assert [(p.number, number_in(p.y)) for p in planes(recording)] == [(k, k % 60) for k in range(120)]
    assert any("clock was reset by -2.400 s" in f.what and f.where == "2.400 s into the file" for f in recording.damage)
    late = [(p.number, number_in(p.y)) for p in planes(recording, 3.0, 3.2)]
    assert late == [(k, k - 60) for k in range(75, 80)]


@FUZZ
@given(which=st.integers(0, 99), seed=st.integers(0, 2**32), how=st.sampled_from(["bytes", "burst", "zeros", "gone"]))
def test_random_damage_never_crashes_or_hangs(
    tmp_path: Path, clips: dict[str, Any], which: int, seed: int, how: str
) -> None:
    clip = clips[sorted(clips)[which % len(clips)]]
    content, chance = bytearray(clip.path.read_bytes()), random.Random(seed)
    begin = chance.randrange(len(content))
    if how == "bytes":
        for _ in range(chance.choice([1, 5, 50])):
            content[chance.randrange(len(content))] = chance.randrange(256)
    elif how == "burst":
        content[begin : begin + 400] = chance.randbytes(400)
    elif how == "zeros":
        content[begin : begin + 3000] = bytes(len(content[begin : begin + 3000]))
    else:
        del content[begin : begin + chance.randrange(1, 2000)]
    recording = opened_or_refused(variant(tmp_path, clip, bytes(content)))
    if recording is None:
        return
    began = time.monotonic()
    told: list[Any] = []
    numbers = [picture.number for picture in decode(recording, damage=told)]
    assert numbers == sorted(set(numbers))
    assert not numbers or numbers[-1] < recording.frames
    assert len(numbers) == recording.frames or told
    if recording.chapters[0].seekable:  # where not, the last few may be lost in a decoder with several threads
        assert numbers == [picture.number for picture in decode(recording, threads=1)]
    assert time.monotonic() - began < 20


@pytest.mark.parametrize("name", ["ts h264", "ts mpeg2"])
def test_broken_pictures_are_shown_and_marked(tmp_path: Path, recipes: Any, write: Any, name: str) -> None:
    clip = write(tmp_path / "whole.ts", replace(recipes[name], size=(320, 240)))
    content = bytearray(clip.path.read_bytes())
    for packet in range(len(content) // 188 // 3, len(content) // 188, 23):
        content[188 * packet + 100 : 188 * packet + 103] = b"\x55\xaa\x55"
    recording = open_recording([variant(tmp_path, clip, bytes(content))])
    marked = [picture.number for picture in planes(recording, threads=1) if picture.corrupt]
    assert len(marked) >= 5
    assert marked[0] >= 10
    assert len(list(decode(recording))) >= 58
