"""The encoder, and what has to be carried from the source so that the picture looks the same."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any, cast

from overlay.errors import UsageError
from overlay.render.footage import Format

if TYPE_CHECKING:
    import av
    from av.container import OutputContainer

SUFFIXES = (".mp4", ".mov", ".mkv")


@dataclass(frozen=True)
class Encoder:
    """An encoder by its FFmpeg name with its private options; the default is visually lossless H.264."""

    name: str = "libx264"
    options: dict[str, str] = field(default_factory=lambda: {"crf": "18", "preset": "veryfast"})

    def as_arguments(self, pixel_format: str) -> list[str]:
        """The same settings as arguments of the ffmpeg program, so that a bare transcode can be compared."""
        pairs = [("-c:v", self.name), *((f"-{key}", value) for key, value in self.options.items())]
        return [word for pair in pairs for word in pair] + ["-pix_fmt", pixel_format]


def encoded_format(encoder: Encoder, source: str) -> str:
    """Pixel format to encode: the source's own where the encoder takes it. Raises UsageError where it does not."""
    import av

    formats = [f.name for f in av.Codec(encoder.name, "w").video_formats or []]
    wanted = {"yuvj420p": "yuv420p", "yuvj422p": "yuv422p", "yuvj444p": "yuv444p"}.get(source, source)
    if formats and wanted not in formats:
        raise UsageError(f"encoder {encoder.name} does not take pixel format {source}; it takes {', '.join(formats)}")
    return wanted


def add_video(container: OutputContainer, encoder: Encoder, look: Format, pixel_format: str) -> av.VideoStream:
    """Add the video stream: size, pixel shape, time base, colour description and field order of the footage."""
    stream = cast("av.VideoStream", container.add_stream(encoder.name, rate=look.frame_rate))
    context: Any = stream.codec_context
    context.width, context.height = look.raster.width, look.raster.height
    context.pix_fmt = pixel_format
    context.sample_aspect_ratio = look.raster.sample_aspect
    context.time_base = stream.time_base = look.time_base
    context.framerate = look.frame_rate
    colour = look.colour
    context.color_primaries, context.color_trc, context.colorspace = colour.primaries, colour.transfer, colour.matrix
    context.color_range = {None: 0, False: 1, True: 2}[colour.full_range]  # FFmpeg: unspecified, limited, full
    options = dict(encoder.options)
    if look.interlaced and encoder.name == "libx264":
        field_order = "tff=1" if look.interlaced == "top" else "bff=1"
        options["x264-params"] = ":".join(filter(None, [options.get("x264-params", ""), field_order]))
    context.options = options
    return stream


def container_options(suffix: str, time_base: Fraction) -> dict[str, str]:
    """Muxer options: MP4 and MOV are written so that what has been written so far always plays."""
    if suffix not in SUFFIXES:
        raise UsageError(
            f"a review video cannot be written as {suffix or 'a file without suffix'}; use {', '.join(SUFFIXES)}"
        )
    if suffix == ".mkv":
        return {}
    # the delayed header knows the first times, so that its edit list begins picture and sound exactly at zero
    options = {"movflags": "hybrid_fragmented+delay_moov+use_metadata_tags"}
    if time_base.numerator == 1:
        options["video_track_timescale"] = str(time_base.denominator)
    return options
