"""However a video was made, at once or by several, interrupted or not: the same frames at the same times."""

from __future__ import annotations

import errno
import hashlib
import json
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.errors import OutputError, RecordingError, UsageError
from overlay.instruments.panel import Rect
from overlay.layouts import load
from overlay.readings import Readings
from overlay.recordings import open_recording
from overlay.render import segments
from overlay.render.encoder import Encoder
from overlay.render.footage import Whole
from overlay.render.inset import Inset
from overlay.render.pipeline import Review, render

Recorded = Callable[..., Path]
SMALL = 12  # frames of a segment, so that a few seconds hold many


@pytest.fixture(autouse=True)
def small_segments(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(segments, "SEGMENT_FRAMES", SMALL)
    monkeypatch.setattr("overlay.render.pipeline.SEGMENT_FRAMES", SMALL)


def instruments(width: int, height: int) -> list[Any]:
    """Real instruments, which other processes can be given."""
    time_s = np.arange(0.0, 20.0, 0.1)
    wave = np.sin(time_s)
    columns = {"range_m": 500 + 400 * wave, "height_m": 100 + 20 * wave, "ground_speed_mps": 15 + 3 * wave}
    return load("plain").place(width, height, Readings(time_s, columns), units="metric")


def reviewed(source: Path, **more: Any) -> Review:
    recording = open_recording([source])
    # Without loss, what is decoded is what was drawn, whichever way libx264 chooses to code it that time.
    more.setdefault("encoder", Encoder(options={"qp": "0", "preset": "veryfast"}))
    return Review(Whole(recording), AffineClock(0.0), instruments(recording.width, recording.height), **more)


def shown(path: Path) -> list[tuple[Fraction, str]]:
    """(time, digest of the pixels) of every frame."""
    with av.open(str(path)) as source:
        return [
            (frame.pts * frame.time_base, hashlib.sha256(frame.to_ndarray().tobytes()).hexdigest())
            for frame in source.decode(video=0)
        ]


def heard(path: Path) -> list[tuple[Fraction, bytes]]:
    with av.open(str(path)) as source:
        return [(p.pts * p.time_base, bytes(p)) for p in source.demux(audio=0) if p.pts is not None]


class StoppedError(Exception):
    pass


def stopping_after(seconds: float) -> Callable[[float, float], None]:
    def progress(done: float, _: float) -> None:
        if done >= seconds:
            time.sleep(0.5)  # so that what was finished is joined too
            raise StoppedError

    return progress


def interrupted(review: Review, path: Path, after_s: float, **more: Any) -> StoppedError:
    with pytest.raises(StoppedError) as caught:
        render(review, path, progress=stopping_after(after_s), **more)
    return caught.value


def irregular(frames: int) -> list[int]:
    return [0, *np.cumsum(np.random.default_rng(8).integers(200, 1400, frames - 1)).tolist()]


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
@pytest.mark.parametrize("times", [None, irregular(100)], ids=["even", "irregular"])
def test_every_time_is_exact_across_the_joins(
    tmp_path: Path, recorded: Recorded, suffix: str, times: list[int] | None
) -> None:
    source = recorded(tmp_path / "in.mp4", frames=100, times=times)
    out = tmp_path / f"out{suffix}"
    done = render(reviewed(source, encoder=Encoder(options={"preset": "medium", "bf": "3"})), out)
    assert done.frames == 100
    wanted, found = [t for t, _ in shown(source)], [t for t, _ in shown(out)]
    most = Fraction(1, 1000) if suffix == ".mkv" else 0  # Matroska counts milliseconds
    assert max(abs(a - b) for a, b in zip(wanted, found, strict=True)) <= most
    with av.open(str(out)) as opened:
        packets = [packet for packet in opened.demux(video=0) if packet.size]
        if suffix != ".mkv":  # which holds no times of decoding
            assert all(a.dts < b.dts for a, b in pairwise(packets))
            assert all(packet.dts <= packet.pts for packet in packets)
        keys = sorted(packet.pts for packet in packets if packet.is_keyframe)
        assert sum(packet.pts > later.pts for packet, later in pairwise(packets)) > 20, "B frames"
    starts = [found[n] for n in range(0, 100, SMALL)]
    assert {round(t, 6) for t in map(float, starts)} <= {round(float(k * packets[0].time_base), 6) for k in keys}


def test_the_join_is_the_segments_packets_and_nothing_else(tmp_path: Path, recorded: Recorded) -> None:
    """The joined file decodes as each segment does alone, cut from the source by other means."""
    source = recorded(tmp_path / "in.mp4", frames=60)
    render(reviewed(source), tmp_path / "whole.mp4")
    whole = shown(tmp_path / "whole.mp4")
    for number in range(5):
        begin, end = number * SMALL / 30, (number + 1) * SMALL / 30
        render(reviewed(source), tmp_path / f"{number}.mp4", start_s=begin, end_s=end)
        part = shown(tmp_path / f"{number}.mp4")
        assert [pixels for _, pixels in part] == [p for _, p in whole[number * SMALL : (number + 1) * SMALL]]


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_an_interrupted_run_is_gone_on_from_and_gives_the_same(tmp_path: Path, recorded: Recorded, suffix: str) -> None:
    source = recorded(tmp_path / "in.mp4", frames=100, times=irregular(100))
    whole, again = tmp_path / f"whole{suffix}", tmp_path / f"again{suffix}"
    told = render(reviewed(source), whole)
    assert told.notes == ()
    fault = interrupted(reviewed(source), again, 1.7)
    folder = tmp_path / f"again{suffix}.part"
    assert folder.is_dir()
    assert not again.exists()
    assert str(folder) in "".join(fault.__notes__)
    begun: list[float] = []
    done = render(reviewed(source), again, progress=lambda done_s, _: begun.append(done_s))
    assert "went on after" in done.notes[0]
    assert begun[0] > 0.4, "what was finished is not made again"
    assert done.frames == 100
    assert shown(again) == shown(whole)
    assert heard(again) == heard(whole)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(["in.mp4", whole.name, again.name])


def test_a_run_may_be_interrupted_again_and_again(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4", frames=100)
    render(reviewed(source), tmp_path / "whole.mp4")
    for after_s in (1.3, 0.0, 2.2, 2.9):
        interrupted(reviewed(source), tmp_path / "out.mp4", after_s)
    done = render(reviewed(source), tmp_path / "out.mp4")
    assert "went on after" in done.notes[0]
    assert shown(tmp_path / "out.mp4") == shown(tmp_path / "whole.mp4")


def test_several_processes_give_the_same(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4", frames=100, times=irregular(100))
    ground = recorded(tmp_path / "ground.mp4", frames=80, sound=False)

    def review() -> Review:
        return reviewed(source, inset=Inset(open_recording([ground]), AffineClock(0.3), Rect(80, 48, 40, 24)))

    done = [render(review(), tmp_path / f"{workers}.mp4", workers=workers) for workers in (1, 2)]
    assert [one.frames for one in done] == [100, 100]
    assert shown(tmp_path / "1.mp4") == shown(tmp_path / "2.mp4")
    assert heard(tmp_path / "1.mp4") == heard(tmp_path / "2.mp4")
    interrupted(review(), tmp_path / "3.mp4", 1.6, workers=2)
    assert "went on after" in render(review(), tmp_path / "3.mp4").notes[0]
    assert shown(tmp_path / "1.mp4") == shown(tmp_path / "3.mp4")


@pytest.mark.parametrize("change", ["encoder", "window", "recording", "instruments"])
def test_other_settings_begin_afresh(tmp_path: Path, recorded: Recorded, block: type, change: str) -> None:
    source = recorded(tmp_path / "in.mp4", frames=100)
    interrupted(reviewed(source), tmp_path / "out.mp4", 2.0)
    review, window = reviewed(source), {}
    if change == "encoder":
        review = reviewed(source, encoder=Encoder(options={"crf": "30", "preset": "veryfast"}))
    elif change == "window":
        window = {"end_s": 3.0}
    elif change == "recording":
        recorded(source, frames=100, options={"crf": "40"})
        review = reviewed(source)
    else:
        review = Review(review.footage, review.clock, [*review.panels, block(Rect(0, 0, 8, 8))])
    done = render(review, tmp_path / "out.mp4", **window)
    assert done.notes == ()
    assert shown(tmp_path / "out.mp4") == shown_fresh(review, tmp_path / "fresh.mp4", window)


def shown_fresh(review: Review, path: Path, window: dict[str, float]) -> list[tuple[Fraction, str]]:
    render(review, path, **window)
    return shown(path)


def test_a_journal_that_says_too_much_is_not_believed(tmp_path: Path, recorded: Recorded) -> None:
    """Lines for segments that the file does not hold, as after a fault of the disk."""
    source = recorded(tmp_path / "in.mp4", frames=100)
    render(reviewed(source), tmp_path / "whole.mp4")
    interrupted(reviewed(source), tmp_path / "out.mp4", 2.5)
    folder = tmp_path / "out.mp4.part"
    joined, journal = folder / "joined-1.mp4", folder / "joined-1.journal"
    with joined.open("r+b") as file:
        file.truncate(joined.stat().st_size // 2)
    before = len(journal.read_text().splitlines())
    with journal.open("a") as lines:
        lines.write(
            json.dumps({"frames": 12, "first": 999, "depth": 2, "digest": "", "damage": []})
            + "\n"
            + '{"frames": 12, "fi'
        )
    assert before > 3
    render(reviewed(source), tmp_path / "out.mp4")
    assert shown(tmp_path / "out.mp4") == shown(tmp_path / "whole.mp4")


def test_a_file_cut_off_within_a_packet_is_trusted_up_to_the_segment_before(tmp_path: Path, recorded: Recorded) -> None:
    """A killed program leaves what its muxer had handed over, which may end anywhere."""
    source = recorded(tmp_path / "in.mp4", frames=100)
    render(reviewed(source), tmp_path / "whole.mp4")
    interrupted(reviewed(source), tmp_path / "out.mp4", 2.5)
    left = tmp_path / "left"
    (tmp_path / "out.mp4.part").rename(left)
    with av.open(str(left / "joined-1.mp4")) as file:
        packets = [packet for packet in file.demux(video=0) if packet.size]
        ends = [(packet.pos, packet.size) for packet in packets[2 * SMALL - 2 : 2 * SMALL]]
    for cut in [ends[-1][0] + ends[-1][1] - 1, ends[-1][0] + 1, ends[-1][0], ends[0][0] + 1]:
        shutil.copytree(left, tmp_path / "out.mp4.part")
        with (tmp_path / "out.mp4.part" / "joined-1.mp4").open("r+b") as joined:
            joined.truncate(cut)
        done = render(reviewed(source), tmp_path / "out.mp4", overwrite=True)
        assert done.notes == ("went on after 0 s that an interrupted run had finished",)
        assert shown(tmp_path / "out.mp4") == shown(tmp_path / "whole.mp4")


def test_a_folder_of_the_users_own_is_left_alone(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4")
    folder = tmp_path / "out.mp4.part"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(UsageError, match=r"holds notes\.txt"):
        render(reviewed(source), tmp_path / "out.mp4")
    assert (folder / "notes.txt").read_text() == "mine"


def test_two_runs_do_not_write_one_video(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4", frames=40)

    def second(_done: float, _whole: float) -> None:
        with pytest.raises(UsageError, match="another run"):
            render(reviewed(source), tmp_path / "out.mp4")

    assert render(reviewed(source), tmp_path / "out.mp4", progress=second).frames == 40


KILLED = """
    import sys
    from pathlib import Path
    sys.path.insert(0, {tests!r})
    from test_segments import SMALL, reviewed, render, segments
    import overlay.render.pipeline as pipeline
    segments.SEGMENT_FRAMES = pipeline.SEGMENT_FRAMES = SMALL
    def progress(done, whole):
        print(done, flush=True)
    render(reviewed(Path({source!r})), {out!r}, overwrite=True, progress=progress)
"""


@pytest.mark.parametrize("seed", range(3))
def test_killed_at_any_moment_it_leaves_the_target_absent_or_old_and_goes_on(
    tmp_path: Path, recorded: Recorded, seed: int
) -> None:
    """benchmarks/render_faults.py does this with fifty moments."""
    source, out = recorded(tmp_path / "in.mp4", frames=100), tmp_path / "out.mp4"
    render(reviewed(source), tmp_path / "whole.mp4")
    rng = np.random.default_rng(seed)
    old = b"old" if seed % 2 else None
    if old:
        out.write_bytes(old)
    script = textwrap.dedent(KILLED).format(tests=str(Path(__file__).parent), source=str(source), out=str(out))
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, env=os.environ) as program:
        assert program.stdout is not None
        for _ in range(int(rng.integers(1, 100))):
            program.stdout.readline()
        time.sleep(rng.uniform(0, 0.05))
        program.send_signal(signal.SIGKILL)
    if program.returncode:
        assert (out.read_bytes() if out.exists() else None) == old
    render(reviewed(source), out, overwrite=True)
    assert shown(out) == shown(tmp_path / "whole.mp4")
    assert not (tmp_path / "out.mp4.part").exists()


@pytest.mark.parametrize(
    ("name", "pixel_format"), [("libx265", "yuv420p"), ("libx265", "yuv420p10le"), ("libx264", "yuv422p10le")]
)
def test_other_encoders_and_depths_join_as_exactly(
    tmp_path: Path, recorded: Recorded, name: str, pixel_format: str
) -> None:
    source = recorded(tmp_path / "in.mp4", frames=60, pixel_format=pixel_format, times=irregular(60))
    options = {"preset": "ultrafast", **({"x265-params": "log-level=error:pools=1:bframes=3"} if "265" in name else {})}
    encoder = Encoder(name, options)
    render(reviewed(source, encoder=encoder), tmp_path / "whole.mp4")
    interrupted(reviewed(source, encoder=encoder), tmp_path / "again.mp4", 1.7)
    assert "went on after" in render(reviewed(source, encoder=encoder), tmp_path / "again.mp4").notes[0]
    whole = shown(tmp_path / "whole.mp4")
    assert [time for time, _ in whole] == [time for time, _ in shown(source)]
    assert shown(tmp_path / "again.mp4") == whole


def test_a_window_without_pictures_is_refused(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4", frames=10)
    with pytest.raises(RecordingError, match=r"in\.mp4: no picture can be decoded from 0\.300 s on"):
        render(reviewed(source), tmp_path / "out.mp4", start_s=0.3, end_s=0.3)
    assert [entry.name for entry in tmp_path.iterdir()] == ["in.mp4"]


@pytest.mark.parametrize("workers", [1, 2])
def test_after_a_fault_of_joining_nothing_is_at_work(
    tmp_path: Path, recorded: Recorded, monkeypatch: pytest.MonkeyPatch, workers: int
) -> None:
    """What still decodes would work in a folder that is gone, and crash the program when it ends."""

    def fault(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("overlay.render.joining.Join.append", fault)
    source = recorded(tmp_path / "in.mp4", frames=100)
    with pytest.raises(OutputError) as caught:
        render(reviewed(source), tmp_path / "out.mp4", workers=workers)
    assert not {thread.name for thread in threading.enumerate()} & {"decode", "draw"}
    assert not multiprocessing.active_children()
    assert [entry.name for entry in tmp_path.iterdir()] == ["in.mp4"], caught.value


SQUEEZED = """
    import resource, sys
    from pathlib import Path
    sys.path.insert(0, {tests!r})
    from test_segments import SMALL, reviewed, render, segments
    import overlay.render.pipeline as pipeline
    from overlay.errors import OutputError
    segments.SEGMENT_FRAMES = pipeline.SEGMENT_FRAMES = SMALL
    if {most}:
        resource.setrlimit(resource.RLIMIT_FSIZE, ({most}, {most}))
    try:
        render(reviewed(Path({source!r})), {out!r}, overwrite=True)
    except OutputError as error:
        print("; ".join([str(error), *getattr(error, "__notes__", ())]))
"""


def squeezed(source: Path, out: Path, most: int = 0) -> str:
    """Render in a process of its own whose files may hold no more than `most` bytes; what it says of the fault."""
    script = textwrap.dedent(SQUEEZED).format(
        tests=str(Path(__file__).parent), source=str(source), out=str(out), most=most
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def told_and_mended(source: Path, out: Path, said: str, whole: Path) -> None:
    """The fault was one line with the path; what stood there stands; with room the same command gives the same."""
    assert said.startswith(f"{out}: ")
    assert "\n" not in said
    assert out.read_bytes() == b"old"
    folder = Path(f"{out}.part")
    assert folder.exists() == ("is kept in" in said)
    done = render(reviewed(source), out, overwrite=True)
    assert bool(done.notes) == ("is kept in" in said), "what was said to be kept can be gone on from"
    assert shown(out) == shown(whole)
    assert not folder.exists()


@pytest.mark.parametrize("share", [0.02, 0.4, 0.9])
def test_a_file_that_may_not_grow_is_one_clear_line(tmp_path: Path, recorded: Recorded, share: float) -> None:
    """The system's own limit of a file's size (RLIMIT_FSIZE, which gives EFBIG)."""
    source, whole, out = recorded(tmp_path / "in.mp4", frames=100), tmp_path / "whole.mp4", tmp_path / "out.mp4"
    render(reviewed(source), whole)
    out.write_bytes(b"old")
    said = squeezed(source, out, int(whole.stat().st_size * share))
    told_and_mended(source, out, said, whole)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.95])
def test_a_full_disk_is_one_clear_line(tmp_path: Path, recorded: Recorded, share: float) -> None:
    """A real file system that fills up; benchmarks/render_faults.py does this with twenty sizes."""
    source, whole, disk = recorded(tmp_path / "in.mp4", frames=100), tmp_path / "whole.mp4", tmp_path / "disk"
    render(reviewed(source), whole)
    disk.mkdir()
    size = int(whole.stat().st_size * share)
    order = ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(disk)]
    if shutil.which("mount") is None or subprocess.run(order, capture_output=True, check=False).returncode:
        pytest.skip("no file system may be mounted here")
    try:
        (disk / "out.mp4").write_bytes(b"old")
        said = squeezed(source, disk / "out.mp4")
        assert "No space left" in said or "disk is full" in said
        subprocess.run(["mount", "-o", "remount,size=64m", str(disk)], check=True)
        told_and_mended(source, disk / "out.mp4", said, whole)
    finally:
        subprocess.run(["umount", str(disk)], check=True)
