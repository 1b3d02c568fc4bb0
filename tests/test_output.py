"""A result is there whole or not at all, and never in the place of something else."""

from __future__ import annotations

import errno
import os
import re
import signal
import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest

from overlay.errors import OutputError, UsageError
from overlay.output import workplace, write_text, writing, writing_folder


def half_way(target: Path, fault: BaseException | type[BaseException]) -> None:
    with writing(target, overwrite=True) as temporary:
        temporary.write_bytes(b"half")
        raise fault


def left_in(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


def test_the_target_appears_only_once_it_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "review.mp4"
    with writing(target) as temporary:
        assert temporary.parent == tmp_path
        assert temporary.suffix == ".mp4"
        assert temporary.exists()
        temporary.write_bytes(b"half")
        assert not target.exists()
        temporary.write_bytes(b"whole")
    assert target.read_bytes() == b"whole"
    assert left_in(tmp_path) == ["review.mp4"]


@pytest.mark.parametrize("fault", [ValueError, KeyboardInterrupt, GeneratorExit, SystemExit])
def test_after_a_fault_nothing_is_left(tmp_path: Path, fault: type[BaseException]) -> None:
    with pytest.raises(fault):
        half_way(tmp_path / "review.mp4", fault)
    assert left_in(tmp_path) == []


def test_after_a_fault_the_old_result_stands(tmp_path: Path) -> None:
    target = tmp_path / "review.mp4"
    target.write_text("old")
    with pytest.raises(ValueError, match="half-way"):
        half_way(target, ValueError("half-way"))
    assert target.read_text() == "old"
    assert left_in(tmp_path) == ["review.mp4"]


def test_what_exists_is_not_overwritten_unasked(tmp_path: Path) -> None:
    target = tmp_path / "debrief.html"
    target.write_text("old")
    with pytest.raises(UsageError, match=r"debrief\.html: already exists; give another name or --overwrite"):
        write_text(target, "new")
    assert target.read_text() == "old"
    write_text(target, "new", overwrite=True)
    assert target.read_text() == "new"
    assert left_in(tmp_path) == ["debrief.html"]


@pytest.mark.parametrize("links_work", [True, False])
def test_a_target_that_came_into_being_meanwhile_is_left_alone(
    tmp_path: Path, monkeypatch: Any, links_work: bool
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "memory cards know no hard links")

    if not links_work:
        monkeypatch.setattr(os, "link", no_links)
    target = tmp_path / "review.mp4"
    with pytest.raises(UsageError, match="came into being meanwhile"), writing(target):
        target.write_text("theirs")
    assert target.read_text() == "theirs"
    assert left_in(tmp_path) == ["review.mp4"]
    other = tmp_path / "other.mp4"
    write_text(other, "ours")
    assert other.read_text() == "ours"
    assert left_in(tmp_path) == ["other.mp4", "review.mp4"]


def test_an_input_is_never_overwritten_under_any_name(tmp_path: Path, monkeypatch: Any) -> None:
    source = tmp_path / "flight.mp4"
    source.write_text("precious")
    (tmp_path / "soft.mp4").symlink_to(source)
    os.link(source, tmp_path / "hard.mp4")
    (tmp_path / "folder").mkdir()
    (tmp_path / "door").symlink_to(tmp_path)
    monkeypatch.chdir(tmp_path)
    for name in ("flight.mp4", "soft.mp4", "hard.mp4", "./folder/../flight.mp4", "door/flight.mp4"):
        for overwrite in (False, True):
            with pytest.raises(UsageError, match="is the input"):
                write_text(name, "gone", overwrite=overwrite, inputs=["nothing.csv", source])
    assert source.read_text() == "precious"
    write_text("other.mp4", "new", inputs=[source])


def test_an_input_that_is_missing_still_guards_its_name(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is the input"):
        write_text(tmp_path / "a.csv", "x", inputs=[tmp_path / "." / "a.csv"])


def test_through_a_link_the_named_file_is_replaced_and_the_link_stays(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    real, link = tmp_path / "real" / "r.html", tmp_path / "latest.html"
    real.write_text("old")
    link.symlink_to(real)
    write_text(link, "new", overwrite=True)
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert left_in(tmp_path / "real") == ["r.html"]


def test_impossible_targets_are_refused_before_any_work(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for target, error, found in [
        (tmp_path, UsageError, "a folder; give a file name in it"),
        (pipe, UsageError, "a device or pipe"),
        ("/dev/null", UsageError, "a device or pipe"),
        ("/", UsageError, "not a file name"),
        ("", UsageError, "not a file name"),
        ("a\0b", UsageError, "not a file name"),
        (tmp_path / "no" / "such" / "x.mp4", OutputError, "does not exist; make it first"),
        (tmp_path / ("x" * 300 + ".mp4"), OutputError, "the name is too long"),
        (tmp_path / "plain" / "x.mp4", OutputError, "does not exist"),
    ]:
        (tmp_path / "plain").touch()
        with pytest.raises(error, match=found), writing(target, overwrite=True):
            pytest.fail("work was begun")
    assert left_in(tmp_path) == ["pipe", "plain"]


def test_names_are_shown_on_one_line(tmp_path: Path) -> None:
    target = tmp_path / "two\nlines.txt"
    write_text(target, "x")
    with pytest.raises(UsageError) as caught:
        write_text(target, "y")
    assert "\n" not in str(caught.value)


def test_a_folder_closed_to_us(tmp_path: Path, monkeypatch: Any) -> None:
    real = os.open

    def closed(path: Any, flags: int, *rest: Any) -> int:  # root may write everywhere
        if flags & os.O_CREAT:
            raise PermissionError(errno.EACCES, "Permission denied", path)
        return real(path, flags, *rest)

    monkeypatch.setattr(os, "open", closed)
    with pytest.raises(OutputError, match=r"x\.mp4: you may not write there; write elsewhere"):
        write_text(tmp_path / "x.mp4", "x")


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG])
@pytest.mark.parametrize("when", ["body", "fsync"])
def test_a_disk_that_fails_is_one_clear_line(tmp_path: Path, monkeypatch: Any, number: int, when: str) -> None:
    fault = OSError(number, os.strerror(number))

    def fails(_: int) -> None:
        raise fault

    if when == "fsync":
        monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(OutputError, match=r"x\.mp4: ") as caught:
        half_way(tmp_path / "x.mp4", fault) if when == "body" else write_text(tmp_path / "x.mp4", "x")
    assert caught.value.exit_code == 3
    assert left_in(tmp_path) == []


def test_faults_of_inputs_are_not_taken_for_the_outputs(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), writing(tmp_path / "x.mp4"):
        (tmp_path / "gone.csv").read_text()


def test_the_content_is_on_the_disk_before_the_name_is(tmp_path: Path, monkeypatch: Any) -> None:
    steps: list[str] = []
    fsync, link = os.fsync, os.link
    monkeypatch.setattr(
        os, "fsync", lambda handle: (steps.append(str(Path(f"/proc/self/fd/{handle}").readlink())), fsync(handle))
    )
    monkeypatch.setattr(os, "link", lambda *names: (steps.append("link"), link(*names)))
    write_text(tmp_path / "x.txt", "x")
    assert steps[0].startswith(str(tmp_path / "x."))
    assert steps[1:] == ["link", str(tmp_path)]


def test_the_users_own_permissions_apply(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_text(tmp_path / "x.txt", "x")
    finally:
        os.umask(before)
    assert (tmp_path / "x.txt").stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize("old", [None, "old"])
@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGINT])
def test_a_killed_program_leaves_the_target_absent_or_old(
    tmp_path: Path, old: str | None, blow: signal.Signals
) -> None:
    target = tmp_path / "review.mp4"
    if old:
        target.write_text(old)
    script = f"""
        import sys, time
        from overlay.output import writing
        with writing({str(target)!r}, overwrite=True) as temporary:
            temporary.write_text("half")
            print("ready", flush=True)
            time.sleep(60)
    """
    with subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a background shell may have it ignored
    ) as program:
        assert program.stdout is not None
        assert program.stdout.readline() == b"ready\n"
        program.send_signal(blow)
    assert (target.read_text() if target.exists() else None) == old
    unfinished = [name for name in left_in(tmp_path) if name != "review.mp4"]
    if blow == signal.SIGINT:
        assert unfinished == []
    else:
        assert [Path(name).suffix for name in unfinished] == [".mp4"]
        assert ".part." in unfinished[0]


FRAMES = re.compile(r"frame-\d+\.png")


def test_a_folder_appears_only_once_it_is_whole(tmp_path: Path) -> None:
    target = tmp_path / "overlay"
    with writing_folder(target, FRAMES) as temporary:
        (temporary / "frame-1.png").write_bytes(b"1")
        assert not target.exists()
    assert left_in(target) == ["frame-1.png"]
    assert left_in(tmp_path) == ["overlay"]


def write_pictures(target: Path, fault: type[BaseException]) -> None:
    with writing_folder(target, FRAMES, overwrite=True) as temporary:
        (temporary / "frame-1.png").write_bytes(b"1")
        raise fault


@pytest.mark.parametrize("fault", [ValueError, KeyboardInterrupt])
def test_after_a_fault_the_old_folder_stands(tmp_path: Path, fault: type[BaseException]) -> None:
    target = tmp_path / "overlay"
    target.mkdir()
    (target / "frame-9.png").write_bytes(b"old")
    with pytest.raises(fault):
        write_pictures(target, fault)
    assert left_in(target) == ["frame-9.png"]
    assert left_in(tmp_path) == ["overlay"]


def test_a_folder_that_holds_an_input_is_left_alone(tmp_path: Path) -> None:
    target = tmp_path / "overlay"
    target.mkdir()
    (target / "frame-1.png").write_bytes(b"read from here")
    with (
        pytest.raises(UsageError, match="input"),
        writing_folder(target, FRAMES, overwrite=True, inputs=[target / "frame-1.png"]),
    ):
        pass
    assert left_in(target) == ["frame-1.png"]


def test_a_folder_that_holds_anything_else_is_never_replaced(tmp_path: Path) -> None:
    target = tmp_path / "overlay"
    target.mkdir()
    for name in ("frame-1.png", "thesis.txt"):
        (target / name).write_bytes(b"mine")
    with pytest.raises(UsageError, match=r"thesis\.txt too, and is left alone"):
        write_pictures(target, ValueError)
    assert left_in(target) == ["frame-1.png", "thesis.txt"]


def test_two_runs_at_one_video_do_not_work_in_one_place(tmp_path: Path) -> None:
    target = tmp_path / "review.mp4"
    with workplace(target) as place:
        place.result = place.folder / "joined-1.mp4"
        place.result.write_bytes(b"whole")
        with pytest.raises(UsageError, match="another run is writing the same video"), workplace(target):
            pass
    assert target.read_bytes() == b"whole"
    assert left_in(tmp_path) == ["review.mp4"]


def write_pictures_while_another_does(target: Path) -> None:
    with writing_folder(target, FRAMES) as temporary:
        (temporary / "frame-1.png").write_bytes(b"1")
        target.mkdir()
        (target / "mine.txt").write_text("mine")


def test_a_folder_filled_meanwhile_is_left_alone(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not empty"):
        write_pictures_while_another_does(tmp_path / "overlay")
    assert left_in(tmp_path / "overlay") == ["mine.txt"]
    assert left_in(tmp_path) == ["overlay"]


def test_a_folder_in_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="nowhere"), writing_folder(tmp_path / "nowhere" / "overlay", FRAMES):
        pass
