"""Clips reopened and measured: pictures by the number they carry, times, sound, loudness, chapters, what they tell."""

from __future__ import annotations

import itertools
import re
import subprocess
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from fractions import Fraction
from pathlib import Path

import av
import imageio_ffmpeg
import numpy as np
import pytest

from overlay.clips.clip_list import Clip, ClipList, Cover
from overlay.clips.cut import Cut, cut
from overlay.clips.moments import Moment
from overlay.clips.plan import Plan
from overlay.clips.propose import Take, plan_of, proposed
from overlay.clips.scene import Material, scene_of
from overlay.clips.sheet import Row, contact_sheet
from overlay.clock import AffineClock
from overlay.errors import OutputError, UsageError
from overlay.layouts import load
from overlay.recordings import open_recording

Write = Callable[..., Path]
ReadNumber = Callable[[av.VideoFrame], int | None]


def made(path: Path, recording_path: Path, clip: Clip, **whole: object) -> tuple[Cut, Plan]:
    recording = open_recording([recording_path])
    material = Material({"camera": Take(recording, None)}, None, load("training"))
    clips = ClipList(version=1, clip=(clip,), **{"card_s": 0.4, **whole})  # type: ignore[arg-type]
    plan = plan_of(clip, clips, recording)
    return cut(scene_of(material, clip, clips), plan, path), plan


def frames_of(path: Path, read_number: ReadNumber) -> list[tuple[int | None, Fraction]]:
    with av.open(str(path)) as file:
        return [(read_number(f), f.pts * f.time_base) for f in file.decode(video=0)]


CLIP = Clip(title="One", first="0:00:02.000", at="0:00:04.000", end="0:00:06.040", hold_s=1.0, slow=2, slow_s=0.4)


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory, numbered: Write) -> Path:
    return numbered(tmp_path_factory.mktemp("clip") / "camera.mp4", clicks=(60, 90, 130))


@pytest.fixture(scope="module")
def one(tmp_path_factory: pytest.TempPathFactory, source: Path) -> tuple[Path, Cut, Plan]:
    path = tmp_path_factory.mktemp("clip") / "one.mp4"
    return path, *made(path, source, CLIP)


def test_the_pictures_are_those_of_the_plan(one: tuple[Path, Cut, Plan], read_number: ReadNumber) -> None:
    path, done, plan = one
    shown = frames_of(path, read_number)
    assert [number for number, _ in shown] == [shot.number for shot in plan.shots()]
    assert len(shown) == done.frames == plan.frames
    numbers = [number for number, _ in shown if number is not None]
    assert (numbers[0], numbers[-1]) == (50, 150)  # 2.0 s and the last picture before 6.04 s, at 25 a second
    assert plan.moment == 100
    assert plan.moment - numbers[0] == numbers[-1] - plan.moment, "the moment lies in the middle"


def test_times_run_as_recorded_but_where_held_or_slowed(
    one: tuple[Path, Cut, Plan], source: Path, read_number: ReadNumber
) -> None:
    path, _, _plan = one
    first: dict[int | None, Fraction] = {}
    for number, time in frames_of(path, read_number):
        first.setdefault(number, time)
    with av.open(str(source)) as file:
        recorded = [f.pts * f.time_base for f in file.decode(video=0)]
    assert first[None] == 0
    for number in range(51, 101):
        assert first[number] - first[50] == recorded[number] - recorded[50], "frame times are exact"
    for number in range(111, 151):
        assert first[number] - first[110] == recorded[number] - recorded[110]
    assert first[101] - first[100] == 1 + 2 * (recorded[101] - recorded[100])  # held for a second, then half speed
    assert first[110] - first[101] == 2 * (recorded[110] - recorded[101])


def test_variable_frame_times_are_kept(tmp_path: Path, numbered: Write, read_number: ReadNumber) -> None:
    ticks = np.cumsum([0, *([400, 600, 1000, 512] * 30)]).tolist()
    source = numbered(tmp_path / "v.mp4", ticks=ticks, sound=False)
    clip = Clip(first="0:00:01.000", end="0:00:03.000")
    _, plan = made(tmp_path / "out.mp4", source, clip, card_s=0.0)
    shown = frames_of(tmp_path / "out.mp4", read_number)
    assert [number for number, _ in shown] == list(range(plan.first, plan.stop))
    for (a, ta), (b, tb) in itertools.pairwise(shown):
        assert tb - ta == Fraction(ticks[b] - ticks[a], 12800)  # type: ignore[index]


def heard_in(path: Path) -> np.ndarray:
    with av.open(str(path)) as file:
        parts = [(float(f.pts * f.time_base), f.to_ndarray()[0]) for f in file.decode(audio=0)]
    heard = np.zeros(round((parts[-1][0] + 1) * 48_000), np.float32)
    for time, part in parts:
        at = round(time * 48_000)
        heard[max(at, 0) : at + len(part)] = part[max(-at, 0) :]
    return heard


def test_sound_is_in_step_and_silent_where_the_picture_is_held(one: tuple[Path, Cut, Plan]) -> None:
    path, _, plan = one
    heard = np.abs(heard_in(path))
    for number in (60, 90, 130):
        at = plan.time_of(number)
        window = heard[round((at - 0.1) * 48_000) : round((at + 0.1) * 48_000)]
        assert np.flatnonzero(window > 0.5 * heard.max())[0] / 48_000 - 0.1 == pytest.approx(0.0, abs=0.004)
    held = slice(round((plan.time_of(100) + 0.1) * 48_000), round((plan.time_of(110) - 0.1) * 48_000))
    assert heard[held].max() < 0.002
    assert heard[: round((plan.time_of(50) - 0.05) * 48_000)].max() < 0.002


@pytest.mark.parametrize("level", [0.006, 0.3])
def test_loudness_is_even_whatever_was_recorded(tmp_path: Path, numbered: Write, level: float) -> None:
    """−23 LUFS ± 0.5 LU and true peaks below −1 dBTP (EBU R 128), measured by the ffmpeg program's filter."""
    source = numbered(tmp_path / "s.mp4", level=level)
    made(tmp_path / "out.mp4", source, CLIP)
    order = [imageio_ffmpeg.get_ffmpeg_exe(), "-nostdin", "-hide_banner", "-i", str(tmp_path / "out.mp4"), "-vn"]
    order += ["-af", "ebur128=peak=true", "-f", "null", "-"]
    said = subprocess.run(order, capture_output=True, text=True, timeout=60, check=True).stderr
    assert float(re.findall(r"I:\s+(-?[\d.]+) LUFS", said)[-1]) == pytest.approx(-23.0, abs=0.5)
    assert float(re.findall(r"Peak:\s+(-?[\d.]+) dBFS", said)[-1]) <= -1.0


def test_chapters_and_nothing_that_gives_the_place_away(one: tuple[Path, Cut, Plan]) -> None:
    path, _, plan = one
    with av.open(str(path)) as file:
        chapters = file.chapters()
        told = {**file.metadata, **file.streams.video[0].metadata, **file.streams.audio[0].metadata}
        kinds = sorted(stream.type for stream in file.streams)
    assert [c["metadata"]["title"] for c in chapters] == ["Title", "Before", "The moment", "After"]
    assert [c["start"] / 1000 for c in chapters] == pytest.approx([p.start_s for p in plan.parts()], abs=1e-3)
    assert chapters[-1]["end"] / 1000 == pytest.approx(plan.duration_s, abs=1e-3)
    brands = {"major_brand", "minor_version", "compatible_brands"}
    assert set(told) <= {"title", "encoder", "language", "handler_name", "vendor_id"} | brands
    assert told["title"] == "One"
    assert kinds == ["audio", "data", "video"], "the data are the chapter marks"


def test_a_cover_hides_what_lies_below(tmp_path: Path, source: Path) -> None:
    cover = Cover(picture="camera", left=0.0, top=0.14, width=1.0, height=0.2)  # the squares
    made(tmp_path / "out.mp4", source, CLIP, cover=(cover,), sound=False)
    with av.open(str(tmp_path / "out.mp4")) as file:
        assert not file.streams.audio
        for number, frame in enumerate(file.decode(video=0)):
            hidden = frame.to_ndarray(format="gray")[34:62, 4:380]
            assert number < 10 or np.ptp(hidden.astype(int)) < 8


def test_both_recordings_stand_side_by_side_in_step(tmp_path: Path, source: Path, numbered: Write) -> None:
    """The ground recording began 1.21 s later: beside its picture n stands the onboard picture n + 30."""
    ground = numbered(tmp_path / "ground.mp4", 150, sound=False)
    footage = {
        "camera": Take(open_recording([source]), AffineClock(0.0)),
        "ground": Take(open_recording([ground]), AffineClock(1.21)),
    }
    moment = Moment("break-up", 1.21 + 75 / 25, "Breaks", "It breaks")
    (clip,), _ = proposed([moment], footage)  # type: ignore[arg-type]
    assert (clip.picture, clip.view) == ("ground", "side by side")
    clips = ClipList(version=1, card_s=0.0, clip=(clip,))
    plan = plan_of(clip, clips, footage["ground"].recording)
    assert plan.moment == 75
    assert plan.moment - plan.first == plan.stop - 1 - plan.moment
    from overlay.readings import Readings

    readings = Readings(np.array([0.0, 10.0]))
    scene = scene_of(Material(footage, readings, load("plain")), clip, clips)  # type: ignore[arg-type]
    assert scene.inset is not None
    done = cut(scene, plan, tmp_path / "beside.mp4")
    assert done.sound, "the onboard recording's, since the ground's has none"
    left, right = scene.inset.rect, scene.stage.place
    assert left.x + left.width <= right.x
    with av.open(str(tmp_path / "beside.mp4")) as file:
        for n, frame in enumerate(file.decode(video=0)):
            grey = frame.to_ndarray(format="gray")
            numbers = [_number(grey[r.y : r.y + r.height, r.x : r.x + r.width]) for r in (left, right)]
            shown = min(plan.first + n, max(plan.moment, plan.first + n - plan.hold))
            assert numbers == [shown + 30, shown]


def _number(picture: np.ndarray) -> int:
    height, width = picture.shape
    at = [picture[int(48 / 216 * height), int((bit + 0.5) / 12 * width)] for bit in range(12)]
    return sum(1 << bit for bit, value in enumerate(at) if value > 128)


def test_a_break_up_near_an_end_is_centred_as_far_as_there_is_room(source: Path) -> None:
    footage = {"ground": Take(open_recording([source]), AffineClock(100.0))}
    (clip,), _ = proposed([Moment("break-up", 103.0, "Breaks", "")], footage)  # type: ignore[arg-type]
    plan = plan_of(clip, ClipList(version=1), footage["ground"].recording)
    assert (plan.first, plan.moment, plan.stop) == (0, 75, 151)
    none, left_out = proposed([Moment("landing", 900.0, "Landing", "")], footage)  # type: ignore[arg-type]
    assert none == ()
    assert "no recording" in left_out[0]


def test_a_clip_beyond_the_recording_is_refused(source: Path) -> None:
    recording = open_recording([source])
    for clip in (Clip(first="0:00:07", end="0:00:09"), Clip(first="0:01:00", end="0:01:09")):
        with pytest.raises(UsageError, match="ends at 0:00:08"):
            plan_of(clip, ClipList(version=1), recording)


def test_existing_files_are_left_alone(one: tuple[Path, Cut, Plan], source: Path) -> None:
    path, *_ = one
    before = path.read_bytes()
    with pytest.raises(UsageError, match="--overwrite"):
        made(path, source, CLIP)
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*.part*"))


@pytest.mark.parametrize("share", [0.02, 0.4, 0.98])
def test_a_file_that_may_not_grow_is_one_clear_line(
    one: tuple[Path, Cut, Plan],
    source: Path,
    tmp_path: Path,
    growing_no_further: Callable[[int], AbstractContextManager[None]],
    share: float,
) -> None:
    most = int(share * one[0].stat().st_size)
    with growing_no_further(most), pytest.raises(OutputError, match=r"one\.mp4: too large for this file system"):
        made(tmp_path / "one.mp4", source, CLIP)
    assert list(tmp_path.iterdir()) == []
    assert not {thread.name for thread in threading.enumerate()} & {"decode", "draw"}


def test_the_contact_sheet_shows_first_moment_and_last(one: tuple[Path, Cut, Plan]) -> None:
    _, done, _ = one
    assert len(done.stills) == 3
    sheet = contact_sheet([Row("One", "facts", done.stills), Row("Two" * 60, "", done.stills[:1])])
    assert sheet.width > 3 * done.stills[0].width
    shown = np.asarray(sheet)
    third = np.asarray(done.stills[2])
    x = 32 + 2 * (third.shape[1] + 12)
    assert np.array_equal(shown[94 : 94 + third.shape[0], x : x + third.shape[1]], third)
