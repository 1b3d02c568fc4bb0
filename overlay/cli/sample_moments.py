"""Moments of a long generated flight, out to 10 km and back, on which layouts are shown."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from overlay.gallery import Moment, Picture
from overlay.readings import BrokenPicture, Pack, Readings

if TYPE_CHECKING:
    from overlay_samples.flight import Flight

# Seconds after power-up: in a break-up after the turn, near home again, and in the middle of a silence of the log.
MOMENTS = {"far": 486.2, "near": 781.0, "silent": 550.0}
_SILENT_S = (540.0, 560.0)
_LOST_dB, _SHORTEST_S, _BRIDGED_S = 9.0, 0.25, 2.0
_HELD_FRAMES = 6  # before the one shown, so that the receiver has settled


class SampleMoments:
    """A flight of the sample's make, longer and with stronger transmitters, read back from its radio's log.

    The picture's grade and break-ups are the generator's own, from the carrier it knows; the rest is read from the log.
    """

    @cached_property
    def flight(self) -> Flight:
        """The flight."""
        from overlay_samples.flight import fly
        from overlay_samples.scenario import DEFAULT

        return fly(
            DEFAULT.replace(
                distance_out_m=10400.0, far_height_m=190.0, weave_m=160.0, weave_length_m=3100.0, detours=2,
                detour_m=420.0, battery=replace(DEFAULT.battery, capacity_mAh=8000.0),
                picture_link=replace(
                    DEFAULT.picture_link, power_mW=700.0, ground_gain_dBi=12.5, ground_beam_deg=40.0
                ),
                control_link=replace(DEFAULT.control_link, power_mW=600.0),
            )
        )  # fmt: skip

    @cached_property
    def readings(self) -> Readings:
        """What its log says, with the picture's grade and break-ups."""
        from overlay.mechanics.flight import readings_of
        from overlay.tracks import read_log
        from overlay_samples.radio_log import write_csv

        with tempfile.TemporaryDirectory(prefix="sample-flight-") as folder:
            log = Path(folder) / "radio.csv"
            write_csv(log, self.flight)
            (track,) = read_log(log).flights
        battery = self.flight.scenario.battery
        found = readings_of(track, pack=Pack(battery.capacity_mAh, battery.cells), breakups=self._breakups())
        # C/N of the whole grades of the five-grade impairment scale on a wideband FM picture: common practice, no source
        grade = np.interp(self.flight.carrier_to_noise_dB, [5.0, 8.0, 10.0, 13.0, 18.0], [1.0, 2.0, 3.0, 4.0, 5.0])
        columns = {**found.columns, "picture_grade": np.interp(found.time_s, self.flight.time_s, grade)}
        return replace(found, columns=columns)

    def at(self, name: str) -> Moment:
        """One of `MOMENTS`; in the silent one nothing of the log is known, and no live picture was recorded."""
        time_s = self.flight.start_s + MOMENTS[name]
        if name == "silent":
            return Moment(self._silent(), time_s, None)
        return Moment(self.readings, time_s, self._live(time_s))

    def ahead(self, time_s: float, size: tuple[int, int]) -> Picture:
        """What the camera in the nose sees, (height, width, 3) sRGB."""
        from overlay_samples.view import Viewer

        viewer = Viewer(self.flight, self.flight.scenario.camera.replace(size=size))
        return np.ascontiguousarray(viewer.bgr(time_s)[..., ::-1])

    def _silent(self) -> Readings:
        after = self.readings.time_s - self.flight.start_s
        gone = (after > _SILENT_S[0]) & (after < _SILENT_S[1])
        return replace(self.readings, columns={k: np.where(gone, np.nan, v) for k, v in self.readings.columns.items()})

    def _live(self, time_s: float) -> Picture:
        from overlay_samples.link import receive
        from overlay_samples.recordings import live_pictures
        from overlay_samples.timing import Timing

        scenario = self.flight.scenario
        timing = Timing.of(self.flight, scenario.ground, scenario.ground_clock)
        last = int((time_s - timing.start_s) * timing.rate)
        frames = range(last - _HELD_FRAMES, last)
        levels = self.flight.at(self.flight.carrier_to_noise_dB, np.array([timing.at(i) for i in frames]))
        sent = live_pictures(self.flight, timing, frames.start, frames.stop)
        *_, shown = receive(sent, levels, seed=scenario.seed, first_frame=frames.start)
        return np.ascontiguousarray(shown[..., ::-1])

    def _breakups(self) -> tuple[BrokenPicture, ...]:
        """Spells below the threshold of FM, short returns bridged and mere flickers left out."""
        from overlay_samples.demo import spells_below

        spans: list[tuple[float, float]] = []
        times = self.flight.time_s
        for spell in spells_below(self.flight.carrier_to_noise_dB, _LOST_dB):
            start, end = (float(times[min(spell[k], len(times) - 1)]) for k in ("onset_frame", "end_frame"))
            if end - start < _SHORTEST_S:
                continue
            if spans and start - spans[-1][1] < _BRIDGED_S:
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
        return tuple(BrokenPicture(start, end, "noise", 2.0) for start, end in spans)
