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
_FEW_WAITING = {"x264-params": "sync-lookahead=1"}  # one picture between its threads, not four: coded alike to the bit


@dataclass(frozen=True)
class Encoder:
    """An encoder by its FFmpeg name with its private options; the default is visually lossless H.264."""

    name: str = "libx264"
    options: dict[str, str] = field(default_factory=lambda: {"crf": "18", "preset": "veryfast", **_FEW_WAITING})

    def as_arguments(self, pixel_format: str) -> list[str]:
        """The same settings as arguments of the ffmpeg program, so that a bare transcode can be compared."""
        pairs = [("-c:v", self.name), *((f"-{key}", value) for key, value in self.options.items())]
        return [word for pair in pairs for word in pair] + ["-pix_fmt", pixel_format]


# By the name that is asked for. How the hardware's encoders are set is from memory of FFmpeg's documentation.
ENCODERS = {
    "libx264": Encoder(),
    "libx265": Encoder("libx265", {"crf": "20", "preset": "fast", "x265-params": "log-level=error:open-gop=0"}),
    "h264_nvenc": Encoder("h264_nvenc", {"rc": "constqp", "qp": "20"}),
    "hevc_nvenc": Encoder("hevc_nvenc", {"rc": "constqp", "qp": "22"}),
    "h264_amf": Encoder("h264_amf", {"rc": "cqp", "qp_i": "20", "qp_p": "22"}),
    "h264_qsv": Encoder("h264_qsv", {"global_quality": "20"}),
}
_SAME_SAMPLES = {"yuv420p": "nv12", "yuv420p10le": "p010le"}  # otherwise ordered, as hardware likes them


def encoder_named(name: str) -> Encoder:
    """One of `ENCODERS`, tried. Raises UsageError for another name, or where it cannot be had on this machine."""
    if name not in ENCODERS:
        raise UsageError(f"encoder {name!r} is not known; known are {', '.join(ENCODERS)}")
    _formats(ENCODERS[name])
    return ENCODERS[name]


def encoded_format(encoder: Encoder, source: str) -> str:
    """Pixel format to encode: the source's own where the encoder takes it, or the same samples in another order.

    Raises UsageError where it takes neither, or cannot be had on this machine.
    """
    formats = _formats(encoder)
    wanted = {"yuvj420p": "yuv420p", "yuvj422p": "yuv422p", "yuvj444p": "yuv444p"}.get(source, source)
    if formats and wanted not in formats and _SAME_SAMPLES.get(wanted) in formats:
        wanted = _SAME_SAMPLES[wanted]
    if formats and wanted not in formats:
        raise UsageError(f"encoder {encoder.name} does not take pixel format {source}; it takes {', '.join(formats)}")
    return wanted


def _formats(encoder: Encoder) -> list[str]:
    """The pixel formats that the encoder takes, once it was seen to start: hardware's only do where it is."""
    import av

    try:
        formats = [f.name for f in av.Codec(encoder.name, "w").video_formats or []]
    except ValueError:  # as PyAV calls an unknown codec
        raise UsageError(f"encoder {encoder.name} is not part of the libraries installed here; use libx264") from None
    trial: Any = av.CodecContext.create(encoder.name, "w")
    trial.width, trial.height, trial.time_base = 640, 360, Fraction(1, 25)
    trial.pix_fmt = next(iter(formats), "yuv420p")
    trial.options = dict(encoder.options)
    try:
        trial.open()
    except (av.error.FFmpegError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(f"encoder {encoder.name} does not start on this machine ({reason}); use libx264") from error
    return formats


def add_video(container: OutputContainer, encoder: Encoder, look: Format, pixel_format: str) -> av.VideoStream:
    """Add the video stream: size, pixel shape, time base, colour description and field order of the footage."""
    stream = cast("av.VideoStream", container.add_stream(encoder.name, rate=look.frame_rate))
    _set_up(stream.codec_context, encoder, look, pixel_format)
    stream.time_base = look.time_base
    return stream


def _set_up(context: Any, encoder: Encoder, look: Format, pixel_format: str) -> None:
    context.width, context.height = look.raster.width, look.raster.height
    context.pix_fmt = pixel_format
    context.sample_aspect_ratio = look.raster.sample_aspect
    context.time_base = look.time_base
    context.framerate = look.frame_rate
    context.thread_type = "AUTO"  # by pictures, as the ffmpeg program does: PyAV's own choice cuts each into slices
    colour = look.colour
    context.color_primaries, context.color_trc, context.colorspace = colour.primaries, colour.transfer, colour.matrix
    context.color_range = {None: 0, False: 1, True: 2}[colour.full_range]  # FFmpeg: unspecified, limited, full
    options = dict(encoder.options)
    if look.interlaced and encoder.name == "libx264":
        field_order = "tff=1" if look.interlaced == "top" else "bff=1"
        options["x264-params"] = ":".join(filter(None, [options.get("x264-params", ""), field_order]))
    context.options = options


def container_options(suffix: str, time_base: Fraction) -> dict[str, str]:
    """Muxer options: MP4 and MOV are written so that what has been written so far always plays."""
    if suffix not in SUFFIXES:
        raise UsageError(
            f"a review video cannot be written as {suffix or 'a file without suffix'}; use {', '.join(SUFFIXES)}"
        )
    if suffix == ".mkv":
        return {}
    # the delayed header knows the first times, so that its edit list begins picture and sound exactly at zero;
    # a fragment is held in memory until it is written: a group of pictures, or two megabytes of a large one
    options = {"movflags": "hybrid_fragmented+frag_keyframe+delay_moov+use_metadata_tags", "frag_size": "2000000"}
    if time_base.numerator == 1:
        options["video_track_timescale"] = str(time_base.denominator)
    return options
