"""Finding lines and fields: sync separation, a line oscillator that flywheels, a field countdown.

The receiver knows nothing but the samples. A phase-locked loop follows the edges of the separated sync; noise drags it,
and rows shift sideways. Where edges fail to come it runs free, and after a while searches for anything like a sync
pulse. Broad pulses, integrated, begin a field; where they fail to come a countdown carries on, and when that has lost
trust too the field oscillator runs free and slow, so the picture rolls.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.filters import BlockFilter, Samples, low_pass_response, taps_from_response
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard

_DOWN = 2
"""Sync is sliced at half the sampling rate."""
_FULL = 4096
"""Sliced sync as an integer: exact running sums."""

_EDGE_GATE = 26.0
"""Half width, in samples (1.9 µs), of the gate in which the line oscillator looks for the edge of sync."""
_EDGE_CONTRAST = 0.3
_PHASE_GAIN, _RATE_GAIN = 0.16, 0.012
"""Line loop: natural frequency about 270 Hz, damping 0.7, as in sets made for unsteady sources."""
_RATE_LIMIT = 0.012
"""Pull-in range of the line oscillator, as a fraction of the line frequency."""
_TRUST_GAIN = 1 / 24
_TRUST_SEARCH = 0.3
"""Below this smoothed share of lines with an edge in the gate, the loop gives its phase up and searches for pulses."""

_BROAD_FROM_US, _BROAD_TO_US = 5.0, 26.0
_BROAD_MEMORY, _BROAD_TRIGGER = 0.7, 0.6
"""Broad-pulse integrator: its memory per half line, and the level that begins a field (the third broad pulse)."""
_FIELD_WINDOW = 5
"""Lines early or late by which a trusted countdown lets the broad pulses move it."""
_FIELD_TRUST = 6
_SHORTEST_FIELD = 200
_SLOW_FIELD = 1.09
"""A field oscillator without sync runs this much slow: sync can only shorten a field."""


@dataclass
class TimebaseState:
    """What the oscillators remember. Positions in samples at 13.5 MHz from the next frame's first sample."""

    next_line: float
    """Where the next sync edge is expected."""
    line: int
    """Line count within the field, in line numbers of the first field."""
    field: int = 0
    """Which field, 0 or 1, is believed to be running."""
    line_parity: int = 0
    """Flips from line to line: the receiver's PAL switch."""
    rate: float = 0.0
    """Samples by which the oscillator's line is longer than nominal."""
    trust: float = 1.0
    """Smoothed share of lines with a sync edge where expected."""
    field_trust: int = _FIELD_TRUST
    broad: float = 0.0
    tip_V: float = -0.3
    porch_V: float = 0.0


@dataclass(frozen=True)
class Lines:
    """The lines found in a frame's worth of signal, in the order received."""

    start: NDArray[np.float64]
    """0H of each, in samples from the frame's first sample."""
    line: NDArray[np.intp]
    field: NDArray[np.intp]
    parity: NDArray[np.intp]
    hit: NDArray[np.bool_]
    """Whether there was a sync edge where it was expected."""


class SlicedSync:
    """Separated sync as a running sum, so that its share of any stretch costs two look-ups."""

    def __init__(self, low: Samples, tip_V: float, porch_V: float, delay: float, origin: int) -> None:
        """`low`: low-passed video at half rate, lagging `delay` samples, whose first sample lies at −`origin`."""
        middle, span = (tip_V + porch_V) / 2, 0.5 * max(porch_V - tip_V, 0.05)
        share = np.clip((np.float32(middle + span / 2) - low) * np.float32(_FULL / span), 0, _FULL)
        self.total = np.zeros(len(low) + 1, np.int32)
        np.cumsum(share.astype(np.int32), dtype=np.int32, out=self.total[1:])
        self._view = memoryview(self.total)
        self.shift = origin + delay + _DOWN / 2

    def below(self, position: float) -> float:
        """Samples of sync before a position."""
        x = (position + self.shift) / _DOWN
        i = int(x)
        left = self._view[i]
        return float(left + (x - i) * (self._view[i + 1] - left)) * (_DOWN / _FULL)

    def likeliest_pulse(self, after: float, standard: LineStandard) -> float | None:
        """Where, within half a line around a position, a line sync pulse most likely begins; None where nothing is like one."""
        n = standard.samples_per_line // _DOWN
        width, quiet = int(standard.sync_us * SAMPLE_RATE_MHZ / _DOWN), 24
        first = max(int((after + self.shift) / _DOWN) - n // 2, quiet)
        window = self.total[first - quiet : first + n + width]
        if len(window) < quiet + n + width:
            return None
        likeness = (window[quiet + width :] - window[quiet:-width]) - (window[quiet:-width] - window[: -quiet - width])
        best = int(np.argmax(likeness))
        if likeness[best] < 0.6 * width * _FULL:
            return None
        return (first + best) * _DOWN - self.shift


class Timebase:
    """The line and field oscillators of a receiver."""

    def __init__(self, standard: LineStandard) -> None:
        self.standard = standard
        frequency = np.linspace(0.0, SAMPLE_RATE_MHZ / 2, 257)
        taps = taps_from_response(low_pass_response(frequency, 0.3, 1.9).astype(complex), 21)
        self._filter = BlockFilter(taps / taps.sum(), down=_DOWN, block=32)
        self._delay = (len(taps) - 1) / 2
        self.history = self._filter.history
        self._due = standard.first_line + 1  # the line in which the third broad pulse has passed

    def settled(self, delay: float, offset_V: float, frame: int) -> TimebaseState:
        """State after a long clean stretch, when the signal lags the encoder's samples by `delay` and has an offset."""
        lines_before = frame * self.standard.lines + self.standard.first_line - 1
        return TimebaseState(
            next_line=delay,
            line=self.standard.first_line,
            line_parity=lines_before % 2,
            field=1 if self.standard.first_line == 0 else 0,
            tip_V=self.standard.sync_V + offset_V,
            porch_V=offset_V,
        )

    def slice(self, samples: Samples, origin: int, state: TimebaseState) -> SlicedSync:
        """Separate the sync; `samples` begin `history` samples before position −`origin`."""
        (low,) = self._filter(samples)
        if state.trust < _TRUST_SEARCH:  # without lines to measure on, the tip is what the video seldom falls below
            state.tip_V = float(np.quantile(low[::16], 0.04))
            state.porch_V = state.tip_V - self.standard.sync_V
        return SlicedSync(low, state.tip_V, state.porch_V, self._delay, origin)

    def run(self, sync: SlicedSync, until: float, state: TimebaseState) -> Lines:
        """Let both oscillators run until a line would begin at or after a position."""
        found: list[tuple[float, int, int, int, bool]] = []
        nominal = float(self.standard.samples_per_line)
        while state.next_line < until:
            hit = self._line_edge(sync, state, _RATE_LIMIT * nominal)
            found.append((state.next_line, state.line, state.field, state.line_parity, hit))
            self._broad_pulses(sync, state)
            state.line += 1
            state.line_parity ^= 1
            self._count_down(state)
            state.next_line += nominal + state.rate
            if state.trust < _TRUST_SEARCH:
                pulse = sync.likeliest_pulse(state.next_line, self.standard)
                state.next_line = state.next_line if pulse is None else pulse
        start, line, field, parity, hits = zip(*found, strict=True) if found else ((),) * 5
        as_int = [np.array(column, np.intp) for column in (line, field, parity)]
        return Lines(np.array(start, np.float64), *as_int, np.array(hits, np.bool_))

    @staticmethod
    def _line_edge(sync: SlicedSync, state: TimebaseState, limit: float) -> bool:
        """Compare the sync before and after the expected edge; pull the oscillator if there is an edge at all."""
        t = state.next_line
        before, at, after = sync.below(t - _EDGE_GATE), sync.below(t), sync.below(t + _EDGE_GATE)
        hit = after - 2 * at + before > _EDGE_CONTRAST * _EDGE_GATE
        state.trust += (hit - state.trust) * _TRUST_GAIN
        if hit:
            error = _EDGE_GATE - (after - before)
            state.next_line += _PHASE_GAIN * error
            state.rate = min(max(state.rate + _RATE_GAIN * error, -limit), limit)
        return hit

    def _broad_pulses(self, sync: SlicedSync, state: TimebaseState) -> None:
        start, end = _BROAD_FROM_US * SAMPLE_RATE_MHZ, _BROAD_TO_US * SAMPLE_RATE_MHZ
        for half in (0, 1):
            at = state.next_line + half * self.standard.samples_per_line / 2
            share = (sync.below(at + end) - sync.below(at + start)) / (end - start)
            earlier = state.broad
            state.broad = _BROAD_MEMORY * earlier + (1 - _BROAD_MEMORY) * share
            if state.broad >= _BROAD_TRIGGER > earlier:
                self._field_pulse(half, state)

    def _field_length(self, field: int) -> int:
        """Lines from the beginning of this field to that of the next; the second field takes the odd line."""
        return self.standard.field_lines + field

    def _field_pulse(self, half: int, state: TimebaseState) -> None:
        """The integrator has tripped in the first or second half of the present line: a field begins, if believed."""
        late = state.line - self._due - self._field_length(state.field)
        if state.field_trust > 0:
            if abs(late) > _FIELD_WINDOW:
                return
            as_expected = late == 0 and half == 1 - state.field
            state.field_trust = min(state.field_trust + 1, _FIELD_TRUST) if as_expected else state.field_trust - 1
            state.field = 1 - state.field
        elif state.line - self._due < _SHORTEST_FIELD:
            return
        else:
            state.field, state.field_trust = half, 2
        state.line = self._due

    def _count_down(self, state: TimebaseState) -> None:
        """Begin a field without a pulse: by count while the count is trusted, else late."""
        late = state.line - self._due - self._field_length(state.field)
        if state.field_trust > 0:
            if late > _FIELD_WINDOW:
                state.line = self._due + late
                state.field = 1 - state.field
                state.field_trust -= 1
        elif late > (_SLOW_FIELD - 1) * self.standard.field_lines:
            state.line, state.field = self._due, 1 - state.field
