"""From noisy video to a picture: levels, colour decoding with its own flywheel and killer, the picture memory.

`ReceiverState` is all that the receiver remembers from one frame to the next. A stream may be begun in the middle with
`Receiver.settled`, the state of a receiver that has had a clean picture for a while.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from overlay_samples.link.composite import CHROMA_DECIMATION, Frame, Separator, subcarrier_turns
from overlay_samples.link.filters import Samples
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard
from overlay_samples.link.sync import Lines, SyncCircuit, Timebase, TimebaseState

_CLAMP_GAIN = 0.12
"""Black-level clamp: its memory is about eight lines."""
_LEVEL_GAIN = 0.3
"""Sync tip and blanking level, per frame."""
_BURST_GAIN = 0.03
"""Colour flywheel: about thirty lines."""
_KILL, _REVIVE = 0.30, 0.45
"""Mean burst, as a share of its nominal height, below which the colour killer acts and above which it lets go."""
_PORCH_US = (8.2, 9.2)
"""The part of the back porch that is behind the burst and before the picture in both standards."""
_TIP_US = (1.2, 3.6)


@dataclass
class ReceiverState:
    """What the receiver remembers from frame to frame."""

    timebase: TimebaseState
    burst: complex
    """Mean burst in volts, relative to the receiver's subcarrier."""
    store: Frame
    """The picture memory: rows keep what was last written to them."""
    tail: Samples
    """Samples not yet used up."""
    swing: float = 1.0
    """Mean agreement of the burst's swing with the receiver's PAL switch."""
    colour: bool = True
    clamp_V: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True)
class Reception:
    """What the receiver knows about a frame's worth of signal besides the picture."""

    sync_share: float
    """Share of lines with a sync edge where the line oscillator expected it."""
    field_locked: bool
    colour: bool
    lines: Lines
    rows: NDArray[np.intp]
    """Row of the picture that each line was written to, −1 for none."""


def stretches(samples: Samples, start: NDArray[np.float64], count: int) -> Samples:
    """(len(start), count) samples beginning at fractional positions, interpolated linearly; ends are held."""
    whole = np.floor(start).astype(np.intp)
    share = (start - whole).astype(np.float32)[:, None]
    whole = np.clip(whole, 0, len(samples) - count - 1)
    rows = np.lib.stride_tricks.sliding_window_view(samples, count + 1)[whole]
    out = np.subtract(rows[:, 1:], rows[:, :-1])
    out *= share
    out += rows[:, :-1]
    return out


def cubic_stretches(samples: Samples, start: NDArray[np.float64], count: int) -> Samples:
    """As `stretches`, by Catmull–Rom interpolation, which keeps fine detail."""
    whole = np.floor(start).astype(np.intp)
    x = (start - whole)[:, None]
    whole = np.clip(whole - 1, 0, len(samples) - count - 3)
    rows = np.lib.stride_tricks.sliding_window_view(samples, count + 3)[whole]
    weights = (
        x * (-0.5 + x * (1.0 - 0.5 * x)),
        1.0 + x * x * (-2.5 + 1.5 * x),
        x * (0.5 + x * (2.0 - 1.5 * x)),
        x * x * (-0.5 + 0.5 * x),
    )
    out = np.multiply(rows[:, :count], weights[0].astype(np.float32))
    for k, weight in enumerate(weights[1:], start=1):
        out += rows[:, k : count + k] * weight.astype(np.float32)
    return out


def follow(values: NDArray[np.float64], gain: float, before: float) -> NDArray[np.float64]:
    """First-order smoothing along lines, continued from the value before the first."""
    out, _ = lfilter([gain], [1.0, gain - 1.0], values, zi=np.array([(1.0 - gain) * before]))
    return np.asarray(out)


class Receiver:
    """Decodes a stream of video, a frame's worth of samples at a time."""

    def __init__(self, standard: LineStandard, circuit: SyncCircuit = SyncCircuit()) -> None:  # noqa: B008  frozen
        self.standard = standard
        self.separate = Separator(standard)
        self.timebase = Timebase(standard, circuit)
        self._history = 6 * (-(-max(self.separate.history, self.timebase.history) // 6))
        self._keep = 2 * standard.samples_per_line // 6 * 6

    def settled(self, *, delay: float = 0.0, offset_V: float = 0.0, frame: int = 0) -> ReceiverState:
        """State of a receiver that has long had a clean picture, about to get frame number `frame`.

        The signal lags the encoder's samples by `delay` samples; its blanking level lies at `offset_V`.
        """
        standard = self.standard
        height = standard.burst_peak_V * (np.sqrt(0.5) if standard.alternating_V else 1.0)
        lag = np.exp(-2j * np.pi * delay * standard.subcarrier_MHz / SAMPLE_RATE_MHZ)
        return ReceiverState(
            timebase=self.timebase.settled(delay, offset_V, frame),
            burst=complex(-height * lag),
            store=np.zeros((standard.rows, standard.width, 3), np.uint8),
            tail=np.full(self._history + self._keep, offset_V, np.float32),
            clamp_V=offset_V,
        )

    def __call__(self, volts: Samples, frame: int, state: ReceiverState) -> tuple[Frame, Reception]:
        """Take the next frame's worth of video into `state`; the picture memory afterwards, and how reception went.

        `frame` is the transmitter's frame number; the receiver's crystal is taken to keep step with it.
        """
        buffer = np.concatenate([state.tail, volts])
        timebase = state.timebase
        sync = self.timebase.slice(buffer[self._history - self.timebase.history :], self._keep, timebase)
        lines = self.timebase.run(sync, len(volts) - 1.25 * self.standard.samples_per_line, timebase)
        rows = self._rows(lines)
        self._paint(buffer, lines, rows, frame, state)
        self._levels(buffer[self._history :], lines, state)
        state.tail = buffer[len(buffer) - len(state.tail) :]
        timebase.next_line -= len(volts)
        share = float(np.mean(lines.hit)) if len(lines.hit) else 0.0
        return state.store, Reception(share, timebase.field_trust > 0, state.colour, lines, rows)

    def _rows(self, lines: Lines) -> NDArray[np.intp]:
        standard = self.standard
        first = np.array([standard.field_first_line[0], standard.field_first_line[1] - standard.field_lines])
        row = 2 * (lines.line - first[lines.field]) + np.array(standard.field_first_row)[lines.field]
        return np.where((row >= 0) & (row < standard.rows), row, -1)

    def _paint(self, buffer: Samples, lines: Lines, rows: NDArray[np.intp], frame: int, state: ReceiverState) -> None:
        """Decode the lines that belong to the picture and write them into the picture memory."""
        shown = rows >= 0
        if not shown.any():
            return
        rows, parity, start = rows[shown], lines.parity[shown], lines.start[shown] + self._keep
        luma, u, v = self.separate(buffer[self._history - self.separate.history :])
        picture = np.empty((len(rows), self.standard.width, 3), np.uint8)
        picture[..., 0] = self._luminance(luma, start + self.separate.luma_delay, state)
        turn = subcarrier_turns(self.standard, frame) - self._keep * self.standard.subcarrier_MHz / SAMPLE_RATE_MHZ
        at = (start + self.separate.chroma_delay) / CHROMA_DECIMATION
        factor = self._colour_factor(u, v, at, parity, complex(np.exp(2j * np.pi * turn)), state)
        self._chrominance(u, v, at, factor, np.diff(rows, prepend=-9) == 2, parity, state, picture)
        state.store = state.store.copy()
        state.store[rows] = cv2.cvtColor(picture, cv2.COLOR_YUV2BGR)

    def _scale(self, state: ReceiverState) -> float:
        """Eight-bit steps per volt."""
        return 255.0 * state.gain / (self.standard.white_V * (1.0 - self.standard.setup))

    def _luminance(self, luma: Samples, at: NDArray[np.float64], state: ReceiverState) -> Frame:
        standard = self.standard
        first, last = (us * SAMPLE_RATE_MHZ for us in _PORCH_US)
        porch = stretches(luma, at + first, int(last - first)).mean(axis=1)
        clamp = follow(porch, _CLAMP_GAIN, state.clamp_V)
        state.clamp_V = float(clamp[-1])
        black = clamp + standard.setup * standard.white_V / state.gain
        y = cubic_stretches(luma, at + standard.first_active_sample, standard.width)
        y -= black.astype(np.float32)[:, None]
        y *= np.float32(self._scale(state))
        y += np.float32(0.5)
        return np.asarray(np.clip(y, 0, 255, out=y).astype(np.uint8))

    def _colour_factor(
        self,
        u: Samples,
        v: Samples,
        at: NDArray[np.float64],
        parity: NDArray[np.intp],
        turn: complex,
        state: ReceiverState,
    ) -> NDArray[np.complex128]:
        """By what complex factor to multiply each line's colour: minus the mean burst's phase, or 0 when killed."""
        standard = self.standard
        centre_us = standard.burst_start_us + standard.burst_cycles / standard.subcarrier_MHz / 2
        place = at + centre_us * SAMPLE_RATE_MHZ / CHROMA_DECIMATION - 1.5
        burst = (stretches(u, place, 4).mean(axis=1) + 1j * stretches(v, place, 4).mean(axis=1)) / turn
        real, imaginary = follow(burst.real, _BURST_GAIN, state.burst.real), follow(burst.imag, _BURST_GAIN, state.burst.imag)
        mean = real + 1j * imaginary
        state.burst = complex(mean[-1])
        height = np.maximum(np.abs(mean), 1e-6)
        phase = -np.conj(mean) / height
        sure = height * state.gain / standard.burst_peak_V
        if standard.alternating_V:
            swing = np.imag(burst * phase) * np.where(parity == 1, -1, 1) * state.gain / standard.burst_peak_V
            agreement = follow(swing * np.sqrt(2), _BURST_GAIN, state.swing)
            state.swing = float(agreement[-1])
            sure = np.minimum(sure * np.sqrt(2), np.abs(agreement))
        return np.where(self._alive(sure, state), phase, 0) / turn

    @staticmethod
    def _alive(sure: NDArray[np.float64], state: ReceiverState) -> NDArray[np.bool_]:
        """The colour killer, with hysteresis, line by line."""
        marks = np.where(sure < _KILL, -1, np.where(sure > _REVIVE, 1, 0))
        marks = np.concatenate([[1 if state.colour else -1], marks])
        decided = np.maximum.accumulate(np.where(marks != 0, np.arange(len(marks)), 0))
        alive = np.asarray(marks[decided[1:]] > 0)
        state.colour = bool(alive[-1])
        return alive

    def _chrominance(
        self,
        u: Samples,
        v: Samples,
        at: NDArray[np.float64],
        factor: NDArray[np.complex128],
        follows: NDArray[np.bool_],
        parity: NDArray[np.intp],
        state: ReceiverState,
        picture: Frame,
    ) -> None:
        """Both colour axes of each line into the picture, meant with the line before where a delay line would do so."""
        standard = self.standard
        columns = standard.width // CHROMA_DECIMATION + 2
        offset = (standard.first_active_sample + 1) / CHROMA_DECIMATION - 1
        real, imaginary = (stretches(part, at + offset, columns) for part in (u, v))
        factor = factor * self._scale(state)
        c, s = (part.astype(np.float32)[:, None] for part in (factor.real, factor.imag))
        axes = [real * c - imaginary * s, real * s + imaginary * c]
        if standard.alternating_V:
            axes[1] *= (np.where(parity == 1, -1, 1) * (1 if state.swing >= 0 else -1)).astype(np.float32)[:, None]
            half = np.where(follows, 0.5, 0.0).astype(np.float32)[:, None]
            axes = [axis + (np.roll(axis, 1, axis=0) - axis) * half for axis in axes]
        for channel, axis in enumerate(axes, start=1):
            wide = cv2.resize(axis, (columns * CHROMA_DECIMATION, len(axis)), interpolation=cv2.INTER_LINEAR)
            wide = wide[:, CHROMA_DECIMATION : CHROMA_DECIMATION + standard.width] + np.float32(128.5)
            picture[..., channel] = np.clip(wide, 0, 255, out=wide)

    def _levels(self, samples: Samples, lines: Lines, state: ReceiverState) -> None:
        """Follow the sync tip and the blanking level, for slicer and gain control, on lines whose sync was found."""
        if np.count_nonzero(lines.hit) < len(lines.hit) / 4:
            return
        start = lines.start[lines.hit] + self._keep
        tip, porch = (
            float(np.median(stretches(samples, start + a * SAMPLE_RATE_MHZ, int((b - a) * SAMPLE_RATE_MHZ)).mean(axis=1)))
            for a, b in (_TIP_US, _PORCH_US)
        )
        timebase = state.timebase
        height = float(np.clip(porch - tip, 0.1, 0.9))
        timebase.height_V += (height - timebase.height_V) * _LEVEL_GAIN
        state.gain = -self.standard.sync_V / timebase.height_V
