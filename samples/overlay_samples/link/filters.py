"""Long signals through short filters, a block at a time as one matrix product.

A video frame at 27 MHz is a million samples. Multiplying overlapping windows of it by a small banded (Toeplitz)
matrix runs the whole of filtering, decimation and mixing with a carrier as one BLAS call, about ten times faster than
sample-by-sample recursion, and streams exactly: a filter needs only its own length of past samples.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]


class BlockFilter:
    """A causal FIR filter that takes `step_in` samples and gives `step_out`, over and over.

    `taps[k]` weighs the input sample k steps *before* the newest. With `down` = d every d-th output is computed, with
    `up` = u the input is thought of as having u − 1 zeros after each sample (taps at the output rate).
    """

    def __init__(self, taps: NDArray[Any], *, down: int = 1, up: int = 1, block: int = 64) -> None:
        taps = np.asarray(taps)
        reach = -(-len(taps) // up)
        self.history = reach - 1
        self.step_in = block * down
        self.step_out = block * up
        columns = np.zeros((self.history + self.step_in, self.step_out), dtype=taps.dtype)
        for out in range(self.step_out):
            newest = self.history * up + out * down
            for k in range(len(taps)):
                source, remainder = divmod(newest - k, up)
                if remainder == 0 and source >= 0:
                    columns[source, out] += taps[k]
        if np.iscomplexobj(columns):
            self.planes: tuple[Samples, ...] = (columns.real.astype(np.float32), columns.imag.astype(np.float32))
        else:
            self.planes = (columns.astype(np.float32),)

    def __call__(self, samples: Samples) -> tuple[Samples, ...]:
        """Filter `history` past samples followed by new ones; one output plane, or real and imaginary planes.

        The outputs belong to the new samples. Their number is rounded up to whole blocks with zeros as input, then cut.
        """
        new = len(samples) - self.history
        blocks = -(-new // self.step_in)
        wanted = blocks * self.step_in + self.history
        if wanted > len(samples):
            samples = np.concatenate([samples, np.zeros(wanted - len(samples), np.float32)])
        samples = np.ascontiguousarray(samples, dtype=np.float32)
        stride = samples.strides[0]
        windows = np.lib.stride_tricks.as_strided(
            samples, (blocks, self.history + self.step_in), (self.step_in * stride, stride), writeable=False
        )
        keep = new * self.step_out // self.step_in
        return tuple((windows @ plane).reshape(-1)[:keep] for plane in self.planes)


def taps_from_response(response: NDArray[np.complex128], length: int) -> NDArray[np.float64]:
    """Taps of a filter with the given complex response at 0 … half the sampling rate, evenly spaced.

    The response is centred on tap (length − 1)/2 and tapered by a Kaiser window.
    """
    impulse = np.fft.irfft(response)
    centred = np.roll(impulse, (length - 1) // 2)[:length]
    return np.asarray(centred * np.kaiser(length, 5.0), dtype=np.float64)


def low_pass_response(frequency: NDArray[np.float64], edge: float, stop: float) -> NDArray[np.float64]:
    """1 up to `edge`, 0 from `stop`, a raised cosine between."""
    x = np.clip((frequency - edge) / (stop - edge), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * x), dtype=np.float64)


def response_of(taps: NDArray[Any], frequency: NDArray[np.float64], rate: float) -> NDArray[np.complex128]:
    """Complex response of taps at frequencies in the unit of `rate`."""
    delay = np.arange(len(taps))
    return np.asarray(np.exp(-2j * np.pi * np.outer(frequency / rate, delay)) @ taps, dtype=np.complex128)
