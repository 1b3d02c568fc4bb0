"""An hour of 1080p30 put on its log's clock: time against decoding it whole, memory, error of the offset.

    python benchmarks/alignment_hour.py [--minutes 60] [--seed 5] [--folder DIR] [--log positions|attitude|both] [--piece 5]

The recording is put together from manoeuvres of two seconds, each drawn by aerial_view.py, encoded once with one key picture a
second, and chained in an order by chance in which every bank follows from the one before: nothing repeats in the motion as
a whole, and drawing takes minutes instead of hours. The ground jumps where two meet, which costs one interval in sixty.
Truth is the composition of the manoeuvres' own attitudes; the path bends by g·tan φ / V soon after the bank. `overlay align`
runs as a user would run it, without a flight folder and so without a cache; decoding whole is a process of its own that
decodes every frame on as many threads as the decoder likes and does nothing else; with `--piece` it decodes so many minutes and
the time is scaled up, for a machine that is never left alone for as long as the whole takes. The recording stays in `--folder`.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from aerial_view import AerialView
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid
from scipy.spatial.transform import Rotation, Slerp

Floats = NDArray[np.float64]

RATE = 30
EPOCH = 1_777_800_000.0  # POSIX zero of every flight
START_S, DRIFT = 7.3, 12e-6  # of the recording's clock against the flight's
MOUNT_DEG = (1.5, -6.0, 0.8)  # roll, pitch, yaw of the camera in the aircraft
BANKS_DEG = (-45.0, -25.0, 0.0, 25.0, 45.0)
FINE = 8  # samples of the motion to a frame
MANOEUVRE_S, VARIANTS = 2, 3
SPEED_MPS, HEIGHT_M, LATE_S = 18.0, 110.0, 0.05
WIND_MPS = (3.5, -2.0)  # where the air moves to, east and north
_DECODE = """
import av, sys
from itertools import islice
with av.open(sys.argv[1]) as file:
    file.streams.video[0].thread_type = "AUTO"
    print(sum(1 for _ in islice(file.decode(video=0), int(sys.argv[2]))))
"""


@dataclass(frozen=True)
class Manoeuvre:
    """Heading, pitch and bank (N, 3) rad at `FINE` samples a frame, from heading 0; the first belongs to the first frame."""

    angles: Floats
    last: Floats  # (3,) one frame after the last: where the next one begins


def manoeuvre(first_deg: float, last_deg: float, rng: np.random.Generator) -> Manoeuvre:
    """From one bank to another with some unrest that begins and ends at nothing."""
    time_s = np.arange(MANOEUVRE_S * RATE * FINE + 1) / (RATE * FINE)
    begin, length = rng.uniform(0.1, 0.6), rng.uniform(0.8, 1.2)
    share = np.clip((time_s - begin) / length, 0, 1)
    bank = np.radians(first_deg + (last_deg - first_deg) * share**3 * (10 - 15 * share + 6 * share**2))
    ends = np.sin(np.pi * time_s / MANOEUVRE_S) ** 2
    unrest = [
        sum(rng.normal(0, 1 / k) * np.sin(np.pi * k * time_s / MANOEUVRE_S) for k in range(1, 6)) for _ in range(2)
    ]
    bank = bank + math.radians(1.5) * ends * unrest[0]
    pitch = math.radians(1.0) * ends * unrest[1]
    path_bank = np.interp(time_s - LATE_S, time_s, bank)
    heading = cumulative_trapezoid(9.80665 * np.tan(path_bank) / SPEED_MPS, time_s, initial=0)
    angles = np.column_stack((heading, pitch, bank))
    return Manoeuvre(angles[:-1], angles[-1])


def repertoire(seed: int) -> dict[tuple[int, int, int], Manoeuvre]:
    """Every change from bank to bank of at most two steps, in `VARIANTS`."""
    rng = np.random.default_rng(seed)
    steps = range(len(BANKS_DEG))
    pairs = [(a, b) for a in steps for b in steps if abs(a - b) <= 2]
    return {(a, b, k): manoeuvre(BANKS_DEG[a], BANKS_DEG[b], rng) for a, b in pairs for k in range(VARIANTS)}


def chain(seed: int, minutes: float) -> list[tuple[int, int, int]]:
    """What is flown: straight for the most part, turns in between, most of them soon over."""
    rng, bank, flown = np.random.default_rng(seed + 1), 2, []
    while len(flown) * MANOEUVRE_S < minutes * 60:
        stay = 0.85 if bank == 2 else 0.55
        others = [k for k in range(len(BANKS_DEG)) if 0 < abs(k - bank) <= 2]
        following = bank if rng.random() < stay else int(rng.choice(others))
        flown.append((bank, following, int(rng.integers(VARIANTS))))
        bank = following
    return flown


def flight(seed: int, minutes: float) -> Floats:
    """(N, 3) heading, pitch, bank at `FINE` samples a frame of the whole chain."""
    known, heading, parts = repertoire(seed), 0.0, []
    for name in chain(seed, minutes):
        parts.append(known[name].angles + np.array([heading, 0.0, 0.0]))
        heading += float(known[name].last[0])
    return np.concatenate(parts)


def draw(angles: Floats, path: Path, view: AerialView) -> None:
    """One manoeuvre as a file of its own."""
    frames = angles[::FINE]
    camera = Rotation.from_euler("ZYX", frames) * Rotation.from_euler("ZYX", MOUNT_DEG[::-1], degrees=True)
    along = SPEED_MPS / RATE * np.column_stack((np.cos(frames[:, 0]), np.sin(frames[:, 0])))
    place = np.cumsum(along, axis=0) + view.rng.uniform(0, 800, 2)
    with av.open(str(path), "w") as out:
        options = {"preset": "superfast", "crf": "23", "g": str(RATE), "x264-params": "open-gop=0:scenecut=0"}
        stream = out.add_stream("libx264", rate=RATE, options=options)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = 1920, 1080, "yuv420p"
        for number, pose in enumerate(camera):
            picture = view.picture(pose, np.array([*place[number], HEIGHT_M]), number)
            frame = _filled(cv2.resize(picture, (1920, 1080), interpolation=cv2.INTER_LINEAR))
            frame.pts, frame.time_base = number, Fraction(1, RATE)
            out.mux(stream.encode(frame))
        out.mux(stream.encode())


def _filled(luma: Any) -> av.VideoFrame:
    frame = av.VideoFrame(1920, 1080, "yuv420p")
    frame.planes[0].update(luma)
    for k in (1, 2):
        frame.planes[k].update(bytes([128]) * frame.planes[k].buffer_size)
    return frame


def record(seed: int, minutes: float, target: Path) -> None:
    """The whole recording: manoeuvres drawn once each, then chained without encoding again."""
    view, known = AerialView(seed=seed), repertoire(seed)
    with tempfile.TemporaryDirectory(dir=target.parent) as folder:
        files = {name: Path(folder) / f"{'-'.join(map(str, name))}.mp4" for name in sorted(set(chain(seed, minutes)))}
        for done, (name, path) in enumerate(files.items()):
            draw(known[name].angles, path, view)
            print(f"\rdrawn {done + 1} of {len(files)} manoeuvres", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
        unfinished = target.with_suffix(".part.mp4")
        _chained([files[name] for name in chain(seed, minutes)], unfinished)
        unfinished.rename(target)


def _chained(parts: list[Path], target: Path) -> None:
    with av.open(str(target), "w") as out:
        stream = None
        for number, part in enumerate(parts):
            with av.open(str(part)) as source:
                video = source.streams.video[0]
                if stream is None:
                    stream = out.add_stream_from_template(video)
                late = round(number * MANOEUVRE_S / video.time_base)
                for packet in source.demux(video):
                    if packet.dts is None or packet.pts is None:
                        continue
                    packet.pts, packet.dts = packet.pts + late, packet.dts + late
                    packet.stream = stream
                    out.mux(packet)


@dataclass(frozen=True)
class Logged:
    """Log rows on the flight's clock (M,) and their columns; the flight's ends stand for before and after."""

    time: Floats
    columns: dict[str, Floats]


def logged(seed: int, minutes: float, rate_Hz: float, *, attitude: bool) -> Logged:
    """What was written down: positions with 3 cm of noise and a slow wander, or attitude to a tenth of a degree too."""
    rng = np.random.default_rng([seed, int(rate_Hz)])
    angles = flight(seed, minutes)
    true = START_S + (1 + DRIFT) * np.arange(len(angles)) / (RATE * FINE)
    speed = SPEED_MPS * np.column_stack((np.sin(angles[:, 0]), np.cos(angles[:, 0]))) + WIND_MPS
    path = cumulative_trapezoid(speed, true, axis=0, initial=0)
    time = np.arange(true[0] + rng.uniform(0, 1 / rate_Hz), true[-1], 1 / rate_Hz)
    slow = [np.interp(time, time[::200], rng.standard_normal(len(time[::200]))) for _ in range(2)]
    east, north = (
        np.interp(time, true, path[:, k]) + slow[k] + 0.03 * rng.standard_normal(len(time)) for k in range(2)
    )
    columns = {
        "latitude_deg": np.round(47.0 + np.degrees(north / 6_371_000.0), 7),
        "longitude_deg": np.round(8.0 + np.degrees(east / 6_371_000.0 / math.cos(math.radians(47.0))), 7),
        "height_m": np.round(HEIGHT_M + 400.0 + 0.3 * rng.standard_normal(len(time)), 1),
    }
    if attitude:
        poses = Slerp(true, Rotation.from_euler("ZYX", angles))(time).as_euler("ZYX", degrees=True)
        noisy = np.round(poses + 0.15 * rng.standard_normal(poses.shape), 1)
        columns |= {"heading_deg": noisy[:, 0] % 360, "pitch_deg": noisy[:, 1], "bank_deg": noisy[:, 2]}
    return Logged(time, columns)


def write_gpx(log: Logged, path: Path) -> Path:
    points = "".join(
        f'<trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{h:.1f}</ele><time>{_utc(EPOCH + t)}</time></trkpt>\n'
        for t, lat, lon, h in zip(log.time, *log.columns.values(), strict=True)
    )
    head = '<?xml version="1.0"?>\n<gpx version="1.1" creator="bench" xmlns="http://www.topografix.com/GPX/1/1">'
    path.write_text(f"{head}<trk><trkseg>\n{points}</trkseg></trk></gpx>\n")
    return path


def write_csv(log: Logged, path: Path) -> Path:
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["time_utc", *log.columns])
        rows.writerows(
            zip((_utc(EPOCH + t) for t in log.time), *(c.tolist() for c in log.columns.values()), strict=True)
        )
    return path


def _utc(posix_s: float) -> str:
    return datetime.fromtimestamp(round(posix_s, 3), UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def measured(command: list[str]) -> tuple[str, float, float, float]:
    """(what it printed, wall seconds, processor seconds, MiB at most) of a process of its own."""
    begin = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    told = process.stdout.read()
    _, _, usage = os.wait4(process.pid, 0)
    return told, time.perf_counter() - begin, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def scored(told: str, middle_s: float) -> str:
    """Verdict, error at `middle_s` of the recording, stated half interval, error of the drift."""
    found = json.loads(told)["pairs"][0]
    if found["offset_s"] is None:
        return found["verdict"]
    epoch = EPOCH if found["offset_s"] > 1e6 else 0.0
    drift = 1e-6 * (found["drift_ppm"] or 0.0)
    error = found["offset_s"] - epoch + (1 + drift) * middle_s - (START_S + (1 + DRIFT) * middle_s)
    low, high = found["interval95_s"]
    return f"{found['verdict']}, {1e3 * error:+.1f} ms (95 % ±{500 * (high - low):.1f}), drift {1e6 * (drift - DRIFT):+.1f} ppm"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--log", choices=("positions", "attitude", "both"), default="both")
    parser.add_argument("--piece", type=float, default=math.inf)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--thorough", action="store_true")
    arguments = parser.parse_args()
    arguments.folder.mkdir(parents=True, exist_ok=True)
    recording = arguments.folder / f"hour-{arguments.minutes:g}-{arguments.seed}.mp4"
    if not recording.exists():
        record(arguments.seed, arguments.minutes, recording)
    logs = {
        "positions": write_gpx(
            logged(arguments.seed, arguments.minutes, 5.0, attitude=False), arguments.folder / "positions.gpx"
        ),
        "attitude": write_csv(
            logged(arguments.seed, arguments.minutes, 10.0, attitude=True), arguments.folder / "attitude.csv"
        ),
    }
    size = recording.stat().st_size
    print(f"{arguments.minutes:g} minutes, {size / 1e9:.2f} GB, {8e-6 * size / (60 * arguments.minutes):.1f} Mbit/s")
    print(f"{'':12}{'wall s':>8}{'CPU s':>8}{'MiB':>6}  wall and CPU over decoding whole")
    for _ in range(arguments.rounds):
        piece = round(60 * RATE * min(arguments.piece, arguments.minutes))
        told, wall_s, processor_s, memory = measured([sys.executable, "-c", _DECODE, str(recording), str(piece)])
        part = int(told) / (60 * RATE * arguments.minutes)
        whole_s = wall_s / part, processor_s / part
        print(f"{'decode whole':12}{whole_s[0]:8.1f}{whole_s[1]:8.1f}{memory:6.0f}  from {told.strip()} frames")
        for name in logs if arguments.log == "both" else [arguments.log]:
            command = [
                sys.executable,
                "-m",
                "overlay.cli",
                "align",
                "--camera",
                str(recording),
                "--track",
                str(logs[name]),
            ]
            aligned = measured([*command, "--json", *(["--thorough"] if arguments.thorough else [])])
            error = scored(aligned[0], 30 * arguments.minutes)
            share = f"{aligned[1] / whole_s[0]:.1%} {aligned[2] / whole_s[1]:.1%}"
            print(f"{name:12}{aligned[1]:8.1f}{aligned[2]:8.1f}{aligned[3]:6.0f}  {share}  {error}")


if __name__ == "__main__":
    main()
