"""The reference's own samples beside what the recording showed at the same moments."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.mount import Mount, first_mount
from overlay.alignment.sampling import Averager, Remembered, intervals, rates, smoothed_means
from overlay.clock import AffineClock
from overlay.motion.from_track import central_slope
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_SAMPLES = 20
# A gust from the side turns the nose first and pushes the path later, the other way: what nose and path have in common is
# partly that, no coherence shows it, and a clock fitted to it is some 50 ms wrong. The nose keeps just enough say to tell
# the lens.
GUSTED = 0.02
# How late the path bends after the aircraft banks, mean and 1σ: lift builds up within some chords of flight (Wagner 1925;
# from memory), and the side force of a nose not yet turned holds the path back. What a turn at bank φ asks beyond level
# flight waits for whoever pulls: a log of heights shows it; of a bank inferred without them, sin² φ of that wait comes on
# top. benchmarks/path_delay.py measures both between true bank and true path.
LIFT_LATE_S = (0.03, 0.02)
PULL_LATE_S = (0.65, 0.37)
# And 1σ of what is left of it where heights tell, for they are late themselves, by a barometer's filter or a receiver's: half
# of the filter's time constant comes through (benchmarks/alignment_sample.py --heights late). That 0.25 s is usual is
# common practice, no source.
HEIGHTS_LATE_S = 0.12
PIECE_COVER = 0.3  # of such a piece that must be known: one picture lost is no gap
PIECE_S = 0.2  # bank changes little in this time


@dataclass(frozen=True)
class Pose:
    """What is fitted: the clock, with its changes taken about `middle_s` of the reference, the mount, two delays, a push.

    An aircraft banks, its lift builds up, and only then does the path bend: a bank inferred from the path is `bank_late_s`
    late. The nose follows the path `nose_late_s` later. What turns the nose aside of the path also pushes the path, by
    `pushed` radians of bank for each that the nose turns: a gust the other way, the air against a nose held aside its own.
    """

    clock: AffineClock
    mount: Mount
    middle_s: float
    bank_late_s: float = 0.0
    nose_late_s: float = 0.0
    pushed: float = 0.0

    def moved(self, step: Floats) -> Pose:
        """After (δ s at the middle, d drift, rotation vector rad (3), d log zoom, d bank_late_s, d nose_late_s, d pushed)."""
        clock = self.clock
        if step[:2].any():  # else to the bit the same, so that what was seen then need not be looked up again
            drift = float(np.clip(clock.drift + step[1], -0.08, 0.08))
            offset = self.middle_s + float(step[0]) - (1 + drift) * clock.to_recording(self.middle_s)
            clock = AffineClock(offset, drift)
        return Pose(
            clock,
            self.mount.moved(step[2:5], float(step[5])),
            self.middle_s,
            self.bank_late_s + float(step[6]),
            self.nose_late_s + float(step[7]),
            self.pushed + float(step[8]),
        )


class Comparison(ABC):
    """Reference samples `wanted` (N, C) centred at `times` (N,) on its clock, and what the recording showed there.

    The channels are those that the reference can vouch for; `step_s` is the spacing of the samples.
    """

    channels: tuple[str, ...]
    worth: tuple[float, ...]
    times: Floats
    wanted: Floats
    step_s: float
    widths: Floats  # of the samples (N,)
    recording: Averager

    @abstractmethod
    def seen(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """(N, C) what the recording showed at each moment, `late_s` later; NaN where unknown."""

    @abstractmethod
    def mount_slopes(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """(N, C, 4) derivatives of wanted − seen by the mount's rotation vector and log zoom."""

    @property
    @abstractmethod
    def inferred(self) -> NDArray[np.bool_]:
        """(C,) which channels come from an inferred bank."""

    @property
    @abstractmethod
    def followed(self) -> NDArray[np.bool_]:
        """(C,) which channels compare the nose with the path."""

    @property
    def by_push(self) -> Floats:
        """(N, C) derivatives of wanted − seen by `Pose.pushed`."""
        return np.zeros_like(self.wanted)

    def beside_path(self, pose: Pose, believed: Floats) -> Comparison:  # noqa: ARG002 - only a path has a beside
        """The same, knowing how the nose turned beside the path as `pose` has it; samples weighted by `believed` (N,)."""
        return self

    @property
    def probe_s(self) -> Floats:
        """Half the distance (N,) over which the recording's change with time is measured."""
        return np.minimum(0.05, self.widths / 4)

    @property
    def middle_s(self) -> float:
        """Middle of the overlap on the reference's clock."""
        return float((self.times[0] + self.times[-1]) / 2)

    def grid(self) -> NDArray[np.intp]:
        """(N,) place of each sample on a regular grid of `step_s`."""
        return np.asarray(np.rint((self.times - self.times[0]) / self.step_s), np.intp)

    def linearised(self, pose: Pose, late_s: float | Floats = 0.0) -> tuple[Floats, Floats, Mask]:
        """Residual (N, C), its derivatives (N, C, 9) by the nine of `Pose.moved`, and the rows on which both are known."""
        ahead, behind = (self.seen(pose, late_s + sign * self.probe_s) for sign in (1.0, -1.0))
        slope = (ahead - behind) / (2 * self.probe_s[:, None])
        late = slope * (self.times - pose.middle_s)[:, None]
        jacobian = np.concatenate(
            (
                slope[:, :, None],
                late[:, :, None],
                self.mount_slopes(pose, late_s),
                (slope * self.inferred)[:, :, None],
                (-slope * self.followed)[:, :, None],
                self.by_push[:, :, None],
            ),
            axis=2,
        )
        residual = self.wanted - self.seen(pose, late_s)
        return residual, jacobian, np.all(np.isfinite(residual), axis=1) & np.all(np.isfinite(slope), axis=1)


@dataclass(frozen=True)
class RateComparison(Comparison):
    """All three body rates, as a log with attitude or another picture gives them; means over `widths` (N,)."""

    times: Floats
    widths: Floats
    wanted: Floats
    recording: Averager
    step_s: float
    channels: tuple[str, ...] = ("roll", "pitch", "yaw")
    worth: tuple[float, ...] = (1.0, 1.0, 1.0)

    @property
    def inferred(self) -> NDArray[np.bool_]:
        """None."""
        return np.zeros(3, bool)

    @property
    def followed(self) -> NDArray[np.bool_]:
        """None."""
        return np.zeros(3, bool)

    @cached_property
    def _turned(self) -> Remembered:
        return Remembered(partial(self.recording.means, width_s=self.widths))

    def seen(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """(N, 3) mean rates in aircraft axes."""
        return pose.mount.apply(self._turned(pose.clock.to_recording(self.times) + late_s))

    def mount_slopes(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """(N, 3, 4)."""
        return pose.mount.slopes(self.seen(pose, late_s))


@dataclass(frozen=True)
class TurnComparison(Comparison):
    """Roll, and rate of turn in the place of yaw, which is all that positions vouch for.

    The rate of turn about the vertical is q·sin φ + r·cos φ of the recording's rates, with the reference's own bank φ:
    pitching cancels out of it exactly, and an error in φ does to first order, because in a coordinated turn the
    derivative q·cos φ − r·sin φ is nil. φ changes within a 1 Hz sample, so the recording is projected piece by piece: `bank`
    (N, P) at the middle of each of P pieces of a sample. Roll is the change of bank between one interval and the next: the
    mean over the sample and `spacing_s` more, half of that late, and `sink` (N,) is what climbing adds to it. Over that time
    `path` (N,) is the rate of turn and `lean` (N,) the bank; `beside` (N,) is how fast the nose turned beside the path.
    """

    times: Floats
    widths: Floats
    wanted: Floats
    bank: Floats
    sink: Floats
    path: Floats
    lean: Floats
    recording: Averager
    spacing_s: float
    step_s: float
    channels: tuple[str, ...] = ("roll", "yaw")
    worth: tuple[float, ...] = (1.0, GUSTED)
    beside: Floats | float = 0.0

    @property
    def inferred(self) -> NDArray[np.bool_]:
        """Roll alone."""
        return np.array([True, False])

    @property
    def followed(self) -> NDArray[np.bool_]:
        """Turn alone."""
        return np.array([False, True])

    @property
    def by_push(self) -> Floats:
        """(N, 2): roll alone."""
        return np.column_stack((-self.beside * np.ones(len(self.times)), np.zeros(len(self.times))))

    def beside_path(self, pose: Pose, believed: Floats) -> TurnComparison:
        """What of the nose's turn neither the path's explains nor the rolling that a tilted mount takes for turning.

        Rolling as it was both then and at the roll's own moment: so nothing in it can move the clock itself.
        """
        rolled, aside = self._rolled(pose), self._rolled(pose, pose.bank_late_s + pose.nose_late_s)
        turn = aside[:, 1] * np.sin(self.lean) + aside[:, 2] * np.cos(self.lean)
        shared = np.column_stack((self.path, rolled[:, 0], aside[:, 0]))
        known = np.isfinite(turn) & np.all(np.isfinite(shared), axis=1) & (believed > 0)
        weight = np.sqrt(believed[known])
        share = np.linalg.lstsq(shared[known] * weight[:, None], turn[known] * weight, rcond=None)[0]
        beside = np.zeros(len(turn))
        beside[known] = turn[known] - shared[known] @ share
        return replace(self, beside=beside)

    @cached_property
    def _turned_rolling(self) -> Remembered:
        return Remembered(
            partial(smoothed_means, self.recording, width_s=self.widths, extra_s=self.spacing_s, cover=PIECE_COVER)
        )

    @cached_property
    def _turned_in_pieces(self) -> Remembered:
        return Remembered(partial(_piecewise, self.recording, self.widths, self.bank.shape[1]))

    @cached_property
    def _of_bank(self) -> tuple[Floats, Floats]:
        return np.sin(self.bank), np.cos(self.bank)

    def _rolled(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """Rates in aircraft axes over the time of each roll (N, 3)."""
        at = pose.clock.to_recording(self.times) + late_s + self.spacing_s / 2 - pose.bank_late_s
        return pose.mount.apply(self._turned_rolling(at))

    def _pieces(self, pose: Pose, late_s: float | Floats) -> Floats:
        """Rates in aircraft axes for each piece of the turn (N·P, 3)."""
        return pose.mount.apply(self._turned_in_pieces(pose.clock.to_recording(self.times) + late_s + pose.nose_late_s))

    def seen(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """(N, 2) roll and rate of turn."""
        roll, parts = self._rolled(pose, late_s), self._pieces(pose, late_s).reshape(*self.bank.shape, 3)
        sin, cos = self._of_bank
        turn = parts[:, :, 1] * sin + parts[:, :, 2] * cos
        return np.column_stack((roll[:, 0] + self.sink + pose.pushed * self.beside, turn.mean(axis=1)))

    def mount_slopes(self, pose: Pose, late_s: float | Floats = 0.0) -> Floats:
        """(N, 2, 4)."""
        slopes = pose.mount.slopes(self._pieces(pose, late_s)).reshape(*self.bank.shape, 3, 4)
        sin, cos = (angle[:, :, None] for angle in self._of_bank)
        turn = (slopes[:, :, 1] * sin + slopes[:, :, 2] * cos).mean(axis=1)
        return np.stack((pose.mount.slopes(self._rolled(pose, late_s))[:, 0], turn), axis=1)


def _piecewise(recording: Averager, widths: Floats, pieces: int, at: Floats) -> Floats:
    """(N·P, 3) means over each of `pieces` equal pieces of windows (N,) about moments (N,)."""
    shifts = (np.arange(pieces) + 0.5) / pieces - 0.5
    parts = [recording.means(at + shift * widths, widths / pieces, PIECE_COVER) for shift in shifts]
    return np.stack(parts, axis=1).reshape(-1, 3)


class Reference:
    """The reference as its log measured it, ready to be compared at any width."""

    def __init__(self, series: MotionSeries) -> None:
        self._rates = rates(series)
        self.spacing_s = _usual(intervals(series)[self._rates.kept])
        self.smoothing_s = series.smoothing_s
        self._inferred = series.inferred
        self._bank = series.bank_rad[self._rates.kept] if series.inferred else np.zeros(0)
        upward = series.upward_mps2 if len(series.upward_mps2) else np.full(len(series.time_s), np.nan)
        self._flat = np.isnan(upward[self._rates.kept])  # banks inferred as if the flight were level
        if series.inferred:
            extra = series.rate_radps[:, 0] - central_slope(series.bank_rad, series.time_s)
            turn = np.hypot(series.rate_radps[:, 1], series.rate_radps[:, 2]) * np.sign(series.rate_radps[:, 2])
            values = np.where(self._rates.kept[:, None], np.column_stack((extra, turn)), np.nan)
            self._turn = Averager(series.time_s, intervals(series), values)

    @property
    def bank_late_s(self) -> tuple[float, float]:
        """Mean and 1σ of how late the inferred bank is, by how steep it was while it rolled with and without heights."""
        rolled = np.gradient(self._bank) ** 2 if len(self._bank) > 1 else np.zeros(0)
        known = np.isfinite(rolled)
        weight = rolled[known].sum()
        if not weight > 0:
            return LIFT_LATE_S
        steep = np.where(known, rolled * np.sin(self._bank) ** 2, 0.0) / weight
        blind, told = float(steep[self._flat].sum()), float(steep[~self._flat].sum())
        sigma = np.linalg.norm([LIFT_LATE_S[1], PULL_LATE_S[1] * blind, HEIGHTS_LATE_S * told])
        return LIFT_LATE_S[0] + PULL_LATE_S[0] * blind, float(sigma)

    def against(self, recording: Averager, clock: AffineClock, width_s: float, step_s: float) -> Comparison:
        """The part that meets the recording under `clock`. ValueError when almost nothing does."""
        if self._inferred:
            return self._turn_comparison(recording, clock, width_s, step_s)
        times, widths, _, _ = self._rates.groups(width_s, step_s)
        wanted = self._rates.means(times, widths)
        met = _met(times, widths, wanted, recording, clock)
        return RateComparison(times[met], widths[met], wanted[met], recording, float(np.median(np.diff(times))))

    def likely_mount(self, recording: Averager, clock: AffineClock, width_s: float) -> Mount:
        """Mount rotation to start from, out of all three rates."""
        times, widths, _, _ = self._rates.groups(width_s, width_s / 2)
        return first_mount(self._rates.means(times, widths), recording.means(clock.to_recording(times), widths))

    def _turn_comparison(
        self, recording: Averager, clock: AffineClock, width_s: float, step_s: float
    ) -> TurnComparison:
        times, widths, first, run = self._turn.groups(width_s, step_s)
        middles = self._turn.middles
        last = np.minimum(first + run, len(middles) - 1)
        span = middles[last] - middles[first]
        extra, turn = self._turn.means(times, widths).T
        with np.errstate(divide="ignore", invalid="ignore"):
            roll = (self._bank[last] - self._bank[first]) / span
        roll[np.abs(span - run * self.spacing_s) > 0.5 * self.spacing_s] = np.nan
        wanted = np.column_stack((roll, turn))
        met = _met(times, widths, wanted, recording, clock)
        pieces = max(1, round(float(np.median(widths)) / PIECE_S))
        shifts = (np.arange(pieces) + 0.5) / pieces - 0.5
        at = times[met][:, None] + widths[met][:, None] * shifts
        bank = np.interp(at, middles, self._bank)
        return TurnComparison(
            times[met],
            widths[met],
            wanted[met],
            bank,
            -extra[met],
            smoothed_means(self._turn, times[met] + self.spacing_s / 2, widths[met], self.spacing_s)[:, 1],
            np.interp(times[met] + self.spacing_s / 2, middles, self._bank),
            recording,
            self.spacing_s,
            float(np.median(np.diff(times))),
        )


def _met(times: Floats, widths: Floats, wanted: Floats, recording: Averager, clock: AffineClock) -> Mask:
    seen = recording.means(clock.to_recording(times), widths)
    met = np.all(np.isfinite(wanted), axis=1) & np.all(np.isfinite(seen), axis=1)
    if met.sum() < LEAST_SAMPLES:
        raise ValueError(f"only {met.sum()} samples overlap")
    return np.asarray(met)


def _usual(interval_s: Floats) -> float:
    return float(np.median(interval_s)) if len(interval_s) else 1.0
