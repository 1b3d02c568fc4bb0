"""Files given without an option are told apart by what they hold, or not at all."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from overlay.cli import main
from overlay.flight_file import load_flight


def record(path: Path, width: int, height: int, codec: str = "libx264") -> str:
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for _ in range(3):
            frame = av.VideoFrame.from_ndarray(np.full((height, width, 3), 90, np.uint8), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return str(path)


def sorted_as(folder: Path, *arguments: str) -> tuple[list[str], list[str]]:
    """(camera's, ground's) files of the flight that is written, without their folder."""
    assert main(["new", str(folder / "flight"), *arguments, "--overwrite"]) == 0
    found = load_flight(folder / "flight")
    camera = found.camera.files if found.camera else []
    ground = found.ground.files if found.ground else []
    return [Path(name).name for name in camera], [Path(name).name for name in ground]


def test_of_two_sizes_the_larger_is_the_cameras(tmp_path: Path) -> None:
    """A digital live picture has 720 lines itself, and a small camera fewer than those."""
    for sizes in (((1920, 1080), (1280, 720)), ((1280, 720), (720, 576)), ((960, 544), (720, 480))):
        larger, smaller = sizes
        first, second = (record(tmp_path / f"c{n}-{larger[0]}.mp4", *larger) for n in (1, 2))
        live = record(tmp_path / f"g-{smaller[0]}-{larger[0]}.mp4", *smaller)
        assert sorted_as(tmp_path, live, first, second) == (
            [Path(first).name, Path(second).name],
            [Path(live).name],
        )


@pytest.mark.parametrize(("size", "kind"), [((1280, 720), "camera"), ((720, 576), "ground"), ((720, 1280), "camera")])
def test_of_one_size_its_lines_tell(tmp_path: Path, size: tuple[int, int], kind: str) -> None:
    name = record(tmp_path / "one.mp4", *size)
    assert sorted_as(tmp_path, name) == ((["one.mp4"], []) if kind == "camera" else ([], ["one.mp4"]))


def test_where_one_is_said_outright_the_rest_are_the_others(tmp_path: Path) -> None:
    camera, live = record(tmp_path / "c.mp4", 1280, 720), record(tmp_path / "g.mp4", 1280, 720)
    assert sorted_as(tmp_path, live, "--camera", camera) == (["c.mp4"], ["g.mp4"])
    assert sorted_as(tmp_path, camera, "--ground", live) == (["c.mp4"], ["g.mp4"])


def test_what_cannot_be_told_is_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    large, small, least = (record(tmp_path / f"{w}.mp4", w, w // 2) for w in (1280, 720, 360))
    other = record(tmp_path / "other.mp4", 1280, 640, "mpeg4")
    for files in ((large, small, least), (large, other), (small, "--camera", large, "--ground", other)):
        assert main(["new", str(tmp_path / "flight"), *files]) == 2
        said = capsys.readouterr().err.strip()
        assert said.count("\n") == 0
        assert "--camera and --ground" in said
        assert small in said or other in said
    assert not (tmp_path / "flight" / "flight.toml").exists()
