"""When the frames of a recording were taken."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from overlay_samples.flight import Flight
from overlay_samples.scenario import Lens, RecorderClock


@dataclass(frozen=True)
class Timing:
    """When a recording's frames were taken: `start_s` POSIX of the first, `count` of them."""

    start_s: float
    drift: float
    rate: Fraction
    count: int

    @classmethod
    def of(cls, flight: Flight, lens: Lens, clock: RecorderClock) -> Timing:
        """From the recorder's start to the end of the flight."""
        start, drift = flight.start_s + clock.starts_after_s, clock.drift_ppm * 1e-6
        lasts = flight.time_s[-1] - start
        if lasts <= 0:
            raise ValueError(
                f"the recorder starts {clock.starts_after_s} s in, after the flight's {flight.duration_s:.1f} s"
            )
        return cls(start, drift, lens.frame_rate, int(lasts / (1 + drift) * lens.frame_rate))

    def at(self, frame: int) -> float:
        """POSIX time of a frame, as the track's clock has it."""
        return self.start_s + (1 + self.drift) * float(frame / self.rate)
