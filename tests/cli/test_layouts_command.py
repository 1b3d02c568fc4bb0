"""`overlay layouts`: lists, checks, draws; what it cannot do is one line."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from overlay import layouts
from overlay.cli import main

NAMES = [name for name, _ in layouts.available()]


@pytest.fixture
def no_flying(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sample flight takes seconds to fly; any readings do to see what is written."""
    from overlay.cli import sample_moments
    from overlay.gallery import Moment
    from overlay.readings import Readings

    class Still:
        def at(self, name: str) -> Moment:
            return Moment(
                Readings(np.arange(0.0, 60.0)), 5.0, None if name == "silent" else np.zeros((48, 60, 3), np.uint8)
            )

        def ahead(self, time_s: float, size: tuple[int, int]) -> np.ndarray:
            return np.full((size[1], size[0], 3), 128, np.uint8)

    monkeypatch.setattr(sample_moments, "SampleMoments", Still)


def test_the_list_names_every_layout_and_what_it_is_for(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layouts"]) == 0
    told = capsys.readouterr().out
    for name, description in layouts.available():
        assert f"{name}  (" in told
        assert description in told


def test_json_is_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["layouts", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["schema"], told["version"]) == ("overlay/layouts", 1)
    assert [each["name"] for each in told["layouts"]] == NAMES
    by_name = {each["name"]: each for each in told["layouts"]}
    assert by_name["upright"]["shape"] == "upright"
    assert by_name["review"]["shape"] == "wide"
    assert "energy column" in by_name["review"]["instruments"]


def test_ones_own_file_is_checked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "own.toml"
    path.write_text('version = 1\n[[instrument]]\nkind = "bnak"\nanchor = "top"\n')
    assert main(["layouts", str(path)]) == 3
    told = capsys.readouterr().err
    assert f"{path}:3:1" in told
    assert "did you mean 'bank'" in told
    path.write_text('version = 1\n[[instrument]]\nkind = "bank"\nanchor = "top"\n')
    assert main(["layouts", str(path)]) == 0


@pytest.mark.usefixtures("no_flying")
def test_one_is_drawn_at_the_size_asked_for(tmp_path: Path) -> None:
    target = tmp_path / "x.png"
    for ground in ("cloud", "ahead"):
        assert (
            main(["layouts", "review", "-o", str(target), "--ground", ground, "--size", "640x360", "--overwrite"]) == 0
        )
        assert cv2.imread(str(target)).shape == (360, 640, 3)


@pytest.mark.usefixtures("no_flying")
def test_all_are_drawn_into_a_folder_each_on_its_usual_frame(tmp_path: Path) -> None:
    assert main(["layouts", "-o", str(tmp_path / "new"), "--moment", "silent", "--ground", "dark"]) == 0
    drawn = {path.stem: cv2.imread(str(path)).shape[:2] for path in (tmp_path / "new").iterdir()}
    assert drawn == {name: (1920, 1080) if name == "upright" else (1080, 1920) for name in NAMES}


@pytest.mark.usefixtures("no_flying")
def test_the_gallery_is_a_page_with_its_pictures(tmp_path: Path) -> None:
    assert main(["layouts", "plain", "--gallery", str(tmp_path)]) == 0
    page = (tmp_path / "gallery.md").read_text(encoding="utf-8")
    pictures = {path.name for path in (tmp_path / "pictures").iterdir()}
    assert pictures == {"plain.jpg", "plain-grounds.jpg", "palettes.jpg", "sizes.jpg", "upright-frames.jpg"}
    assert all(f"pictures/{name}" in page for name in pictures)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["-o", "x.png"], "name one, or give a folder"),
        (["review", "-o", "x.png", "--size", "640"], "write it as 1920x1080"),
        (["review", "-o", "x.png", "--size", "641x360"], "even numbers"),
        (["review", "-o", "x.png", "--size", "640x99999"], "even numbers"),
        (["review", "-o", "x.png", "--size", "²x²"], "write it as 1920x1080"),
        (["review", "-o", "there.png"], "--overwrite"),
        (["--schema", "there.png"], "--overwrite"),
        (["review", "-o", "there.png/under/x.png"], "is not a folder"),
    ],
)
@pytest.mark.usefixtures("no_flying")
def test_wrong_usage_is_one_line(
    options: list[str], told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.png").write_bytes(b"mine")
    assert main(["layouts", *options]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert error.count("\n") == 1
    assert (tmp_path / "there.png").read_bytes() == b"mine"


def test_the_schema_is_written(tmp_path: Path) -> None:
    target = tmp_path / "schema.json"
    assert main(["layouts", "--schema", str(target)]) == 0
    assert json.loads(target.read_text(encoding="utf-8")) == json.loads(json.dumps(layouts.schema()))
