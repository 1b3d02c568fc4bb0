"""Whatever is named as a recording: one line, exit 3, soon, in little memory, and nothing asked of the network."""

from __future__ import annotations

import os
import socket
import struct
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from PIL import Image

from overlay.errors import RecordingError
from overlay.recordings import open_recording
from overlay.recordings.guard import bounded_memory


def refused(name: str | os.PathLike[str]) -> str:
    began = time.monotonic()
    with pytest.raises(RecordingError) as caught:
        open_recording([name])
    line = str(caught.value)
    assert time.monotonic() - began < 20
    assert line.isprintable()
    assert line.count(": ") >= 1
    assert "; " in line
    assert caught.value.exit_code == 3
    return line


@pytest.mark.parametrize("name", [
    "http://127.0.0.1:9/flight.mp4", "https://example.org/flight.m3u8", "rtsp://127.0.0.1/live", "tcp://127.0.0.1:1",
    "concat:one.mp4|two.mp4", "pipe:0", "fd:0", "lavfi:testsrc", "subfile,,start,0,end,9,,:x.mp4", "cache:x.mp4",
    "async:file:/etc/passwd", "data:video/mp4;base64,AAAA", "file:x.mp4", "picture%03d.png", "*.png", "-i", "--help",
    "missing.mp4", "two\nlines.mp4", "nul\0byte.mp4", "", "x" * 5000, "\udcff.mp4",
])  # fmt: skip
def test_names_are_local_file_names_and_nothing_else(name: str, tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.chdir(tmp_path)
    assert refused(name).endswith("give a video file on this machine")


@pytest.mark.parametrize(
    "name", ["-i.mp4", "two\nlines.mp4", "http:--x.mp4", "concat:a|b.mp4", "%03d.mp4", "\udcff.mp4"]
)
def test_odd_names_of_good_files_are_no_obstacle(name: str, tmp_path: Path, clips: Any, monkeypatch: Any) -> None:
    monkeypatch.chdir(tmp_path)
    Path(name).write_bytes(clips["mp4 h264"].path.read_bytes())
    assert open_recording([name]).frames == 60


def test_things_that_are_no_files_are_refused_without_reading_them(tmp_path: Path) -> None:
    pipe, plug = tmp_path / "pipe.mp4", tmp_path / "plug.mp4"
    os.mkfifo(pipe)
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(plug))
        assert "a pipe; give" in refused(pipe)
        assert "a device or socket; give" in refused(plug)
    assert "a folder; give" in refused(tmp_path)
    for device in ("/dev/zero", "/dev/null", "/dev/urandom"):
        assert "a device or socket; give" in refused(device)


def as_text(text: str) -> Callable[[Path], None]:
    return lambda path: path.write_text(text) and None


PLAYLIST = "#EXTM3U\n#EXT-X-VERSION:3\n#EXTINF:2,\n{}\n#EXT-X-ENDLIST\n"


@pytest.mark.parametrize("text", [
    PLAYLIST, "ffconcat version 1.0\nfile '{}'\n", "[playlist]\nFile1={}\n",
    '<smil><body><video src="{}"/></body></smil>',
    "v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\ns=x\r\nc=IN IP4 127.0.0.1\r\nt=0 0\r\nm=video 5004 RTP/AVP 96\r\n",
])  # fmt: skip
@pytest.mark.parametrize("suffix", [".mp4", ".m3u8", ".ts"])
def test_playlists_in_any_dress_are_refused(tmp_path: Path, clips: Any, text: str, suffix: str) -> None:
    path = tmp_path / f"list{suffix}"
    path.write_text(text.replace("{}", str(clips["ts h264"].path)))
    assert "a playlist or script, not a recording; give the video files that it names" in refused(path)


def test_nothing_is_asked_of_the_network(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.3)
        address = f"http://127.0.0.1:{server.getsockname()[1]}/a.ts"
        for name in ("list.mp4", "list.m3u8"):
            (tmp_path / name).write_text(PLAYLIST.replace("{}", address))
            refused(tmp_path / name)
        refused(address)
        with pytest.raises(TimeoutError):
            server.accept()


def still(kind: str) -> Callable[[Path], None]:
    return lambda path: Image.new("RGB", (64, 64)).save(path, format=kind)


def silence(path: Path) -> None:
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("aac", rate=48000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.int16), format="s16", layout="mono")
        frame.sample_rate = 48000
        out.mux(stream.encode(frame))
        out.mux(stream.encode())


@pytest.mark.parametrize(("make", "found"), [
    (lambda path: path.write_bytes(b""), "an empty file"),
    (as_text("not a video\n" * 500), "text, not a recording"),
    (as_text("nőt ä vidéo\n" * 500), "text, not a recording"),
    (lambda path: path.write_bytes(bytes(300_000)), "nothing but zeros"),
    (lambda path: path.write_bytes(np.random.default_rng(1).bytes(300_000)), "no recording that can be read"),
    (lambda path: path.write_bytes(b"PK\x03\x04" + bytes(90)), "an archive"),
    (still("PNG"), "a still picture"), (still("JPEG"), "a still picture"), (still("GIF"), "a still picture"),
    (still("WEBP"), "a still picture"), (still("BMP"), "a still picture"), (still("TIFF"), "a still picture"),
    (silence, "sound but no moving pictures"),
])  # fmt: skip
@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".avi", ".mjpeg", ""])
def test_what_is_no_recording_is_called_what_it_is(tmp_path: Path, make: Any, found: str, suffix: str) -> None:
    path = tmp_path / f"flight{suffix}"
    make(path)
    assert found in refused(path)


def test_a_file_closed_to_us_is_refused(tmp_path: Path, clips: Any, monkeypatch: Any) -> None:
    path = tmp_path / "closed.mp4"
    path.write_bytes(clips["mp4 h264"].path.read_bytes())
    monkeypatch.setattr(os, "access", lambda *_: False)  # root may read everything
    assert "a file that you may not read; change its permissions" in refused(path)


def box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def full(kind: bytes, body: bytes, version_flags: int = 0) -> bytes:
    return box(kind, struct.pack(">I", version_flags) + body)


def claiming(path: Path, size: int, count: int, *, width: int = 96, height: int = 64, ticks: int = 12800) -> Path:
    """An MP4 (ISO/IEC 14496-12) of a few kilobytes whose index claims `count` pictures of `size` bytes each."""
    entry = bytes(6) + struct.pack(">H16xHHIIIH34xh", 1, width, height, 0x480000, 0x480000, 0, 1, -1)
    table = full(b"stsd", struct.pack(">I", 1) + box(b"mp4v", entry))
    table += full(b"stts", struct.pack(">III", 1, count, 512)) + full(b"stsc", struct.pack(">IIII", 1, 1, count, 1))
    table += full(b"stsz", struct.pack(">II", size, count)) + full(b"stco", struct.pack(">II", 1, 40))
    data = box(b"dinf", full(b"dref", struct.pack(">I", 1) + full(b"url ", b"", 1)))
    media = full(b"mdhd", struct.pack(">IIIII", 0, 0, ticks, 5120, 0)) + full(b"hdlr", b"\0\0\0\0vide" + bytes(13))
    media += box(b"minf", full(b"vmhd", bytes(8), 1) + data + box(b"stbl", table))
    unit = struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 1 << 30)
    track = full(
        b"tkhd", struct.pack(">5I16x", 0, 0, 1, 0, 5000) + unit + struct.pack(">II", width << 16, height << 16), 3
    )
    movie = full(
        b"mvhd", struct.pack(">4IIH10x", 0, 0, 1000, 5000, 65536, 256) + unit + bytes(24) + struct.pack(">I", 2)
    )
    whole = box(b"ftyp", b"isom\0\0\2\0isomiso2") + box(b"mdat", bytes(20_000))
    path.write_bytes(whole + box(b"moov", movie + box(b"trak", track + box(b"mdia", media))))
    return path


@pytest.mark.parametrize(("size", "count"), [(1, 170_000_000), (20_000, 100_000_000), (1, 2**32 - 1), (0, 2**31)])
def test_an_index_that_claims_too_much_is_refused_before_memory_is_taken(tmp_path: Path, size: int, count: int) -> None:
    assert "an index that claims more than a recording can hold" in refused(claiming(tmp_path / "x.mp4", size, count))


@pytest.mark.parametrize("more", [
    {"width": 65535, "height": 65535}, {"width": 1, "height": 65535}, {"width": 0, "height": 0}, {"ticks": 0},
    {"ticks": 1}, {"ticks": 2**32 - 1}, {},
])  # fmt: skip
def test_absurd_sizes_and_clocks_are_refused(tmp_path: Path, more: dict[str, int]) -> None:
    refused(claiming(tmp_path / "x.mp4", 100, 10, **more))


@pytest.mark.parametrize("content", [
    box(b"ftyp", b"isom\0\0\2\0") + b"".join(struct.pack(">I4s", 8 * (20_000 - k), b"trak") for k in range(20_000)),
    box(b"ftyp", b"isom\0\0\2\0") + box(b"free", b"") * 2_100_000,
    box(b"ftyp", b"isom\0\0\2\0") + struct.pack(">I4sQ", 1, b"moov", 2**63),
    box(b"ftyp", b"isom\0\0\2\0") + struct.pack(">I4s", 3, b"moov"),
    box(b"ftyp", b"isom\0\0\2\0") + box(b"moov", box(b"cmov", box(b"cmvd", struct.pack(">I", 2**31) + bytes(50)))),
    b"\0\0\0\1\x67" * 5_000, b"\0\0\0\1\x65" * 5_000, b"\xff\xd8\xff" * 50_000, (b"G" + bytes(187)) * 3_000,
    b"\x1aE\xdf\xa3" + b"\xff" * 5_000, b"RIFF\xff\xff\xff\xffAVI LIST" + b"\xff" * 5_000,
    b"FLV\1\5\0\0\0\t" + bytes(9_000),
])  # fmt: skip
@pytest.mark.parametrize("suffix", [".mp4", ".h264"])
def test_hostile_structures_are_refused(tmp_path: Path, content: bytes, suffix: str) -> None:
    path = tmp_path / f"x{suffix}"
    path.write_bytes(content)
    refused(path)


def test_memory_is_bounded_while_a_file_is_opened() -> None:
    script = """
        import numpy as np
        import resource
        from overlay.recordings.guard import bounded_memory
        before = resource.getrlimit(resource.RLIMIT_AS)
        with bounded_memory(), bounded_memory():
            np.zeros(100 << 20, np.uint8)
            try:
                np.zeros(3 << 30, np.uint8)
            except MemoryError:
                print("bounded")
        np.zeros(3 << 30, np.uint8)
        print(resource.getrlimit(resource.RLIMIT_AS) == before)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=60)
    assert done.stdout.split() == ["bounded", "True"], done.stderr


def test_the_bound_is_lifted_after_an_error() -> None:
    import resource

    before = resource.getrlimit(resource.RLIMIT_AS)
    with pytest.raises(KeyError), bounded_memory():
        raise KeyError
    assert resource.getrlimit(resource.RLIMIT_AS) == before
