"""Colour decoding: the burst's flywheel, the colour killer, the two axes of each line."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.composite import CHROMA_DECIMATION, Frame
from overlay_samples.link.filters import Samples
from overlay_samples.link.resampling import follow, stretches
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard

_BURST_GAIN = 0.03
"""Colour flywheel: about thirty lines."""
_KILL, _REVIVE = 0.30, 0.45
"""Mean burst, as a share of its nominal height, below which the colour killer acts and above which it lets go."""


@dataclass
class ColourState:
    """What colour decoding remembers."""

    burst: complex
    """Mean burst in volts, relative to the receiver's subcarrier."""
    last_burst: complex = 0j
    """Burst of the last line."""
    swing: float = 1.0
    """Mean agreement of the burst's swing with the receiver's PAL switch."""
    alive: bool = True
    """Colour is shown, not killed."""


@dataclass(frozen=True)
class ColourSignal:
    """The lines' colour as it comes from the separator: two axes at 4.5 MHz, still in the signal's own time."""

    real: Samples
    imaginary: Samples
    at: NDArray[np.float64]
    """0H of each line, in their samples."""
    parity: NDArray[np.intp]
    follows: NDArray[np.bool_]
    """Whether a line comes right after the one before it in the list."""
    turn: complex
    """Phase of the subcarrier at the axes' first sample, as a unit vector."""


def chroma_offset(standard: LineStandard) -> float:
    """From 0H to the first colour sample kept of a line, in samples at 4.5 MHz."""
    return (standard.first_active_sample + 1) / CHROMA_DECIMATION - 1


def colour_axes(
    standard: LineStandard, signal: ColourSignal, gain: float, state: ColourState
) -> tuple[Samples, Samples]:
    """U and V of each line, (lines, width/3 + 2) in volts times `gain`; zero where colour is killed.

    In PAL each line is meant with the line before, as a delay line would do.
    """
    columns = standard.width // CHROMA_DECIMATION + 2
    factor = _line_factors(standard, signal, gain, state) * gain
    start = signal.at + chroma_offset(standard)
    real, imaginary = (stretches(part, start, columns) for part in (signal.real, signal.imaginary))
    c, s = (part.astype(np.float32)[:, None] for part in (factor.real, factor.imag))
    u, v = real * c - imaginary * s, real * s + imaginary * c
    if standard.alternating_V:
        v *= (_switch(signal.parity) * (1 if state.swing >= 0 else -1)).astype(np.float32)[:, None]
        half = np.where(signal.follows, 0.5, 0.0).astype(np.float32)[:, None]
        u, v = (axis + (np.roll(axis, 1, axis=0) - axis) * half for axis in (u, v))
    return u, v


def _switch(parity: NDArray[np.intp]) -> NDArray[np.float64]:
    return np.where(parity == 1, -1.0, 1.0)


def _line_factors(
    standard: LineStandard, signal: ColourSignal, gain: float, state: ColourState
) -> NDArray[np.complex128]:
    """Unit vectors that turn each line's colour to its axes: against the mean burst; zero where colour is killed."""
    burst = _bursts(standard, signal)
    steady = burst
    if standard.alternating_V:  # two lines together are without the swing
        steady = (burst + np.concatenate([[state.last_burst or burst[0]], burst[:-1]])) / 2
    mean = follow(steady.real, _BURST_GAIN, state.burst.real) + 1j * follow(steady.imag, _BURST_GAIN, state.burst.imag)
    state.burst, state.last_burst = complex(mean[-1]), complex(burst[-1])
    height = np.maximum(np.abs(mean), 1e-6)
    phase = -np.conj(mean) / height
    sure = height * gain / standard.burst_peak_V
    if standard.alternating_V:  # the burst swings ±45° about its mean: both parts are 0.71 of its height
        swing = np.imag(burst * phase) * _switch(signal.parity) * gain / standard.burst_peak_V
        agreement = follow(swing * np.sqrt(2), _BURST_GAIN, state.swing)
        state.swing = float(agreement[-1])
        sure = np.minimum(sure * np.sqrt(2), np.abs(agreement))
    alive = _killer(sure, state.alive)
    state.alive = bool(alive[-1])
    return np.where(alive, phase, 0) / signal.turn


def _bursts(standard: LineStandard, signal: ColourSignal) -> NDArray[np.complex128]:
    """The burst of each line, relative to the receiver's subcarrier."""
    centre_us = standard.burst_start_us + standard.burst_cycles / standard.subcarrier_MHz / 2
    place = signal.at + centre_us * SAMPLE_RATE_MHZ / CHROMA_DECIMATION - 1.5
    real, imaginary = (stretches(part, place, 4).mean(axis=1) for part in (signal.real, signal.imaginary))
    return np.asarray((real + 1j * imaginary) / signal.turn, dtype=np.complex128)


def _killer(sure: NDArray[np.float64], before: bool) -> NDArray[np.bool_]:
    """Whether colour is shown, line by line, with hysteresis."""
    marks = np.where(sure < _KILL, -1, np.where(sure > _REVIVE, 1, 0))
    marks = np.concatenate([[1 if before else -1], marks])
    decided = np.maximum.accumulate(np.where(marks != 0, np.arange(len(marks)), 0))
    return np.asarray(marks[decided[1:]] > 0)


def picture_of(y: Samples, u: Samples, v: Samples) -> Frame:
    """BGR rows from luminance (rows, width) and colour axes (rows, width/3 + 2), all in eight-bit steps."""
    rows, width = y.shape
    planes: list[Frame] = [_eight_bit(y, 0.0)]
    for axis in (u, v):
        narrow = _eight_bit(axis, 128.0)
        size = (axis.shape[1] * CHROMA_DECIMATION, rows)
        wide = cv2.resize(narrow, size, interpolation=cv2.INTER_LINEAR)
        planes.append(np.asarray(wide[:, CHROMA_DECIMATION : CHROMA_DECIMATION + width], np.uint8))
    return np.asarray(cv2.cvtColor(cv2.merge(planes), cv2.COLOR_YUV2BGR), np.uint8)


def _eight_bit(plane: Samples, offset: float) -> Frame:
    """Rounded and limited to 0 … 255, in one pass."""
    return np.asarray(cv2.add(plane, np.array([offset]), dtype=cv2.CV_8U), np.uint8)
