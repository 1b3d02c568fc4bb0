"""Whatever is thrown at the command line ends soon, in one line, with the right exit code and nothing left behind."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

OVERLAY = [sys.executable, "-m", "overlay.cli"]
LIMIT_S = 20.0
LIMIT_BYTES = 3 << 30

GPX = """<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
{points}</trkseg></trk></gpx>"""


def gpx(count: int = 60) -> str:
    points = "".join(
        f'<trkpt lat="{12.5 + n * 1e-4}" lon="-38.25"><ele>10</ele>'
        f"<time>2026-05-03T10:{n // 60:02d}:{n % 60:02d}Z</time></trkpt>\n"
        for n in range(count)
    )
    return GPX.format(points=points)


def overlay(*arguments: str | os.PathLike[str], **more: object) -> subprocess.CompletedProcess[str]:
    import resource

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))

    return subprocess.run(
        [*OVERLAY, *map(os.fspath, arguments)],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        stdin=subprocess.DEVNULL,
        preexec_fn=limited,
        errors="replace",
        **more,  # type: ignore[call-overload]
    )


def assert_refused(done: subprocess.CompletedProcess[str], code: int) -> str:
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert done.stdout == "" or json.loads(done.stdout)["files"] == []
    return lines[0]


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    before = set(tmp_path.iterdir())
    yield tmp_path
    left = {path.name for path in tmp_path.iterdir()} - {path.name for path in before}
    assert not {name for name in left if ".part" in name}, left


HOSTILE = {
    "empty.mp4": b"",
    "text.mp4": b"this is not a film\n" * 50,
    "junk.csv": bytes(range(256)) * 40,
    "playlist.mp4": b"#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:10,\nfile:///etc/passwd\n#EXT-X-ENDLIST\n",
    "concat.mp4": b"ffconcat version 1.0\nfile /etc/passwd\n",
    "entities.gpx": b'<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><gpx>&b;</gpx>',
    "external.gpx": b'<?xml version="1.0"?><!DOCTYPE g [<!ENTITY a SYSTEM "file:///etc/passwd">]><gpx>&a;</gpx>',
    "deep.gpx": b'<?xml version="1.0"?><gpx>' + b"<a>" * 100_000,
    "session.sdp": b"v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 5004 RTP/AVP 96\n",
    "header.csv": b"Date,Time,Lat,Lon\n",
    "with\nnewline.gpx": b"<gpx",
    "-leading-dash.csv": b"a,b\n1,2\n",
}


@pytest.mark.parametrize("name", sorted(HOSTILE))
def test_hostile_files_are_refused_in_one_line(folder: Path, name: str) -> None:
    (folder / name).write_bytes(HOSTILE[name])
    line = assert_refused(overlay("inspect", folder / name), 3)
    assert name.replace("\n", "\\n") in line


@pytest.mark.parametrize(
    "name",
    [
        "nothing.mp4",
        "http://127.0.0.1:9/a.mp4",
        "rtsp://127.0.0.1/a",
        "concat:a|b",
        "pipe:0",
        "data:text/plain,x",
        "-",
        "~",
    ],
)
def test_names_that_are_no_files(folder: Path, name: str) -> None:
    assert_refused(overlay("inspect", "--", name, cwd=folder), 3)


def test_folders_pipes_and_devices(folder: Path) -> None:
    os.mkfifo(folder / "fifo.mp4")
    for name in (folder, folder / "fifo.mp4", Path("/dev/zero"), Path("/dev/null")):
        assert_refused(overlay("inspect", name), 3)


def test_a_bad_file_does_not_hide_the_good_one(folder: Path) -> None:
    (folder / "good.gpx").write_text(gpx())
    (folder / "bad.gpx").write_text("nothing")
    done = overlay("inspect", folder / "bad.gpx", folder / "good.gpx", "--json")
    assert done.returncode == 3
    report = json.loads(done.stdout)
    assert (report["schema"], report["version"]) == ("overlay/inspection", 1)
    assert [file["flights"][0]["fixes"] for file in report["files"]] == [60]
    assert "bad.gpx" in done.stderr


def test_the_good_part_of_a_log_cut_short_is_kept_and_said(folder: Path) -> None:
    text = gpx()
    (folder / "cut.gpx").write_text(text[: len(text) // 2])
    done = overlay("inspect", folder / "cut.gpx", "--json")
    assert done.returncode == 0, done.stderr
    file = json.loads(done.stdout)["files"][0]
    assert 20 <= file["flights"][0]["fixes"] <= 31
    assert file["damage"]


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["fly"],
        ["inspect"],
        ["render"],
        ["align"],
        ["render", "x", "-o", "y.mp4", "--from", "abc"],
        ["render", "x", "-o", "y.mp4", "--from", "3", "--to", "2"],
        ["render", "x", "-o", "y.mp4", "--still", "nan"],
        ["render", "x", "--camera", "y", "-o", "z.mp4"],
        ["inspect", "x", "--column", "nothing"],
    ],
)
def test_wrong_usage_is_2(folder: Path, arguments: list[str]) -> None:
    done = overlay(*arguments, cwd=folder)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert list(folder.iterdir()) == []


def test_a_missing_flight_is_3_and_says_what_to_give(folder: Path) -> None:
    assert "flight.toml" in assert_refused(overlay("align", "nowhere", cwd=folder), 3)
    assert "overlay new" in assert_refused(overlay("align", ".", cwd=folder), 3)


def test_a_flight_without_a_recording_says_so(folder: Path) -> None:
    (folder / "t.gpx").write_text(gpx())
    assert_refused(overlay("align", "--track", "t.gpx", cwd=folder), 2)
    line = assert_refused(overlay("diagnose", "--track", "t.gpx", cwd=folder), 2)
    assert "--ground" in line


def test_unknown_layout_names_the_nearest(folder: Path) -> None:
    (folder / "t.gpx").write_text(gpx())
    line = assert_refused(overlay("render", "--track", "t.gpx", "--layout", "reveiw", "-o", "o.mp4", cwd=folder), 3)
    assert "review" in line


@pytest.mark.parametrize("option", ["--series", "--chart"])
@pytest.mark.parametrize("target", ["flight.toml", "live.mkv", "track.gpx"])
def test_no_result_is_written_over_what_it_is_made_of(folder: Path, option: str, target: str) -> None:
    (folder / "flight.toml").write_text(
        '[ground]\nfiles = ["live.mkv"]\n[track]\nfile = "track.gpx"\n', encoding="utf-8"
    )
    (folder / "track.gpx").write_text(gpx(), encoding="utf-8")
    (folder / "live.mkv").write_bytes(b"a film")
    before = (folder / target).read_bytes()
    said = assert_refused(overlay("diagnose", folder, option, folder / target, "--overwrite"), 2)
    assert "is the input" in said
    assert (folder / target).read_bytes() == before


@pytest.mark.parametrize(
    ("command", "option", "target", "code"),
    [
        ("align", "--evidence", "there.png", 2),
        ("align", "--evidence", "nowhere/x.png", 3),
        ("clips", "-o", "there.png", 2),
        ("clips", "-o", "there.png/clips", 2),
        ("debrief", "-o", "nowhere/x.html", 3),
        ("export", "-o", "nowhere/x.csv", 3),
    ],
)
def test_what_cannot_be_written_is_said_before_the_work(
    folder: Path, command: str, option: str, target: str, code: int
) -> None:
    """The recording is none: a command that looked at it first would say so, after minutes if it were one."""
    (folder / "there.png").write_bytes(b"mine")
    (folder / "t.gpx").write_text(gpx())
    (folder / "c.mp4").write_bytes(b"no film")
    done = overlay(command, "--camera", "c.mp4", "--track", "t.gpx", option, target, cwd=folder)
    assert target.split("/")[0] in assert_refused(done, code)
    assert (folder / "there.png").read_bytes() == b"mine"


def test_new_never_overwrites(folder: Path) -> None:
    (folder / "t.gpx").write_text(gpx())
    assert overlay("new", "f", "t.gpx", cwd=folder).returncode == 0
    first = (folder / "f" / "flight.toml").read_text()
    assert "../t.gpx" in first
    done = overlay("new", "f", "t.gpx", "--title", "Other", cwd=folder)
    assert done.returncode == 2
    assert (folder / "f" / "flight.toml").read_text() == first
    assert overlay("new", "f", "t.gpx", "--title", "Other", "--overwrite", cwd=folder).returncode == 0
    assert "Other" in (folder / "f" / "flight.toml").read_text()


@pytest.mark.parametrize("name", ["", "t.gpx", "t.gpx/under"])
def test_a_folder_that_cannot_be_is_refused(folder: Path, name: str) -> None:
    (folder / "t.gpx").write_text(gpx())
    done = overlay("new", name, "t.gpx", cwd=folder)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert [entry.name for entry in folder.iterdir()] == ["t.gpx"]


def test_streams_of_another_encoding_and_names_of_no_encoding(folder: Path) -> None:
    """A terminal of ISO 8859-1 has no dots of an ellipsis, and Unix allows names that are no text in any encoding."""
    named = folder / "m\u00f6we \u03b1.gpx"
    named.write_text(gpx())
    (folder / os.fsdecode(b"\xff\xfe.gpx")).write_text(gpx())
    for encoding in ("ascii", "latin-1", "cp1252", "utf-8"):
        environment = {**os.environ, "PYTHONIOENCODING": encoding}
        told = overlay("inspect", *sorted(folder.iterdir()), env=environment)
        assert told.returncode == 0, told.stderr
        assert "60 of 60 rows" in told.stdout
        listed = overlay("inspect", "--json", *sorted(folder.iterdir()), env=environment, encoding=encoding)
        assert listed.returncode == 0, listed.stderr
        files = [entry["file"] for entry in json.loads(listed.stdout)["files"]]
        assert str(named) in files


def test_a_missing_file_may_be_either(folder: Path) -> None:
    assert "give a recording or a log" in assert_refused(overlay("inspect", folder / "nothing"), 3)


def test_inspection_shows_what_a_wrong_unit_would_stand_out_by(folder: Path) -> None:
    rows = "\n".join(f"{n},{12.5 + n * 1e-4},-38.25,{100 + n},{40 + n % 3}" for n in range(60))
    (folder / "t.csv").write_text(f"time (s),lat,lon,height (m),speed (km/h)\n{rows}\n")
    said = overlay("inspect", folder / "t.csv").stdout
    assert "100 … 159" in said
    assert "11.11 … 11.67" in said
    assert "12.5" not in said  # no place
    flight = json.loads(overlay("inspect", "--json", folder / "t.csv").stdout)["files"][0]["flights"][0]
    assert flight["ranges"]["height_m"] == [100.0, 159.0]


def test_closed_and_full_stdout_are_clean(folder: Path) -> None:
    (folder / "t.gpx").write_text(gpx())
    order = [*OVERLAY, "inspect", str(folder / "t.gpx")]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(order, stdout=full, stderr=subprocess.PIPE, text=True, timeout=LIMIT_S, check=False)
    assert done.returncode == 3
    assert "Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(order, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=LIMIT_S, check=False)
    os.close(writer)
    assert done.stderr == ""
    closed = subprocess.run(
        ["sh", "-c", '"$@" >&-', "sh", *order], stderr=subprocess.PIPE, text=True, timeout=LIMIT_S, check=False
    )
    assert "Traceback" not in closed.stderr


def test_interrupt_is_130_in_one_line(folder: Path) -> None:
    child = subprocess.Popen(
        [*OVERLAY, "demo", str(folder / "flight")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a background shell may have it ignored
    )
    time.sleep(3.0)
    child.send_signal(signal.SIGINT)
    try:
        _, errors = child.communicate(timeout=3 * LIMIT_S)
    finally:
        child.kill()
    assert child.returncode == 130, errors
    assert "Traceback" not in errors
    assert errors.strip().splitlines()[-1] == "overlay: interrupted"


def test_an_interrupt_while_a_class_is_made_is_130_too(tmp_path: Path) -> None:
    # its methods are made from text, which CPython remembers as interrupted though the interrupt was caught
    lines = ["import sys", "from overlay import cli", "cli.parser = lambda: exec('raise KeyboardInterrupt')"]
    (tmp_path / "interrupted.py").write_text("\n".join([*lines, "sys.exit(cli.main([]))"]))
    order = [sys.executable, "-m", "interrupted"]
    done = subprocess.run(order, cwd=tmp_path, capture_output=True, text=True, timeout=LIMIT_S, check=False)
    assert (done.returncode, done.stderr) == (130, "overlay: interrupted\n")
