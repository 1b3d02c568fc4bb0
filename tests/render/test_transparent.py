"""Transparent output is reopened and compared with the panels, alpha and edges included."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.clock import AffineClock
from overlay.errors import UsageError
from overlay.instruments.panel import Rect
from overlay.render.transparent import KINDS, Grid, render_transparent, straight

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
    target = tmp_path / f"out{KINDS[kind][0]}"
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
    with pytest.raises(UsageError, match="prores, animation, vp9"):
        render_transparent([], AffineClock(0.0), SIZE, GRID, tmp_path / "a.mov", kind="gif")
    assert list(tmp_path.iterdir()) == []
