"""Composite video over a frequency-modulated carrier with noise, and back through a limiter-discriminator.

All at complex baseband, 27 MHz: the carrier is a phase, the noise is complex and limited to the intermediate-frequency
(IF) bandwidth, the discriminator measures the phase from sample to sample. Nothing here paints an impairment: where the
noise outweighs the carrier for an instant, the phase slips by a whole turn and the video gets a click (S. O. Rice,
"Noise in FM receivers", 1963).

Carrier-to-noise ratio (C/N) is carrier power over noise power in the IF noise bandwidth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from overlay_samples.link.filters import BlockFilter, Samples, low_pass_response, taps_from_response
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard

RATE_MHZ = 2 * SAMPLE_RATE_MHZ
_WORD = 2.0**32
"""Phase is kept as 32-bit words, one turn long: sums wrap around exactly as angles do."""

_POOL_SAMPLES = 1 << 22
_HALF = 0.5**0.5
_NO_CARRIER_dB = -60.0
"""C/N below which there might as well be no carrier."""
_EMPHASIS_TAPS = 160
_DOUBTFUL_STEP, _DOUBTFUL_SHARE, _VERY_DOUBTFUL_STEP = 1.0, 0.15, 1.8
"""Steps of the angle beyond so many radians from one sample to the next are looked into more closely; where they are a
large share, near and below a C/N of 2 dB, only the larger ones: a few clicks in a hundred are lost there."""
_BETWEEN_REACH, _BETWEEN_PARTS, _BETWEEN_BATCH = 6, 8, 4096
_TRANSMIT_TAPS, _RECEIVE_TAPS = 41, 71
_TRANSMIT_EDGES_MHZ = (5.6, 7.6)


@dataclass(frozen=True)
class Emphasis:
    """Pre-emphasis of ITU-R F.405: deviation rises by 10·log[(1 + B·f²)/(1 + C·f²)] − A dB, f in MHz.

    The constants are from memory; that they make the curve cross 0 dB at the recommendation's 1.512 MHz (625 lines) and
    0.7616 MHz (525 lines) is tested.
    """

    A_dB: float
    B: float
    C: float

    @property
    def zero_MHz(self) -> float:
        """Frequency from which deviation rises."""
        return float(self.B**-0.5)

    @property
    def pole_MHz(self) -> float:
        """Frequency above which it no longer rises."""
        return float(self.C**-0.5)

    def gain_dB(self, frequency_MHz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Relative deviation at a baseband frequency."""
        f2 = np.square(frequency_MHz)
        return np.asarray(10 * np.log10((1 + self.B * f2) / (1 + self.C * f2)) - self.A_dB, dtype=np.float64)


EMPHASIS = {"625": Emphasis(11.0, 10.21, 0.4083), "525": Emphasis(10.0, 28.58, 1.306)}


@dataclass(frozen=True)
class Modulation:
    """How the link modulates and receives."""

    deviation_MHz: float = 6.0
    """Peak-to-peak deviation for the whole composite signal of 1 V (at the crossover frequency with pre-emphasis)."""
    IF_bandwidth_MHz: float = 18.0
    """Noise bandwidth of the IF filter."""
    emphasis: bool = False
    blanking_MHz: float = -1.2
    """Where blanking level lies in the IF filter: at −1.2 the middle of the video signal is in the filter's middle."""


@dataclass(frozen=True)
class Echo:
    """A second path: its amplitude relative to the first, its delay and its carrier phase."""

    amplitude: float
    delay_us: float
    phase_rad: float


def IF_response(frequency_MHz: NDArray[np.float64], bandwidth_MHz: float) -> NDArray[np.float64]:
    """Amplitude response of the IF filter: flat, with edges 1.5 MHz wide; `bandwidth_MHz` is its noise bandwidth."""
    half, edge = bandwidth_MHz / 2, 0.75
    x = np.clip((np.abs(frequency_MHz) - half + edge) / (2 * edge), 0.0, 1.0)
    return np.asarray(np.sqrt(0.5 + 0.5 * np.cos(np.pi * x)), dtype=np.float64)


@lru_cache(maxsize=2)
def noise_pool(bandwidth_MHz: float, seed: int) -> tuple[Samples, Samples]:
    """In-phase and quadrature noise through the IF filter, total power 1: four million samples, drawn once.

    Each frame adds up two stretches of it from random places, so that no frame's noise is another's.
    """
    rng = np.random.default_rng([seed, 0xF1])
    spectrum = rng.standard_normal((_POOL_SAMPLES, 2), dtype=np.float32).view(np.complex64)[:, 0]
    frequency = np.fft.fftfreq(_POOL_SAMPLES, 1 / RATE_MHZ).astype(np.float64)
    spectrum *= IF_response(frequency, bandwidth_MHz).astype(np.float32)
    noise = scipy.fft.ifft(spectrum, workers=1, overwrite_x=True)
    noise /= np.sqrt(np.mean(np.square(noise.real) + np.square(noise.imag), dtype=np.float64))
    return np.ascontiguousarray(noise.real), np.ascontiguousarray(noise.imag)


def _one_pole_pair(zero_MHz: float, pole_MHz: float, rate_MHz: float) -> NDArray[np.float64]:
    """Impulse response of (1 + jf/zero)/(1 + jf/pole), bilinear at `rate_MHz`, unit gain at zero frequency."""
    z, p = (rate_MHz / (np.pi * f) for f in (zero_MHz, pole_MHz))
    b0, b1, a1 = (1 + z) / (1 + p), (1 - z) / (1 + p), (1 - p) / (1 + p)
    n = np.arange(_EMPHASIS_TAPS)
    response = b0 * (-a1) ** n
    response[1:] += b1 * (-a1) ** n[:-1]
    return np.asarray(response, dtype=np.float64)


def transmit_taps(standard: LineStandard, modulation: Modulation) -> NDArray[np.float64]:
    """From volts at 13.5 MHz to frequency deviation in MHz at 27 MHz, meant over each sample (hence the sinc)."""
    frequency = np.linspace(0.0, SAMPLE_RATE_MHZ, 513)
    shape = low_pass_response(frequency, *_TRANSMIT_EDGES_MHZ) * np.sinc(frequency / RATE_MHZ)
    taps = 2 * taps_from_response(shape.astype(complex), _TRANSMIT_TAPS) * modulation.deviation_MHz
    if modulation.emphasis:
        curve = EMPHASIS[standard.name]
        taps = np.convolve(taps, _one_pole_pair(curve.zero_MHz, curve.pole_MHz, RATE_MHZ))
        taps *= 10 ** (-curve.A_dB / 20)
    return np.asarray(taps, dtype=np.float64)


def receive_taps(
    standard: LineStandard, modulation: Modulation, edges_MHz: tuple[float, float] | None = None
) -> NDArray[np.float64]:
    """From phase steps in radians at 27 MHz to volts: video low pass, de-emphasis, the discriminator's sinc undone.

    `edges_MHz`: end of the pass band and beginning of the stop band, if other than the video filter's own.
    """
    frequency = np.linspace(0.0, SAMPLE_RATE_MHZ, 513)
    W = standard.video_bandwidth_MHz
    edge, stop = edges_MHz or (W - 0.4, W + 0.6)
    shape = low_pass_response(frequency, edge, stop) / np.sinc(frequency / RATE_MHZ)
    taps = taps_from_response(shape.astype(complex), _RECEIVE_TAPS)
    taps *= RATE_MHZ / (2 * np.pi * modulation.deviation_MHz)
    if modulation.emphasis:
        curve = EMPHASIS[standard.name]
        taps = np.convolve(taps, _one_pole_pair(curve.pole_MHz, curve.zero_MHz, RATE_MHZ))
        taps *= 10 ** (curve.A_dB / 20)
    return np.asarray(taps, dtype=np.float64)


def _wrap(angles: Samples) -> None:
    """Bring angles into −π … π, in place."""
    turns = angles * np.float32(1 / (2 * np.pi))
    np.rint(turns, out=turns)
    turns *= np.float32(2 * np.pi)
    angles -= turns


@lru_cache(maxsize=1)
def _between_taps() -> Samples:
    """Weights of 12 samples for points from the sixth to the seventh, by least squares over ±10 MHz: (12, points)."""
    turns = np.linspace(-10.0, 10.0, 401)[:, None] / RATE_MHZ
    place = np.arange(1 - _BETWEEN_REACH, _BETWEEN_REACH + 1)
    wanted = np.arange(_BETWEEN_PARTS + 1) / _BETWEEN_PARTS
    given, sought = np.exp(2j * np.pi * turns * place), np.exp(2j * np.pi * turns * wanted)
    given, sought = (np.vstack([part.real, part.imag]) for part in (given, sought))
    weights, *_ = np.linalg.lstsq(given, sought, rcond=None)
    return np.asarray(weights, dtype=np.float32)


def _steps_between(in_phase: Samples, quadrature: Samples, index: NDArray[np.intp]) -> Samples:
    """Steps of the angle into the samples at `index`, counted along the way instead of taken the short way round.

    Where the vector passes close to the origin it turns by up to a whole turn within one sample. The short way round
    would lose most of the clicks.
    """
    windows = [np.lib.stride_tricks.sliding_window_view(part, 2 * _BETWEEN_REACH) for part in (in_phase, quadrature)]
    taps = _between_taps()
    steps = np.empty(len(index), np.float32)
    for first in range(0, len(index), _BETWEEN_BATCH):
        rows = index[first : first + _BETWEEN_BATCH] - _BETWEEN_REACH
        x, y = (window[rows] @ taps for window in windows)
        part = np.diff(np.arctan2(y, x), axis=1)
        _wrap(part)
        steps[first : first + len(rows)] = part.sum(axis=1)
    return steps


def path_taps(standard: LineStandard, modulation: Modulation) -> NDArray[np.float64]:
    """What the whole link does to composite video at 13.5 MHz while noise is far below the carrier: a linear filter."""
    chain = np.convolve(transmit_taps(standard, modulation), receive_taps(standard, modulation))
    return np.asarray(chain[::2] * (2 * np.pi / RATE_MHZ), dtype=np.float64)


@lru_cache(maxsize=4)
def video_noise_pool(standard: LineStandard, modulation: Modulation, seed: int) -> Samples:
    """Noise that, added to the composite signal before `path_taps`, comes out as at a C/N of 0 dB to first order.

    Far above threshold the discriminator sees only the noise in quadrature with the carrier, divided by its amplitude;
    its steps make the noise whose power rises as the square of frequency. Two million samples at 13.5 MHz, in volts.
    """
    _, quadrature = noise_pool(modulation.IF_bandwidth_MHz, seed)
    to_video = BlockFilter(receive_taps(standard, modulation, _TRANSMIT_EDGES_MHZ), down=2, block=60)
    (volts,) = to_video(np.diff(quadrature))
    return volts


class FMLink:
    """The transmitter's modulator, the channel and the receiver's demodulator for a stream of frames."""

    def __init__(self, standard: LineStandard, modulation: Modulation, *, seed: int, echo: Echo | None = None) -> None:
        self.standard, self.modulation, self.echo, self.seed = standard, modulation, echo, seed
        self._up = BlockFilter(transmit_taps(standard, modulation), up=2, block=48)
        self.video = BlockFilter(receive_taps(standard, modulation), down=2, block=60)
        self._past_volts = np.zeros(self._up.history, np.float32)
        self._past_steps = np.zeros(self.video.history, np.float32)
        self._last_word, self._last_angle = np.int32(0), np.float32(0.0)

    @property
    def delay(self) -> float:
        """Samples at 13.5 MHz by which the received video lags the composite signal sent."""
        return (_TRANSMIT_TAPS - 1) / 4 + (_RECEIVE_TAPS - 1) / 4

    @property
    def offset_V(self) -> float:
        """Level of blanking in the received video."""
        return self.modulation.blanking_MHz / self.modulation.deviation_MHz

    def begin(self, composite: Samples) -> None:
        """Start in the middle of a stream, after this composite video."""
        self._past_volts = composite[len(composite) - self._up.history :]
        self._past_steps = np.full(self.video.history, self.modulation.blanking_MHz * 2 * np.pi / RATE_MHZ, np.float32)

    def transmit(self, composite: Samples, offset_MHz: float = 0.0) -> Samples:
        """Carrier phase in radians, −π … π, at 27 MHz: two samples for each one of the composite signal."""
        volts = np.concatenate([self._past_volts, composite])
        self._past_volts = volts[len(volts) - self._up.history :]
        (deviation,) = self._up(volts)
        deviation += np.float32(offset_MHz)
        deviation *= np.float32(_WORD / RATE_MHZ)
        words = np.cumsum(deviation.astype(np.int32), dtype=np.int32)
        with np.errstate(over="ignore"):
            words += self._last_word
        self._last_word = words[-1]
        return np.multiply(words, np.float32(2 * np.pi / _WORD), dtype=np.float32)

    def channel(self, phase: Samples, carrier_to_noise_dB: NDArray[np.float64], frame: int) -> tuple[Samples, Samples]:
        """In-phase and quadrature parts of the carrier after the IF filter, with noise.

        `carrier_to_noise_dB` holds one value for each of equally long steps of the frame. The IF filter's effect on the
        carrier itself is left out: Carson's bandwidth of the modulation is narrower than the filter.
        """
        rng = np.random.default_rng([self.seed, frame, 0xC])
        in_phase, quadrature = np.cos(phase), np.sin(phase)
        if self.echo is not None:
            self._add_echo(phase, in_phase, quadrature)
        noise = noise_pool(self.modulation.IF_bandwidth_MHz, self.seed)
        n, steps = len(phase), len(carrier_to_noise_dB)
        bounds = np.linspace(0, n, steps + 1).astype(int)
        first, second = rng.integers(_POOL_SAMPLES - n, size=2)
        for k, level in enumerate(10.0 ** (-np.maximum(carrier_to_noise_dB, _NO_CARRIER_dB) / 20)):
            a, b = bounds[k], bounds[k + 1]
            for part, pool in zip((in_phase, quadrature), noise, strict=True):
                stretch = pool[first + a : first + b] + pool[second + a : second + b]
                stretch *= np.float32(level * _HALF)
                part[a:b] += stretch
        return in_phase, quadrature

    def _add_echo(self, phase: Samples, in_phase: Samples, quadrature: Samples) -> None:
        assert self.echo is not None
        delay = round(self.echo.delay_us * RATE_MHZ)
        late = np.concatenate([np.full(delay, phase[0]), phase[: len(phase) - delay]]) + np.float32(self.echo.phase_rad)
        in_phase += np.float32(self.echo.amplitude) * np.cos(late)
        quadrature += np.float32(self.echo.amplitude) * np.sin(late)

    def discriminate(self, in_phase: Samples, quadrature: Samples) -> Samples:
        """Limiter and discriminator: the step of the angle from sample to sample, in radians."""
        angle = np.arctan2(quadrature, in_phase)
        steps = np.empty_like(angle)
        np.subtract(angle[1:], angle[:-1], out=steps[1:])
        steps[0] = angle[0] - self._last_angle
        self._last_angle = angle[-1]
        _wrap(steps)
        size = np.abs(steps)
        doubtful = np.flatnonzero(size > _DOUBTFUL_STEP)
        if len(doubtful) > _DOUBTFUL_SHARE * len(steps):
            doubtful = np.flatnonzero(size > _VERY_DOUBTFUL_STEP)
        doubtful = doubtful[(doubtful >= _BETWEEN_REACH) & (doubtful < len(steps) - _BETWEEN_REACH)]
        steps[doubtful] = _steps_between(in_phase, quadrature, doubtful)
        return steps

    def __call__(self, composite: Samples, carrier_to_noise_dB: NDArray[np.float64], frame: int) -> Samples:
        """Volts at 13.5 MHz out of the receiver's discriminator and video filter, for one frame's composite signal."""
        phase = self.transmit(composite, self.modulation.blanking_MHz)
        steps = self.discriminate(*self.channel(phase, carrier_to_noise_dB, frame))
        steps = np.concatenate([self._past_steps, steps])
        self._past_steps = steps[len(steps) - self.video.history :]
        (volts,) = self.video(steps)
        return volts
