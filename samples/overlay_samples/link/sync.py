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
from scipy.signal import lfilter

from overlay_samples.link.filters import BlockFilter, Samples, low_pass_response, taps_from_response
from overlay_samples.link.standards import SAMPLE_RATE_MHZ, LineStandard

_DOWN = 2
"""Sync is sliced at half the sampling rate."""
_FULL = 4096
"""Sliced sync as an integer: exact running sums."""

_TIP_EXCESS_V = 0.0022
_TIP_REST_V = 0.03
"""Tip detector: mean voltage below the level held that it balances; how far above a clean tip it then rests."""
_TIP_GAIN = 0.4
"""Its memory is about two blocks of eight lines."""

_EDGE_GATE = 26.0
"""Half width, in samples (1.9 µs), of the gate in which the line oscillator looks for the edge of sync."""
_EDGE_CONTRAST = 0.3
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


@dataclass(frozen=True)
class SyncCircuit:
    """What a receiver's sync circuit is like: the cheaper, the wider its filter and the hastier its loop."""

    filter_edge_MHz: float = 1.6
    filter_stop_MHz: float = 5.0
    """The sync filter passes up to the one and stops from the other."""
    slicer_span: float = 0.5
    """Part of the sync height over which the slicer goes from off to on."""
    phase_gain: float = 0.35
    rate_gain: float = 0.05
    """Line loop: with 0.35 and 0.05 its natural frequency is about 550 Hz, its damping 0.8."""


CAREFUL = SyncCircuit(0.3, 1.9, 0.5, 0.16, 0.012)
"""A studio receiver's: narrow filter, and a line loop of 270 Hz with damping 0.7."""


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
    """Output of the peak detector that is meant to hold the sync tip."""
    height_V: float = 0.3
    """Sync height, from the gain control."""


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


def _tip_blocks(length: int) -> int:
    """The number of equal blocks, about eight lines each, that so many samples at half rate divide into."""
    return next(count for count in range(max(length // 3_500, 1), length + 1) if length % count == 0)


class SlicedSync:
    """Separated sync as a running sum, so that its share of any stretch costs two look-ups."""

    def __init__(self, low: Samples, slice_V: Samples, span: float, delay: float, origin: int) -> None:
        """`low`: low-passed video at half rate, lagging `delay` samples, whose first sample lies at −`origin`.

        `slice_V`: slicing level for each of equally long blocks of it. The slicer takes `span` volts from off to on, so
        that edges keep their place between samples.
        """
        share = (slice_V[:, None] + np.float32(span / 2)) - low.reshape(len(slice_V), -1)
        share *= np.float32(_FULL / span)
        np.clip(share, 0, _FULL, out=share)
        self.total = np.zeros(len(low) + 1, np.int32)
        np.cumsum(share.reshape(-1).astype(np.int32), dtype=np.int32, out=self.total[1:])
        self._view = memoryview(self.total.data)
        self.shift = origin + delay + _DOWN / 2

    def below(self, position: float) -> float:
        """Samples of sync before a position."""
        x = (position + self.shift) / _DOWN
        i = int(x)
        left = self._view[i]
        return float(left + (x - i) * (self._view[i + 1] - left)) * (_DOWN / _FULL)

    def likeliest_pulse(self, after: float, standard: LineStandard) -> float | None:
        """Where within half a line of a position a sync pulse most likely begins; None if nothing is like one."""
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

    def __init__(self, standard: LineStandard, circuit: SyncCircuit) -> None:
        self.standard, self.circuit = standard, circuit
        frequency = np.linspace(0.0, SAMPLE_RATE_MHZ / 2, 257)
        response = low_pass_response(frequency, circuit.filter_edge_MHz, circuit.filter_stop_MHz)
        taps = taps_from_response(response.astype(complex), 21)
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
            height_V=-self.standard.sync_V,
        )

    def slice(self, samples: Samples, origin: int, state: TimebaseState) -> SlicedSync:
        """Separate the sync; `samples` begin `history` samples before position −`origin`."""
        (low,) = self._filter(samples)
        blocks = _tip_blocks(len(low))
        tips = self._tips(low.reshape(blocks, -1)[:, ::4], state)
        return SlicedSync(
            low, tips + np.float32(state.height_V / 2), self.circuit.slicer_span * state.height_V, self._delay, origin
        )

    @staticmethod
    def _tips(low: Samples, state: TimebaseState) -> Samples:
        """The tip detector's output, one value a block: the level below which the video spends a set mean excess.

        A diode charges a capacitor whenever the video is lower than what it holds, a resistor discharges it. Clicks
        towards black fool it like tips do: that is how sparkle comes to cost the sync.
        """
        level = np.full((len(low), 1), state.tip_V, np.float32)
        for _ in range(6):  # Newton's steps on a convex function
            below = level - low
            under = below > 0
            excess = np.where(under, below, 0).mean(axis=1, keepdims=True)
            share = np.maximum(under.mean(axis=1, keepdims=True), 0.01)
            level -= np.clip((excess - _TIP_EXCESS_V) / share, -0.5, 0.5).astype(np.float32)
        level -= np.float32(_TIP_REST_V)
        held, _ = lfilter([_TIP_GAIN], [1.0, _TIP_GAIN - 1.0], level[:, 0], zi=[(1 - _TIP_GAIN) * state.tip_V])
        state.tip_V = float(held[-1])
        return np.asarray(held, dtype=np.float32)

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
                if pulse is not None:
                    state.next_line, state.rate = pulse, 0.0
        start, line, field, parity, hits = zip(*found, strict=True) if found else ((),) * 5
        return Lines(
            np.array(start, np.float64),
            np.array(line, np.intp),
            np.array(field, np.intp),
            np.array(parity, np.intp),
            np.array(hits, np.bool_),
        )

    def _line_edge(self, sync: SlicedSync, state: TimebaseState, limit: float) -> bool:
        """Compare the sync before and after the expected edge; pull the oscillator if there is an edge at all."""
        t = state.next_line
        before, at, after = sync.below(t - _EDGE_GATE), sync.below(t), sync.below(t + _EDGE_GATE)
        hit = after - 2 * at + before > _EDGE_CONTRAST * _EDGE_GATE
        state.trust += (hit - state.trust) * _TRUST_GAIN
        if hit:
            error = _EDGE_GATE - (after - before)
            state.next_line += self.circuit.phase_gain * error
            state.rate = min(max(state.rate + self.circuit.rate_gain * error, -limit), limit)
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
