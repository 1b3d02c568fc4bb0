"""One flight from its files to its findings: opens what the flight file names, each thing once and only when asked for.

This is the one module in which files meet the science; the science itself takes arrays.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import replace
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.clock import AffineClock
from overlay.errors import Damage, NoAnswerError, UsageError
from overlay.flight_file import FlightFile
from overlay.readings import BrokenPicture, Readings, conditions

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from overlay.alignment import Alignment
    from overlay.flight_clocks import Watched
    from overlay.log_flights import LoggedFlights, Taken
    from overlay.motion import MotionSeries
    from overlay.picture.breakups import Diagnosis
    from overlay.picture.visibility import Visibility, VisibilityMeter
    from overlay.radio.explain import Explanation
    from overlay.radio.ground import Ground
    from overlay.recordings import Recording
    from overlay.tracks import Track

Progress = Callable[[str, float], None]


def _silent(_stage: str, _fraction: float) -> None:
    """Progress for nobody."""


class _StoppedError(Exception):
    """Ends a thread whose result nobody waits for any more."""


class Flight:
    """The files, signals, clocks and findings of one flight.

    `pin` is ``TIME=UTC`` text set by hand for the onboard recording, or for the ground recording where there is no
    other. `damage` and `notes` collect what was wrong with the files and what could not be done, in plain words.
    """

    def __init__(
        self, file: FlightFile, *, pin: str | None = None, thorough: bool = False, progress: Progress = _silent
    ) -> None:
        self.file = file
        self.damage: list[Damage] = []
        self.notes: list[str] = []
        self._pin = pin or (file.camera.pin if file.camera else None)
        self._thorough = thorough
        self._stopped = threading.Event()
        self._told = progress

    def _progress(self, stage: str, share: float) -> None:
        if self._stopped.is_set():
            raise _StoppedError
        self._told(stage, share)

    def look_through(self) -> None:
        """Watch and grade the recordings side by side rather than one after another; the results are then there.

        Decoding and image arithmetic leave the interpreter free, so threads pay.
        """
        wanted = self._recorded
        jobs: list[Callable[[], object]] = [partial(getattr, self, f"{name}_motion") for name in wanted]
        if "ground" in wanted:
            jobs.append(lambda: self.graded)
        if self.file.track is not None and wanted:
            self.logged.motions  # noqa: B018  # shared by the others, so first
        with ThreadPoolExecutor(max(1, len(jobs)), thread_name_prefix="look") as pool:
            running = [pool.submit(job) for job in jobs]
            try:
                for future in as_completed(running):
                    future.result()
            except BaseException:
                self._stopped.set()  # the others end at their next word of progress
                raise

    @cached_property
    def logged(self) -> LoggedFlights:
        """The log with every flight in it. Raises UsageError where there is none."""
        from overlay.log_flights import read_flights

        logged = read_flights(self.file, self._pin)
        self.damage += logged.log.damage
        return logged

    @cached_property
    def taken(self) -> Taken:
        """Which flight of the log this is, and how that is known."""
        found = self.logged.taken(((name, self._watched(name)) for name in self._recorded), self._progress)
        self.notes += [found.remark] if found.remark else []
        return found

    @cached_property
    def track(self) -> Track:
        """The flight in the log: the one asked for, else the one that the recordings are of, else the longest in fixes."""
        return self.logged.log.flights[self.taken.number - 1]

    @property
    def _recorded(self) -> list[str]:
        return [name for name in ("camera", "ground") if getattr(self.file, name) is not None]

    @cached_property
    def camera(self) -> Recording | None:
        """The onboard recording."""
        camera = self.file.camera
        if camera is None:
            return None
        recording = self._open(camera.files)
        if not camera.upside_down:
            return recording
        turned = tuple(replace(c, rotation_deg=(c.rotation_deg + 180) % 360) for c in recording.chapters)
        return replace(recording, chapters=turned)

    @cached_property
    def ground(self) -> Recording | None:
        """The ground station's recording of the live picture."""
        return self._open(self.file.ground.files) if self.file.ground is not None else None

    def _open(self, files: Iterable[str]) -> Recording:
        from overlay.recordings import open_recording

        recording = open_recording([self.file.path(name) for name in files])
        self.damage += recording.damage
        return recording

    def recording(self, name: str) -> Recording:
        """The recording "camera" or "ground". Raises UsageError where the flight has none."""
        found = self.camera if name == "camera" else self.ground
        if found is None:
            raise UsageError(f"this flight has no {name} recording: give one with --{name} or [{name}] in flight.toml")
        return found

    def _motion_of(self, name: str) -> MotionSeries:
        from overlay.motion_cache import motion_kept
        from overlay.motion_survey import motion_in, way_of

        recording = self.recording(name)
        stage = f"motion in the {name} recording"
        angle = self.file.camera.field_of_view_deg if name == "camera" and self.file.camera else None
        references = tuple(self.logged.motions.values()) if self.file.track is not None else ()
        horizon = name == "camera" and self.file.track is not None and not self.logged.tells("bank_deg")

        def measure() -> MotionSeries:
            return motion_in(
                recording,
                references,
                field_of_view_deg=angle,
                horizon=horizon,
                thorough=self._thorough,
                onlooker=self._visibility_meter.push if name == "camera" else None,
                progress=lambda share: self._progress(stage, share),
            )

        way = f"{angle}{' horizon' if horizon else ''} {way_of(recording, references, thorough=self._thorough)}"
        motion = motion_kept(self.file.own_folder, recording, way, measure)
        self._progress(stage, 1.0)
        return motion

    @cached_property
    def camera_motion(self) -> MotionSeries:
        """Rotation seen by the onboard camera, on its own clock."""
        return self._motion_of("camera")

    @cached_property
    def _visibility_meter(self) -> VisibilityMeter:
        from overlay.picture.visibility import VisibilityMeter

        return VisibilityMeter(full_range=self.recording("camera").full_range)

    @cached_property
    def visibility(self) -> Visibility:
        """How clearly the onboard camera saw the ground, on its own clock, wherever its recording was looked at."""
        from overlay.onboard_view import visibility_of

        self.camera_motion  # noqa: B018  # what is watched for that has then been looked at for this
        told = partial(self._progress, "visibility in the camera recording")
        return visibility_of(self.recording("camera"), self._visibility_meter, self.file.own_folder, told)

    @cached_property
    def ground_motion(self) -> MotionSeries:
        """Rotation seen in the live picture, on the ground recording's clock."""
        return self._motion_of("ground")

    @cached_property
    def track_motion(self) -> MotionSeries:
        """Rotation told by the track, on the flight clock."""
        return self.logged.motion(self.taken.number)

    def _watched(self, name: str) -> Watched:
        from overlay.flight_clocks import Watched

        chapters = tuple((Path(each.path).name, float(each.start_s)) for each in self.recording(name).chapters)
        return Watched(getattr(self, f"{name}_motion"), chapters)

    @cached_property
    def alignments(self) -> tuple[Alignment, ...]:
        """Every pair that can be aligned: camera to track, ground to camera, ground to track, agreeing with each other."""
        from overlay.flight_clocks import Logged, align_all

        watched = {name: self._watched(name) for name in self._recorded}
        source, log = self.file.track, None
        if source is not None and watched:
            lag_s = source.velocity_lag_s or 0.0
            log = Logged(self.track_motion, self.track.keeps_utc, lag_s, self.taken.among)
        pairs, remarks = align_all(watched, log, self._pin, self._progress)
        self.notes += remarks
        return self.taken.told_in(pairs) if log is not None else pairs

    def alignment(self, recording: str) -> Alignment | None:
        """The alignment of one recording, where there is one."""
        return next((found for found in self.alignments if found.recording == recording), None)

    def clock(self, name: str) -> AffineClock:
        """Map from a recording's clock to the flight clock. Raises NoAnswerError where no trustworthy one was found.

        Without a track, the onboard recording's own clock is the flight clock.
        """
        if self.file.track is None and name == "camera":
            return AffineClock(0.0)
        from overlay.flight_clocks import clock_of

        return clock_of(name, self.alignments)

    @cached_property
    def graded(self) -> Diagnosis:
        """Grade of the live picture over time, and its break-ups, on the ground recording's clock alone."""
        from overlay.motion_cache import kept
        from overlay.picture.breakups import find_breakups
        from overlay.picture.features import Features
        from overlay.picture_survey import features_in

        recording = self.recording("ground")
        stage, total = "grading the live picture", float(recording.duration_s)

        def told(time_s: float) -> None:
            self._progress(stage, min(time_s / total, 1.0) if total > 0 else 0.0)

        measure = partial(features_in, recording, told)
        features = kept(Features, self.file.own_folder, recording, "features", measure)
        self.damage += recording.missing(features.time_s)
        self._progress(stage, 1.0)
        return find_breakups(features, frame_rate=recording.frame_rate, full_range=recording.full_range)

    def thumbnails(self, frames: Iterable[int], width: int = 320) -> dict[int, NDArray[np.uint8]]:
        """Small upright RGB pictures (h, width, 3) of graded frames of the ground recording, by frame number."""
        import numpy as np

        from overlay.recordings import decode

        recording = self.recording("ground")
        height = 2 * round(width * recording.height / recording.width / 2)
        found = {}
        for number in frames:
            time_s = float(self.graded.features.time_s[number])
            picture = next(decode(recording, start_s=time_s - 1e-4), None)
            if picture is not None:
                small = picture.frame.to_ndarray(format="rgb24", width=width, height=height)
                found[number] = np.asarray(small, np.uint8)
        return found

    @cached_property
    def diagnosis(self) -> Diagnosis:
        """The graded picture, each break-up with the flight's readings at its onset where the clocks are known."""
        self.recording("ground")  # asked for first: without it nothing else matters
        if self.file.track is None:
            return self.graded
        try:
            clock = self.clock("ground")
        except NoAnswerError as error:
            self.notes.append(f"break-ups are not joined with the flight: {error}")
            return self.graded
        causes = self._causes()
        events = []
        for event in self.graded.events:
            onset = clock.to_reference(event.onset_s)
            events.append(replace(event, at=conditions(self.readings, onset), causes=causes.get(onset)))
        return replace(self.graded, events=tuple(events))

    @cached_property
    def explanation(self) -> Explanation:
        """Why the live picture's link broke. NoAnswerError says what of the link or the flight is not known."""
        from overlay.equipment import downlink_of
        from overlay.radio.explain import explain_picture

        self.clock("ground")  # where the break-ups cannot be placed, no place can be blamed
        return explain_picture(self.readings, downlink_of(self.file), self.terrain)

    @cached_property
    def control_explanation(self) -> Explanation:
        """Why the control link faded, or with what margin it held. NoAnswerError says what is not known of it."""
        from overlay.equipment import control_of
        from overlay.radio.explain import explain_control

        return explain_control(self.readings, control_of(self.file), self.terrain)

    @cached_property
    def terrain(self) -> Ground | None:
        """The ground under each line of sight, where the flight has terrain files that fit it."""
        from overlay.equipment import ground_under

        try:
            found = ground_under(self.file, self._bare_readings)
        except NoAnswerError as error:
            self.notes.append(str(error))
            return None
        if found is not None and found.known_share < 1.0:
            self.notes.append(
                f"the terrain files cover {100 * found.known_share:.0f} % of the flight; elsewhere the Earth counts as smooth"
            )
        return found

    def _causes(self) -> dict[float, list[dict[str, object]]]:
        """Causes of each break-up by its onset on the flight clock; none, with a note, where they cannot be weighed."""
        if not self.graded.events:
            return {}
        try:
            found = self.explanation.events
        except NoAnswerError as error:
            self.notes.append(f"the causes of the break-ups are not weighed: {error}")
            return {}
        return {each.onset_s: [cause.as_json() for cause in each.causes] for each in found}

    @cached_property
    def _bare_readings(self) -> Readings:
        """What the track alone tells."""
        from overlay.equipment import home_of, pack_of
        from overlay.mechanics.flight import readings_of

        return readings_of(self.track, home=home_of(self.file, self.track), pack=pack_of(self.file))

    @cached_property
    def readings(self) -> Readings:
        """The one table on the flight clock, with the live picture's break-ups where they can be placed on it."""
        from overlay.radio.ground import with_terrain

        bare = self._bare_readings
        ground = with_terrain(bare, self.terrain) if self.terrain is not None else bare
        return self._with_view(self._with_grade(replace(ground, breakups=self._broken_pictures())))

    def _with_grade(self, readings: Readings) -> Readings:
        """The readings with the live picture's grade beside them, where its clock is known."""
        from overlay.picture.resampling import worst_around

        if self.file.ground is None:
            return readings
        try:
            clock = self.clock("ground")
        except NoAnswerError:
            return readings  # told with the break-ups
        grade = worst_around(clock.to_reference(self.graded.features.time_s), self.graded.grade, readings.time_s)
        how = "worst grade of the live picture's frames around each row"
        derived = {**readings.derived, "picture_grade": how}
        return replace(readings, columns={**readings.columns, "picture_grade": grade}, derived=derived)

    def _with_view(self, readings: Readings) -> Readings:
        """The readings with what the onboard camera saw: the horizon, and the ground where there is a live picture."""
        from overlay.onboard_view import with_seen_bank, with_visibility

        if self.file.camera is None:
            return readings
        try:
            clock = self.clock("camera")
        except NoAnswerError:
            return readings  # told with the break-ups, or by who asks for the clock
        if "bank_deg" in readings.derived:
            readings = with_seen_bank(readings, clock, self.camera_motion)
        return with_visibility(readings, clock, self.visibility) if self.file.ground is not None else readings

    def _broken_pictures(self) -> tuple[BrokenPicture, ...]:
        if self.file.ground is None:
            return ()
        try:
            clock = self.clock("ground")
        except NoAnswerError as error:
            self.notes.append(f"break-ups are not shown on the flight: {error}")
            return ()
        return tuple(
            BrokenPicture(
                clock.to_reference(event.onset_s), clock.to_reference(event.end_s), event.kind, float(event.worst_grade)
            )
            for event in self.graded.events
        )
