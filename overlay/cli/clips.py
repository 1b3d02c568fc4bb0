"""`overlay clips`: the moments worth teaching, cut out ready to show."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json, table
from overlay.cli.inputs import add_flight, add_hdr, add_pin, add_terrain, flight_file, source_files
from overlay.clock import format_duration, parse_duration
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.clips.clip_list import Clip, ClipList
    from overlay.clips.cut import Cut
    from overlay.clips.scene import Material
    from overlay.flight import Flight

_KINDS = ("launch", "turn-back", "break-up", "tightest turn", "strongest wind", "automatic return", "landing")
_LIST = "clips.toml"
_STAGE = "cutting the clips"


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "clips",
        help="the moments worth teaching, cut out ready to show",
        description="Propose clips (launch, turn for home, break-ups, tightest turn, strongest wind, automatic return, "
        "landing), cut them into DIR with a title card, a held or slowed moment, a caption and instruments, and write a "
        "contact sheet and the list of clips, which can be edited and cut again. No coordinates and no place are "
        "written; burned-in figures in a picture can be covered in the list.",
    )
    add_flight(parser)
    add_pin(parser)
    add_hdr(parser)
    add_terrain(parser)
    parser.add_argument(
        "-o", "--output", metavar="DIR", required=True, help="the folder to write to; made where missing"
    )
    parser.add_argument(
        "--list", dest="plan", metavar="FILE", help=f"cut what this list says, such as an edited {_LIST}"
    )
    parser.add_argument("--propose", action="store_true", help="write the list alone and cut nothing")
    parser.add_argument("--only", metavar="KIND", nargs="+", choices=_KINDS, help=f"kinds: {', '.join(_KINDS)}")
    parser.add_argument("--most", metavar="N", type=int, help="no more than N clips, those that tell most")
    parser.add_argument("--from", dest="start", metavar="TIME", help="a clip by hand: begin here on the recording")
    parser.add_argument("--at", metavar="TIME", help="with --from: the moment that is held")
    parser.add_argument("--to", dest="end", metavar="TIME", help="with --from: end here on the recording")
    parser.add_argument("--title", metavar="TEXT", help="with --from: what the clip is called")
    parser.add_argument("--picture", choices=("camera", "ground"), help="with --from: the recording (default: camera)")
    parser.add_argument("--layout", default="training", metavar="NAME", help="a layout (default: training)")
    parser.add_argument("--units", choices=("metric", "imperial", "aviation"), help="units (default: the layout's own)")
    parser.add_argument("--height", metavar="LINES", type=int, help="no more lines than this (default: 1080)")
    parser.add_argument("--overwrite", action="store_true", help="replace existing files")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Propose or read the list, then cut."""
    from overlay.clips.series import cut_all
    from overlay.flight import Flight
    from overlay.flight_clips import material_of
    from overlay.output import made_folder, require_folder_name

    _require_sense(arguments)
    file, folder = flight_file(arguments), Path(arguments.output)
    require_folder_name(folder)
    with Stages() as stages:
        flight = Flight(file, pin=arguments.pin, progress=stages)
        material = material_of(flight, arguments.layout, arguments.units, map_hdr=arguments.hdr == "map")
        clips = _asked_clips(arguments, flight, material)
        made_folder(folder)
        written = [_write_list(folder, clips, arguments)] if arguments.plan is None else []
        done: list[Cut] = []
        if not arguments.propose:
            done, sheet = cut_all(
                material, clips, folder, overwrite=arguments.overwrite, progress=partial(stages, _STAGE)
            )
            written += [sheet] if sheet is not None else []
    for line in (*map(str, flight.damage), *flight.notes, *(str(damage) for one in done for damage in one.damage)):
        remark(line)
    _report(arguments, clips, done, written)
    return 0


def cut_clips(
    flight: Flight, folder: Path, *, most: int = 2, height: int = 720, progress: Callable[[str, float], None]
) -> list[tuple[str, str]]:
    """Propose, cut the `most` telling clips of a flight into a new folder; (path, what it is) of what was written."""
    from overlay.clips.clip_list import ClipList
    from overlay.clips.series import cut_all
    from overlay.flight_clips import material_of, proposed_of
    from overlay.output import made_folder

    material = material_of(flight, "training", None)
    clips = ClipList(version=1, height=height, clip=proposed_of(flight, material, most=most))
    made_folder(folder)
    done, sheet = cut_all(material, clips, folder, overwrite=False, progress=partial(progress, _STAGE))
    _write(folder / _LIST, clips, overwrite=False)
    listed = [(one.path, f"training clip: {one.title}") for one in done]
    return [*listed, (str(sheet), "the clips at a glance")] if sheet is not None else listed


def _asked_clips(arguments: argparse.Namespace, flight: Flight, material: Material) -> ClipList:
    from overlay.clips.clip_list import ClipList, read
    from overlay.flight_clips import proposed_of

    if arguments.plan is not None:
        clips = read(arguments.plan)
        return clips if arguments.height is None else clips.model_copy(update={"height": arguments.height})
    height = arguments.height or 1080
    if arguments.start is not None:
        return ClipList(version=1, height=height, clip=(_by_hand(arguments, material),))
    found = proposed_of(flight, material, only=arguments.only, most=arguments.most)
    if not found:
        raise NoAnswerError(
            "no moment of this flight could be proposed as a clip: cut one by hand with --from and --to"
        )
    return ClipList(version=1, height=height, clip=found)


def _by_hand(arguments: argparse.Namespace, material: Material) -> Clip:
    from pydantic import ValidationError

    from overlay.clips.clip_list import Clip

    picture = arguments.picture or next(iter(material.footage))
    held = {"at": arguments.at, "hold_s": 3.0} if arguments.at else {}
    try:
        return Clip(first=arguments.start, end=arguments.end, title=arguments.title or "", picture=picture, **held)
    except ValidationError as error:
        reason = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
        raise UsageError(f"a clip from {arguments.start} to {arguments.end}: {reason}") from error


def _write_list(folder: Path, clips: ClipList, arguments: argparse.Namespace) -> Path:
    return _write(folder / _LIST, clips, overwrite=arguments.overwrite, inputs=source_files(flight_file(arguments)))


def _write(path: Path, clips: ClipList, *, overwrite: bool, inputs: Any = ()) -> Path:
    from overlay.clips.clip_list import as_toml
    from overlay.output import write_text

    write_text(path, as_toml(clips), overwrite=overwrite, inputs=inputs)
    return path


def _require_sense(arguments: argparse.Namespace) -> None:
    by_hand = arguments.start is not None
    if by_hand != (arguments.end is not None):
        raise UsageError("a clip by hand has both --from and --to")
    if not by_hand and (arguments.at or arguments.title or arguments.picture):
        raise UsageError("--at, --title and --picture are for a clip by hand: give --from and --to too")
    if arguments.plan and (by_hand or arguments.only or arguments.propose or arguments.most is not None):
        raise UsageError("--list says which clips are cut; --from, --only, --most and --propose are for a new list")
    if arguments.most is not None and arguments.most < 1:
        raise UsageError(f"--most {arguments.most}: give 1 or more")
    if arguments.height is not None and not 120 <= arguments.height <= 4320:
        raise UsageError(f"--height {arguments.height}: give 120 to 4320 lines")
    for text in filter(None, (arguments.start, arguments.at, arguments.end)):
        try:
            parse_duration(text)
        except ValueError as error:
            raise UsageError(str(error)) from error


def _report(arguments: argparse.Namespace, clips: ClipList, done: list[Cut], written: list[Path]) -> None:
    if arguments.json:
        facts = [
            {"file": one.path, "title": one.title, "frames": one.frames, "seconds": one.duration_s, "sound": one.sound}
            for one in done
        ]
        listed = [clip.model_dump() for clip in clips.clip]
        files = [str(path) for path in written]
        say_json({"schema": "overlay/clips", "version": 1, "list": listed, "clips": facts, "files": files})
        return
    rows = [(one.path, f"{one.title}, {format_duration(one.duration_s)}") for one in done]
    table(
        [*rows, *((str(path), "the list to edit" if path.suffix == ".toml" else "contact sheet") for path in written)]
    )
    if not done:
        say(f"{len(clips.clip)} clips proposed")
