"""High dynamic range brought to BT.709: each step against an independent library, the whole against a reopened file."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import colour
import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from overlay.clock import AffineClock
from overlay.errors import UsageError
from overlay.instruments.palette import PALETTES
from overlay.instruments.panel import Rect
from overlay.recordings import open_recording
from overlay.render.encoder import Encoder
from overlay.render.footage import Staged, Whole
from overlay.render.inset import Inset
from overlay.render.pipeline import Review, render, still
from overlay.render.stage import Stage
from overlay.render.tone import HLG, PQ, hlg_light, pq_light, pq_signal, rolled_off, standard

Recorded = Callable[..., Path]
LOSSLESS = Encoder(options={"qp": "0", "preset": "ultrafast"})
CALM = PALETTES["calm"]
NAMES = {PQ: "smpte2084", HLG: "arib-std-b67"}


def test_pq_is_that_of_colour_science() -> None:
    signal = np.linspace(0, 1, 1001)
    assert pq_light(signal) == pytest.approx(colour.models.eotf_ST2084(signal), rel=1e-9, abs=1e-9)
    light = np.geomspace(0.001, 10000, 300)
    assert pq_signal(light) == pytest.approx(colour.models.eotf_inverse_ST2084(light), abs=1e-12)


def test_hlg_is_that_of_colour_science() -> None:
    signal = np.random.default_rng(2).random((500, 3))
    wanted = colour.models.eotf_BT2100_HLG(signal, L_B=0, L_W=1000, gamma=1.2)
    assert hlg_light(signal) == pytest.approx(wanted, rel=1e-6)


def test_reference_levels_are_those_of_bt_2408() -> None:
    """Report ITU-R BT.2408 table 1: reference white 203 cd/m² at 58 % PQ and 75 % HLG, grey card 26 cd/m² at 38 %."""
    assert pq_signal(203.0) == pytest.approx(0.58, abs=0.005)
    assert pq_signal(26.0) == pytest.approx(0.38, abs=0.005)
    assert hlg_light(np.full(3, 0.75)) == pytest.approx(203.0, abs=1.0)
    assert hlg_light(np.full(3, 0.38)) == pytest.approx(26.0, abs=1.0)


def curve(light: np.ndarray) -> np.ndarray:
    """The EETF written anew: unity slope up to the knee, then SciPy's Hermite spline to a level end, all in PQ."""
    signal = colour.models.eotf_inverse_ST2084(np.minimum(light, 1000.0))
    peak, most = (float(colour.models.eotf_inverse_ST2084(np.array(level))) for level in (1000.0, 203.0))
    knee = 1.5 * most / peak - 0.5
    spline = CubicHermiteSpline([knee, 1.0], [knee, most / peak], [1.0, 0.0])
    mapped = np.where(signal / peak < knee, signal / peak, spline(np.maximum(signal / peak, knee)))
    return np.asarray(colour.models.eotf_ST2084(mapped * peak))


def test_highlights_roll_off_and_nothing_else_does() -> None:
    light = np.geomspace(0.01, 1000, 2000)
    mapped = rolled_off(light)
    assert mapped == pytest.approx(curve(light), rel=1e-6)
    assert mapped[light < 87] == pytest.approx(light[light < 87], rel=1e-6)
    assert (np.diff(mapped) > 0).all()
    assert rolled_off(np.array([1000.0, 5000.0])) == pytest.approx(203.0)


def expected(signal: np.ndarray, transfer: int) -> np.ndarray:
    """R'G'B' of BT.709 by colour-science's curves and primaries."""
    light = colour.models.eotf_ST2084(signal) if transfer == PQ else colour.models.eotf_BT2100_HLG(signal)
    matrix = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES["ITU-R BT.2020"], colour.RGB_COLOURSPACES["ITU-R BT.709"])
    return np.asarray(np.clip(curve(light) @ matrix.T / 203.0, 0, 1) ** (1 / 2.4))


@pytest.mark.parametrize("transfer", [PQ, HLG])
def test_the_whole_way_of_a_colour(transfer: int) -> None:
    """Within half a code value of 8 bits, but where a component all but vanishes and the curve is upright."""
    signal = np.random.default_rng(3).random((4000, 3))
    got, wanted = standard(signal, transfer), expected(signal, transfer)
    clear = wanted > 0.1
    assert np.abs(got - wanted)[clear].max() < 0.5 / 255
    assert np.abs(got - wanted).max() < 0.02


def hdr_recording(path: Path, recorded: Recorded, transfer: int, planes: tuple[int, int, int]) -> Path:
    params = f"colorprim=bt2020:transfer={NAMES[transfer]}:colormatrix=bt2020nc"
    options = {"qp": "0", "x264-params": params}
    return recorded(path, frames=8, sound=False, pixel_format="yuv420p10le", options=options, planes=planes)


COLOURS = [(60, 128, 128), (105, 118, 140), (120, 110, 150), (144, 128, 128), (150, 135, 120), (180, 128, 128)]


@pytest.mark.parametrize("planes", COLOURS)
@pytest.mark.parametrize("transfer", [PQ, HLG])
def test_a_mapped_recording_reopened(
    tmp_path: Path, recorded: Recorded, transfer: int, planes: tuple[int, int, int]
) -> None:
    """The reopened colour is the float one to two code values, on the whole picture, in the inset and in a still."""
    recording = open_recording([hdr_recording(tmp_path / "in.mp4", recorded, transfer, planes)])
    footage = Staged(recording, Stage(160, 96, Rect(0, 0, 160, 96)), CALM, Fraction(0), recording.duration_s, True)
    window = Inset(recording, AffineClock(0.0), Rect(80, 48, 40, 24), map_hdr=True)
    review = Review(footage, AffineClock(0.0), (), window, encoder=LOSSLESS)
    render(review, tmp_path / "out.mp4")
    ten_bits = np.array(planes) * 4
    signal = colour.YCbCr_to_RGB(
        ten_bits, K=colour.WEIGHTS_YCBCR["ITU-R BT.2020"], in_bits=10, in_legal=True, in_int=True, clamp_int=False
    )
    wanted = expected(np.clip(signal, 0, 1), transfer)
    with av.open(str(tmp_path / "out.mp4")) as out:
        frame = next(out.decode(video=0))
        context = out.streams.video[0].codec_context
        assert (context.color_primaries, context.color_trc, context.colorspace, context.color_range) == (1, 1, 1, 1)
        whole = frame.to_ndarray()
    luma, chroma = whole[:96], whole[96:].reshape(2, 48, 80)
    rgb8 = np.rint(wanted * 255)
    legal = colour.RGB_to_YCbCr(
        wanted, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], out_bits=8, out_legal=True, out_int=True
    )
    for y, x in ((10, 10), (60, 100)):
        got = np.array([luma[y, x], *chroma[:, y // 2, x // 2]], float)
        assert np.abs(got - legal).max() <= 2
    assert np.abs(np.asarray(still(review, 0.1))[10, 10].astype(float) - rgb8).max() <= 4


@pytest.mark.parametrize("transfer", [PQ, HLG])
def test_unasked_it_is_refused_with_what_to_do(tmp_path: Path, recorded: Recorded, transfer: int) -> None:
    recording = open_recording([hdr_recording(tmp_path / "in.mp4", recorded, transfer, COLOURS[0])])
    with pytest.raises(UsageError, match="--hdr map"):
        render(Review(Whole(recording), AffineClock(0.0)), tmp_path / "out.mp4")
    with pytest.raises(UsageError, match="--hdr map"):
        Inset(recording, AffineClock(0.0), Rect(0, 0, 40, 24))
    assert not (tmp_path / "out.mp4").exists()
