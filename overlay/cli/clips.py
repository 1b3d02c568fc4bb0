"""`overlay clips`: the moments worth teaching, cut out ready to show."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json, table
from overlay.cli.inputs import add_flight, add_pin, add_terrain, flight_file, source_files
from overlay.clock import format_duration, parse_duration
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.clips.clip_list import Clip, ClipList
    from overlay.clips.cut import Cut
    from overlay.clips.moments import Moment
    from overlay.clips.plan import Plan
    from overlay.clips.scene import Material
    from overlay.flight import Flight

_KINDS = ("launch", "turn-back", "break-up", "tightest turn", "strongest wind", "automatic return", "landing")
_LIST, _SHEET = "clips.toml", "clips.png"
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
    from overlay.flight import Flight

    _require_sense(arguments)
    file, folder = flight_file(arguments), Path(arguments.output)
    with Stages() as stages:
        flight = Flight(file, pin=arguments.pin, progress=stages)
        material = material_of(flight, arguments.layout, arguments.units)
        clips = _asked_clips(arguments, flight, material)
        _make(folder)
        written = [_write_list(folder, clips, arguments)] if arguments.plan is None else []
        done: list[Cut] = []
        if not arguments.propose:
            done, sheet = cut_all(material, clips, folder, overwrite=arguments.overwrite, progress=stages)
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

    material = material_of(flight, "training", None)
    clips = ClipList(version=1, height=height, clip=_proposed(flight, material, None, most))
    _make(folder)
    done, sheet = cut_all(material, clips, folder, overwrite=False, progress=progress)
    _write(folder / _LIST, clips, overwrite=False)
    listed = [(one.path, f"training clip: {one.title}") for one in done]
    return [*listed, (str(sheet), "the clips at a glance")] if sheet is not None else listed


def material_of(flight: Flight, layout: str, units: Any) -> Material:
    """What the clips of a flight are made of; a recording whose clock is not known stands for itself."""
    from overlay.clips.propose import Footage
    from overlay.clips.scene import Material
    from overlay.layouts import load

    found = load(layout)
    footage: dict[Any, Footage] = {}
    for name, there in (("camera", flight.file.camera), ("ground", flight.file.ground)):
        if there is not None:
            footage[name] = Footage(flight.recording(name), _clock(flight, name))
    if not footage:
        raise UsageError("clips need a recording: give one with --camera or --ground")
    aligned = any(one.clock is not None for one in footage.values())
    readings = flight.readings if flight.file.track is not None and aligned else None
    return Material(footage, readings, found, units)


def _clock(flight: Flight, name: str) -> Any:
    if flight.file.track is None and name == "ground" and flight.file.camera is None:
        return None
    try:
        return flight.clock(name)
    except NoAnswerError as error:
        flight.notes.append(f"no instruments on the {name} recording: {error}")
        return None


def _proposed(flight: Flight, material: Material, only: list[str] | None, most: int | None) -> tuple[Clip, ...]:
    from overlay.clips.moments import moments, most_telling
    from overlay.clips.propose import Footage, proposed
    from overlay.clock import AffineClock
    from overlay.instruments.quantities import UNITS

    lacking: tuple[str, ...] = ()
    footage = material.footage
    if material.readings is None:
        ground = footage.get("ground")
        if ground is not None and ground.clock is None:  # then its own clock is all there is, and the other's another
            footage = {"ground": Footage(ground.recording, AffineClock(0.0))}
        found = _seen_alone(flight, material)
    else:
        units = UNITS[material.units or material.layout.units]
        found, lacking = moments(material.readings, units, _causes(flight))
    if only:
        found = tuple(moment for moment in found if moment.kind in only)
        lacking = tuple(line for line in lacking if any(f"no clip of {kind}:" in line for kind in only))
    clips, left_out = proposed(most_telling(found, most) if most is not None else found, footage)
    flight.notes += [*lacking, *left_out]
    return clips


def _seen_alone(flight: Flight, material: Material) -> tuple[Moment, ...]:
    """Without a log: the break-ups, on the clock of the recording that shows them."""
    from overlay.clips.moments import Moment, title_of

    if "ground" not in material.footage:
        return ()
    clock = material.footage["ground"].clock
    at = (lambda t: t) if clock is None else clock.to_reference
    return tuple(
        Moment(
            "break-up",
            at(event.onset_s),
            title_of("break-up"),
            f"Picture breaks up: {event.kind}",
            5 - event.worst_grade,
        )
        for event in flight.graded.events
    )


def _causes(flight: Flight) -> Mapping[float, str]:
    """A few words on the likeliest cause of a break-up by its onset, where one is likelier than not."""
    if flight.file.ground is None or flight.file.track is None:
        return {}
    try:
        clock = flight.clock("ground")
    except NoAnswerError:
        return {}
    words = {}
    for event in flight.diagnosis.events:
        if event.causes:
            top = max(event.causes, key=lambda cause: float(str(cause["probability"])))
            likely = float(str(top["probability"]))
            if likely > 0.5 and top["cause"] != "unexplained":
                words[clock.to_reference(event.onset_s)] = f"most likely cause: {top['cause']} ({100 * likely:.0f} %)"
    return words


def _asked_clips(arguments: argparse.Namespace, flight: Flight, material: Material) -> ClipList:
    from overlay.clips.clip_list import ClipList, read

    if arguments.plan is not None:
        clips = read(arguments.plan)
        return clips if arguments.height is None else clips.model_copy(update={"height": arguments.height})
    height = arguments.height or 1080
    if arguments.start is not None:
        return ClipList(version=1, height=height, clip=(_by_hand(arguments, material),))
    found = _proposed(flight, material, arguments.only, arguments.most)
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


def cut_all(
    material: Material, clips: ClipList, folder: Path, *, overwrite: bool, progress: Callable[[str, float], None]
) -> tuple[list[Cut], Path | None]:
    """Cut every clip of the list that is to be cut; then the contact sheet, None where nothing was."""
    from overlay.clips.clip_list import file_name
    from overlay.clips.cut import cut
    from overlay.clips.propose import plan_of
    from overlay.clips.scene import scene_of

    jobs: list[tuple[Clip, Path, Plan]] = []
    for number, clip in enumerate(clips.clip, 1):
        if clip.cut:
            scene_of(material, clip, clips)  # what cannot be drawn is told before anything is cut
            plan = plan_of(clip, clips, material.footage[clip.picture].recording)
            jobs.append((clip, folder / file_name(number, clip), plan))
    sheet = folder / _SHEET
    _require_free([path for _, path, _ in jobs] + ([sheet] if jobs else []), overwrite)
    total, before, done = sum(plan.frames for *_, plan in jobs), 0, []
    for clip, path, plan in jobs:
        told = before
        done.append(
            cut(scene_of(material, clip, clips), plan, path, overwrite=overwrite,
                progress=lambda n, told=told: progress(_STAGE, (told + n) / total))  # type: ignore[misc]
        )  # fmt: skip
        before += plan.frames
    if not done:
        return [], None
    _write_sheet(sheet, [(clip, plan) for clip, _, plan in jobs], done, overwrite)
    return done, sheet


def _write_sheet(path: Path, jobs: list[tuple[Clip, Plan]], done: list[Cut], overwrite: bool) -> None:
    from overlay.clips.sheet import Row, contact_sheet
    from overlay.output import writing

    rows = []
    for (clip, plan), one in zip(jobs, done, strict=True):
        facts = f"{Path(one.path).name} · {format_duration(one.duration_s)} · {clip.picture} {clip.first} to {clip.end}"
        rows.append(Row(clip.name, f"{facts} · {plan.frames} pictures", one.stills))
    with writing(path, overwrite=overwrite) as temporary:
        contact_sheet(rows).save(temporary, format="PNG")


def _write_list(folder: Path, clips: ClipList, arguments: argparse.Namespace) -> Path:
    return _write(folder / _LIST, clips, overwrite=arguments.overwrite, inputs=source_files(flight_file(arguments)))


def _write(path: Path, clips: ClipList, *, overwrite: bool, inputs: Any = ()) -> Path:
    from overlay.clips.clip_list import as_toml
    from overlay.output import write_text

    write_text(path, as_toml(clips), overwrite=overwrite, inputs=inputs)
    return path


def _make(folder: Path) -> None:
    from overlay.errors import OutputError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder}: cannot be made ({error.strerror}); give another folder") from error


def _require_free(paths: list[Path], overwrite: bool) -> None:
    there = [path for path in paths if path.exists()]
    if there and not overwrite:
        raise UsageError(f"{there[0]} exists; give --overwrite to replace it, or another folder")


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
