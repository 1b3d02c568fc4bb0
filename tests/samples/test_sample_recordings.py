"""What was written, reopened and measured; and the demonstration's folder as a whole, small."""

import json
import tomllib
from datetime import datetime
from fractions import Fraction
from itertools import pairwise

import av
import numpy as np
import pytest

from overlay_samples import glyphs
from overlay_samples.demo import make, spells_below
from overlay_samples.figures import Figures
from overlay_samples.flight import fly
from overlay_samples.motor_sound import MotorSound, RATE_Hz
from overlay_samples.recordings import write_camera
from overlay_samples.scenario import SHORT, RecorderClock
from overlay_samples.timing import Timing

# The recorders run for a few seconds only: the flight is a minute, its pictures are dear.
LATE = RecorderClock(starts_after_s=60.0, wrong_by_s=-3605.0, drift_ppm=40.0)
TINY = SHORT.replace(
    camera=SHORT.camera.replace(size=(160, 90), frame_rate=Fraction(30000, 1001)),
    camera_clock=LATE,
    camera_chapters=2,
    ground_clock=RecorderClock(starts_after_s=69.6, wrong_by_s=7.0, drift_ppm=-15.0),
)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    told = []
    result = make(
        tmp_path_factory.mktemp("demo") / "flight", TINY, progress=lambda what, share: told.append((what, share))
    )
    assert told[0][1] == 0.0
    assert {what for what, _ in told} == {"flying", "drawing the onboard recording", "receiving the live picture"}
    assert told[-1][1] == 1.0
    return result


def _read(path):
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        times = sorted(Fraction(p.pts) * p.time_base for p in container.demux(video) if p.pts is not None)
        container.seek(0)
        *_, frame = container.decode(video)
        audio = container.streams.audio[0] if container.streams.audio else None
        sound = None if audio is None else (audio.codec_context.name, audio.duration * audio.time_base)
        return times, frame, video, sound, dict(container.metadata)


def test_every_frame_lies_at_its_time(made):
    truth = json.loads(made.truth.read_text())
    count = 0
    for path in made.camera:
        times, frame, video, sound, _ = _read(path)
        assert times == [Fraction(i * 1001, 30000) for i in range(len(times))]
        assert (frame.width, frame.height, frame.format.name) == (160, 90, "yuv420p")
        assert sound[0] == "aac"
        assert float(sound[1]) == pytest.approx(len(times) * 1001 / 30000, abs=0.1)
        assert video.codec_context.colorspace == 1  # BT.709, ISO/IEC 23091-2
        count += len(times)
    assert count == truth["camera"]["frames"]
    times, frame, video, sound, _ = _read(made.ground)
    assert len(times) == truth["ground"]["frames"] == len(truth["ground"]["carrier_to_noise_dB"])
    assert times[1] - times[0] == Fraction(1, 25)
    assert (frame.width, frame.height) == (720, 576)
    assert video.sample_aspect_ratio == Fraction(16, 15)
    assert sound is None


def test_truth_says_when_frames_were_taken(made):
    f, truth = made.flight, json.loads(made.truth.read_text())
    camera = truth["camera"]
    assert camera["offset_s"] == pytest.approx(f.start_s + 60.0, abs=1e-6)
    assert camera["drift_ppm"] == pytest.approx(40.0)
    last = camera["offset_s"] + (1 + 40e-6) * (camera["frames"] - 1) * 1001 / 30000
    assert f.time_s[-1] - 0.1 < last <= f.time_s[-1]
    second = camera["chapters"][1]
    assert second["offset_s"] == pytest.approx(
        camera["offset_s"] + (1 + 40e-6) * second["first_frame"] * 1001 / 30000, abs=1e-5
    )


def test_creation_time_is_wrong_by_as_much_as_the_camera_clock(made):
    *_, metadata = _read(made.camera[0])
    stamp = datetime.fromisoformat(metadata["creation_time"]).timestamp()
    assert stamp == pytest.approx(made.flight.start_s + 60.0 - 3605.0, abs=0.51)


def test_flight_file_names_files_that_exist(made):
    flight = tomllib.loads(made.flight_file.read_text())
    assert flight["version"] == 1
    for name in [*flight["camera"]["files"], *flight["ground"]["files"], flight["track"]["file"]]:
        assert (made.folder / name).stat().st_size > 1000


def test_nothing_is_overwritten(made):
    before = made.truth.read_bytes()
    with pytest.raises(FileExistsError, match="give a new folder"):
        make(made.folder, TINY)
    assert made.truth.read_bytes() == before


def test_segments_drawn_apart_join_as_one(tmp_path, monkeypatch):
    """Two segments, each in its own process, are as many frames at the same times, and the pictures run on."""
    import overlay_samples.recordings as recordings

    flight = fly(TINY.replace(camera_clock=RecorderClock(starts_after_s=68.0)))
    monkeypatch.setattr(recordings, "_PAYS_FROM", 20)
    timing = write_camera([tmp_path / "two.mp4"], flight, processes=2)
    times, *_ = _read(tmp_path / "two.mp4")
    assert len(times) == timing.count
    assert times == [Fraction(i * 1001, 30000) for i in range(timing.count)]
    with av.open(str(tmp_path / "two.mp4")) as container:
        luma = [f.to_ndarray(format="gray").astype(int) for f in container.decode(video=0)]
    steps = np.array([np.abs(a - b).mean() for a, b in pairwise(luma)])
    middle = timing.count // 2 - 1
    assert steps[middle] < 3 * np.median(steps) + 3


def test_a_process_that_fails_says_why(tmp_path, monkeypatch):
    import overlay_samples.recordings as recordings

    flight = fly(
        TINY.replace(camera_clock=RecorderClock(starts_after_s=69.0), camera=TINY.camera.replace(size=(161, 90)))
    )
    monkeypatch.setattr(recordings, "_PAYS_FROM", 20)
    with pytest.raises(RuntimeError, match="must be even"):
        write_camera([tmp_path / "odd.mp4"], flight, processes=2)
    assert not (tmp_path / "odd.mp4").exists()


def test_recorder_that_starts_after_the_flight_is_refused(short_flight):
    late = RecorderClock(starts_after_s=10_000.0)
    with pytest.raises(ValueError, match="after the flight"):
        Timing.of(short_flight, SHORT.camera, late)


def test_spells_below_a_limit():
    levels = np.array([12.0] * 30 + [9.0] * 10 + [11.0] * 5 + [7.0] * 4 + [15.0] * 40 + [3.0] * 6)
    assert spells_below(levels, 10.0) == [
        {"onset_frame": 30, "end_frame": 49},  # five frames above do not end it
        {"onset_frame": 89, "end_frame": 95},
    ]
    assert spells_below(levels, 2.0) == []


def test_motor_is_heard_when_it_turns(short_flight):
    f = short_flight
    sound = MotorSound(f)
    start, _ = f.span("flying")
    quiet = sound.piece(f.start_s + 0.3 + np.arange(RATE_Hz // 2) / RATE_Hz).astype(float)
    full = sound.piece(start + 1.5 + np.arange(RATE_Hz // 2) / RATE_Hz).astype(float)
    assert full.std() > 8 * quiet.std()
    spectrum = np.abs(np.fft.rfft(full * np.hanning(len(full))))
    assert 250 < np.argmax(spectrum) * 2 < 400  # blade passes at full throttle, in Hz


def test_pieces_of_sound_join_without_a_click(short_flight):
    start = short_flight.span("flying")[0] + 2
    times = start + np.arange(8000) / RATE_Hz
    sound = MotorSound(short_flight)
    joined = np.concatenate([sound.piece(times[:4000]), sound.piece(times[4000:])]).astype(float)
    steps = np.abs(np.diff(joined))
    assert steps[3999] <= np.percentile(steps, 99.9) + 1


def test_figures_tell_the_flight(short_flight):
    f = short_flight
    figures = Figures(f)
    launched = f.span("thrown")[0]
    moment = launched + 21.03
    shown = {figure.name: figure.text for figure in figures.at(moment)}
    assert shown["timer"] == "00:21"
    assert int(shown["height"]) == pytest.approx(float(f.at(f.up_m, moment)), abs=1.5)
    assert int(shown["charge used"][:-3]) == pytest.approx(float(f.at(f.charge_used_mAh, moment)), abs=2)
    assert float(shown["cell voltage"][:-1]) == pytest.approx(float(f.at(f.voltage_V, moment)) / 4, abs=0.02)
    away = np.hypot(f.at(f.east_m, moment), f.at(f.north_m, moment))
    assert int(shown["home distance"][:-1]) == pytest.approx(float(away), abs=4)


def test_figures_are_burned_where_they_say(short_flight):
    f = short_flight
    picture = np.full((576, 720, 3), 120, np.uint8)
    figures = Figures(f)
    figures.burn(picture, f.start_s + 40)
    changed = np.any(picture != 120, axis=2)
    cells = changed.reshape(16, 36, 30, 24).any(axis=(1, 3))
    wanted = np.zeros((16, 30), bool)
    for figure in figures.at(f.start_s + 40):
        for i, character in enumerate(figure.text):
            wanted[figure.row, figure.column + i] = character != " "
    wanted[1, 12:14] = True
    np.testing.assert_array_equal(cells, wanted)
    first = next(figure for figure in figures.at(f.start_s + 40) if figure.name == "timer")
    block = picture[36:72, 24 * first.column : 24 * first.column + 24, 0]
    assert np.array_equal(block[::2, ::2] > 200, glyphs.cell(first.text[0]) == glyphs.WHITE)


def test_home_arrow_points_home(short_flight):
    """Ahead is up: home behind the tail is half a turn."""
    f = short_flight
    figures = Figures(f)
    out = f.span("flying")[0] + 6.0  # flying straight out
    assert abs(figures.home_arrow(out) - 8) <= 1


def test_a_character_never_drawn_is_refused():
    with pytest.raises(ValueError, match="no dots"):
        glyphs.cell("§")


def test_glyphs_differ_from_one_another():
    """No two characters are alike, nor but one of their 35 dots."""
    cells = {c: np.array([[d == "#" for d in row] for row in rows]) for c, rows in glyphs.DOTS.items()}
    assert all(cell.shape == (7, 5) for cell in cells.values())
    names = sorted(cells)
    close = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :] if (cells[a] != cells[b]).sum() < 2]
    assert close == []
