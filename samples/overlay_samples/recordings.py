"""The two recordings of a flight, encoded: the camera's in the nose, and the ground station's of the live picture.

Pictures are drawn by segments in processes of their own where it pays, each an independent run of groups of pictures;
the packets are then joined without encoding anything twice.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing.queues import Queue
from pathlib import Path
from queue import Empty
from typing import Any

import av
import cv2
import numpy as np
from av.video.codeccontext import VideoCodecContext
from numpy.typing import NDArray

from overlay_samples.figures import Figures
from overlay_samples.flight import Flight
from overlay_samples.joining import join
from overlay_samples.motor_sound import MotorSound
from overlay_samples.scenario import Lens, Size
from overlay_samples.timing import Timing
from overlay_samples.view import Viewer
from overlay_samples.ycc import Planes, ycc_to_bgr

Progress = Callable[[int, int], None]
"""Called with the number of frames done and the number of all."""

_PAYS_FROM = 900  # frames from which on a second process is worth starting
_LIVE_RESOLVED = (480, 384)  # what the small camera of the live picture resolves
_BT709, _BT601 = 1, 6  # ISO/IEC 23091-2 code points of matrix coefficients; 6 is the 625/525-line one
_LIMITED = 1


@dataclass(frozen=True)
class Job:
    """A run of frames [first, last) of one recording, encoded into one file by one process."""

    flight: Flight
    kind: str  # "camera" or "ground"
    timing: Timing
    first: int
    last: int
    path: Path
    levels: NDArray[np.float64]  # C/N in dB for each frame; empty for the camera


def write_camera(
    paths: list[Path], flight: Flight, *, processes: int | None = None, progress: Progress | None = None
) -> Timing:
    """Write the onboard recording with sound, its frames shared out over one or more chapters."""
    s = flight.scenario
    timing = Timing.of(flight, s.camera, s.camera_clock)
    stamp = timing.start_s + s.camera_clock.wrong_by_s
    bounds = [timing.count * i // len(paths) for i in range(len(paths) + 1)]
    with tempfile.TemporaryDirectory(prefix="sample-flight-") as folder:
        cuts = _cuts(timing.count, bounds)
        jobs = [Job(flight, "camera", timing, a, b, Path(folder) / f"{a}.mp4", np.zeros(0)) for a, b in pairwise(cuts)]
        _run(jobs, processes, progress)
        sound = MotorSound(flight)
        for chapter, path in enumerate(paths):
            first, last = bounds[chapter], bounds[chapter + 1]
            parts = [job.path for job in jobs if first <= job.first < last]
            join(path, parts, timing, (first, last), sound, stamp + float(first / timing.rate))
    return timing


def write_ground(
    path: Path, flight: Flight, *, processes: int | None = None, progress: Progress | None = None
) -> tuple[Timing, NDArray[np.float64]]:
    """Write the ground station's recording of the live picture; return its timing and the C/N of each frame, dB."""
    from overlay_samples.link import segments

    s = flight.scenario
    timing = Timing.of(flight, s.ground, s.ground_clock)
    moments = np.array([timing.at(i) for i in range(timing.count)])
    levels = flight.at(flight.carrier_to_noise_dB, moments)
    with tempfile.TemporaryDirectory(prefix="sample-flight-") as folder:
        runs = segments(levels, 2 if timing.count >= _PAYS_FROM else 1)
        jobs = [
            Job(flight, "ground", timing, run.start, run.stop, Path(folder) / f"{run.start}.mp4", levels[run])
            for run in runs
        ]
        _run(jobs, processes, progress)
        stamp = timing.start_s + s.ground_clock.wrong_by_s
        join(path, [job.path for job in jobs], timing, (0, timing.count), None, stamp)
    return timing, levels


def _cuts(count: int, bounds: list[int]) -> list[int]:
    """Where segments begin and end: at chapters, and in the middle of long recordings."""
    middle = [count // 2] if count >= _PAYS_FROM else []
    return sorted({*bounds, *middle})


# Drawing and encoding


def _frames(job: Job) -> Iterator[av.VideoFrame]:
    if job.kind == "camera":
        lens = job.flight.scenario.camera
        viewer = Viewer(job.flight, lens.replace(size=_resolved(lens.size)), "709")
        for i in range(job.first, job.last):
            yield _frame(_enlarged(viewer.planes(job.timing.at(i)), lens.size))
        return
    for picture in _received(job):
        yield av.VideoFrame.from_ndarray(_planar(picture), format="yuv420p")


def _resolved(size: Size) -> Size:
    """What a small lens resolves on a sensor: three pixels for four, where that comes out even."""
    whole = size[0] % 16 == 0 and size[1] % 16 == 0
    return (size[0] * 3 // 4, size[1] * 3 // 4) if whole else size


def _enlarged(planes: Planes, size: Size) -> Planes:
    width, height = size
    if planes[0].shape == (height, width):
        return planes
    luma = cv2.resize(planes[0], (width, height), interpolation=cv2.INTER_CUBIC)
    cb, cr = (cv2.resize(plane, (width // 2, height // 2), interpolation=cv2.INTER_LINEAR) for plane in planes[1:])
    return np.asarray(luma, np.uint8), np.asarray(cb, np.uint8), np.asarray(cr, np.uint8)


def _planar(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """4:2:0 planes of a B′G′R′ picture; colour is averaged over its four pixels, as a recorder does."""
    height, width = picture.shape[:2]
    planes = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2YUV_I420), np.uint8)  # takes the colour of one of the four
    halved = cv2.resize(picture, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
    alike = cv2.resize(halved, (width, height), interpolation=cv2.INTER_NEAREST)
    planes[height:] = cv2.cvtColor(alike, cv2.COLOR_BGR2YUV_I420)[height:]
    return planes


def _received(job: Job) -> Iterator[NDArray[np.uint8]]:
    from overlay_samples.link import receive

    return receive(
        live_pictures(job.flight, job.timing, job.first, job.last), job.levels, seed=_seed(job), first_frame=job.first
    )


def _seed(job: Job) -> int:
    return job.flight.scenario.seed


def live_pictures(flight: Flight, timing: Timing, first: int, last: int) -> Iterator[NDArray[np.uint8]]:
    """What the aircraft sends, (576, 720, 3) B′G′R′ a frame: the clean view with its figures."""
    lens, figures = flight.scenario.ground, Figures(flight)
    viewer = Viewer(flight, lens.replace(size=_LIVE_RESOLVED), "601")
    width, height = lens.size
    for i in range(first, last):
        luma, *chroma = viewer.planes(timing.at(i))
        enlarged = np.asarray(cv2.resize(luma, (width, height), interpolation=cv2.INTER_CUBIC), np.uint8)
        cb, cr = (np.asarray(cv2.resize(plane, (width // 2, height // 2)), np.uint8) for plane in chroma)
        picture = ycc_to_bgr((enlarged, cb, cr), "601")
        figures.burn(picture, timing.at(i))
        yield picture


def _frame(planes: tuple[NDArray[np.uint8], ...]) -> av.VideoFrame:
    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, "yuv420p")
    for plane, values in zip(frame.planes, planes, strict=True):
        target = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
        target[: values.shape[0], : values.shape[1]] = values
    return frame


def encode(job: Job, done: Callable[[int], None]) -> None:
    """Draw and encode a job's frames; `done` hears how many are finished now and then."""
    cv2.setNumThreads(1)
    lens = job.flight.scenario.camera if job.kind == "camera" else job.flight.scenario.ground
    with av.open(str(job.path), "w", format="mp4") as container:
        stream = container.add_stream("libx264", rate=lens.frame_rate)
        context = stream.codec_context
        _set_up(context, lens, job.kind)
        for i, frame in enumerate(_frames(job)):
            frame.pts, frame.time_base = i, 1 / lens.frame_rate
            frame.color_range, frame.colorspace = _LIMITED, _BT709 if job.kind == "camera" else _BT601
            container.mux(stream.encode(frame))
            if i % 25 == 24:
                done(25)
        container.mux(stream.encode(None))
        done((job.last - job.first) % 25)


def _set_up(context: VideoCodecContext, lens: Lens, kind: str) -> None:
    context.width, context.height = lens.size
    context.pix_fmt = "yuv420p"
    context.time_base = 1 / lens.frame_rate
    context.sample_aspect_ratio = lens.pixel_aspect
    context.gop_size = round(lens.frame_rate)
    context.thread_count = 1
    context.color_range = _LIMITED
    context.colorspace = context.color_primaries = context.color_trc = _BT709 if kind == "camera" else _BT601
    if kind == "camera":
        context.options = {"preset": "ultrafast", "crf": "26"}
    else:
        context.options = {"preset": "ultrafast", "maxrate": "4500k", "bufsize": "4500k", "crf": "27", "deblock": "0:0"}


# Processes


def _run(jobs: list[Job], processes: int | None, progress: Progress | None) -> None:
    """Encode all jobs, at most `processes` at a time (None: two, or one on a single core)."""
    total, finished = sum(job.last - job.first for job in jobs), 0

    def done(count: int) -> None:
        nonlocal finished
        finished += count
        if progress:
            progress(finished, total)

    workers = min(processes or 2, os.cpu_count() or 1, len(jobs)) if total >= _PAYS_FROM else 1
    if workers == 1:
        for job in jobs:
            encode(job, done)
        return
    context = multiprocessing.get_context("spawn")
    reports: Queue[tuple[int, str | None]] = context.Queue()
    waiting = list(jobs)
    running: list[Any] = []
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                process = context.Process(target=_work, args=(waiting.pop(0), reports), daemon=True)
                with _one_blas_thread(), _uninterrupted():
                    process.start()
                    running.append(process)
            _listen(reports, done)
            for process in [p for p in running if not p.is_alive()]:
                process.join()
                running.remove(process)
                if process.exitcode:
                    _listen(reports, done)
                    raise RuntimeError(f"a process that draws the sample flight ended with {process.exitcode}")
        _listen(reports, done)
    finally:
        for process in running:
            process.terminate()
            process.join()


@contextmanager
def _uninterrupted() -> Iterator[None]:
    """Keep an interrupt waiting: a process cut off while it starts, or not yet noted, would complain at length."""
    if threading.current_thread() is not threading.main_thread():  # interrupts only ever reach the main one
        yield
        return
    waiting: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: waiting.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if waiting:
        raise KeyboardInterrupt


@contextmanager
def _one_blas_thread() -> Iterator[None]:
    """Processes started inside use one thread each for matrix products; more would only wait for each other."""
    before = {name: os.environ.get(name) for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")}
    os.environ.update(dict.fromkeys(before, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _listen(reports: Queue[tuple[int, str | None]], done: Callable[[int], None]) -> None:
    """Pass on what the processes report; wait a moment for the first."""
    try:
        count, trouble = reports.get(timeout=0.2)
        while True:
            if trouble:
                raise RuntimeError(f"drawing the sample flight failed: {trouble}")
            done(count)
            count, trouble = reports.get_nowait()
    except Empty:
        return


def _work(job: Job, reports: Queue[tuple[int, str | None]]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # its parent ends it
    try:
        encode(job, lambda count: reports.put((count, None)))
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        reports.put((0, f"{type(error).__name__}: {error} ({Path(place.filename).name}, line {place.lineno})"))
        sys.exit(1)
