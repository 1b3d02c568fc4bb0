"""Text as coverage masks: one family, three weights, tabular figures, other scripts from a second family.

The digits, the minus sign and the figure space of the family all have one advance, so that a changing number does not
move its neighbours; no shaping feature is needed for that.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from importlib.resources import as_file, files
from importlib.util import find_spec
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Weight = Literal["regular", "semibold", "bold"]
Mask = NDArray[np.uint8]

_FILES = {
    "regular": ("SourceSansPro-Regular.ttf", "DejaVuSans.ttf"),
    "semibold": ("SourceSansPro-Semibold.ttf", "DejaVuSans-Bold.ttf"),
    "bold": ("SourceSansPro-Bold.ttf", "DejaVuSans-Bold.ttf"),
}
_SURE = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180)))) | set("\u202f\u2007\u2212–—’“”…·°±≈")


class Lettered(NamedTuple):
    """Coverage (h, w) of a line of text; its left edge and baseline lie `left`, `top` pixels from the mask's corner."""

    mask: Mask
    left: int
    top: int
    advance: float


@lru_cache(maxsize=4096)
def letter(text: str, weight: Weight, size_px: float) -> Lettered:
    """Set one line of text at `size_px` pixels to the em; the pen starts at x = 0 on the baseline y = 0."""
    runs = [(run, _font(path, size_px)) for run, path in _runs(text, weight)]
    pens, pen = [], 0.0
    for run, font in runs:
        pens.append(round(pen))
        pen += font.getlength(run)
    boxes = [font.getbbox(run, anchor="ls") for run, font in runs]
    left = int(min((x + box[0] for x, box in zip(pens, boxes, strict=True)), default=0)) - 1
    top = int(min((box[1] for box in boxes), default=0)) - 1
    right = int(max((x + box[2] for x, box in zip(pens, boxes, strict=True)), default=0)) + 1
    bottom = int(max((box[3] for box in boxes), default=0)) + 1
    image = Image.new("L", (right - left, bottom - top), 0)
    pencil = ImageDraw.Draw(image)
    for x, (run, font) in zip(pens, runs, strict=True):
        pencil.text((x - left, -top), run, fill=255, font=font, anchor="ls")
    mask = np.asarray(image)
    mask.flags.writeable = False
    return Lettered(mask, left, top, pen)


def advance(text: str, weight: Weight, size_px: float) -> float:
    """Width in pixels that the line takes."""
    return letter(text, weight, size_px).advance


def add_family(path: Path) -> None:
    """Use a font file of the user's for characters that the built-in families lack; OSError when it is none."""
    ImageFont.truetype(str(path), 20)
    if path not in _EXTRA:
        _EXTRA.append(path)
        letter.cache_clear()
        _runs.cache_clear()


def lacking(text: str) -> str:
    """The characters of a text that no family at hand can write."""
    families = [*_family_files("regular"), *_EXTRA]
    return "".join(
        c for c in dict.fromkeys(_composed(text)) if c not in _SURE and not any(c in _covered(f) for f in families)
    )


def find_fonts(text: str) -> str:
    """Look among the machine's own fonts for what the families at hand lack; return what still cannot be written."""
    missing = lacking(text)
    for path in _machine_fonts() if missing else ():
        if not _covers_any(path, missing):
            continue
        try:
            add_family(path)
        except OSError:  # a font of coloured bitmaps, for instance, which has no free size
            continue
        missing = lacking(text)
        if not missing:
            break
    return missing


# Grows only by `add_family`, and only for characters that would otherwise be empty boxes.
_EXTRA: list[Path] = []
_MISSING = "…"


@lru_cache(maxsize=256)
def _font(path: Path, size_px: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(path), size_px)


@lru_cache(maxsize=1024)
def _runs(text: str, weight: Weight) -> tuple[tuple[str, Path], ...]:
    """Split into runs by the first family that has the characters; a text one family has whole is not split.

    What no family has is not drawn as empty boxes: one … stands for any number of such characters.
    """
    families = [*_family_files(weight), *_EXTRA]
    text = _composed(text)
    if not text or _SURE.issuperset(text):
        return ((text, families[0]),) if text else ()
    for path in families:
        if _covered(path).issuperset(text):
            return ((text, path),)
    runs: list[tuple[str, Path]] = []
    for character in text:
        able = [p for p in families if character in _covered(p)]
        if not able:
            character = "" if runs and runs[-1][0].endswith(_MISSING) else _MISSING
        path = (able or families)[0]
        if runs and runs[-1][1] == path:
            runs[-1] = (runs[-1][0] + character, path)
        else:
            runs.append((character, path))
    return tuple(runs)


@lru_cache(maxsize=8)
def _family_files(weight: Weight) -> tuple[Path, Path]:
    sans, other = _FILES[weight]
    matplotlib = find_spec("matplotlib")  # found, not imported: that would take longer than all the lettering
    assert matplotlib is not None
    assert matplotlib.origin is not None
    with as_file(files("font_source_sans_pro") / "files" / sans) as path:
        return Path(path), Path(matplotlib.origin).with_name("mpl-data") / "fonts" / "ttf" / other


@lru_cache(maxsize=64)
def _covered(path: Path) -> frozenset[str]:
    from matplotlib.ft2font import FT2Font

    return frozenset(map(chr, FT2Font(str(path)).get_charmap()))


def _composed(text: str) -> str:
    """An accent written after its letter becomes one character with it where there is one."""
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def _machine_fonts() -> list[Path]:
    """Return the fonts that the machine has, upright and of usual weight first."""
    from matplotlib.font_manager import findSystemFonts

    def unusual(path: Path) -> tuple[bool, str]:
        name = path.stem.lower()
        return any(word in name for word in ("bold", "italic", "oblique", "light", "thin", "mono")), name

    return sorted((Path(name) for name in findSystemFonts()), key=unusual)


def _covers_any(path: Path, characters: str) -> bool:
    try:
        return not _covered(path).isdisjoint(characters)
    except (OSError, RuntimeError):  # what lies in a folder of fonts need not be one
        return False
