"""A log and a hill, from files to the cause named: made here, with exact Fresnel integrals and none of the package's radio."""

from __future__ import annotations

import json

import numpy as np
import pyproj
import pytest
from scipy.special import fresnel

from overlay.cli import main

HOME = (47.3, -33.9)
GEOD = pyproj.Geod(ellps="WGS84")
MHZ = 868.0
RIDGE_M, TOP_M, BASE_M, WIDE_M = 2000.0, 60.0, 30.0, 150.0
RIDGE_LATITUDE = GEOD.fwd(HOME[1], HOME[0], 0.0, RIDGE_M)[1]
HEADER = "Date,Time (UTC),Latitude (deg),Longitude (deg),Altitude (m),Roll (rad),Yaw (rad),RSSI (dBm),Link quality (%)"


def ground_m(latitude, longitude):
    """A ridge from west to east, 60 m over a plain that lies 30 m over the sea."""
    north = (latitude - RIDGE_LATITUDE) * 111_200.0
    return BASE_M + TOP_M * np.exp(-((north / WIDE_M) ** 2)) + 0.0 * longitude


def edge_dB(distance, height):
    """Exact loss behind the ridge taken as a knife edge (P.526 eq. 30), nothing where the sight line clears it well."""
    behind = np.maximum(distance - RIDGE_M, 1.0)
    line = 2.0 + (height - 2.0) * RIDGE_M / np.maximum(distance, 1.0)
    v = (TOP_M - line) * np.sqrt(2.0 * MHZ / 299.792458 * (1.0 / RIDGE_M + 1.0 / behind))
    s, c = fresnel(np.maximum(v, -0.75))
    loss = -20.0 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2)
    return np.where(distance > RIDGE_M + 100.0, np.maximum(loss, 0.0), 0.0)


def write_log(path, *, strength=True, quality=True):
    """Stand, fly 4 km north past the ridge at 70 m and back at 18 m/s, land; the control link as its strength lets it."""
    time = np.arange(0.0, 520.0, 0.5)
    flown = np.interp(time, [0, 30, 252, 474, 520], [0, 0, 4000, 5, 5])
    up = np.interp(time, [0, 30, 55, 455, 474, 520], [0, 0, 70, 70, 0, 0])
    yaw = np.where(time < 252, 0.0, np.pi)
    rng = np.random.default_rng(7)
    slow = np.convolve(rng.normal(size=len(time) + 15), np.ones(16) / 4.0, "valid") * 1.2
    margin = 16.0 - 20 * np.log10(np.maximum(np.hypot(flown, up), 30.0) / 4000.0) - edge_dB(flown, up) + slow
    pct = np.clip(100.0 / (1.0 + np.exp(-1.5 * (margin - 1.0))), 0, 100)
    lines = [HEADER]
    for i, t in enumerate(time):
        lon, lat, _ = GEOD.fwd(HOME[1], HOME[0], 0.0, flown[i])
        clock = f"2026-05-03,10:{int(t) // 60:02d}:{t % 60:06.3f}"
        link = f"{margin[i] - 100:.0f}" * strength + "," + f"{pct[i]:.0f}" * quality
        lines.append(f"{clock},{lat:.7f},{lon:.7f},{BASE_M + up[i]:.1f},0.0,{yaw[i]:.3f},{link}")
    path.write_text("\n".join(lines) + "\n")
    return path


def flight(folder, *, control=True, **log):
    write_log(folder / "radio.csv", **log)
    radio = (
        f'[control]\nfrequency_MHz = {MHZ}\ntransmit_aerial = "dipole"\nreceive_aerial = "dipole"\n' if control else ""
    )
    (folder / "flight.toml").write_text(f'version = 1\n[track]\nfile = "radio.csv"\n{radio}')
    return folder


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    return flight(tmp_path_factory.mktemp("behind-the-ridge"))


@pytest.fixture(params=["hgt", "hgt as it is zipped", "GeoTIFF"])
def hill(request, tmp_path, hgt, geotiff):
    """The ridge in a file of heights."""
    if request.param == "GeoTIFF":
        step = 1 / 3600
        latitude, longitude = 47.36 - (np.arange(260) + 0.5) * step, -33.95 + (np.arange(360) + 0.5) * step
        heights = ground_m(*np.meshgrid(latitude, longitude, indexing="ij")).astype(np.float32)
        return geotiff(tmp_path / "ridge.tif", heights, -33.95, 47.36, step)
    tile = hgt("N47W034", ground_m)
    if request.param == "hgt":
        return tile
    import zipfile

    with zipfile.ZipFile(tmp_path / "N47W034.hgt.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.write(tile, tile.name)
    return tmp_path / "N47W034.hgt.zip"


def links(capsys, *order):
    assert main(["diagnose", *map(str, order), "--json"]) == 0
    return json.loads(capsys.readouterr().out)["links"]


def test_the_hill_is_named_where_its_heights_are_given(flown, hill, capsys):
    found = links(capsys, flown, "--terrain", hill)["control"]
    behind = [event for event in found["events"] if event["at"]["range_m"] > RIDGE_M + 300]
    assert len(behind) >= 1
    for event in behind:
        assert event["causes"][0]["cause"] == "horizon or hill"
        assert event["causes"][0]["probability"] > 0.5
        assert event["causes"][0]["loss_dB"] > 6.0
        assert "the ground 2.0 km from the station stood" in event["sentence"]
        assert event["least_pct"] < 80.0
    assert any(each["condition"] == "clearance from the ground" for each in found["correlations"])


def test_without_its_heights_the_hill_is_not_named(flown, capsys):
    found = links(capsys, flown)["control"]
    assert found["events"]
    assert all(event["causes"][0]["cause"] != "horizon or hill" for event in found["events"])


def test_the_same_in_words_and_in_the_debrief(flown, hill, tmp_path, capsys):
    assert main(["diagnose", str(flown), "--terrain", str(hill)]) == 0
    out, err = capsys.readouterr()
    assert "control link faded  (" in out
    assert "the ground 2.0 km from the station stood" in out
    assert "Not the weather" in out or "not the weather" in out
    assert "short at its farthest, 4.0 km out" in out
    assert "no ground recording" in err
    page = tmp_path / "page.html"
    assert main(["debrief", str(flown), "--terrain", str(hill), "-o", str(page), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["links"]["control"]["events"][0]["causes"][0]["cause"] == "horizon or hill"
    assert "the ground 2.0 km from the station stood" in page.read_text()


def test_the_contract_of_a_flight_without_a_ground_recording(flown, capsys):
    assert main(["diagnose", str(flown), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    picture, control = told["links"]["picture"], told["links"]["control"]
    assert (told["schema"], told["version"]) == ("overlay/breakups", 1)
    assert (told["recording"], told["frame_rate"], told["frames"], told["series"], told["events"]) == (
        None,
        None,
        0,
        None,
        [],
    )
    assert picture == {"not_explained": "there is no recording of the live picture"}
    assert set(control) == {
        "events", "margin_at_1_km_dB", "at_farthest", "outbound_against_homebound", "visibility", "correlations", "next_flight",
        "assumptions",
    }  # fmt: skip
    for event in control["events"]:
        assert set(event) == {
            "onset_s", "end_s", "causes", "margin_dB", "margin_interval95_dB", "seen_against_margin_dB", "sentence", "weather",
            "least_pct", "at",
        }  # fmt: skip
        assert sum(cause["probability"] for cause in event["causes"]) == pytest.approx(1.0, abs=0.01)
    assert control["at_farthest"]["distance_m"] == pytest.approx(4000, abs=60)
    assert [each["change"] for each in control["next_flight"]][:2] == ["As it was", "3 dB more"]


def test_fades_are_told_where_the_radio_is_not_described(tmp_path, capsys):
    folder = flight(tmp_path, control=False)
    control = links(capsys, folder)["control"]
    assert "control.frequency_MHz" in control["not_explained"]
    assert control["events"]
    assert all(event["causes"] is None and event["at"]["range_m"] > 0 for event in control["events"])
    assert main(["diagnose", str(folder)]) == 0
    assert "are not weighed: the flight file does not give" in capsys.readouterr().out


def test_strength_alone_gives_a_margin_and_no_fades(tmp_path, capsys):
    folder = flight(tmp_path, quality=False)
    control = links(capsys, folder)["control"]
    assert control["events"] is None  # not an empty list: nothing says that it never faded
    assert control["at_farthest"]["distance_m"] == pytest.approx(4000, abs=60)
    assert main(["diagnose", str(folder)]) == 0
    assert "never faded" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "code", "message"),
    [
        ({"strength": False, "quality": False}, 2, "its log holds no control link: give one with --ground"),
        ({"quality": False, "control": False}, 4, "cannot explain it: the flight file does not give"),
    ],
)
def test_where_nothing_can_be_told_the_code_says_so(tmp_path, capsys, more, code, message):
    assert main(["diagnose", str(flight(tmp_path, **more)), "--json"]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert message in err
    assert err.splitlines()[-1].startswith("overlay: ")


@pytest.mark.parametrize("option", ["--series", "--chart"])
def test_what_shows_the_picture_needs_one(flown, tmp_path, capsys, option):
    assert main(["diagnose", str(flown), option, str(tmp_path / "out")]) == 2
    assert "no ground recording" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_neither_log_nor_recording_is_wrong_usage(tmp_path, capsys):
    (tmp_path / "flight.toml").write_text('version = 1\n[camera]\nfiles = ["a.mp4"]\n')
    assert main(["diagnose", str(tmp_path)]) == 2
    assert "no ground recording and no log" in capsys.readouterr().err
