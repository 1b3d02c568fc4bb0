"""The link far above threshold, in one step.

While noise is far below the carrier there are no clicks, the discriminator is linear and the receiver's timing rests.
The whole chain, from the composite signal to the picture's samples, is then a fixed linear filter per line, and the
noise is added to the composite signal with the spectrum that a first-order discriminator gives it. This takes a quarter
of the time of the full computation, whose filters, levels and timing it takes over; the tests hold one against the
other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.colour import chroma_offset, picture_of
from overlay_samples.link.composite import (
    CHROMA_DECIMATION,
    Encoder,
    Frame,
    chroma_taps,
    luma_taps,
    sent_line_of_row,
    subcarrier_turns,
    v_signs,
)
from overlay_samples.link.filters import Samples
from overlay_samples.link.fm import FMLink, path_taps, video_noise_pool
from overlay_samples.link.receiver import PORCH_US, ReceiverState, follow_clamp
from overlay_samples.link.resampling import cubic_weights
from overlay_samples.link.standards import SAMPLE_RATE_MHZ

_NEGLIGIBLE_TAP = 3e-4
_AHEAD = 24
"""Luminance is filtered from so many samples before the picture, so that the clamp finds its porch."""


class _RowFilter:
    """An FIR filter along rows: output i of a row rests on the columns up to `newest` + i·step."""

    def __init__(self, taps: NDArray[Any], newest: int, step: int, count: int, block: int) -> None:
        """`newest` in columns from a line's 0H. Taps at either end that are negligible are left out."""
        keep = np.flatnonzero(np.abs(taps) > _NEGLIGIBLE_TAP * np.abs(taps).max())
        taps, newest = taps[keep[0] : keep[-1] + 1], newest - int(keep[0])
        self.count, self.block, self.step = count, block, step
        self.blocks = -(-count // block)
        self.first = newest - len(taps) + 1
        window = len(taps) + (block - 1) * step
        self.last = self.first + window + (self.blocks - 1) * block * step
        matrix = np.zeros((window, block), dtype=complex)
        for out in range(block):
            matrix[out * step : out * step + len(taps), out] = taps[::-1]
        parts = (matrix.real, matrix.imag) if np.any(matrix.imag) else (matrix.real,)
        self.matrices = [part.astype(np.float32) for part in parts]

    def __call__(self, rows: Samples, origin: int) -> list[Samples]:
        """Apply to (rows, columns) whose first column lies at `origin` from 0H."""
        along, down = rows.strides[1], rows.strides[0]
        windows = np.lib.stride_tricks.as_strided(
            rows[:, self.first - origin :],
            (len(rows), self.blocks, len(self.matrices[0])),
            (down, self.block * self.step * along, along),
            writeable=False,
        ).reshape(len(rows) * self.blocks, -1)
        return [(windows @ matrix).reshape(len(rows), -1)[:, : self.count] for matrix in self.matrices]


class LinearLink:
    """Encoder, FM link and receiver at rest, as one linear operation on a frame with noise added."""

    def __init__(self, encoder: Encoder, link: FMLink, rest: ReceiverState) -> None:
        """`rest`: the state at which the receiver rests on a clean signal."""
        self.encoder, self.link = encoder, link
        standard = self.standard = encoder.standard
        self._lag = rest.timebase.next_line % standard.samples_per_line
        self._scale = 255.0 * rest.gain / (standard.white_V * (1.0 - standard.setup))
        self._black = standard.setup * standard.white_V / rest.gain
        self._rows = sent_line_of_row(standard)
        self._order = np.argsort(self._rows, kind="stable")
        path = path_taps(standard, link.modulation)
        self._luma = self._luma_filter(path)
        self._chroma, chroma_start = self._chroma_filter(path)
        self._first = min(self._luma.first, self._chroma.first)
        self._width = max(self._luma.last, self._chroma.last) - self._first + 1
        sequence = range(standard.colour_sequence)
        self._blanking = [self._by_row(encoder.template(frame)) for frame in sequence]
        self._turns = [self._phases(frame, chroma_start, rest.colour.burst) for frame in sequence]
        self._noise = video_noise_pool(standard, link.modulation, link.seed)

    def _luma_filter(self, path: NDArray[np.float64]) -> _RowFilter:
        own = luma_taps(self.standard)
        at = self._lag + (len(own) - 1) / 2 + self.standard.first_active_sample
        whole = int(np.floor(at))
        cubic = cubic_weights(np.array(at - whole))[::-1]
        taps = np.convolve(np.convolve(own, path), cubic) * self._scale
        return _RowFilter(taps, whole + 2 - _AHEAD, 1, self.standard.width + _AHEAD, 48)

    def _chroma_filter(self, path: NDArray[np.float64]) -> tuple[_RowFilter, int]:
        """The filter, and the place in the line of its first output, from 0H as received."""
        standard, own = self.standard, chroma_taps(self.standard)
        at = (self._lag + (len(own) - 1) / 2) / CHROMA_DECIMATION + chroma_offset(standard)
        whole = int(np.floor(at))
        share, first = at - whole, CHROMA_DECIMATION * whole
        turn = np.exp(-2j * np.pi * standard.subcarrier_MHz / SAMPLE_RATE_MHZ * CHROMA_DECIMATION)
        between = np.array([share * turn, 0, 0, 1 - share])
        taps = np.convolve(np.convolve(own, path), between) * self._scale
        count = standard.width // CHROMA_DECIMATION + 2
        return _RowFilter(taps, first + CHROMA_DECIMATION, CHROMA_DECIMATION, count, 16), first

    def _phases(self, frame: int, first: int, burst: complex) -> tuple[Samples, Samples, Samples]:
        """Cosine and sine (rows, columns) that bring the colour to its axes, and V's sign (rows, 1)."""
        standard = self.standard
        column = first + CHROMA_DECIMATION * np.arange(self._chroma.count)
        turns = subcarrier_turns(standard, frame) + self._rows[:, None] * float(standard.subcarrier_per_line % 1)
        turns = turns + column * standard.subcarrier_MHz / SAMPLE_RATE_MHZ
        phase = np.exp(-2j * np.pi * turns) * -np.conj(burst) / abs(burst)
        signs = v_signs(standard, frame)[self._rows][:, None]
        return phase.real.astype(np.float32), phase.imag.astype(np.float32), signs.astype(np.float32)

    def _by_row(self, samples: Samples) -> Samples:
        """Stretches of a frame's samples around each row's line: (rows, columns)."""
        padded = np.concatenate([samples, samples[: self.standard.samples_per_line]])
        return np.lib.stride_tricks.sliding_window_view(padded, self._width)[
            self._rows * self.standard.samples_per_line + self._first
        ]

    def __call__(self, frame: Frame, number: int, carrier_to_noise_dB: NDArray[np.float64]) -> Frame:
        """The picture received; `carrier_to_noise_dB` for each of equally long steps of the frame."""
        which = number % self.standard.colour_sequence
        signal = self._blanking[which].copy()
        start = self.standard.first_active_sample - self._first
        signal[:, start : start + self.standard.width] += self.encoder.picture(frame, number)
        self._add_noise(signal, carrier_to_noise_dB, number)
        (luma,) = self._luma(signal, self._first)
        y = luma[:, _AHEAD:] - self._clamp(luma)
        return picture_of(y, *self._colour(signal, which))

    def _add_noise(self, signal: Samples, carrier_to_noise_dB: NDArray[np.float64], number: int) -> None:
        """Noise for each row from where its line lies in the sum of two stretches of the pool."""
        standard = self.standard
        rng = np.random.default_rng([self.link.seed, number, 0x11])
        n = standard.samples_per_frame + standard.samples_per_line
        first, second = rng.integers(len(self._noise) - n, size=2)
        noise = self._noise[first : first + n] + self._noise[second : second + n]
        bounds = np.linspace(0, standard.samples_per_frame, len(carrier_to_noise_dB) + 1).astype(int)
        for k, level in enumerate(10.0 ** (-np.asarray(carrier_to_noise_dB) / 20)):
            noise[bounds[k] : bounds[k + 1]] *= np.float32(level * 0.5**0.5)
        lines = np.lib.stride_tricks.sliding_window_view(noise, self._width)[self._first :: standard.samples_per_line]
        for first_line, first_row in zip(standard.field_first_line, standard.field_first_row, strict=True):
            at = first_line - standard.first_line
            signal[first_row::2] += lines[at : at + standard.rows // 2]

    def _clamp(self, luma: Samples) -> Samples:
        """The black level of each row as the clamp follows it, in eight-bit steps: (rows, 1)."""
        before_picture = self.standard.first_active_sample - _AHEAD
        first, last = (round(us * SAMPLE_RATE_MHZ) - before_picture for us in PORCH_US)
        porch = luma[self._order, first:last].mean(axis=1)
        clamp = np.empty(len(porch), np.float32)
        clamp[self._order] = follow_clamp(porch, 0.0) + self._black * self._scale
        return clamp[:, None]

    def _colour(self, signal: Samples, which: int) -> tuple[Samples, Samples]:
        real, imaginary = self._chroma(signal, self._first)
        cosine, sine, v_sign = self._turns[which]
        u = real * cosine
        u -= imaginary * sine
        v = real * sine
        v += imaginary * cosine
        if self.standard.alternating_V:
            v *= v_sign
            for axis in (u, v):
                axis[2:] += axis[:-2].copy()
                axis[2:] *= np.float32(0.5)
        return u, v
