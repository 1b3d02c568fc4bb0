"""Several flights in one log: which one a recording is of, found by itself, stated, pinned, or not to be told."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest

from overlay.clock import format_utc
from overlay.debrief.evidence import draw, sentences
from overlay.errors import FlightFileError, NoAnswerError, TrackError
from overlay.flight import Flight
from overlay.flight_file import Camera, FlightFile, Ground, TrackSource
from overlay.motion import MotionSeries

BEGAN_S, MINUTES = 7.3, 5.0
APART_S = 1800.0  # between the launches of two flights


@pytest.fixture(scope="module")
def fleet(loaded: Any) -> tuple[ModuleType, list[Any]]:
    """The generator, and three flights of one afternoon by it: it shares nothing with what is tested."""
    flights = loaded("benchmarks/alignment_flights.py")
    return flights, [flights.fly(seed, minutes=MINUTES) for seed in (501, 502, 503)]


def rows(flights: ModuleType, flown: Any, seed: int, later_s: float) -> tuple[Any, Any]:
    logged = flights.log(flown, seed, lag=0.0)
    return logged.time + later_s, logged.columns


def write(path: Path, parts: list[tuple[Any, Any]]) -> Path:
    """A GPX 1.1 file (topografix.com/GPX/1/1) of positions, heights and times."""
    lines = ['<?xml version="1.0"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"><trk>']
    for time_s, columns in parts:
        lines.append("<trkseg>")
        for k, moment in enumerate(time_s):
            when = datetime.fromtimestamp(float(moment), UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
            at = f'lat="{columns["latitude_deg"][k]:.7f}" lon="{columns["longitude_deg"][k]:.7f}"'
            lines.append(f"<trkpt {at}><ele>{columns['height_m'][k]:.1f}</ele><time>{when}</time></trkpt>")
        lines.append("</trkseg>")
    path.write_text("\n".join([*lines, "</trk></gpx>"]), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def afternoon(fleet: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    flights, flown = fleet
    parts = [rows(flights, each, 600 + k, k * APART_S) for k, each in enumerate(flown)]
    return write(tmp_path_factory.mktemp("several") / "afternoon.gpx", parts)


def seen(flights: ModuleType, flown: Any, seed: int = 700, **camera: Any) -> MotionSeries:
    found = flights.see(flown, seed, **({"start": BEGAN_S} | camera))
    return MotionSeries(found.time, found.rates, stillness=found.stillness, interval_s=found.interval)


def recorded(path: Path, motion: MotionSeries, *, pin: str | None = None, name: str = "camera", **track: Any) -> Flight:
    """A flight whose recording has been watched already."""
    kind = Camera(files=("hd.mp4",)) if name == "camera" else Ground(files=("live.mkv",))
    flight = Flight(FlightFile(**{name: kind}, track=TrackSource(file=str(path), **track)), pin=pin)
    watch(flight, name, motion)
    return flight


def watch(flight: Flight, name: str, motion: MotionSeries) -> None:
    flight.__dict__[name] = SimpleNamespace(chapters=(SimpleNamespace(path=f"{name}.mp4", start_s=0.0),))
    flight.__dict__[f"{name}_motion"] = motion


@pytest.mark.parametrize("which", [0, 1, 2])
def test_the_flight_that_the_recording_fits_is_taken_and_named(
    fleet: Any, afternoon: Path, which: int, tmp_path: Path
) -> None:
    flights, flown = fleet
    flight = recorded(afternoon, seen(flights, flown[which]))
    (pair,) = flight.alignments
    assert pair.verdict == "sure", pair.reasons
    true = flights.EPOCH + which * APART_S + BEGAN_S
    assert pair.best is not None
    assert pair.best.offset_s == pytest.approx(true, abs=0.1)
    assert flight.track.time_s[0] == pytest.approx(flights.EPOCH + which * APART_S, abs=1.0)
    told = pair.as_json()["evidence"]
    assert told["flight"] == which + 1
    assert [each["flight"] for each in told["flights"]] == [1, 2, 3]
    assert [each["verdict"] == "sure" for each in told["flights"]] == [k == which for k in range(3)]
    (note,) = flight.notes
    assert f"is of flight {which + 1} (from {format_utc(flight.track.time_s[0], 0)}" in note
    assert any(f"flight {which + 1} of its log" in sentence for sentence in sentences(pair))
    draw(pair, tmp_path / "evidence.png")
    assert (tmp_path / "evidence.png").stat().st_size > 10_000


def test_another_days_recording_fits_none_and_is_sure_of_none(fleet: Any, afternoon: Path) -> None:
    flights, _ = fleet
    flight = recorded(afternoon, seen(flights, flights.fly(950, minutes=MINUTES)))
    (pair,) = flight.alignments
    assert pair.verdict == "none"
    with pytest.raises(NoAnswerError):
        flight.clock("camera")
    assert "state it with --track-flight" in flight.notes[0]


def test_that_one_of_many_fits_by_chance_is_allowed_for(fleet: Any, afternoon: Path) -> None:
    """The sum of the chances of each (Bonferroni's inequality)."""
    flights, _ = fleet
    strange = seen(flights, flights.fly(950, minutes=MINUTES))
    alone = recorded(afternoon, strange, flight=2).alignments[0].evidence["chance"]
    flight = recorded(afternoon, strange)
    taken = flight.taken
    assert taken.among == 3
    again = recorded(afternoon, strange, flight=taken.number).alignments[0].evidence["chance"]
    assert flight.alignments[0].evidence["chance"] == pytest.approx(min(1.0, 3 * again), rel=0.02)
    assert 0 <= alone <= 1


def test_one_flight_at_two_times_of_the_log_is_ambiguous_and_both_are_told(fleet: Any, tmp_path: Path) -> None:
    flights, flown = fleet
    again = [
        rows(flights, flown[0], 600, 0.0),
        rows(flights, flown[1], 601, 1800.0),
        rows(flights, flown[0], 602, 3600.0),
    ]
    flight = recorded(write(tmp_path / "again.gpx", again), seen(flights, flown[0]))
    (pair,) = flight.alignments
    assert pair.verdict == "ambiguous"
    assert pair.as_json()["offset_s"] is None
    assert "flight 1" in pair.reasons[-1]
    assert "flight 3" in pair.reasons[-1]
    assert "flight 2" not in pair.reasons[-1]
    assert "flight 1 (from" in flight.notes[0]
    assert "flight 3 (from" in flight.notes[0]
    for number, late in ((1, 0.0), (3, 3600.0)):
        stated = recorded(tmp_path / "again.gpx", seen(flights, flown[0]), flight=number).alignments[0]
        assert stated.verdict == "sure"
        assert stated.best is not None
        assert stated.best.offset_s == pytest.approx(flights.EPOCH + BEGAN_S + late, abs=0.1)


def test_one_flight_logged_twice_at_the_same_time_is_one_flight(fleet: Any, tmp_path: Path) -> None:
    flights, flown = fleet
    twice = [rows(flights, flown[0], 600, 0.0), rows(flights, flown[1], 601, 1800.0), rows(flights, flown[0], 602, 0.0)]
    flight = recorded(write(tmp_path / "twice.gpx", twice), seen(flights, flown[0]))
    (pair,) = flight.alignments
    assert pair.verdict == "sure", pair.reasons
    assert pair.best is not None
    assert pair.best.offset_s == pytest.approx(flights.EPOCH + BEGAN_S, abs=0.1)
    assert "logs once more" in flight.notes[0]


def test_a_recording_that_runs_on_into_the_next_flight(fleet: Any, tmp_path: Path) -> None:
    flights, flown = fleet
    later_s = 600.0
    path = write(tmp_path / "on.gpx", [rows(flights, flown[0], 600, 0.0), rows(flights, flown[1], 601, later_s)])
    first, second = seen(flights, flown[0]), seen(flights, flown[1], start=0.0)
    both = MotionSeries(
        np.concatenate((first.time_s, second.time_s + later_s - BEGAN_S)),
        np.concatenate((first.rate_radps, second.rate_radps)),
        interval_s=np.concatenate((first.interval_s, second.interval_s)),
    )
    flight = recorded(path, both)
    (pair,) = flight.alignments
    assert pair.verdict == "sure", pair.reasons
    assert pair.best is not None
    moment = pair.mid_recording_s
    assert pair.best.to_reference(moment) == pytest.approx(flights.EPOCH + BEGAN_S + moment, abs=0.1)
    assert ("and goes on in flight 2" in flight.notes[0]) or ("after flight 1" in flight.notes[0])


def test_a_clock_set_back_in_the_air_is_not_sure_of_either_part(fleet: Any, tmp_path: Path) -> None:
    """The rows after the jump are a flight of their own, which fits as well: by another clock."""
    flights, _ = fleet
    flown = flights.fly(504, minutes=8.0)
    time, columns = rows(flights, flown, 600, 0.0)
    time = time - np.where(time - time[0] > 260.0, 240.0, 0.0)
    flight = recorded(write(tmp_path / "jump.gpx", [(time, columns)]), seen(flights, flown))
    assert len(flight.logged.log.flights) == 2
    (pair,) = flight.alignments
    assert pair.verdict == "ambiguous"
    assert "flight 1" in flight.notes[0]
    assert "flight 2" in flight.notes[0]


def test_short_hops_are_not_compared_and_said_to_be(fleet: Any, tmp_path: Path) -> None:
    flights, flown = fleet
    parts = [rows(flights, flown[k], 600 + k, k * APART_S) for k in range(2)]
    for k in range(3):
        hop = flights.fly(520 + k, minutes=0.5, handling=20.0, landed=20.0)
        parts.append(rows(flights, hop, 610 + k, 7200.0 + k * APART_S))
    flight = recorded(write(tmp_path / "hops.gpx", parts), seen(flights, flown[1]))
    (pair,) = flight.alignments
    assert pair.verdict == "sure", pair.reasons
    assert pair.evidence["flight"] == 2
    assert len(flight.logged.log.flights) == 5
    assert "3 of them too short" in flight.notes[0]


def test_the_ground_recording_tells_the_flight_where_the_cameras_does_not(fleet: Any, afternoon: Path) -> None:
    flights, flown = fleet
    flight = recorded(afternoon, seen(flights, flown[1], 701, start=11.0), name="ground")
    flight.file = flight.file.model_copy(update={"camera": Camera(files=("hd.mp4",))})
    watch(flight, "camera", seen(flights, flown[1], end=60.0))
    pairs = {(pair.recording, pair.reference): pair for pair in flight.alignments}
    assert flight.taken.number == 2
    assert "the ground recording is of flight 2" in flight.notes[0]
    assert pairs["ground", "track"].verdict == "sure"


def test_a_stated_flight_is_taken_whatever_fits(fleet: Any, afternoon: Path) -> None:
    flights, flown = fleet
    flight = recorded(afternoon, seen(flights, flown[1]), flight=3)
    (pair,) = flight.alignments
    assert pair.verdict == "none"
    assert "flights" not in pair.evidence
    assert flight.taken.number == 3
    assert flight.notes == []


def test_a_pin_says_which_flight(fleet: Any, afternoon: Path) -> None:
    flights, _ = fleet
    moment = format_utc(flights.EPOCH + 2 * APART_S + 60.0)
    flight = recorded(afternoon, seen(flights, flights.fly(950, minutes=MINUTES)), pin=f"00:00:52.7={moment}")
    assert flight.taken.number == 3
    assert "the pin lies in or next to flight 3 (from" in flight.notes[0]
    assert flight.clock("camera").to_reference(52.7) == pytest.approx(flights.EPOCH + 2 * APART_S + 60.0)


def test_without_a_recording_the_longest_is_used(fleet: Any, tmp_path: Path) -> None:
    flights, flown = fleet
    longer = flights.fly(530, minutes=7.0)
    path = write(tmp_path / "log.gpx", [rows(flights, flown[0], 600, 0.0), rows(flights, longer, 601, APART_S)])
    flight = Flight(FlightFile(track=TrackSource(file=str(path))))
    assert flight.taken.number == 2
    assert "the longest, flight 2" in flight.notes[0]


def test_a_flight_that_the_log_does_not_hold_is_refused(fleet: Any, afternoon: Path) -> None:
    flights, flown = fleet
    with pytest.raises(FlightFileError, match=r"flight 4 asked for, the log holds 3; choose 1 to 3"):
        _ = recorded(afternoon, seen(flights, flown[0]), flight=4).alignments


def test_a_log_too_short_to_tell_any_motion_is_one_clear_line(fleet: Any, tmp_path: Path) -> None:
    flights, flown = fleet
    time, columns = rows(flights, flown[0], 600, 0.0)
    few = {name: values[1000:1003] for name, values in columns.items()}
    flight = recorded(write(tmp_path / "few.gpx", [(time[1000:1003], few)]), seen(flights, flown[0]))
    with pytest.raises(TrackError, match=r"few\.gpx: .*fewer than four ground velocities; give the log of a flight"):
        _ = flight.alignments


def test_a_mission_flown_three_times_over_is_not_told_apart_by_weather_alone(fleet: Any, tmp_path: Path) -> None:
    """An autopilot repeats its turns: each flight is sure by itself, and another's clock is 30 minutes off."""
    flights, _ = fleet
    flown = [repeated(flights, 540, gusts) for gusts in (1, 2, 3)]
    path = write(tmp_path / "mission.gpx", [rows(flights, each, 600 + k, k * APART_S) for k, each in enumerate(flown)])
    for which, each in list(enumerate(flown))[1:2]:
        (pair,) = recorded(path, seen(flights, each)).alignments
        assert pair.verdict == "ambiguous"
        assert f"fits flight {which + 1} of the log" in pair.reasons[-1]


def repeated(flights: ModuleType, seed: int, gusts: int) -> Any:
    """The flight of a seed with other weather: the commands are those of the seed, what disturbs them is not."""
    command = flights.bank_command
    try:
        flights.bank_command = lambda _rng, count, style: command(np.random.default_rng(seed), count, style)
        return flights.fly(seed + 10 * gusts, minutes=MINUTES)
    finally:
        flights.bank_command = command


def test_flights_without_utc_are_told_apart_by_turning_alone(fleet: Any, afternoon: Path) -> None:
    """Each flight's clock begins at its own first row; the same offset in two of them is no agreement."""
    flights, flown = fleet
    flight = recorded(afternoon, seen(flights, flown[1]))
    logged = flight.logged
    tracks = tuple(
        replace(track, time_s=track.time_s - track.time_s[0], keeps_utc=False) for track in logged.log.flights
    )
    flight.__dict__["logged"] = replace(logged, log=replace(logged.log, flights=tracks))
    (pair,) = flight.alignments
    assert pair.verdict == "sure", pair.reasons
    assert flight.taken.number == 2
    doubled = replace(logged.log, flights=(tracks[1], tracks[0], tracks[1]))
    flight = recorded(afternoon, seen(flights, flown[1]))
    flight.__dict__["logged"] = replace(logged, log=doubled)
    assert flight.alignments[0].verdict == "ambiguous"
