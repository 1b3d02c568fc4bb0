"""What the camera's microphone hears: the motor following the throttle, wind over the hull, hands and grass."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from overlay_samples.flight import PHASES, Flight

Samples = NDArray[np.int16]
Floats = NDArray[np.float64]

RATE_Hz = 32000
_BLADE_Hz = (95.0, 330.0)  # blade passes a second at no and at full throttle


class MotorSound:
    """Mono sound of one flight, in pieces that join without a click when asked for in order."""

    def __init__(self, flight: Flight) -> None:
        self.flight = flight
        self._rng = np.random.default_rng([flight.scenario.seed, 70])
        self._phase = 0.0
        self._filter = butter(2, [120, 2600], "bandpass", fs=RATE_Hz, output="sos")
        self._memory = np.zeros((self._filter.shape[0], 2))
        flying = flight.phase == PHASES.index("flying")
        self._spinning = np.where(flying, np.maximum(flight.throttle, 0.03 * (flight.airspeed_mps > 8)), 0.0)

    def piece(self, times_s: Floats) -> Samples:
        """Samples at even POSIX times (N,) that follow those of the last call."""
        f = self.flight
        coarse = np.linspace(times_s[0], times_s[-1], max(2, len(times_s) // 64))
        throttle, speed = f.at(self._spinning, coarse), f.at(f.airspeed_mps, coarse)
        moving = f.at(np.hypot(f.velocity_mps[:, 0], f.velocity_mps[:, 1]), coarse)
        grass = (f.at((f.phase == PHASES.index("sliding")).astype(np.float64), coarse) > 0.5) * moving / 12.0
        hands = f.at((f.phase == PHASES.index("handled")).astype(np.float64), coarse) * 0.03
        throttle, speed, rub = (np.interp(times_s, coarse, v) for v in (throttle, speed, grass + hands))
        turning = 2 * math.pi * (_BLADE_Hz[0] + (_BLADE_Hz[1] - _BLADE_Hz[0]) * np.sqrt(throttle)) / RATE_Hz
        phase = self._phase + np.cumsum(turning)
        self._phase = float(phase[-1] % (2 * math.pi))
        loud = 0.30 * throttle**0.7
        tone = np.sin(phase) + 0.5 * np.sin(2 * phase + 0.4) + 0.35 * np.sin(3 * phase + 1.1) + 0.2 * np.sin(6 * phase)
        hiss, self._memory = sosfilt(self._filter, self._rng.standard_normal(len(times_s)), zi=self._memory)
        sound = loud * tone * 0.5 + hiss * (0.006 + 0.00022 * speed**2 + 0.05 * loud + 0.6 * rub)
        return np.asarray(np.tanh(sound) * 26000, np.int16)
