"""A digital link: a really encoded H.264 stream that loses packets, decoded with concealment.

Digital links do not fade, they fall off an edge: within a decibel or two of signal-to-noise ratio (SNR) a strong
error-correcting code goes from losing nothing to losing everything. What is lost is packets, so the picture shows
blocks that stay behind, smear and heal with the next key picture, and freezes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import av
import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

from overlay_samples.link.composite import Frame

_START_CODE = b"\x00\x00\x01"
_PARAMETER_SETS = (7, 8)
"""NAL unit types of sequence and picture parameter sets (ITU-T H.264, table 7-1)."""


@dataclass(frozen=True)
class DigitalLink:
    """What the link sends and how it fails."""

    frame_rate: Fraction = Fraction(30)
    bit_rate: int = 6_000_000
    key_interval: int = 60
    """Frames from one key picture to the next."""
    slices: int = 8
    """Slices in a picture: a lost packet costs one of them."""
    packet_bytes: int = 1024
    half_loss_dB: float = 5.0
    """SNR at which every other packet is lost."""
    spread_dB: float = 0.6
    """Standard deviation of the SNR at which a packet is just lost: 10 % to 90 % of packets within 1.5 dB (common
    practice with strong codes, no source)."""
    failure: Literal["erased", "corrupted"] = "erased"
    """Whether a packet that fails is missing or delivered with wrong bits."""

    def packet_loss(self, signal_to_noise_dB: float) -> float:
        """Probability that a packet fails."""
        return float(0.5 * erfc((signal_to_noise_dB - self.half_loss_dB) / (np.sqrt(2) * self.spread_dB)))


def encode(frames: Iterable[Frame], link: DigitalLink) -> Iterator[bytes]:
    """One H.264 access unit (byte stream, ITU-T H.264 annex B) for each BGR frame; no picture waits for a later one."""
    encoder: av.VideoCodecContext | None = None
    for number, frame in enumerate(frames):
        if encoder is None:
            encoder = _encoder(frame, link)
        picture = av.VideoFrame.from_ndarray(frame, format="bgr24").reformat(format="yuv420p")
        picture.pts, picture.time_base = number, 1 / link.frame_rate
        yield b"".join(bytes(packet) for packet in encoder.encode(picture))


def _encoder(frame: Frame, link: DigitalLink) -> av.VideoCodecContext:
    encoder = av.CodecContext.create("libx264", "w")
    assert isinstance(encoder, av.VideoCodecContext)
    encoder.height, encoder.width = frame.shape[:2]
    encoder.pix_fmt = "yuv420p"
    encoder.framerate, encoder.time_base = link.frame_rate, 1 / link.frame_rate
    encoder.bit_rate, encoder.gop_size, encoder.thread_count = link.bit_rate, link.key_interval, 1
    buffer = link.bit_rate // 1000 // 4
    parameters = f"slices={link.slices}:vbv-maxrate={link.bit_rate // 1000}:vbv-bufsize={buffer}:repeat-headers=1"
    encoder.options = {"preset": "ultrafast", "tune": "zerolatency", "x264-params": parameters}
    return encoder


def units(access_unit: bytes) -> list[bytes]:
    """The NAL units of a byte stream, without their start codes."""
    parts = access_unit.split(_START_CODE)[1:]
    return [part.rstrip(b"\x00") for part in parts]


def lose(
    access_units: Iterable[bytes], signal_to_noise_dB: Iterable[float], link: DigitalLink, *, seed: int
) -> Iterator[bytes]:
    """What arrives of each access unit, empty where nothing does. Parameter sets are sent until received."""
    rng = np.random.default_rng([seed, 0xD1])
    for access_unit, snr in zip(access_units, signal_to_noise_dB, strict=True):
        arrived = (_carry(unit, link.packet_loss(snr), link, rng) for unit in units(access_unit))
        yield b"".join(_START_CODE + unit for unit in arrived if unit)


def _carry(unit: bytes, loss: float, link: DigitalLink, rng: np.random.Generator) -> bytes:
    """A NAL unit after its packets have been sent: whole, cut short at the first packet lost, or with wrong bits."""
    if unit[0] & 0x1F in _PARAMETER_SETS:
        return unit
    count = -(-len(unit) // link.packet_bytes)
    failed = np.flatnonzero(rng.random(count) < loss)
    if len(failed) == 0:
        return unit
    if link.failure == "erased":
        return unit[: failed[0] * link.packet_bytes]
    damaged = np.frombuffer(unit, np.uint8).copy()
    for packet in failed:
        payload = damaged[max(packet * link.packet_bytes, 8) : (packet + 1) * link.packet_bytes]
        hit = rng.random(len(payload)) < 0.02
        payload[hit] ^= rng.integers(1, 256, np.count_nonzero(hit), dtype=np.uint8)
    return damaged.tobytes()


def conceal(access_units: Iterable[bytes], shape: tuple[int, int]) -> Iterator[Frame]:
    """The pictures that a decoder with error concealment makes of what arrived, one for each access unit.

    The last picture stays where nothing decodes; before the first, black of (height, width) `shape`.
    """
    decoder = av.CodecContext.create("h264", "r")
    assert isinstance(decoder, av.VideoCodecContext)
    decoder.thread_count = 1
    decoder.flags |= int(av.codec.context.Flags.low_delay | av.codec.context.Flags.output_corrupt)
    last: Frame = np.zeros((*shape, 3), np.uint8)
    for access_unit in access_units:
        last = _decode(decoder, access_unit, last)
        yield last


def _decode(decoder: av.VideoCodecContext, access_unit: bytes, last: Frame) -> Frame:
    if not access_unit:
        return last
    try:
        pictures = decoder.decode(av.Packet(access_unit))
    except av.FFmpegError:
        return last
    for picture in pictures:
        if (picture.height, picture.width) == last.shape[:2]:
            last = np.asarray(picture.to_ndarray(format="bgr24"), np.uint8)
    return last


def receive_digital(
    frames: Iterable[Frame],
    signal_to_noise_dB: Sequence[float] | NDArray[np.float64],
    *,
    shape: tuple[int, int],
    seed: int,
    link: DigitalLink = DigitalLink(),
) -> Iterator[Frame]:
    """Frames of (height, width) `shape` as the receiver shows them, one for each sent; SNR for each frame."""
    return conceal(lose(encode(frames, link), signal_to_noise_dB, link, seed=seed), shape)
