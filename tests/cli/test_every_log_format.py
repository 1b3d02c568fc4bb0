"""One drawn flight, put on the clock of its log in every format: what the reader makes of a format decides the clock."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import av
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from overlay.cli import main
from overlay_samples import logs, radio_log
from overlay_samples.flight import Flight, fly
from overlay_samples.scenario import DEFAULT

pytestmark = pytest.mark.timeout(900)  # four minutes of pictures are drawn and watched

RATE, BEGAN_S = 15, 4.2  # pictures a second; when the recording began after the flight's first moment
CALM = replace(DEFAULT, distance_out_m=2200.0, loiter_turns=1.5, wind_mps=0.0, seed=3)


@pytest.fixture(scope="module")
def writers(loaded: Callable[[str], ModuleType]) -> ModuleType:
    """Of the logs that the readers' own tests read."""
    return loaded("tests/tracks/conftest.py")


@pytest.fixture(scope="module")
def flight() -> Flight:
    return fly(CALM)


@pytest.fixture(scope="module")
def folder(flight: Flight, loaded: Callable[[str], ModuleType], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Holds the recording, drawn by the benchmark's cheap view; what is seen in it is kept there and measured once."""
    folder = tmp_path_factory.mktemp("formats")
    view = loaded("benchmarks/aerial_view.py").AerialView(320, 180)
    moments = flight.start_s + BEGAN_S + np.arange(int((flight.duration_s - BEGAN_S - 1) * RATE)) / RATE
    truth = (flight.heading_rad, flight.pitch_rad, flight.bank_rad, flight.north_m, flight.east_m, flight.up_m)
    heading, pitch, bank, north, east, up = (flight.at(column, moments) for column in truth)
    camera = Rotation.from_euler("ZYX", np.column_stack((heading, pitch, bank)))
    with av.open(str(folder / "camera.mp4"), "w") as out:
        stream = out.add_stream("libx264", rate=RATE, options={"preset": "ultrafast", "crf": "22"})
        stream.width, stream.height, stream.pix_fmt = 320, 180, "yuv420p"
        for k, pose in enumerate(camera):
            picture = view.picture(pose, np.array([north[k], east[k], max(up[k], 1.0)]), k)
            frame = av.VideoFrame.from_ndarray(picture, "gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, RATE)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())
    return folder


Write = Callable[[Path, Flight, ModuleType], Path]


def by_autopilot(name: str, rate_Hz: float) -> Write:
    """Attitude and places by the writers of the readers' own tests; pitch is not in them."""

    def write(path: Path, flight: Flight, writers: ModuleType) -> Path:
        time = np.round(np.arange(flight.start_s, flight.start_s + flight.duration_s, 1 / rate_Hz), 3)
        latitude, longitude, height = (flight.at(column, time) for column in flight.geodetic)
        velocity = np.column_stack([flight.at(column, time) for column in flight.velocity_mps.T])
        flown = writers.Flown(
            time, latitude, longitude, height, np.hypot(velocity[:, 0], velocity[:, 1]),
            np.degrees(flight.at(flight.heading_rad, time)) % 360, np.degrees(flight.at(flight.bank_rad, time)),
        )  # fmt: skip
        path.write_bytes(getattr(writers, name)(flown))
        return path

    return write


def by_receiver(write: Callable[..., Path], rate_Hz: float) -> Write:
    """Places, in some formats speed and course too, of a receiver without delay."""
    return lambda path, flight, _writers: write(path, logs.receive(flight, rate_Hz, lag_s=0.0, velocity_lag_s=0.0))


def by_radio(path: Path, flight: Flight, _writers: ModuleType) -> Path:
    return radio_log.write_csv(path, flight, rate_Hz=10.0)


@dataclass(frozen=True)
class Format:
    """How it is written, how late its rows are, and by how many seconds the clock may miss that."""

    write: Write
    late_s: float
    most_s: float
    always_sure: bool = True


FORMATS = {
    "gpx": Format(by_receiver(logs.write_gpx, 5.0), 0.0, 0.1),
    "kml": Format(by_receiver(logs.write_kml, 5.0), 0.0, 0.1),
    "nmea": Format(by_receiver(logs.write_nmea, 5.0), 0.0, 0.1),
    # One place a second for four minutes: not to be sure is an honest answer.
    "igc": Format(by_receiver(logs.write_igc, 1.0), 0.0, 0.1, always_sure=False),
    "csv": Format(by_radio, radio_log.TELEMETRY_DELAY_S, 0.01),
    "bin": Format(by_autopilot("dataflash_binary", 10.0), 0.0, 0.01),
    "log": Format(by_autopilot("dataflash_text", 10.0), 0.0, 0.01),
    "tlog": Format(by_autopilot("tlog", 10.0), 0.02, 0.025),  # its link delivers 0 to 0.04 s late
    "ulg": Format(by_autopilot("ulog", 10.0), 0.0, 0.01),
}


@pytest.mark.parametrize("suffix", list(FORMATS))
def test_the_clock_is_the_logs_whatever_its_format(
    suffix: str, flight: Flight, writers: ModuleType, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    form = FORMATS[suffix]
    track = form.write(folder / f"track.{suffix}", flight, writers)
    (folder / "flight.toml").write_text(f'[camera]\nfiles = ["camera.mp4"]\n\n[track]\nfile = "{track.name}"\n')
    code = main(["align", str(folder), "--json"])
    (pair,) = json.loads(capsys.readouterr().out)["pairs"]
    assert code == (0 if pair["verdict"] == "sure" else 4)
    if pair["verdict"] != "sure":
        assert not form.always_sure, pair
        return
    true = flight.start_s + BEGAN_S + form.late_s
    assert abs(pair["offset_s"] - true) <= form.most_s
    low, high = pair["interval95_s"]
    assert low - form.late_s < true < high + form.late_s
