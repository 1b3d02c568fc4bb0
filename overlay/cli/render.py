"""`overlay render`: the review video, or one still of it."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import add_flight, add_hdr, add_pin, add_terrain, flight_file, parse_rate, parse_size
from overlay.clock import format_duration, parse_duration
from overlay.errors import UsageError

if TYPE_CHECKING:
    from fractions import Fraction

    from overlay.flight import Flight
    from overlay.flight_review import Sight
    from overlay.layouts import Layout
    from overlay.render.pipeline import Rendered, Review


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "render",
        help="the review video: instruments in step with the picture",
        description="Write the onboard recording with instruments drawn on it, in step with the flight.",
    )
    add_flight(parser)
    parser.add_argument(
        "-o", "--output", metavar="OUT", required=True, help="what to write: .mp4, .mov or .mkv (.png with --still)"
    )
    _add_shown(parser.add_argument_group("what is shown"))
    _add_written(parser.add_argument_group("how it is written"))
    parser.add_argument("--overwrite", action="store_true", help="replace an existing output")
    add_pin(parser)
    add_terrain(parser)
    add_json(parser)
    parser.set_defaults(run=run)


def _add_shown(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--layout",
        metavar="NAME",
        help="a layout's name or a .toml file (default: review; pair with --picture both)",
    )
    group.add_argument("--from", dest="start", metavar="TIME", help="begin here on the recording, such as 0:03:10")
    group.add_argument("--to", dest="end", metavar="TIME", help="end here on the recording")
    group.add_argument("--still", metavar="TIME", help="write one frame as a PNG instead of a video")
    group.add_argument(
        "--picture",
        choices=("camera", "ground", "both", "none"),
        help="what is drawn on: the camera's recording or the ground's, each with the other as the inset, both side by "
        "side, or none, which is a plain ground (default: the camera's, else the ground's, else none)",
    )
    group.add_argument(
        "--inset",
        choices=("auto", "off"),
        default="auto",
        help="the live picture as an inset, in step (default: auto, where there is one)",
    )
    group.add_argument("--captions", action="store_true", help="tell events in words on the picture, in any layout")
    group.add_argument(
        "--units", choices=("metric", "imperial", "aviation"), help="units shown (default: the layout's own)"
    )


def _add_written(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--size",
        metavar="WxH",
        help="size of the canvas for both, for none, or with --transparent (default: the camera recording's; without "
        "one 1920x1080, or 1080x1920 for an upright layout)",
    )
    group.add_argument(
        "--rate", metavar="RATE", help="frames per second where there is no recording: 25, 59.94 … (default: 30)"
    )
    group.add_argument(
        "--transparent",
        nargs="?",
        const="prores",
        choices=("prores", "animation", "png", "vp9"),
        help="the instruments alone with straight alpha, to lay over the recording in an editor: ProRes 4444 (the "
        "default) or QuickTime Animation as .mov, VP9 as .webm, numbered PNG pictures in a new folder; needs no recording",
    )
    group.add_argument(
        "--encoder",
        metavar="NAME",
        default="libx264",
        help="what encodes: libx264 (H.264, the default), libx265 (HEVC), or hardware where it is: h264_nvenc, "
        "hevc_nvenc, h264_amf, h264_qsv",
    )
    group.add_argument(
        "--workers",
        type=int,
        choices=range(1, 65),
        default=1,
        metavar="N",
        help="processes that encode parts of the video side by side, for machines with many cores (default: 1)",
    )
    add_hdr(group)


def run(arguments: argparse.Namespace) -> int:
    """Align, read, draw, encode."""
    from overlay.flight import Flight
    from overlay.layouts import load
    from overlay.render.encoder import encoder_named

    encoder = encoder_named(arguments.encoder)
    start, end, still_s = (_time(arguments, name) for name in ("start", "end", "still"))
    if start is not None and end is not None and end <= start:
        raise UsageError(f"--to {arguments.end} does not lie after --from {arguments.start}")
    layout = load(arguments.layout or ("pair" if arguments.picture == "both" else "review"))
    layout = layout.captioned() if arguments.captions else layout
    for note in layout.notes:
        remark(note)
    file = flight_file(arguments)
    with Stages() as stages:
        flight = Flight(file, pin=arguments.pin, progress=stages)
        if still_s is not None:
            return _still(arguments, flight, layout, still_s)
        _check_target(arguments.output, arguments.overwrite, folder=arguments.transparent == "png")
        if arguments.transparent:
            return _transparent(arguments, flight, layout, stages, (start, end))
        review = replace(_asked_review(arguments, flight, layout), encoder=encoder)
        from overlay.render.pipeline import render

        done = render(
            review,
            arguments.output,
            start_s=start,
            end_s=end,
            overwrite=arguments.overwrite,
            workers=arguments.workers,
            progress=lambda part, whole: stages("rendering", part / whole if whole else 1.0),
        )
    _report(arguments, flight, done)
    return 0


def _asked_review(arguments: argparse.Namespace, flight: Flight, layout: Layout) -> Review:
    from overlay.flight_review import review_of

    return review_of(flight, layout, _sight(arguments), arguments.units)


def _sight(arguments: argparse.Namespace) -> Sight:
    from overlay.flight_review import Sight

    return Sight(
        picture=arguments.picture,
        inset=arguments.inset == "auto",
        size=parse_size(arguments.size) if arguments.size else None,
        rate=parse_rate(arguments.rate) if arguments.rate else None,
        map_hdr=arguments.hdr == "map",
    )


def _transparent(
    arguments: argparse.Namespace,
    flight: Flight,
    layout: Layout,
    stages: Stages,
    window: tuple[float | None, float | None],
) -> int:
    from overlay.flight_review import instruments_of
    from overlay.render.transparent import grid_of, render_transparent

    panels, clock, size, footage = instruments_of(flight, layout, _sight(arguments), arguments.units)
    done = render_transparent(
        panels,
        clock,
        size,
        grid_of(footage, *window),
        arguments.output,
        kind=arguments.transparent,
        overwrite=arguments.overwrite,
        inputs=footage.files,
        progress=lambda part, whole: stages("rendering", part / whole if whole else 1.0),
    )
    if arguments.transparent == "png":
        flight.notes.append(f"pictures carry no times: import them at {_told(done.frame_rate)} frames a second")
        if not footage.format.even:
            flight.notes.append("the recording's intervals vary, and a sequence of pictures cannot follow: use a video")
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    if arguments.json:
        facts = {"output": done.path, "frames": done.frames, "frame_rate": str(done.frame_rate), "alpha": "straight"}
        facts |= {"wall_seconds": done.wall_s, "encoder": list(done.arguments), "notes": flight.notes}
        say_json({"schema": "overlay/render", "version": 1, **facts})
    else:
        say(f"wrote {done.path}: {done.frames} frames, straight alpha, in {done.wall_s:.0f} s")
    return 0


def _told(rate: Fraction) -> str:
    return str(rate) if rate.denominator == 1 else f"{float(rate):.3f} ({rate})"


def _still(arguments: argparse.Namespace, flight: Flight, layout: Layout, time_s: float) -> int:
    from overlay.output import writing
    from overlay.render.pipeline import still

    target = Path(arguments.output)
    if target.suffix.lower() != ".png":
        raise UsageError(f"a still is written as .png, not as {target.suffix or 'a file without suffix'}")
    _check_target(arguments.output, arguments.overwrite)
    picture = still(_asked_review(arguments, flight, layout), time_s)
    with writing(target, overwrite=arguments.overwrite) as temporary:
        picture.save(temporary, format="PNG")
    for note in flight.notes:
        remark(note)
    if arguments.json:
        say_json({"schema": "overlay/still", "version": 1, "output": str(target), "time_s": time_s})
    else:
        say(f"wrote {target}")
    return 0


def _check_target(name: str, overwrite: bool, *, folder: bool = False) -> None:
    # before minutes of work, not after them
    if folder:
        from overlay.output import require_replaceable
        from overlay.render.transparent import SEQUENCE

        require_replaceable(Path(name), SEQUENCE, overwrite)
    elif Path(name).exists() and not overwrite:
        raise UsageError(f"{name} exists; give --overwrite to replace it, or another name")


def _time(arguments: argparse.Namespace, name: str) -> float | None:
    text = getattr(arguments, name)
    if text is None:
        return None
    try:
        return parse_duration(text)
    except ValueError as error:
        raise UsageError(str(error)) from error


def _report(arguments: argparse.Namespace, flight: Flight, done: Rendered) -> None:
    for line in (*map(str, flight.damage), *flight.notes, *map(str, done.damage), *done.notes):
        remark(line)
    if arguments.json:
        say_json(
            {
                "schema": "overlay/render",
                "version": 1,
                "output": done.path,
                "frames": done.frames,
                "seconds": done.duration_s,
                "wall_seconds": done.wall_s,
                "encoder": list(done.arguments),
                "notes": [*flight.notes, *done.notes],
            }
        )
        return
    say(f"wrote {done.path}: {done.frames} frames, {format_duration(done.duration_s)}, in {done.wall_s:.0f} s")
