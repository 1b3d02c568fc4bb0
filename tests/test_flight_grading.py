"""The live picture is measured once for the same file and program, and anew for any other."""

from __future__ import annotations

import os
from pathlib import Path

import av
import numpy as np
import pytest

from overlay import motion_cache
from overlay.flight import Flight
from overlay.flight_file import load_flight
from overlay.picture.features import FeatureExtractor


def film(path: Path, seed: int) -> None:
    """Three seconds of a picture that moves, noisy for the second of them."""
    rng = np.random.default_rng(seed)
    ground = np.kron(rng.integers(40, 200, (30, 60)), np.ones((16, 16)))
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=25, options={"qscale": "3"})
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for number in range(75):
            grey = ground[2 * number : 2 * number + 240, number : number + 320]
            grey = grey + (40.0 if 25 <= number < 50 else 1.0) * rng.normal(size=grey.shape)
            picture = np.clip(grey, 0, 255).astype(np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray8").reformat(format="yuv420p")))
        out.mux(stream.encode(None))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    film(tmp_path / "live.mp4", 1)
    (tmp_path / "flight.toml").write_text('version = 1\n[ground]\nfiles = ["live.mp4"]\n', encoding="utf-8")
    return tmp_path


@pytest.fixture
def measured(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Times of the frames that were measured since the list was last cleared."""
    times: list[float] = []
    push = FeatureExtractor.push

    def counted(self, time_s, *picture, **more) -> None:
        times.append(time_s)
        push(self, time_s, *picture, **more)

    monkeypatch.setattr(FeatureExtractor, "push", counted)
    return times


def graded(folder: Path):
    return Flight(load_flight(folder)).graded


def test_a_second_run_takes_the_frames_as_measured_and_finds_the_same(folder, measured) -> None:
    first = graded(folder)
    assert len(measured) == 75
    second = graded(folder)
    assert len(measured) == 75
    for name, values in vars(first.features).items():
        np.testing.assert_array_equal(getattr(second.features, name), values, err_msg=name)
    np.testing.assert_array_equal(second.grade, first.grade)
    assert second.events == first.events
    assert second.frame_rate == first.frame_rate


def test_a_changed_file_or_program_is_measured_anew(folder, measured, monkeypatch) -> None:
    first = graded(folder)
    measured.clear()
    status = (folder / "live.mp4").stat()
    film(folder / "live.mp4", 2)
    os.utime(folder / "live.mp4", ns=(status.st_atime_ns, status.st_mtime_ns + 1))
    other = graded(folder)
    assert len(measured) == 75
    assert not np.array_equal(other.features.brightness, first.features.brightness)
    measured.clear()
    monkeypatch.setattr(motion_cache, "__version__", "0.0.0.another")
    graded(folder)
    assert len(measured) == 75


def test_nothing_is_kept_of_files_given_one_by_one(folder, measured) -> None:
    from overlay.flight_file import flight_of

    file = flight_of(ground=[str(folder / "live.mp4")])
    for _ in range(2):
        Flight(file).graded  # noqa: B018
    assert len(measured) == 150
    assert not (folder / motion_cache.FOLDER).exists()


def test_pictures_that_cannot_be_decoded_are_told_each_time(folder, measured) -> None:
    """Else a recording broken for minutes would be said never to have broken up."""
    path = folder / "live.mp4"
    with av.open(str(path)) as film_:
        packets = [(packet.pos, packet.size) for packet in film_.demux(video=0) if packet.size]
    data = bytearray(path.read_bytes())
    for place, size in packets[30:41]:
        data[place : place + size] = bytes(size)
    path.write_bytes(data)
    for _ in range(2):  # measured, and taken from the cache
        flight = Flight(load_flight(folder))
        lost = 75 - len(flight.graded.features.time_s)
        assert lost >= 11
        assert (
            sum(int(damage.what.split()[0]) for damage in flight.damage if "cannot be decoded" in damage.what) == lost
        )
        assert any(damage.where.startswith("1.2") for damage in flight.damage)
    assert len(measured) == 75 - lost
