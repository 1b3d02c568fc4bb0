"""`overlay debrief` and `overlay export` from the command line, on a log without recordings."""

from __future__ import annotations

import json
import re
from pathlib import Path

import gpxpy
import pandas as pd
import pyproj
import pytest

from overlay.cli import main
from overlay_samples.flight import fly
from overlay_samples.logs import receive, write_gpx
from overlay_samples.radio_log import write_csv

GEOD = pyproj.Geod(ellps="WGS84")


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder, flight = tmp_path_factory.mktemp("flown"), fly()
    write_csv(folder / "radio.csv", flight)
    write_gpx(folder / "track.gpx", receive(flight))
    text = 'version = 1\ntitle = "Over the moor"\n[track]\nfile = "radio.csv"\n[pack]\ncapacity_mAh = 3300\n'
    (folder / "flight.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_debrief_says_its_verdict_and_writes_its_page(made: Path, tmp_path: Path, capsys) -> None:
    target = tmp_path / "debrief.html"
    assert main(["debrief", str(made), "-o", str(target), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["schema"], told["version"], told["output"]) == ("overlay/debrief", 1, str(target))
    answers = {each["question"]: each for each in told["verdict"]}
    assert "km from home" in answers["How far?"]["answer"]
    assert answers["When did the live picture break up?"]["known"] is False
    written = target.read_text(encoding="utf-8")
    assert "Over the moor" in written
    assert str(made) not in written  # nobody's folders
    assert main(["debrief", str(made), "-o", str(target)]) == 2
    assert "already exists" in capsys.readouterr().err
    assert main(["debrief", str(made), "-o", str(target), "--overwrite"]) == 0
    assert capsys.readouterr().out.startswith("How far? ")


def test_positions_alone_make_a_debrief(made: Path, tmp_path: Path, capsys) -> None:
    target = tmp_path / "debrief.html"
    assert main(["debrief", "--track", str(made / "track.gpx"), "-o", str(target)]) == 0
    assert re.search(r"No data: [^<]*Charge; Control link", target.read_text(encoding="utf-8"))
    assert "nan" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["debrief", "FLIGHT", "-o", "page.pdf"], "ends in .html"),
        (["export", "FLIGHT", "-o", "flight.xlsx"], "use one of .csv"),
        (["export", "FLIGHT", "-o", "flight.kml", "--breakups"], "written as .csv"),
        (["export", "FLIGHT", "-o", "flight.kml", "--recording", "ground"], "for captions"),
        (["export", "FLIGHT", "-o", "flight.otio"], "needs a recording"),
        (["export", "FLIGHT", "-o", "flight.otio", "--recording", "ground"], "for captions"),
        (["export", "FLIGHT", "-o", "flight.vtt"], "no camera recording"),
        (["export", "FLIGHT", "-o", "flight.csv", "--breakups"], "no ground recording"),
        (["export", "FLIGHT", "-o", "flight.gpx", "--without-home", "-1"], "radius in metres"),
    ],
)
def test_what_makes_no_sense_is_wrong_usage(
    made: Path, tmp_path: Path, capsys, monkeypatch, arguments, message
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([str(made) if each == "FLIGHT" else each for each in arguments]) == 2
    said = capsys.readouterr().err
    assert message in said
    assert said.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_exports_are_private_unless_asked(made: Path, tmp_path: Path, capsys) -> None:
    def export(name: str, *more: str) -> Path:
        assert main(["export", str(made), "-o", str(tmp_path / name), *more]) == 0
        return tmp_path / name

    table = pd.read_csv(export("private.csv"))
    assert "range_m" in table
    assert "latitude_deg" not in table
    assert "--without-home" in capsys.readouterr().err
    whole = pd.read_csv(export("whole.csv", "--without-home", "0"))
    home = whole.loc[whole["range_m"].idxmin()]
    cut = pd.read_csv(export("cut.csv", "--without-home", "700"))
    assert "range_m" not in cut
    assert 0 < len(cut) < len(whole)
    private = gpxpy.parse(export("private.gpx").read_text())
    for places, least in (
        (list(zip(cut["longitude_deg"], cut["latitude_deg"], strict=True)), 700.0),
        ([(p.longitude, p.latitude) for p in private.tracks[0].segments[0].points], 300.0),
    ):
        for longitude, latitude in places:
            far = GEOD.inv(home["longitude_deg"], home["latitude_deg"], longitude, latitude)[2]
            assert far > least - 5.0  # as far as the row nearest to home is from it


def test_too_wide_a_circle_is_refused_and_leaves_nothing(made: Path, tmp_path: Path, capsys) -> None:
    target = tmp_path / "path.geojson"
    assert main(["export", str(made), "-o", str(target), "--without-home", "90000"]) == 4
    assert "every position lies within 90000 m of home" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_input_is_never_written_over(made: Path, capsys) -> None:
    before = (made / "track.gpx").read_bytes()
    arguments = ["export", "--track", str(made / "track.gpx"), "-o", str(made / "track.gpx"), "--overwrite"]
    assert main(arguments) == 2
    assert "is the input" in capsys.readouterr().err
    assert (made / "track.gpx").read_bytes() == before
