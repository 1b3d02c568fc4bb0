"""Frames to composite colour video and back, line by line as the standards have it.

The signal is in volts with blanking at 0, sampled at 13.5 MHz so that the 720 samples of a digital line are samples of
the signal. Sample 0 of a frame is 0H (half way down the leading edge of line sync) of `LineStandard.first_line`. The
coder is linear after the camera's gamma; so is the separator of luminance and chrominance. Finding the timing is the
receiver's work.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.filters import BlockFilter, Samples, low_pass_response, taps_from_response
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard

Frame = NDArray[np.uint8]

CHROMA_DECIMATION = 3
"""Chrominance is kept at 4.5 MHz: a third of the sampling rate divides the lines of both standards."""

_CHROMA_TAPS = np.array([[1.0, 2.0, 3.0, 2.0, 1.0]], np.float32) / 9
"""Colour filter of the encoder: 2 dB down at 1.3 MHz and 34 dB at 4 MHz; BT.470-6 asks for < 3 dB and > 20 dB."""

_RISE_OF_SPAN = 0.59
"""10–90 % rise time of a raised-cosine edge as a fraction of its whole length."""


def raised_cosine_step(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Edge from 0 to 1 around x = 0 with unit 10–90 % rise time."""
    return np.asarray(0.5 + 0.5 * np.sin(np.pi * np.clip(x * _RISE_OF_SPAN, -0.5, 0.5)), dtype=np.float64)


def subcarrier_turns(standard: LineStandard, frame: int) -> float:
    """Phase of the colour subcarrier at sample 0 of a frame, in turns 0 … 1, sin convention for the U axis."""
    lines = frame * standard.lines + standard.first_line - 1
    return float(standard.subcarrier_per_line * lines % 1)


def v_signs(standard: LineStandard, frame: int) -> NDArray[np.float64]:
    """+1 or −1 for the V axis of each line of a frame, in the order sent."""
    count = frame * standard.lines + standard.first_line - 1 + np.arange(standard.lines)
    return np.where(standard.alternating_V & (count % 2 == 1), -1.0, 1.0)


def pulse_edges(standard: LineStandard) -> list[tuple[float, float]]:
    """Leading and trailing edge in µs of every sync pulse of a frame, from sample 0 on."""
    half = standard.line_us / 2
    slots = 2 * standard.lines
    widths = dict.fromkeys(range(0, slots, 2), standard.sync_us)
    for field in (0, standard.lines):
        equalising, broad = standard.equalising_pulses, standard.broad_pulses
        for k in range(-equalising, broad + equalising):
            widths[(field + k) % slots] = standard.broad_us if 0 <= k < broad else standard.equalising_us
    return [(slot * half, slot * half + width) for slot, width in sorted(widths.items())]


def bears_burst(standard: LineStandard, frame: int) -> NDArray[np.bool_]:
    """Which lines, in the order sent, carry the colour burst (BT.470-6: suppressed on nine lines of each field)."""
    line = (np.arange(standard.lines) + standard.first_line - 1) % standard.lines + 1
    if standard.alternating_V:
        early = frame % 2  # the nine lines move by one between the first and the second frame of the colour sequence
        gaps = [(623 - early, 625), (1, 6 - early), (310 + early, 318 + early)]
    else:
        gaps = [(1, 9), (264, 272)]
    suppressed = np.zeros(standard.lines, np.bool_)
    for first, last in gaps:
        suppressed |= (line >= first) & (line <= last)
    return ~suppressed


def blanking_template(standard: LineStandard, frame: int) -> Samples:
    """Sync and burst of one frame, no picture: volts at 13.5 MHz."""
    return (_sync(standard) + _bursts(standard, frame)).astype(np.float32)


@lru_cache(maxsize=2)
def _sync(standard: LineStandard) -> NDArray[np.float64]:
    """The sync pulses of a frame, built from shaped edges; the frame joins its own copy without a seam."""
    n = standard.samples_per_frame
    change = np.zeros(n)
    before_first = 0.0
    for start, end in pulse_edges(standard):
        for at_us, height in ((start, standard.sync_V), (end, -standard.sync_V)):
            at = at_us * SAMPLE_RATE_MHZ
            k = np.arange(int(at) - 6, int(at) + 8, dtype=np.float64)
            step = raised_cosine_step((k - at) / (SAMPLE_RATE_MHZ * standard.sync_rise_us))
            parts = height * np.diff(step, prepend=0.0)
            np.add.at(change, k.astype(np.intp) % n, parts)
            before_first += float(parts[k < 0].sum())
    return np.cumsum(change) + before_first


def _bursts(standard: LineStandard, frame: int) -> NDArray[np.float64]:
    t_us = np.arange(standard.samples_per_line) / SAMPLE_RATE_MHZ
    length_us = standard.burst_cycles / standard.subcarrier_MHz
    rise = standard.blanking_rise_us
    gate = raised_cosine_step((t_us - standard.burst_start_us) / rise)
    gate *= 1.0 - raised_cosine_step((t_us - standard.burst_start_us - length_us) / rise)
    line = np.arange(standard.lines)[:, None]
    turns = subcarrier_turns(standard, frame) + line * float(standard.subcarrier_per_line % 1)
    turns = turns + t_us * standard.subcarrier_MHz
    axis = 135 / 360 * v_signs(standard, frame)[:, None] if standard.alternating_V else 0.5
    wave = standard.burst_peak_V * np.sin(2 * np.pi * (turns + axis)) * gate
    return np.asarray(wave * bears_burst(standard, frame)[:, None], dtype=np.float64).reshape(-1)


def active_us(standard: LineStandard) -> NDArray[np.float64]:
    """Time from 0H of each sample of the digital active line."""
    return (standard.first_active_sample + np.arange(standard.width, dtype=np.float64)) / SAMPLE_RATE_MHZ


def picture_window(standard: LineStandard) -> NDArray[np.float64]:
    """Where picture may be: a (rows, 720) mask with the shaped edges of line blanking and the two half lines."""
    t_us = active_us(standard)
    rise, half = standard.blanking_rise_us, standard.line_us / 2
    start = standard.line_blanking_us - standard.front_porch_us
    end = standard.line_us - standard.front_porch_us

    def between(first: float, last: float) -> NDArray[np.float64]:
        return raised_cosine_step((t_us - first) / rise) * (1.0 - raised_cosine_step((t_us - last) / rise))

    window = np.tile(between(start, end), (standard.rows, 1))
    if standard.half_lines is not None:
        window[0] = between(start + half, end)
        window[-1] = between(start, end - half)
    return window


def sent_line_of_row(standard: LineStandard) -> NDArray[np.intp]:
    """For each row of the digital frame, the index of its line in the order sent."""
    rows = np.arange(standard.rows)
    index = np.empty(standard.rows, dtype=np.intp)
    for first_line, first_row in zip(standard.field_first_line, standard.field_first_row, strict=True):
        mine = rows % 2 == first_row
        index[mine] = first_line - standard.first_line + rows[mine] // 2
    return index


class Encoder:
    """Turns frames into composite video. Holds tables for one colour sequence; keeps no state between frames."""

    def __init__(self, standard: LineStandard) -> None:
        self.standard = standard
        sequence = range(standard.colour_sequence)
        self._templates = [blanking_template(standard, frame) for frame in sequence]
        window = picture_window(standard)
        lines = sent_line_of_row(standard)
        scale = standard.white_V * (1.0 - standard.setup) / 255.0
        self._luma_scale = (window * scale).astype(np.float32)
        setup = (window * standard.setup * standard.white_V).astype(np.float32)
        self._carriers: list[tuple[Samples, Samples]] = []
        for frame, template in zip(sequence, self._templates, strict=True):
            self.active(template)[:] += setup[self._row_order()].reshape(2, -1, standard.width)
            turns = subcarrier_turns(standard, frame) + lines[:, None] * float(standard.subcarrier_per_line % 1)
            turns = turns + active_us(standard) * standard.subcarrier_MHz
            sine = np.sin(2 * np.pi * turns) * window * scale
            cosine = np.cos(2 * np.pi * turns) * window * scale * v_signs(standard, frame)[lines][:, None]
            self._carriers.append((sine.astype(np.float32), cosine.astype(np.float32)))

    def _row_order(self) -> NDArray[np.intp]:
        """Rows of the digital frame in the order their lines are sent."""
        return np.argsort(sent_line_of_row(self.standard), kind="stable")

    def active(self, composite: Samples) -> Samples:
        """View of the picture part of a frame's samples: (field, line, 720), fields in the order sent."""
        standard = self.standard
        first, second = standard.field_first_line
        start = (first - standard.first_line) * standard.samples_per_line + standard.first_active_sample
        stride = composite.strides[0]
        line = standard.samples_per_line * stride
        return np.lib.stride_tricks.as_strided(
            composite[start:], (2, standard.rows // 2, standard.width), ((second - first) * line, line, stride)
        )

    def picture(self, frame: Frame, number: int) -> Samples:
        """Luminance and modulated chrominance (rows, 720) in volts above the setup level, without sync and burst."""
        luma, *colour = cv2.split(cv2.cvtColor(frame, cv2.COLOR_BGR2YUV))
        out = np.multiply(luma, self._luma_scale)
        for axis, carrier in zip(colour, self._carriers[number % len(self._carriers)], strict=True):
            modulated = np.subtract(axis, np.float32(128), dtype=np.float32)
            soft = cv2.filter2D(modulated, -1, _CHROMA_TAPS, borderType=cv2.BORDER_REPLICATE)
            out += np.multiply(soft, carrier, out=modulated)
        return np.asarray(out, dtype=np.float32)

    def template(self, number: int) -> Samples:
        """Sync, burst and setup of a frame, without picture."""
        return self._templates[number % len(self._templates)]

    def encode(self, frame: Frame, number: int) -> Samples:
        """One frame's composite video: (samples_per_frame,) volts. `number` places it in the colour sequence."""
        check_frame(frame, self.standard)
        composite = self.template(number).copy()
        picture = self.picture(frame, number)
        fields = self.active(composite)
        for field, first_row in enumerate(self.standard.field_first_row):
            fields[field] += picture[first_row::2]
        return composite


def check_frame(frame: Frame, standard: LineStandard) -> None:
    """Refuse a frame that is not the standard's (rows, 720, 3) of uint8."""
    wanted = (standard.rows, standard.width, 3)
    if frame.shape != wanted or frame.dtype != np.uint8:
        found = f"{frame.shape} of {frame.dtype}"
        raise ValueError(f"a frame is {found}; the {standard.name}-line standard takes {wanted} of uint8, BGR")


def luma_taps(standard: LineStandard) -> NDArray[np.float64]:
    """A cheap receiver's luminance filter: all pass but for a notch of about ±0.7 MHz at the subcarrier."""
    frequency = np.linspace(0.0, SAMPLE_RATE_MHZ / 2, 513)
    notch = low_pass_response(np.abs(frequency - standard.subcarrier_MHz), 0.15, 1.25)
    taps = taps_from_response((1.0 - notch).astype(complex), 29)
    return np.asarray(taps / taps.sum(), dtype=np.float64)


def chroma_taps(standard: LineStandard) -> NDArray[np.complex128]:
    """Band pass on the positive subcarrier only, so that decimation leaves the complex colour signal.

    Its gain is 2j: a sine of amplitude a becomes a on the real (U) axis and a cosine a on the imaginary (V) axis,
    once turned by the subcarrier's phase.
    """
    frequency = np.linspace(0.0, SAMPLE_RATE_MHZ / 2, 513)
    low_pass = taps_from_response(low_pass_response(frequency, 0.55, 2.0).astype(complex), 33)
    turn = np.exp(2j * np.pi * standard.subcarrier_MHz / SAMPLE_RATE_MHZ * np.arange(len(low_pass)))
    return np.asarray(2j * low_pass / low_pass.sum() * turn, dtype=np.complex128)


class Separator:
    """Parts luminance from chrominance and brings the colour down to its two axes, still in the signal's own time.

    `luma_delay` and `chroma_delay` say by how many samples the outputs lag the input.
    """

    def __init__(self, standard: LineStandard) -> None:
        luma, chroma = luma_taps(standard), chroma_taps(standard)
        self.standard = standard
        self.luma = BlockFilter(luma, block=48)
        self.chroma = BlockFilter(chroma, down=CHROMA_DECIMATION, block=16)
        self.luma_delay, self.chroma_delay = (len(luma) - 1) / 2, (len(chroma) - 1) / 2
        self.history = max(self.luma.history, self.chroma.history)
        count = standard.samples_per_frame // CHROMA_DECIMATION + 4 * standard.samples_per_line
        turns = np.arange(count) * CHROMA_DECIMATION * standard.subcarrier_MHz / SAMPLE_RATE_MHZ
        self._mixer = (np.cos(2 * np.pi * turns).astype(np.float32), np.sin(2 * np.pi * turns).astype(np.float32))

    def __call__(self, samples: Samples) -> tuple[Samples, Samples, Samples]:
        """Luminance at 13.5 MHz and the two colour axes at 4.5 MHz, for the samples after the first `history`.

        The colour axes are turned back by the subcarrier's phase counted from the first sample after `history`.
        """
        (luma,) = self.luma(samples[self.history - self.luma.history :])
        real, imaginary = self.chroma(samples[self.history - self.chroma.history :])
        cosine, sine = (table[: len(real)] for table in self._mixer)
        u = real * cosine
        u += imaginary * sine
        v = imaginary * cosine
        v -= real * sine
        return luma, u, v
