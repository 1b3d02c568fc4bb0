"""From noisy video to a picture: timing, levels, colour, and the picture memory.

`ReceiverState` is all that the receiver remembers from one frame to the next: a stream may be begun in the middle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.colour import ColourSignal, ColourState, colour_axes, picture_of
from overlay_samples.link.composite import CHROMA_DECIMATION, Frame, Separator, subcarrier_turns
from overlay_samples.link.filters import Samples
from overlay_samples.link.resampling import cubic_stretches, follow, stretches
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard
from overlay_samples.link.sync import Lines, SyncCircuit, Timebase, TimebaseState

_CLAMP_GAIN = 0.12
"""Black-level clamp: its memory is about eight lines."""
_LEVEL_GAIN = 0.3
"""Sync height for the gain control, per frame."""
_HEIGHT_LIMITS = (0.3, 3.0)
"""The gain control's range, as parts of the nominal sync height."""
PORCH_US = (8.2, 9.2)
"""The part of the back porch, from 0H, that is behind the burst and before the picture in both standards."""
_TIP_US = (1.2, 3.6)


@dataclass
class ReceiverState:
    """What the receiver remembers from frame to frame."""

    timebase: TimebaseState
    colour: ColourState
    store: Frame
    """The picture memory: rows keep what was last written to them."""
    tail: Samples
    """Samples not yet used up."""
    clamp_V: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True)
class Reception:
    """What the receiver knows about a frame's worth of signal besides the picture."""

    sync_share: float
    """Share of lines with a sync edge where the line oscillator expected it."""
    field_locked: bool
    colour: bool
    lines: Lines | None = None
    """The lines found, None where the receiver was at rest and nothing was searched for."""
    rows: NDArray[np.intp] | None = None
    """Row of the picture that each line was written to, −1 for none."""


def follow_clamp(porch: NDArray[np.float64], before: float) -> NDArray[np.float64]:
    """Black level held by the clamp, from the level of each line's back porch."""
    return follow(porch, _CLAMP_GAIN, before)


class Receiver:
    """Decodes a stream of video, a frame's worth of samples at a time."""

    def __init__(self, standard: LineStandard, circuit: SyncCircuit) -> None:
        self.standard = standard
        self.separate = Separator(standard)
        self.timebase = Timebase(standard, circuit)
        self._history = 6 * (-(-max(self.separate.history, self.timebase.history) // 6))
        self._keep = 2 * standard.samples_per_line // 6 * 6

    def settled(self, *, delay: float, offset_V: float, frame: int) -> ReceiverState:
        """About the state of a receiver that has long had a clean picture, before frame number `frame`.

        The signal lags the encoder's samples by `delay` samples; its blanking level lies at `offset_V`.
        """
        standard = self.standard
        height = standard.burst_peak_V * (np.sqrt(0.5) if standard.alternating_V else 1.0)
        lag = np.exp(-2j * np.pi * delay * standard.subcarrier_MHz / SAMPLE_RATE_MHZ)
        return ReceiverState(
            timebase=self.timebase.settled(delay, offset_V, frame),
            colour=ColourState(burst=complex(-height * lag)),
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
        return state.store, Reception(share, timebase.field_trust > 0, state.colour.alive, lines, rows)

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
        rows, start = rows[shown], lines.start[shown] + self._keep
        luma, real, imaginary = self.separate(buffer[self._history - self.separate.history :])
        standard = self.standard
        turns = subcarrier_turns(standard, frame) - self._keep * standard.subcarrier_MHz / SAMPLE_RATE_MHZ
        colour = ColourSignal(
            real,
            imaginary,
            at=(start + self.separate.chroma_delay) / CHROMA_DECIMATION,
            parity=lines.parity[shown],
            follows=np.diff(rows, prepend=-9) == 2,
            turn=complex(np.exp(2j * np.pi * turns)),
        )
        scale = 255.0 / (standard.white_V * (1.0 - standard.setup))
        y = self._luminance(luma, start + self.separate.luma_delay, state)
        axes = colour_axes(standard, colour, state.gain, state.colour)
        state.store = state.store.copy()
        state.store[rows] = picture_of(*(plane * np.float32(scale) for plane in (y, *axes)))

    def _luminance(self, luma: Samples, at: NDArray[np.float64], state: ReceiverState) -> Samples:
        """Volts above black of each line's picture, gain controlled."""
        standard = self.standard
        first, last = (us * SAMPLE_RATE_MHZ for us in PORCH_US)
        porch = stretches(luma, at + first, int(last - first)).mean(axis=1)
        clamp = follow_clamp(porch, state.clamp_V)
        state.clamp_V = float(clamp[-1])
        y = cubic_stretches(luma, at + standard.first_active_sample, standard.width)
        y -= clamp.astype(np.float32)[:, None]
        y *= np.float32(state.gain)
        y -= np.float32(standard.setup * standard.white_V)
        return y

    def _levels(self, samples: Samples, lines: Lines, state: ReceiverState) -> None:
        """Follow the height of sync, for slicer and gain control, on lines whose sync was found."""
        if np.count_nonzero(lines.hit) < len(lines.hit) / 4:
            return
        start = lines.start[lines.hit] + self._keep
        tip, porch = (self._level(samples, start, between_us) for between_us in (_TIP_US, PORCH_US))
        nominal = -self.standard.sync_V
        height = float(np.clip(porch - tip, _HEIGHT_LIMITS[0] * nominal, _HEIGHT_LIMITS[1] * nominal))
        state.timebase.height_V += (height - state.timebase.height_V) * _LEVEL_GAIN
        state.gain = nominal / state.timebase.height_V

    @staticmethod
    def _level(samples: Samples, start: NDArray[np.float64], between_us: tuple[float, float]) -> float:
        """Median over lines of the mean level in a part of each."""
        first, last = (us * SAMPLE_RATE_MHZ for us in between_us)
        return float(np.median(stretches(samples, start + first, int(last - first)).mean(axis=1)))
