"""`overlay new`: write a flight.toml from files, saying what was recognised."""

from __future__ import annotations

import argparse
import os
from typing import Any, NamedTuple

from overlay.cli.console import say

_HD_LINES = 720  # common practice, no source: onboard recordings are HD, live pictures seldom


class _Form(NamedTuple):
    """A recording's size as shown, and its codec."""

    width: int
    height: int
    codec: str

    @property
    def pixels(self) -> int:
        return self.width * self.height

    def __str__(self) -> str:
        return f"{self.width}×{self.height} {self.codec}"


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "new",
        help="write a flight.toml from files, saying what it recognised",
        description="Write DIR/flight.toml. Files given without an option are told apart by content: a log is the "
        "track; of recordings of two sizes the larger is the onboard camera's, the smaller the ground station's; of one "
        "size, 720 lines and more are the camera's. With --camera or --ground the others are the other's.",
    )
    parser.add_argument("folder", metavar="DIR", help="the flight's folder; made if missing")
    parser.add_argument("files", metavar="FILE", nargs="*", help="recordings and the log; chapters in order")
    parser.add_argument("--camera", metavar="FILE", nargs="+", default=[], help="the HD recording made on board")
    parser.add_argument("--ground", metavar="FILE", nargs="+", default=[], help="the recording of the live picture")
    parser.add_argument("--track", metavar="FILE", help="the logged track")
    parser.add_argument("--title", default="", help="a title for the flight")
    parser.add_argument("--overwrite", action="store_true", help="replace an existing flight.toml")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Sort the files, check that each can be read, and write the flight."""
    from overlay.errors import UsageError
    from overlay.flight_file import FILE_NAME
    from overlay.output import made_folder, write_text

    if not arguments.folder:
        raise UsageError("DIR is empty: name the flight's folder, or . for this one")
    camera, ground, track = list(arguments.camera), list(arguments.ground), arguments.track
    recordings: dict[str, _Form] = {}
    for name in arguments.files:
        form = _form(name)
        if form is not None:
            recordings[name] = form
        elif track is not None:
            raise UsageError(f"two logs given, {track} and {name}: a flight has one track")
        else:
            track = name
            say(f"{name}: track")
    for name, kind in _told_apart(recordings, bool(camera), bool(ground)).items():
        say(f"{name}: {kind}")
        (camera if kind == "camera" else ground).append(name)
    if not (camera or ground or track):
        raise UsageError("no files given: name recordings and a log")
    folder = made_folder(arguments.folder)
    target = folder / FILE_NAME
    write_text(target, _toml(folder, arguments.title, camera, ground, track), overwrite=arguments.overwrite)
    say(f"wrote {target}")
    return 0


def _form(name: str) -> _Form | None:
    """What all chapters of a recording share; None for a log."""
    from overlay.inspection import inspect_file

    described = inspect_file(name)
    if described["kind"] == "track":
        return None
    return _Form(described["display_width"], described["display_height"], described["codec"])


def _told_apart(recordings: dict[str, _Form], has_camera: bool, has_ground: bool) -> dict[str, str]:
    """For each recording "camera" or "ground". Raises UsageError where they do not tell."""
    from overlay.errors import UsageError

    forms = sorted(set(recordings.values()), key=lambda form: form.pixels)
    if not forms:
        return {}
    if has_camera != has_ground and len(forms) == 1:
        return dict.fromkeys(recordings, "ground" if has_camera else "camera")
    if has_camera or has_ground or len(forms) > 2 or (len(forms) == 2 and forms[0].pixels == forms[1].pixels):
        each = "; ".join(f"{name} is {form}" for name, form in recordings.items())
        raise UsageError(f"which is whose recording cannot be told: {each}; say so with --camera and --ground")
    if len(forms) == 2:
        return {name: "ground" if form == forms[0] else "camera" for name, form in recordings.items()}
    return dict.fromkeys(recordings, "camera" if min(forms[0][:2]) >= _HD_LINES else "ground")


def _toml(folder: str | os.PathLike[str], title: str, camera: list[str], ground: list[str], track: str | None) -> str:
    import json

    def quoted(name: str) -> str:
        return json.dumps(os.path.relpath(name, folder), ensure_ascii=False)  # JSON strings are TOML basic strings

    lines = ["version = 1"]
    if title:
        lines.append(f"title = {json.dumps(title, ensure_ascii=False)}")
    for section, names in (("camera", camera), ("ground", ground)):
        if names:
            lines += ["", f"[{section}]", f"files = [{', '.join(quoted(name) for name in names)}]"]
    if track:
        lines += ["", "[track]", f"file = {quoted(track)}"]
    lines += ["", "# [pack]", "# capacity_mAh = 10000", "# cells = 4", "# usable_fraction = 0.8"]
    return "\n".join(lines) + "\n"
