"""The one way a media file is opened: local, regular, of a kind that cameras and recorders write."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import av
import av.error
from av.codec.context import Flags
from av.container import InputContainer
from av.packet import Packet
from av.stream import Disposition
from av.video.stream import VideoStream

from overlay.errors import RecordingError
from overlay.recordings.boxes import Layout, layout
from overlay.recordings.guard import bounded_memory
from overlay.recordings.sniffing import what_it_is

# Demuxers that read one local file and nothing else: no playlists, no picture sequences, no devices, no scripts.
FORMATS = (
    "mov", "mp4", "m4a", "3gp", "3g2", "mj2", "matroska", "webm", "avi", "mpegts", "mpeg", "mpegvideo", "flv", "h264",
    "hevc", "av1", "obu", "ivf", "mjpeg", "m4v", "asf", "mxf", "nut", "ogg", "dv", "wtv", "gxf", "yuv4mpegpipe",
)  # fmt: skip
MAX_PIXELS = 8192 * 4320  # above every camera sold for flying; a larger claim is damage or malice
TIMEOUT_S = 8.0


class Opened(NamedTuple):
    """An open file and its picture stream, decoder set up but not started. Dead once the file is closed.

    `cut`: its end is left out, because it is incomplete and would make the demuxer refuse the whole.
    """

    container: InputContainer
    stream: VideoStream
    cut: bool


@contextmanager
def opened(path: str, threads: int = 0) -> Iterator[Opened]:
    """Open a local recording with PyAV and close it again. RecordingError when it is none."""
    _require_regular_file(path)
    boxes = _layout(path)
    if boxes.fault:
        raise RecordingError(path, *boxes.fault)
    with _container(path, boxes.cut_at) as container:
        stream = _picture_stream(path, container)
        context = stream.codec_context
        context.thread_type = "AUTO"
        context.thread_count = threads
        context.options = {"max_pixels": str(MAX_PIXELS)}
        context.flags |= Flags.output_corrupt  # a broken live picture is to be seen, not left out
        yield Opened(container, stream, boxes.cut_at is not None)


def packets(file: Opened) -> Iterator[Packet[VideoStream]]:
    """The picture stream's packets from where the file stands; empty ones ("repeat the last picture") are left out."""
    try:
        yield from (packet for packet in file.container.demux(file.stream) if packet.size)
    except IndexError:
        return  # PyAV stumbles over a stream that turned up on the way, but only once all packets are out


def _container(path: str, cut_at: int | None) -> InputContainer:
    protocols = "file" if cut_at is None else "file,subfile"
    options = {"protocol_whitelist": protocols, "format_whitelist": ",".join(FORMATS), "max_pixels": str(MAX_PIXELS)}
    local = f"file:{Path(path).absolute()}"  # so that no name is ever taken for a URL
    if cut_at is not None:
        local = f"subfile,,start,0,end,{cut_at},,:{local}"
    try:
        with bounded_memory():
            return av.open(local, "r", options=options, timeout=(TIMEOUT_S, TIMEOUT_S), metadata_errors="replace")
    except (av.error.FFmpegError, OSError, ValueError, MemoryError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        with _readable(path):
            raise RecordingError(path, *what_it_is(path, reason)) from error


def _require_regular_file(path: str) -> None:
    remedy = "give a video file on this machine"
    try:
        mode = os.stat(path).st_mode  # noqa: PTH116  # Path would refuse nothing more and hide the NUL byte's error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordingError(path, reason.lower(), remedy) from error
    if not stat.S_ISREG(mode):
        kind = "a folder" if stat.S_ISDIR(mode) else "a pipe" if stat.S_ISFIFO(mode) else "a device or socket"
        raise RecordingError(path, kind, remedy)
    if not os.access(path, os.R_OK):
        raise RecordingError(path, "a file that you may not read", "change its permissions")


def _layout(path: str) -> Layout:
    with _readable(path):
        return layout(path)


@contextmanager
def _readable(path: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror or error})"
        raise RecordingError(path, found, "copy it again from the recorder's card") from error


def _picture_stream(path: str, container: InputContainer) -> VideoStream:
    moving = [s for s in container.streams.video if not s.disposition & Disposition.attached_pic and s.codec_context]
    if not moving:
        held = "sound but no moving pictures" if container.streams.audio else "no moving pictures"
        raise RecordingError(path, held, "give the file that holds the pictures")
    stream = max(moving, key=lambda s: s.width * s.height)
    if not stream.width or not stream.height:
        with _readable(path):
            raise RecordingError(path, *what_it_is(path, "pictures of unknown size"))
    if min(stream.width, stream.height) < 16 or stream.width * stream.height > MAX_PIXELS:
        raise RecordingError(path, f"pictures of {stream.width}×{stream.height} pixels", "give a file from a camera")
    if not stream.time_base or not 1e-10 < stream.time_base < 10:
        raise RecordingError(path, f"a time base of {stream.time_base} s", "copy it again from the recorder's card")
    return stream
