"""The whole link, frame by frame: which of its two computations a frame needs, and what is remembered in between."""

from __future__ import annotations

from copy import deepcopy
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.composite import Encoder, Frame, check_frame
from overlay_samples.link.fm import Echo, FMLink, Modulation
from overlay_samples.link.linear import LinearLink
from overlay_samples.link.receiver import Receiver, ReceiverState, Reception
from overlay_samples.link.standards import LineStandard
from overlay_samples.link.sync import SyncCircuit

LINEAR_FROM_dB = 13.0
"""C/N from which the discriminator is taken as linear. There Rice's formula gives one click in some minutes, and the
noise that the first order leaves out is 0.15 dB."""

_CALIBRATION_FRAMES = 4  # a whole colour sequence


@lru_cache(maxsize=4)
def _at_rest(standard: LineStandard, modulation: Modulation, circuit: SyncCircuit) -> ReceiverState:
    """State of a receiver after some frames of black without noise, before the first frame of a colour sequence."""
    encoder, link = Encoder(standard), FMLink(standard, modulation, seed=0)
    receiver = Receiver(standard, circuit)
    link.begin(encoder.template(-1))
    state = receiver.settled(delay=link.delay, offset_V=link.offset_V, frame=0)
    for number in range(_CALIBRATION_FRAMES):
        receiver(link(encoder.template(number), np.full(1, np.inf), number), number, state)
    return state


class Link:
    """Camera to ground receiver. `state` is all the receiver remembers; it may be copied, kept and set again."""

    def __init__(
        self,
        standard: LineStandard,
        *,
        seed: int,
        modulation: Modulation = Modulation(),  # noqa: B008  frozen
        circuit: SyncCircuit = SyncCircuit(),  # noqa: B008  frozen
        echo: Echo | None = None,
        first_frame: int = 0,
        linear_from_dB: float = LINEAR_FROM_dB,
    ) -> None:
        self.standard, self.linear_from_dB = standard, linear_from_dB
        self._encoder = Encoder(standard)
        self._fm = FMLink(standard, modulation, seed=seed, echo=echo)
        self._receiver = Receiver(standard, circuit)
        self._rest = _at_rest(standard, modulation, circuit)
        self._linear = None if echo else LinearLink(self._encoder, self._fm, self._rest)
        self.state = self.at_rest(first_frame)
        self._begun = False

    def at_rest(self, frame: int) -> ReceiverState:
        """The receiver's state after a long clean stretch, about to get frame number `frame`."""
        state = deepcopy(self._rest)
        state.timebase.line_parity = (state.timebase.line_parity + frame * self.standard.lines) % 2
        return state

    def __call__(self, frame: Frame, number: int, carrier_to_noise_dB: NDArray[np.float64]) -> tuple[Frame, Reception]:
        """Send one frame; `carrier_to_noise_dB` for each of equally long steps of it."""
        check_frame(frame, self.standard)
        if self._linear and carrier_to_noise_dB.min() >= self.linear_from_dB and self._resting():
            self.state = self.at_rest(number + 1)
            self.state.store = self._linear(frame, number, carrier_to_noise_dB)
            self._begun = False
            return self.state.store, Reception(1.0, True, True)
        if not self._begun:
            self._fm.begin(self._encoder.template(number - 1))
            self._begun = True
        volts = self._fm(self._encoder.encode(frame, number), carrier_to_noise_dB, number)
        return self._receiver(volts, number, self.state)

    def _resting(self) -> bool:
        """Whether the receiver has come to rest: in step, in trust and in colour."""
        now, rest = self.state.timebase, self._rest.timebase
        in_step = abs(now.next_line - rest.next_line) < 0.6 and abs(now.rate) < 0.08
        in_count = now.line == rest.line and now.field == rest.field and now.field_trust == rest.field_trust
        levels = abs(now.height_V - rest.height_V) < 0.01 and abs(self.state.clamp_V - self._rest.clamp_V) < 0.02
        return in_step and in_count and levels and now.trust > 0.99 and self.state.colour.alive
