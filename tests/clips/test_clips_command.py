from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from overlay.cli import main


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory, numbered: Callable[..., Path]) -> Path:
    return numbered(tmp_path_factory.mktemp("clip") / "camera.mp4")


def test_by_hand_then_again_from_the_edited_list(
    source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "clips"
    order = ["clips", "--camera", str(source), "-o", str(out), "--from", "1", "--at", "0:00:02", "--to", "3"]
    assert main([*order, "--title", "Look here", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert (said["schema"], said["clips"][0]["title"]) == ("overlay/clips", "Look here")
    assert {path.name for path in out.iterdir()} == {"01-look-here.mp4", "clips.png", "clips.toml"}
    assert main(order) == 2, "nothing is overwritten"
    edited = tmp_path / "edited.toml"
    edited.write_text(
        (out / "clips.toml").read_text().replace("Look here", "Look there").replace("hold_s = 3.0", "hold_s = 1.0")
    )
    capsys.readouterr()
    assert main(["clips", "--camera", str(source), "-o", str(tmp_path / "b"), "--list", str(edited), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert said["clips"][0]["frames"] - again["clips"][0]["frames"] == 50  # two seconds of holding less, at 25 a second
    assert (tmp_path / "b" / "01-look-there.mp4").exists()


@pytest.mark.parametrize(
    "extra",
    [
        ["--from", "1"],
        ["--to", "1"],
        ["--title", "x"],
        ["--from", "3", "--to", "1"],
        ["--from", "x", "--to", "1"],
        ["--from", "1", "--to", "99"],
        ["--from", "1", "--to", "2", "--picture", "ground"],
        ["--most", "0"],
        ["--height", "7"],
        ["--list", "x.toml", "--only", "launch"],
    ],
)
def test_senseless_orders_are_refused(
    source: Path, tmp_path: Path, extra: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["clips", "--camera", str(source), "-o", str(tmp_path / "c"), *extra]) == 2
    said = capsys.readouterr().err.strip()
    assert len(said.splitlines()) == 1
    assert not list((tmp_path / "c").glob("*.mp4"))


def test_nothing_to_propose_is_no_answer(source: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["clips", "--camera", str(source), "-o", str(tmp_path / "c")]) == 4
    assert "--from" in capsys.readouterr().err


@pytest.mark.parametrize("camera_too", [False, True])
def test_without_a_known_clock_a_break_up_is_cut_from_the_recording_that_shows_it(
    source: Path, camera_too: bool
) -> None:
    from types import SimpleNamespace

    from overlay.clips.propose import Take
    from overlay.clips.scene import Material
    from overlay.clock import AffineClock
    from overlay.flight_clips import proposed_of
    from overlay.layouts import load
    from overlay.recordings import open_recording

    recording = open_recording([source])
    event = SimpleNamespace(onset_s=4.0, kind="noise", worst_grade=2.0)
    flight = SimpleNamespace(graded=SimpleNamespace(events=[event]), notes=[])
    footage = {"ground": Take(recording, None)}
    if camera_too:
        footage["camera"] = Take(recording, AffineClock(0.0))
    (clip,) = proposed_of(flight, Material(footage, None, load("training")))
    assert (clip.picture, clip.view, clip.at) == ("ground", "alone", "0:00:04.000")
