"""What a flight's files allow to be drawn on: by default, as asked, and what is refused."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.cli import main
from overlay.cli.inputs import parse_rate, parse_size
from overlay.errors import UsageError
from overlay.flight import Flight
from overlay.flight_file import flight_of
from overlay.flight_review import Sight, picture_of

GPX = """<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>
{points}</trkseg></trk></gpx>"""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A track of two minutes: standing, 1.5 km out, and back."""
    out = np.clip(np.concatenate([np.zeros(20), np.linspace(0, 0.0135, 50), np.linspace(0.0135, 0, 50)]), 0, 1)
    points = "".join(
        f'<trkpt lat="{12.5 + north:.6f}" lon="-38.25"><ele>{10 + 8000 * north:.1f}</ele>'
        f"<time>2026-05-03T10:{n // 60:02d}:{n % 60:02d}Z</time></trkpt>\n"
        for n, north in enumerate(out)
    )
    path = tmp_path / "track.gpx"
    path.write_text(GPX.format(points=points))
    return path


def flight(**files: list[str] | str) -> Flight:
    given = {"camera": [], "ground": [], "track": None, **files}
    return Flight(flight_of(**given))  # type: ignore[arg-type]


def test_the_picture_is_the_best_there_is() -> None:
    assert picture_of(flight(camera=["a.mp4"], ground=["b.mp4"]), Sight()) == "camera"
    assert picture_of(flight(ground=["b.mp4"]), Sight()) == "ground"
    assert picture_of(flight(track="c.gpx"), Sight()) == "none"
    assert picture_of(flight(camera=["a.mp4"], ground=["b.mp4"]), Sight("both")) == "both"


def test_a_recording_keeps_its_size_and_its_times() -> None:
    made = flight(camera=["a.mp4"], ground=["b.mp4"])
    with pytest.raises(UsageError, match=r"--size.*camera.*keeps its own size"):
        picture_of(made, Sight(size=(1280, 720)))
    with pytest.raises(UsageError, match=r"--rate.*keeps its own frame times"):
        picture_of(made, Sight("both", size=(1280, 720), rate=Fraction(25)))
    assert picture_of(made, Sight("none", size=(1280, 720), rate=Fraction(25))) == "none"


def test_a_log_alone_is_drawn_on_a_plain_ground(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out.mp4"
    order = ["render", "--track", str(log), "-o", str(out), "--size", "640x360", "--rate", "29.97", "--json"]
    assert main([*order, "--from", "0:40", "--to", "0:42"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["frames"] == 61, "from the one on show at 40 s, number 1198, to number 1258"
    with av.open(str(out)) as source:
        frames = list(source.decode(video=0))
        assert source.streams.video[0].average_rate == Fraction(30000, 1001)
    assert (len(frames), frames[0].width, frames[0].height) == (61, 640, 360)
    luma = [frame.to_ndarray()[:360].astype(int) for frame in frames]
    assert np.ptp(luma[0]) > 150, "instruments are drawn"
    assert any((luma[-1] != luma[0]).ravel()), "and they move"


def test_a_log_alone_as_numbered_pictures(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "pictures"
    order = ["render", "--track", str(log), "-o", str(out), "--transparent", "png", "--size", "640x360", "--rate", "10"]
    order += ["--from", "0:40", "--to", "0:41"]
    assert main([*order, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["frames"], told["frame_rate"], told["alpha"]) == (10, "10", "straight")
    assert len(list(out.iterdir())) == 10
    assert main(order) == 2
    assert "not empty" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["camera", "ground", "both"])
def test_what_is_not_there_is_wrong_usage(
    name: str, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["render", "--track", str(log), "-o", str(tmp_path / "out.mp4"), "--picture", name]) == 2
    assert "has no" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["track.gpx"]


@pytest.mark.parametrize("text", ["", "1280", "1280x", "x720", "1281x720", "32x32", "1280x720x2", "٣٢٠x٢٤٠", "1e3x720"])
def test_what_is_no_size(text: str) -> None:
    with pytest.raises(UsageError, match="--size"):
        parse_size(text)


@pytest.mark.parametrize("text", ["", "0", "-25", "nan", "inf", "1/0", "25fps", "1000", "1e400"])
def test_what_is_no_rate(text: str) -> None:
    with pytest.raises(UsageError, match="--rate"):
        parse_rate(text)


def test_rates_of_the_trade() -> None:
    """The rates of SMPTE ST 12-1 that are short for n·1000/1001."""
    short = {"23.976": 24, "23.98": 24, "29.97": 30, "47.95": 48, "59.94": 60, "119.88": 120}
    for text, nominal in short.items():
        assert parse_rate(text) == Fraction(nominal * 1000, 1001)
    for text in ("24", "25", "30", "50", "60", "12.5"):
        assert parse_rate(text) == Fraction(text)
    assert parse_rate("30000/1001") == Fraction(30000, 1001)
