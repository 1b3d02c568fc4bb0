"""Every wrong setting is told with file, line, column, what was found and what to do."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import FlightFileError
from overlay.flight_file import FlightFile, flight_of, load_flight


def write(folder: Path, text: str) -> Path:
    (folder / "flight.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("version = 2", "1:1", "input should be 1"),
        ("version = 1\n[camera]\nfiles = []", "3:1", "name at least one"),
        ("[pack]\n  capacity_mah = 3000", "2:3", "did you mean 'capacity_mAh'"),
        ('[pack]\ncapacity_mAh = "3"', "2:1", "valid number"),
        ("[pack]\ncapacity_mAh = -3", "2:1", "greater than or equal to 50"),
        ("[pack]\ncapacity_mAh = 3.3", "2:1", "greater than or equal to 50"),  # Ah
        ("[downlink]\nfrequency_MHz = 5.8", "2:1", "greater than or equal to 20"),  # GHz
        ("[control]\npower_mW = 0.1", "2:1", "greater than or equal to 1"),  # W
        ('[track]\nfile = "C:\\Users\\me\\log.csv"', "2:13", "write paths with / or in 'single quotes'"),
        ("[track]\nfile = log.csv", "2:8", "put text in quotes"),
        ("[pack\nx", "1:6", "expected ']'"),
        ('[track]\nfile = "x"\ncolumns = {a = 1}', "3:1", "valid string"),
        ('[downlink]\npolarisation = "oblique"', "2:1", "'vertical', 'horizontal'"),
        (
            "flie = 3",
            "1:1",
            "known here: camera, control, downlink, ground, home, pack, terrain, title, track, version, weather",
        ),
        ("[ground]", "1:1", "'ground.files' is missing"),
        ('folder = "/"', "1:1", "unknown key 'folder'"),
    ],
)
def test_each_mistake_is_one_line_with_its_place(tmp_path: Path, text: str, place: str, words: str) -> None:
    with pytest.raises(FlightFileError) as caught:
        load_flight(write(tmp_path, text))
    message = str(caught.value)
    assert message.startswith(f"{tmp_path / 'flight.toml'}:{place}: ")
    assert words in message
    assert "\n" not in message


def test_a_whole_flight_is_read_and_paths_begin_at_its_folder(tmp_path: Path) -> None:
    text = """
version = 1
title = "Out over the salt marsh"
camera = { files = ["a.mp4", "b.mp4"], field_of_view_deg = 110 }
ground.files = ["g.avi"]
[track]
file = "log.csv"
columns = { ground_speed_mps = "Spd (km/h)" }
[pack]
capacity_mAh = 10000
cells = 4
"""
    flight = load_flight(write(tmp_path, text))
    assert flight.camera is not None
    assert flight.camera.files == ("a.mp4", "b.mp4")
    assert flight.camera.field_of_view_deg == 110
    assert flight.pack is not None
    assert flight.pack.usable_fraction == 0.8
    assert flight.track is not None
    assert flight.track.columns == {"ground_speed_mps": "Spd (km/h)"}
    assert flight.path("a.mp4") == tmp_path / "a.mp4"
    assert load_flight(tmp_path / "flight.toml") == flight


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    (tmp_path / "flight.toml").write_bytes(b'\xef\xbb\xbf[track]\r\nfile = "x.gpx"\r\n')
    track = load_flight(tmp_path).track
    assert track is not None
    assert track.file == "x.gpx"


@pytest.mark.parametrize("text", ["", "version = 1\n[pack]\ncapacity_mAh = 3000\n"])
def test_a_flight_of_no_file_says_so(tmp_path: Path, text: str) -> None:
    with pytest.raises(FlightFileError, match=r"names no recording and no log; add \[camera\]"):
        load_flight(write(tmp_path, text))


def test_what_is_far_too_large_is_something_else(tmp_path: Path) -> None:
    with pytest.raises(FlightFileError, match="larger than 1 MiB"):
        load_flight(write(tmp_path, "# a film\n" * 200_000))


def test_a_folder_without_a_flight_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(FlightFileError, match="overlay new"):
        load_flight(tmp_path)


def test_a_recording_is_not_a_flight_file(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").write_bytes(b"\0" * 100)
    with pytest.raises(FlightFileError, match=r"a\.mp4: not a flight file; give a folder with a flight\.toml$"):
        load_flight(tmp_path / "a.mp4")
    with pytest.raises(FlightFileError, match=r"give a folder with a flight\.toml, or the files as --camera$"):
        load_flight(tmp_path / "a.mp4", otherwise=", or the files as --camera")


@given(st.binary(max_size=300))
def test_any_bytes_are_a_flight_or_one_line(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    (folder / "flight.toml").write_bytes(data)
    try:
        assert isinstance(load_flight(folder), FlightFile)
    except FlightFileError as error:
        assert str(error).count("\n") == 0


def test_files_given_one_by_one() -> None:
    flight = flight_of(camera=["x.mp4"], track="t.gpx")
    assert flight.ground is None
    assert flight.path("x.mp4") == Path("x.mp4")
