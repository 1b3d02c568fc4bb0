"""The main job from files to findings, on small generated flights whose truth the generator wrote down."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.cli import main
from overlay_samples.demo import Made, make
from overlay_samples.flight import fly
from overlay_samples.logs import receive, write_gpx, write_nmea
from overlay_samples.scenario import SHORT, Scenario


def small(scenario: Scenario, **changes: object) -> Scenario:
    """The scenario with a small onboard picture, and the ground recorder started late: both cost time."""
    camera = replace(scenario.camera, size=(320, 180), frame_rate=Fraction(20))
    recorder = replace(scenario.ground_clock, starts_after_s=100.0)
    return replace(scenario, camera=camera, ground_clock=recorder, **changes)  # type: ignore[arg-type]


OUT_AND_BACK = small(
    SHORT, distance_out_m=1100.0, weave_m=45.0, weave_length_m=420.0, fix_rate_Hz=5.0, velocity_lag_s=0.0, seed=31
)


@pytest.fixture(scope="session")
def flown(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("flight"), OUT_AND_BACK)


def said(capsys: pytest.CaptureFixture[str]) -> dict:
    return json.loads(capsys.readouterr().out)


def truth_of(made: Made) -> dict:
    return json.loads(made.truth.read_text())["camera"]


def align(made: Made, track: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict]:
    code = main(["align", "--camera", *map(str, made.camera), "--track", str(track), "--json"])
    (pair,) = said(capsys)["pairs"]
    return code, pair


def test_a_log_with_attitude_puts_the_camera_on_its_clock(flown: Made, capsys: pytest.CaptureFixture[str]) -> None:
    code, pair = align(flown, flown.radio_log, capsys)
    assert (code, pair["verdict"]) == (0, "sure"), pair
    assert abs(pair["offset_s"] - truth_of(flown)["offset_s"]) <= 0.1
    low, high = pair["interval95_s"]
    assert low < pair["offset_s"] < high
    assert pair["start_utc"].endswith("Z")


@pytest.mark.parametrize("kind", ["gpx", "nmea"])
def test_positions_alone_are_right_or_not_called_sure(
    flown: Made, tmp_path: Path, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two minutes out and back may be too little for positions alone; then the exit code says so."""
    write = {"gpx": write_gpx, "nmea": write_nmea}[kind]
    track = write(tmp_path / f"track.{kind}", receive(flown.flight, lag_s=0.0, velocity_lag_s=0.0))
    code, pair = align(flown, track, capsys)
    assert code == (0 if pair["verdict"] == "sure" else 4)
    if pair["verdict"] == "sure":
        assert abs(pair["offset_s"] - truth_of(flown)["offset_s"]) <= 0.1
    else:
        assert pair["offset_s"] is None
        assert min(abs(c["offset_s"] - truth_of(flown)["offset_s"]) for c in pair["candidates"]) <= 0.25


def test_another_flights_log_is_no_answer(flown: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stranger = fly(replace(OUT_AND_BACK, seed=77, outbound_deg=80.0, wind_from_deg=20.0))
    track = write_gpx(tmp_path / "other.gpx", receive(stranger))
    code, pair = align(flown, track, capsys)
    assert code == 4
    assert pair["verdict"] in ("ambiguous", "none")
    assert pair["offset_s"] is None
    assert pair["start_utc"] is None


def test_a_pin_is_used_and_measured(flown: Made, capsys: pytest.CaptureFixture[str]) -> None:
    from overlay.clock import format_utc

    wanted = truth_of(flown)["offset_s"] + 10.0 + 0.5
    pin = f"0:00:10={format_utc(wanted)}"
    order = ["align", "--camera", *map(str, flown.camera), "--track", str(flown.radio_log), "--pin", pin, "--json"]
    assert main(order) == 0
    (pair,) = said(capsys)["pairs"]
    assert pair["offset_s"] == pytest.approx(wanted - 10.0, abs=2e-3)
    assert pair["evidence"]["pin"]["from_computed_s"] == pytest.approx(0.5, abs=0.12)


def test_render_from_the_flight_folder(flown: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "review.mp4"
    order = ["render", str(flown.folder), "-o", str(target), "--from", "20", "--to", "23", "--layout", "plain"]
    order += ["--inset", "off", "--json"]
    assert main(order) == 0
    report = said(capsys)
    assert (report["schema"], report["frames"]) == ("overlay/render", 60)
    assert report["encoder"][:2] == ["-c:v", "libx264"]
    with av.open(str(target)) as out:
        times = [float(frame.pts * frame.time_base) for frame in out.decode(video=0)]
        assert out.streams.audio
    np.testing.assert_allclose(times, np.arange(60) / 20, atol=1e-4)
    assert main(order) == 2, "nothing is overwritten"
    assert "--overwrite" in capsys.readouterr().err


def test_still_and_transparent(flown: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(flown.folder)
    assert main(["render", folder, "-o", str(tmp_path / "a.png"), "--still", "0:00:30"]) == 0
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    order = [
        "render",
        folder,
        "-o",
        str(tmp_path / "a.mov"),
        "--transparent",
        "animation",
        "--from",
        "20",
        "--to",
        "21",
    ]
    assert main(order) == 0
    with av.open(str(tmp_path / "a.mov")) as out:
        assert sum(1 for _ in out.decode(video=0)) == 20
    capsys.readouterr()


def test_without_any_recording_the_instruments_still_come(
    flown: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "a.mov"
    order = ["render", "--track", str(flown.track), "-o", str(target), "--transparent", "animation", "--to", "0.5"]
    assert main(order) == 0
    with av.open(str(target)) as out:
        assert (out.streams.video[0].width, sum(1 for _ in out.decode(video=0))) == (1920, 15)
    capsys.readouterr()


def test_diagnose_writes_what_it_says(flown: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    series, chart = tmp_path / "s.csv", tmp_path / "c.png"
    order = ["diagnose", "--ground", str(flown.ground), "--series", str(series), "--chart", str(chart), "--json"]
    assert main(order) == 0
    report = said(capsys)
    assert (report["schema"], report["version"], report["recording"]) == ("overlay/breakups", 1, "ground")
    rows = series.read_text().splitlines()
    assert len(rows) == report["frames"] + 1
    assert rows[0].startswith("frame,time_s,grade,state")
    assert chart.read_bytes().startswith(b"\x89PNG")


def test_an_output_that_is_an_input_is_refused(flown: Made, capsys: pytest.CaptureFixture[str]) -> None:
    before = flown.camera[0].read_bytes()
    code = main(["render", str(flown.folder), "-o", str(flown.camera[0]), "--overwrite"])
    assert code == 2
    assert "input" in capsys.readouterr().err
    assert flown.camera[0].read_bytes() == before
