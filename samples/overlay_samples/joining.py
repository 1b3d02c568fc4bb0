"""Encoded parts put together into one file with its sound, without encoding a picture twice."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from overlay_samples.motor_sound import MotorSound, RATE_Hz
from overlay_samples.timing import Timing

_AAC_FRAME = 1024


def join(
    path: Path, parts: list[Path], timing: Timing, span: tuple[int, int], sound: MotorSound | None, stamp_s: float
) -> None:
    """One MP4 of a chapter: packets of its parts in order, sound encoded beside them, the recorder's own date."""
    date = datetime.fromtimestamp(round(stamp_s), UTC).strftime("%Y-%m-%dT%H:%M:%S.000000Z")
    with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"}) as out:
        out.metadata["creation_time"] = date
        with av.open(str(parts[0])) as first:
            video = out.add_stream_from_template(first.streams.video[0])
        video.metadata["creation_time"] = date
        packets = _packets(parts, video, timing.rate)
        if sound is None:
            for packet in packets:
                out.mux(packet)
            return
        audio = out.add_stream("aac", rate=RATE_Hz)
        audio.codec_context.layout, audio.codec_context.bit_rate = "mono", 48000
        for packet, piece in _interleaved(packets, _sound_frames(sound, timing, span)):
            if packet is not None:
                out.mux(packet)
            if piece is not None:
                out.mux(audio.encode(piece))
        out.mux(audio.encode(None))


def _packets(parts: list[Path], video: Any, rate: Fraction) -> Iterator[Any]:
    """Packets of the parts with times that run on from part to part."""
    offset = 0
    for part in parts:
        with av.open(str(part)) as source:
            stream = source.streams.video[0]
            shift = offset * int(1 / (rate * Fraction(stream.time_base or 0)))
            for packet in source.demux(stream):
                if packet.size == 0:  # the demuxer's way of saying that it is at the end
                    continue
                packet.pts, packet.dts = (packet.pts or 0) + shift, (packet.dts or 0) + shift
                packet.stream = video
                offset += 1
                yield packet


def _sound_frames(sound: MotorSound, timing: Timing, span: tuple[int, int]) -> Iterator[av.AudioFrame]:
    start = timing.at(span[0])
    total = int((span[1] - span[0]) / timing.rate * RATE_Hz)
    block = _AAC_FRAME * 64
    for first in range(0, total, block):
        index = np.arange(first, min(first + block, total))
        samples = sound.piece(start + (1 + timing.drift) * index / RATE_Hz)
        frame = av.AudioFrame.from_ndarray(samples[None, :], format="s16", layout="mono")
        frame.sample_rate, frame.pts, frame.time_base = RATE_Hz, first, Fraction(1, RATE_Hz)
        yield frame


def _interleaved(packets: Iterator[Any], pieces: Iterator[av.AudioFrame]) -> Iterator[tuple[Any, av.AudioFrame | None]]:
    """Packets with each piece of sound before the pictures that go with it."""
    piece = next(pieces, None)
    for packet in packets:
        while piece is not None and (piece.pts or 0) * Fraction(1, RATE_Hz) <= packet.pts * packet.time_base:
            yield None, piece
            piece = next(pieces, None)
        yield packet, None
    while piece is not None:
        yield None, piece
        piece = next(pieces, None)
