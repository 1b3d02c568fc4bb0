"""The demonstration: a folder with all that a pilot would bring home from one flight, and the truth beside it."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from overlay_samples.flight import Flight, fly
from overlay_samples.logs import receive, write_gpx
from overlay_samples.radio_log import TELEMETRY_DELAY_S, write_csv
from overlay_samples.recordings import write_camera, write_ground
from overlay_samples.scenario import DEFAULT, Scenario
from overlay_samples.timing import Timing

Progress = Callable[[str, float], None]
"""Called with what is being done and the share of it that is done, 0…1."""

THRESHOLDS_dB = (10.0, 8.0, 5.0)
_MERGE_FRAMES = 12  # shorter returns above a threshold do not end a spell below it


@dataclass(frozen=True)
class Made:
    """What `make` wrote, and the flight itself."""

    folder: Path
    flight_file: Path
    camera: tuple[Path, ...]
    ground: Path
    track: Path
    radio_log: Path
    truth: Path
    flight: Flight


def make(folder: Path, scenario: Scenario = DEFAULT, *, progress: Progress | None = None) -> Made:
    """Fly a scenario and write its files into `folder`, made if need be. FileExistsError rather than overwrite.

    The track's clock is true time. `truth.json` holds what alignment and diagnosis should find: for each recording
    ``t_track = offset_s + (1 + drift_ppm / 10⁶) · t_recording``, and where the carrier fell below which C/N.
    """
    report = progress or _silent
    chapters = scenario.camera_chapters
    names = ["camera.mp4"] if chapters == 1 else [f"camera-{i + 1}.mp4" for i in range(chapters)]
    made = _places(folder, names, scenario, report)
    write_gpx(made.track, receive(made.flight), name=scenario.name)
    write_csv(made.radio_log, made.flight)
    camera = write_camera(
        list(made.camera),
        made.flight,
        progress=lambda part, whole: report("drawing the onboard recording", part / whole),
    )
    ground, levels = write_ground(
        made.ground, made.flight, progress=lambda part, whole: report("receiving the live picture", part / whole)
    )
    made.flight_file.write_text(_flight_toml(made), encoding="utf-8")
    truth = _truth(made, camera, ground, levels)
    made.truth.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return made


def _silent(what: str, share: float) -> None:
    del what, share


def _places(folder: Path, camera: Sequence[str], scenario: Scenario, report: Progress) -> Made:
    folder.mkdir(parents=True, exist_ok=True)
    places = [folder / name for name in ("flight.toml", "ground.mp4", "track.gpx", "radio.csv", "truth.json", *camera)]
    for place in places:
        if place.exists():
            raise FileExistsError(f"{place} is there already; give a new folder")
    report("flying", 0.0)
    flight = fly(scenario)
    report("flying", 1.0)
    return Made(folder, places[0], tuple(places[5:]), places[1], places[2], places[3], places[4], flight)


def _flight_toml(made: Made) -> str:
    s = made.flight.scenario
    files = ", ".join(f'"{path.name}"' for path in made.camera)
    return f"""version = 1
title = "{s.name}"

[camera]
files = [{files}]
field_of_view_deg = {s.camera.field_of_view_deg}

[ground]
files = ["{made.ground.name}"]

[track]
file = "{made.radio_log.name}"

[pack]
capacity_mAh = {s.battery.capacity_mAh}
cells = {s.battery.cells}
usable_fraction = 0.8

[downlink]
frequency_MHz = {s.picture_link.frequency_MHz}
power_mW = {s.picture_link.power_mW}
transmit_aerial = "half-wave dipole"
receive_aerial = "fixed directional aerial, all-round aerial beside it"
polarisation = "vertical"
ground_aerial_height_m = {s.picture_link.ground_height_m}
ground_aerial_bearing_deg = {s.outbound_deg % 360}

[control]
frequency_MHz = {s.control_link.frequency_MHz}
power_mW = {s.control_link.power_mW}
"""


def _truth(made: Made, camera: Timing, ground: Timing, levels: NDArray[np.float64]) -> dict[str, Any]:
    s = made.flight.scenario
    bounds = [camera.count * i // len(made.camera) for i in range(len(made.camera) + 1)]
    mount = {
        "yaw_deg": s.camera.mount_yaw_deg,
        "pitch_deg": s.camera.mount_pitch_deg,
        "roll_deg": s.camera.mount_roll_deg,
    }
    chapters = [
        {"file": path.name, "first_frame": first, "offset_s": round(camera.at(first), 6)}
        for path, first in zip(made.camera, bounds, strict=False)
    ]
    return {
        "scenario": {"name": s.name, "seed": s.seed},
        "phases": {name: [round(t, 3) for t in made.flight.span(name)] for name in ("handled", "flying", "sliding")},
        "camera": {**_clock(camera), "wrong_by_s": s.camera_clock.wrong_by_s, "chapters": chapters, "mount": mount},
        "ground": {
            **_clock(ground),
            "wrong_by_s": s.ground_clock.wrong_by_s,
            "below_dB": {f"{limit:g}": spells_below(levels, limit) for limit in THRESHOLDS_dB},
            "carrier_to_noise_dB": [round(float(level), 2) for level in levels],
        },
        "track": {
            "position_lag_s": s.fix_lag_s,
            "velocity_lag_s": s.velocity_lag_s,
            "attitude_lag_s": TELEMETRY_DELAY_S,
        },
    }


def _clock(timing: Timing) -> dict[str, Any]:
    return {
        "offset_s": round(timing.start_s, 6),
        "drift_ppm": round(timing.drift * 1e6, 6),
        "frames": timing.count,
        "frame_rate": str(timing.rate),
    }


def spells_below(levels: NDArray[np.float64], limit_dB: float) -> list[dict[str, int]]:
    """Spans of frames, first below and first above again, in which C/N lay below a limit, short returns bridged."""
    below = levels < limit_dB
    change = np.flatnonzero(np.diff(np.concatenate([[False], below, [False]]).astype(np.int8)))
    spells: list[dict[str, int]] = []
    for first, last in zip(change[::2].tolist(), change[1::2].tolist(), strict=True):
        if spells and first - spells[-1]["end_frame"] < _MERGE_FRAMES:
            spells[-1]["end_frame"] = last
        else:
            spells.append({"onset_frame": first, "end_frame": last})
    return spells
