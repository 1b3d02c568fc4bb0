"""Transparent output is reopened and compared with the panels, alpha and edges included."""

from __future__ import annotations

import struct
from collections.abc import Callable
from contextlib import AbstractContextManager
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from overlay.clock import AffineClock
from overlay.errors import OutputError, UsageError
from overlay.instruments.canvas import Canvas
from overlay.instruments.palette import PALETTES
from overlay.instruments.panel import Rect
from overlay.render.straight import straight
from overlay.render.transparent import KINDS, Grid, render_transparent

SIZE = (128, 96)
GRID = Grid([n * 512 for n in range(20)], Fraction(1, 15360), Fraction(30))


class Soft:
    """A red panel whose alpha rises from left to right, premultiplied."""

    rect = Rect(32, 16, 64, 32)

    def shows(self, time_s: float) -> int | None:
        return None if time_s < 0.2 else 1

    def draw(self, time_s: float) -> np.ndarray:
        alpha = np.tile(np.linspace(0, 255, 64).round(), (32, 1))
        return np.stack([(alpha * 200 / 255).round(), 0 * alpha, 0 * alpha, alpha], axis=2).astype(np.uint8)


def frames(path: Path, kind: str) -> list[tuple[Fraction, np.ndarray]]:
    if kind == "png":  # read by Pillow, which did not write them
        return [
            (Fraction(number, 30), np.asarray(Image.open(file))) for number, file in enumerate(sorted(path.iterdir()))
        ]
    with av.open(str(path)) as source:
        stream = source.streams.video[0]
        if kind == "vp9":  # FFmpeg's own VP9 decoder drops the alpha layer
            decoder = av.CodecContext.create("libvpx-vp9", "r")
            decoder.extradata = stream.codec_context.extradata
            packets = list(source.demux(stream))
            times = [p.pts * p.time_base for p in packets if p.pts is not None]
            decoded = [f for p in packets for f in decoder.decode(p)]
            return [(t, f.to_ndarray(format="rgba")) for t, f in zip(times, decoded, strict=True)]
        return [(f.pts * f.time_base, f.to_ndarray(format="rgba")) for f in source.decode(stream)]


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_alpha_and_straight_colour_come_back(tmp_path: Path, kind: str) -> None:
    target = tmp_path / f"out{KINDS[kind].suffix}"
    done = render_transparent([Soft()], AffineClock(0.0), SIZE, GRID, target, kind=kind)
    found = frames(target, kind)
    assert done.frames == len(found) == 20
    tolerance = Fraction(1, 1000) if kind == "vp9" else Fraction(1, 15360)  # WebM counts milliseconds
    for number, (time_s, _) in enumerate(found):
        assert abs(time_s - Fraction(number, 30)) <= tolerance
    assert found[0][1][..., 3].max() == 0, "nothing is shown yet"
    picture = found[-1][1].astype(int)
    wanted = np.linspace(0, 255, 64)
    assert np.abs(picture[32, 32:96, 3] - wanted).max() <= (10 if kind == "vp9" else 2)
    solid = picture[32, 60:94]
    assert np.abs(solid[:, 0] - 200).max() <= 10, "colour does not darken towards the transparent edge"
    assert solid[:, 1:3].max() <= 14
    outside = picture[..., 3].copy()
    spread = 8 if kind == "vp9" else 0  # lossy alpha rings a little within a transform block of the edge
    outside[16 - spread : 48 + spread, 32 - spread : 96 + spread] = 0
    assert outside.max() == 0


@given(st.integers(1, 255), st.integers(0, 255))
def test_straight_undoes_premultiplying(alpha: int, colour: int) -> None:
    premultiplied = round(colour * alpha / 255)
    got = straight(np.array([[[premultiplied] * 3 + [alpha]]], np.uint8))[0, 0]
    assert abs(int(got[0]) - colour) <= max(1, round(255 / alpha / 2) + 1)
    assert got[3] == alpha


def test_a_wrong_suffix_or_kind_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"\.mov"):
        render_transparent([], AffineClock(0.0), SIZE, GRID, tmp_path / "a.mp4")
    with pytest.raises(UsageError, match="prores, animation, png, vp9"):
        render_transparent([], AffineClock(0.0), SIZE, GRID, tmp_path / "a.mov", kind="gif")
    assert list(tmp_path.iterdir()) == []


class Plate:
    """Sharp type, a line and a hatch on a see-through plate with round corners: every kind of edge there is."""

    rect = Rect(16, 16, 96, 64)
    backed = True

    def shows(self, time_s: float) -> int:
        return 1

    def draw(self, time_s: float) -> np.ndarray:
        canvas = Canvas(96, 64, 1.0)
        palette = PALETTES["calm"]
        if self.backed:
            canvas.box(0, 0, 96, 64, palette.backing, 14.0)
            canvas.hatch([(50, 40), (90, 40), (90, 56), (50, 56)], palette.broken, palette.backing, pitch=6.0)
        canvas.text(8, 30, "147 m", 27.0, palette.ink, weight="semibold")
        canvas.line([(8, 40), (40, 56)], 3.0, palette.air)
        return canvas.pixels


class Bare(Plate):
    """The same without a plate: all of its edges end in nothing."""

    backed = False


@pytest.mark.parametrize(
    ("kind", "panel", "most"),
    [
        *((kind, panel, 1.0) for kind in ("png", "animation") for panel in (Plate, Bare)),
        *(("prores", panel, 3.0) for panel in (Plate, Bare)),
        ("vp9", Bare, 16.0),  # 37 where what is transparent is black
    ],
)
@pytest.mark.parametrize("ground", [(255, 255, 255), (0, 0, 0), (20, 160, 40)])
def test_edges_are_clean_over_any_ground(
    tmp_path: Path, kind: str, panel: type[Plate], most: float, ground: tuple[int, int, int]
) -> None:
    """Reopened, laid over a ground by the straight `over` (Porter and Duff 1984), against the premultiplied patch's own."""
    target = tmp_path / f"out{KINDS[kind].suffix}"
    render_transparent([panel()], AffineClock(0.0), SIZE, GRID, target, kind=kind)
    got = frames(target, kind)[-1][1].astype(float)
    patch, below = panel().draw(0.0).astype(float), np.array(ground, float)
    wanted = np.tile(below, (SIZE[1], SIZE[0], 1))
    wanted[16:80, 16:112] = patch[..., :3] + (1 - patch[..., 3:] / 255) * below
    laid = got[..., :3] * got[..., 3:] / 255 + (1 - got[..., 3:] / 255) * below
    assert np.abs(laid - wanted).max() <= most


def test_a_sequence_is_numbered_and_tagged(tmp_path: Path) -> None:
    """Chunks as ISO/IEC 15948 (PNG) has them: colour type 6, 8 bits a sample, no interlace."""
    done = render_transparent([Soft()], AffineClock(0.0), SIZE, GRID, tmp_path / "overlay", kind="png")
    files = sorted((tmp_path / "overlay").iterdir())
    assert [file.name for file in files] == [f"frame-{n:06d}.png" for n in range(1, 21)]
    assert done.frame_rate == 30
    data = files[0].read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, depth, colour_type, _, _, interlace = struct.unpack(">IIBBBBB", data[16:29])
    assert (width, height, depth, colour_type, interlace) == (*SIZE, 8, 6, 0)
    assert b"sRGB" in data[:200]
    assert list(tmp_path.iterdir()) == [tmp_path / "overlay"]


def test_a_sequence_never_replaces_what_is_not_one(tmp_path: Path) -> None:
    def write(**more: bool) -> None:
        render_transparent([Soft()], AffineClock(0.0), SIZE, GRID, tmp_path / "out", kind="png", **more)

    (tmp_path / "out").mkdir()
    write()  # an empty folder is as good as none
    (tmp_path / "out" / "frame-000099.png").write_text("of an older, longer one")
    with pytest.raises(UsageError, match="--overwrite"):
        write()
    write(overwrite=True)
    assert len(list((tmp_path / "out").iterdir())) == 20
    (tmp_path / "out" / "notes.txt").write_text("mine")
    with pytest.raises(UsageError, match=r"notes\.txt"):
        write(overwrite=True)
    assert len(list((tmp_path / "out").iterdir())) == 21
    with pytest.raises(UsageError, match="not a folder"):
        render_transparent([], AffineClock(0.0), SIZE, GRID, tmp_path / "out" / "notes.txt", kind="png")
    assert list(tmp_path.iterdir()) == [tmp_path / "out"]


def test_a_sequence_that_fails_leaves_nothing(tmp_path: Path) -> None:
    class Broken(Soft):
        def shows(self, time_s: float) -> int:
            if time_s > 0.3:
                raise RuntimeError("broken")
            return 0

    with pytest.raises(RuntimeError, match="broken"):
        render_transparent([Broken()], AffineClock(0.0), SIZE, GRID, tmp_path / "out", kind="png")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("share", [0.05, 0.9])
def test_a_file_that_may_not_grow_is_one_clear_line(
    tmp_path: Path, growing_no_further: Callable[[int], AbstractContextManager[None]], kind: str, share: float
) -> None:
    target = tmp_path / f"out{KINDS[kind].suffix}"
    render_transparent([Soft()], AffineClock(0.0), SIZE, GRID, target, kind=kind)
    files = sorted(target.iterdir()) if target.is_dir() else [target]
    most = int(share * max(file.stat().st_size for file in files))
    before = [file.read_bytes() for file in files]
    with growing_no_further(most), pytest.raises(OutputError, match="too large for this file system") as caught:
        render_transparent([Soft()], AffineClock(0.0), SIZE, GRID, target, kind=kind, overwrite=True)
    assert str(caught.value).startswith(f"{target}: ")
    assert [file.read_bytes() for file in files] == before
    assert list(tmp_path.iterdir()) == [target]
