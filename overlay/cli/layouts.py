"""`overlay layouts`: the layouts there are, checked, drawn over hard grounds, and the schema of their files."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import parse_size
from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.cli.sample_moments import SampleMoments
    from overlay.gallery import Moment, Picture
    from overlay.layouts import Layout

AHEAD = "ahead"  # the sample flight's own picture, as a ground beside those of `overlay.gallery`
GROUNDS = (AHEAD, "cloud", "dark", "busy", "sun", "night", "water")
MOMENTS = ("far", "near", "silent")


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "layouts",
        help="list the layouts, check one of your own, draw them",
        description="List the layouts: what each is for, its shape and its instruments. With -o they are drawn on a "
        "moment of a generated flight, over grounds that are hard to read on.",
    )
    parser.add_argument(
        "layouts", metavar="LAYOUT", nargs="*", help="a layout's name or a .toml file (default: all that are built in)"
    )
    parser.add_argument("-o", "--output", metavar="OUT", help="draw: one layout as a .png, or each into this folder")
    parser.add_argument(
        "--ground", choices=GROUNDS, default=AHEAD,
        help="what lies behind: the sample flight's view ahead (the default), white cloud, dark ground, a busy "
        "texture, the low sun, night, glittering water",
    )  # fmt: skip
    parser.add_argument("--size", metavar="WxH", help="of the picture (default: 1920x1080, or 1080x1920 if upright)")
    parser.add_argument(
        "--moment", choices=MOMENTS, default="far",
        help="far out as the picture breaks up (the default), near home, or while the log is silent",
    )  # fmt: skip
    parser.add_argument(
        "--units", choices=("metric", "imperial", "aviation"), help="units shown (default: the layout's own)"
    )
    parser.add_argument("--gallery", metavar="DIR", help="write a page with pictures of every layout into a folder")
    parser.add_argument("--schema", metavar="FILE", help="write the JSON Schema of layout files")
    parser.add_argument("--overwrite", action="store_true", help="replace existing outputs")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """List, draw or write what is asked for; every layout named is read, and so checked, first."""
    from overlay.layouts import available, load

    size = parse_size(arguments.size) if arguments.size else None
    names = arguments.layouts or [name for name, _ in available()]
    found = {name: load(name) for name in names}
    written: list[Path] = []
    if arguments.schema:
        written.append(_write_schema(Path(arguments.schema), overwrite=arguments.overwrite))
    if arguments.output:
        written += _draw(arguments, found, size)
    if arguments.gallery:
        written += _write_gallery(Path(arguments.gallery), found, overwrite=arguments.overwrite)
    _tell(arguments, found, written)
    return 0


def _tell(arguments: argparse.Namespace, found: dict[str, Layout], written: list[Path]) -> None:
    for layout in found.values():
        for note in layout.notes:
            remark(note)
    if arguments.json:
        listed = [layout.summary(Path(name).stem) for name, layout in found.items()]
        facts = {"layouts": listed, "written": [str(path) for path in written]}
        say_json({"schema": "overlay/layouts", "version": 1, **facts})
        return
    for path in written:
        say(f"wrote {path}")
    if not written:
        _list(found)


def _list(found: dict[str, Layout]) -> None:
    for name, layout in found.items():
        facts = layout.summary(Path(name).stem)
        beside = "both side by side" if facts["pictures"] == "both" else None
        say(f"{facts['name']}  ({facts['shape']}, {beside or ('with inset' if facts['inset'] else 'without inset')})")
        say(f"    {facts['description']}")
        say(f"    {', '.join(dict.fromkeys(facts['instruments']))}")


def _write_schema(target: Path, *, overwrite: bool) -> Path:
    from overlay.layouts import schema_text
    from overlay.output import write_text

    write_text(target, schema_text(), overwrite=overwrite)
    return target


def _draw(arguments: argparse.Namespace, found: dict[str, Layout], size: tuple[int, int] | None) -> list[Path]:
    from overlay.cli.sample_moments import SampleMoments
    from overlay.gallery import drawn

    output = Path(arguments.output)
    one = output.suffix.lower() == ".png"
    if one and len(found) != 1:
        raise UsageError(f"{output} is one picture, and {len(found)} layouts are asked for: name one, or give a folder")
    targets = [output] if one else [output / f"{Path(name).stem}.png" for name in found]
    _check(targets, overwrite=arguments.overwrite)
    with Stages() as stages:
        stages("flying the sample flight", 0.0)
        sample = SampleMoments()
        moment = sample.at(arguments.moment)
        stages("flying the sample flight", 1.0)
        for number, (target, layout) in enumerate(zip(targets, found.values(), strict=True)):
            ground = _ground(sample, moment, arguments.ground, size or layout.usual_size())
            picture = drawn(layout, moment.readings, moment.time_s, ground, inset=moment.live, units=arguments.units)
            _save(picture, target, overwrite=arguments.overwrite)
            stages("drawing", (number + 1) / len(targets))
    return targets


def _ground(sample: SampleMoments, moment: Moment, name: str, size: tuple[int, int]) -> Picture:
    from overlay.gallery import ground

    return sample.ahead(moment.time_s, size) if name == AHEAD else ground(name, *size)


def _check(targets: list[Path], *, overwrite: bool) -> None:
    """Refuse before the work what would be refused after it; make the folder."""
    from overlay.output import made_folder

    for target in targets:
        if target.exists() and not overwrite:
            raise UsageError(f"{target} exists; give --overwrite to replace it, or another name")
    made_folder(targets[0].parent)


def _save(picture: Picture, target: Path, *, overwrite: bool) -> None:
    from PIL import Image

    from overlay.output import writing

    jpeg = target.suffix == ".jpg"
    with writing(target, overwrite=overwrite) as temporary:
        options: dict[str, Any] = {"quality": 78, "optimize": True} if jpeg else {}
        Image.fromarray(picture).save(temporary, format="JPEG" if jpeg else "PNG", **options)


def _write_gallery(folder: Path, found: dict[str, Layout], *, overwrite: bool) -> list[Path]:
    from overlay.cli.sample_moments import SampleMoments
    from overlay.gallery import page, plates
    from overlay.output import made_folder, write_text

    named = {Path(name).stem: layout for name, layout in found.items()}
    target = folder / "gallery.md"
    pictures = folder / "pictures"
    _check([target], overwrite=overwrite)
    made_folder(pictures)
    sample, written = SampleMoments(), [target]
    with Stages() as stages:
        drawings = plates(named, sample.at, sample.ahead)
        for name, picture, share in drawings:
            stages("drawing the gallery", share)
            written.append(pictures / name)
            _save(picture, written[-1], overwrite=overwrite)
    write_text(target, page(named), overwrite=overwrite)
    return written
