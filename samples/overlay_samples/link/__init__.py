"""A physical simulator of the radio link that carries the live picture.

Frames become composite colour video, frequency-modulate a carrier, meet noise, pass a limiter-discriminator, and are
put together again by a receiver and a cheap recorder. Sparkle, tearing, rolling and loss of colour come out of the
physics.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.chain import Link
from overlay_samples.link.composite import Frame
from overlay_samples.link.fm import Echo, Modulation
from overlay_samples.link.recorder import Lost, Recorder, RecorderState
from overlay_samples.link.standards import standard_named

_STEPS = 32


def receive(
    frames: Iterable[Frame],
    carrier_to_noise_dB: Sequence[float] | NDArray[np.float64],
    *,
    seed: int,
    standard: str = "625",
    lost: Lost = "blue",
    first_frame: int = 0,
    modulation: Modulation = Modulation(),  # noqa: B008  frozen
    echo: Echo | None = None,
    deinterlace: bool = False,
) -> Iterator[Frame]:
    """Frames as the ground recorder gets them over the link, one for each frame sent."""
    link = Link(standard_named(standard), seed=seed, modulation=modulation, echo=echo, first_frame=first_frame)
    recorder, memory = Recorder(lost, deinterlace), RecorderState()
    levels = np.asarray(carrier_to_noise_dB, dtype=np.float64)
    following = np.append(levels[1:], levels[-1:])
    for number, (frame, now, then) in enumerate(zip(frames, levels, following, strict=True), start=first_frame):
        course = now + (then - now) * (np.arange(_STEPS) + 0.5) / _STEPS
        yield recorder(*link(frame, number, course), memory)
