"""`overlay compare` from the command line, on logs of generated flights whose radios are known."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from overlay.cli import main
from overlay_samples.flight import fly
from overlay_samples.radio_log import write_csv
from overlay_samples.scenario import DEFAULT, ControlLink

LOSS_DB = 8.0
# What the control transmitter's power was off by on each day, nobody knew; on the last one a plug had come loose.
DAYS_DB = (0.4, -0.8, 0.9, -0.2, -LOSS_DB)


def flown(folder: Path, day: int, more_dB: float, **changes: object) -> Path:
    scenario = DEFAULT.replace(
        seed=100 + day,
        start_utc=f"2026-03-{10 + day:02d}T10:00:00Z",
        outbound_deg=205.0 + 3 * day,
        wind_mps=3.0 + 0.4 * day,
        distance_out_m=1400.0 + 60 * day,
        control_link=ControlLink(power_mW=100.0 * 10 ** (more_dB / 10)),
        **changes,
    )
    made = folder / f"day-{day + 1}"
    made.mkdir(parents=True)
    write_csv(made / "radio.csv", fly(scenario))
    text = 'version = 1\n[track]\nfile = "radio.csv"\n[control]\nfrequency_MHz = 2440\npower_mW = 100\n'
    (made / "flight.toml").write_text(text, encoding="utf-8")
    return made


@pytest.fixture(scope="module")
def season(tmp_path_factory) -> list[str]:
    folder = tmp_path_factory.mktemp("season")
    return [str(flown(folder, day, more)) for day, more in enumerate(DAYS_DB)]


@pytest.fixture
def changed(season, tmp_path) -> Callable[..., str]:
    """A flight of the season under another name, with some words of its flight.toml changed."""

    def make(number: int, *words: tuple[str, str]) -> str:
        copy = tmp_path / f"changed-{number + 1}"
        shutil.copytree(season[number], copy)
        text = (copy / "flight.toml").read_text()
        for old, new in words:
            assert old in text
            text = text.replace(old, new)
        (copy / "flight.toml").write_text(text)
        return str(copy)

    return make


def said(capsys) -> dict:
    return json.loads(capsys.readouterr().out)


def refused(capsys, code: int, *arguments: str) -> str:
    assert main(["compare", *arguments]) == code
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1, told.err
    return told.err


def test_a_lost_8_dB_is_found_on_the_latest_day(season, tmp_path, capsys) -> None:
    target = tmp_path / "evidence.png"
    shuffled = [season[n] for n in (2, 4, 0, 3, 1)]
    assert main(["compare", *shuffled, "--evidence", str(target), "--json"]) == 0
    told = said(capsys)
    assert (told["schema"], told["version"], told["this"]) == ("overlay/comparison", 1, season[4])
    assert [flight["start_utc"][:10] for flight in told["flights"]] == [
        f"2026-03-{day}" for day in (12, 14, 10, 13, 11)
    ]
    assert told["links"]["picture"]["verdict"] == "not told"
    assert "no recording" in told["links"]["picture"]["why"]
    control = told["links"]["control"]
    assert control["verdict"] == "worse"
    truth = DAYS_DB[4] - np.mean(DAYS_DB[:4])
    measures = {one["measure"]: one for one in control["measures"]}
    for name in ("constant", "control_rssi_dBm"):
        one = measures[name]
        assert one["difference_dB"] == pytest.approx(truth, abs=2.0)
        assert one["chance"] < 0.05
        assert abs(one["difference_dB"]) > one["usual_dB"]
        assert one["range_factor"] == pytest.approx(10 ** (one["difference_dB"] / 20), abs=2e-3)
    assert measures["control_link_pct"]["verdict"] == "not told", "the quality never fell"
    assert target.read_bytes().startswith(b"\x89PNG")
    assert main(["compare", *shuffled, "--evidence", str(target)]) == 2
    assert "--overwrite" in capsys.readouterr().err


def test_the_words_say_what_the_numbers_say(season, capsys) -> None:
    assert main(["compare", *season]) == 0
    out = capsys.readouterr().out
    assert out.startswith("day-5 against 4 other flights\n")
    assert "Control link: worse than usual: " in out
    assert "more than chance" in out
    assert "of 20 flights with nothing changed 19 would lie within" in out
    assert "nan" not in out
    assert "\\" not in out  # an unbreakable space is a space


def test_another_day_is_as_usual_and_its_picking_is_told(season, capsys) -> None:
    assert main(["compare", *season[:4], "--this", season[1], "--json"]) == 0
    told = said(capsys)
    assert (told["this"], told["singled_out"]) == (season[1], True)
    assert told["links"]["control"]["verdict"] == "as usual"
    assert any("oddest" in line for line in told["remarks"])
    assert main(["compare", *season[:3], "--this", season[3], "--json"]) == 0  # the latest, named: nothing was picked
    assert said(capsys)["singled_out"] is False


def test_one_flight_is_no_comparison(season, capsys) -> None:
    assert "at least three others" in refused(capsys, 4, season[0])
    assert "given twice" in refused(capsys, 2, season[0], season[0])


def test_a_flight_that_is_not_there_is_told_by_what_compare_takes(season, tmp_path, capsys) -> None:
    told = refused(capsys, 3, season[0], str(tmp_path / "elsewhere"))
    assert "no such file or folder; give a folder with a flight.toml" in told
    assert "--camera" not in told


@pytest.mark.parametrize("count", [2, 3])
def test_too_few_flights_are_no_answer(season, capsys, count) -> None:
    assert main(["compare", *season[5 - count :], "--json"]) == 4
    control = said(capsys)["links"]["control"]
    assert control["verdict"] == "not told"
    assert "3 are needed" in control["why"]
    strength = next(one for one in control["measures"] if one["measure"] == "control_rssi_dBm")
    assert strength["difference_dB"] < -4.0, "what is seen is told, without a verdict"
    assert strength["usual_dB"] is None


def test_the_same_flight_twice_is_refused(season, tmp_path, capsys) -> None:
    assert "given twice" in refused(capsys, 2, season[0], season[1], f"{season[0]}/flight.toml")
    (tmp_path / "link").symlink_to(season[0])
    assert "given twice" in refused(capsys, 2, season[0], season[1], str(tmp_path / "link"))


def test_a_copy_of_a_flight_is_known_by_its_times(season, changed, capsys) -> None:
    assert "overlap in time" in refused(capsys, 2, *season[:4], changed(2))


def test_other_equipment_is_left_out_by_name_or_compared_as_such(season, changed, capsys) -> None:
    other = changed(1, ("power_mW = 100", 'power_mW = 100\ntransmit_aerial = "8 dBi patch"'))
    order = ["compare", season[0], other, *season[2:], "--json"]
    assert main(order) == 0
    told = said(capsys)
    how = "control.transmit_aerial is 8 dBi patch there and not given here"
    assert told["flights"][1]["equipment_differs"] == [how]
    assert any("left out" in line and how in line for line in told["remarks"])
    for one in told["links"]["control"]["measures"]:
        assert how in one["flights"][1]["left_out"]
        assert one["others"] <= 3
    assert main([*order, "--across-equipment"]) == 0
    told = said(capsys)
    assert any("across differing equipment" in line for line in told["remarks"])
    assert told["links"]["control"]["measures"][0]["others"] == 4


def test_where_a_fixed_aerial_pointed_is_no_matter_of_equipment(season, changed, capsys) -> None:
    turned = changed(1, ("power_mW = 100", "power_mW = 100\nground_aerial_bearing_deg = 30"))
    assert main(["compare", season[0], turned, *season[2:], "--json"]) == 0
    assert said(capsys)["flights"][1]["equipment_differs"] == []


def test_without_utc_the_flight_must_be_named(season, changed, capsys) -> None:
    local = changed(1)
    log = Path(local) / "radio.csv"
    log.write_text(log.read_text().replace("Time (UTC)", "Time"))
    assert "--this" in refused(capsys, 2, season[0], local, *season[2:])
    assert main(["compare", season[0], local, *season[2:], "--this", season[4], "--json"]) == 0
    told = said(capsys)
    assert told["flights"][1]["start_utc"] is None
    assert told["links"]["control"]["verdict"] in ("worse", "as usual")


def test_titles_may_hold_anything(season, changed, tmp_path, capsys) -> None:
    odd = ("a $x^ day", "\u98db\u884c", "tab\\tand\\nnew line", "50 % {of} it")
    flights = [changed(n, ("version = 1", f'version = 1\ntitle = "{title}"')) for n, title in enumerate(odd)]
    target = tmp_path / "odd.png"
    assert main(["compare", *flights, "--evidence", str(target)]) == 0
    told = capsys.readouterr()
    assert told.out.startswith("50 % {of} it against 3 other flights\n")
    assert target.read_bytes().startswith(b"\x89PNG")
    assert "Glyph" not in told.err


def test_a_bad_file_is_told_before_the_work(season, changed, tmp_path, capsys) -> None:
    broken = changed(1)
    (Path(broken) / "radio.csv").write_bytes(bytes(range(256)) * 40)
    assert "radio.csv" in refused(capsys, 3, season[0], broken, season[2])
    lacking = changed(2, ('[track]\nfile = "radio.csv"\n', '[ground]\nfiles = ["radio.csv"]\n'))
    assert "has no track" in refused(capsys, 2, season[0], lacking, season[3])
    nothing = changed(3, ('[track]\nfile = "radio.csv"\n', ""))
    assert "names no recording and no log" in refused(capsys, 3, season[0], nothing, season[2])
    assert "flight.toml" in refused(capsys, 3, season[0], str(tmp_path / "nowhere"))
    assert "input" in refused(capsys, 2, *season, "--evidence", f"{season[0]}/radio.csv", "--overwrite")
    assert sorted(path.name for path in Path(season[0]).iterdir()) == ["flight.toml", "radio.csv"]


def test_a_log_without_the_control_link_has_no_say(season, changed, capsys) -> None:
    bare = changed(1)
    log = Path(bare) / "radio.csv"
    rows = [line.split(",")[:-2] for line in log.read_text().splitlines()]
    log.write_text("\n".join(",".join(row) for row in rows) + "\n")
    assert main(["compare", season[0], bare, *season[2:], "--json"]) == 0
    for one in said(capsys)["links"]["control"]["measures"]:
        assert one["flights"][1]["left_out"]
        assert one["flights"][1]["dB"] is None


def test_progress_shows_a_title_as_it_is(capfd, monkeypatch) -> None:
    import sys

    from overlay.cli import console

    monkeypatch.setattr(console, "_SHOWN_AFTER_S", 0.0)
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    with console.Stages() as stages:
        stages("flight 1 of 2, odd [/x] day: grading", 0.0)
        stages("flight 1 of 2, odd [/x] day: grading", 0.5)
    assert "odd [/x] day" in capfd.readouterr().err.replace("\n", " ")
