"""A physical simulator of the radio link that carries the live picture.

Frames become composite colour video, frequency-modulate a carrier, meet noise, pass a limiter-discriminator, and are
put together again by a receiver and a cheap recorder. Sparkle, tearing, rolling and loss of colour come out of the
physics. `digital` holds a second link, for systems that send packets.

    received = receive(frames, carrier_to_noise_dB, seed=1)

A long flight may be cut by `segments` and each part received in a process of its own; the frames are the same:

    levels = within_frames(carrier_to_noise_dB)
    for part in segments(levels, 2):  # each in a process, with OPENBLAS_NUM_THREADS=1
        receive(frames[part.start : part.stop], levels[part.start : part.stop], seed=1, first_frame=part.start)
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from overlay_samples.link.chain import LINEAR_FROM_dB, Link
from overlay_samples.link.composite import Frame
from overlay_samples.link.fm import Echo, Modulation
from overlay_samples.link.recorder import Lost, Recorder, RecorderState
from overlay_samples.link.standards import standard_named
from overlay_samples.link.sync import CAREFUL, SyncCircuit

__all__ = ["CAREFUL", "Echo", "Link", "Modulation", "Recorder", "SyncCircuit", "receive", "segments", "within_frames"]

_STEPS = 32
"""C/N changes within a frame in so many steps."""
_SETTLING_FRAMES = 12
"""Frames of clean reception after which neither receiver nor recorder remembers what came before."""
_COST_BELOW = 4.0
"""What a frame costs to compute in full, in frames far above threshold."""


def receive(
    frames: Iterable[Frame],
    carrier_to_noise_dB: Sequence[float] | NDArray[np.float64],
    *,
    seed: int,
    standard: str = "625",
    lost: Lost = "blue",
    first_frame: int = 0,
    modulation: Modulation = Modulation(),  # noqa: B008  frozen
    circuit: SyncCircuit = SyncCircuit(),  # noqa: B008  frozen
    echo: Echo | None = None,
    deinterlace: bool = False,
    repeat_share: float = 0.0,
) -> Iterator[Frame]:
    """Frames as the ground recorder gets them over the link, one for each frame sent.

    frames               (576, 720, 3) or, for "525", (480, 720, 3) of uint8, BGR. A frame's fields are its alternate
                         rows: pass interlaced frames if the camera's fields differ in time.
    carrier_to_noise_dB  C/N at the start of each frame, (n,), between which it runs linearly; or within each frame,
                         (n, steps), for fades shorter than a frame.
    seed, first_frame    noise depends on these alone: the number of the first frame places a segment in the flight.
                         The receiver begins settled, as after a long clean stretch.
    lost                 what the recorder writes when there is no sync: blue, the last picture, or what comes.
    repeat_share         share of frames that an overloaded recorder misses, writing the one before again.

    ValueError on a frame of another shape, on C/N that is not a number, and when there are more or fewer frames than
    values of C/N.
    """
    levels = within_frames(carrier_to_noise_dB)
    link = Link(
        standard_named(standard),
        seed=seed,
        modulation=modulation,
        circuit=circuit,
        echo=echo,
        first_frame=first_frame,
    )
    recorder, memory = Recorder(lost, deinterlace, repeat_share=repeat_share), RecorderState(seed=seed)
    sent = 0
    for sent, frame in enumerate(frames, start=1):
        if sent > len(levels):
            raise ValueError(f"more frames than the {len(levels)} values of C/N; give one value for each frame")
        number = first_frame + sent - 1
        yield recorder(*link(frame, number, levels[sent - 1]), memory, number)
    if sent < len(levels):
        raise ValueError(f"{sent} frames for {len(levels)} values of C/N; give one value for each frame")


def within_frames(carrier_to_noise_dB: Sequence[float] | NDArray[np.float64]) -> NDArray[np.float64]:
    """C/N of each of 32 steps of each frame, (n, 32), running linearly from frame to frame; (n, steps) as it is."""
    levels = np.asarray(carrier_to_noise_dB, dtype=np.float64)
    if np.isnan(levels).any():
        raise ValueError("C/N is not a number for some frames; give decibels, −inf for no carrier at all")
    if levels.ndim == 2:
        return levels
    following = np.append(levels[1:], levels[-1:])
    share = (np.arange(_STEPS) + 0.5) / _STEPS
    with np.errstate(invalid="ignore"):
        course = levels[:, None] + (following - levels)[:, None] * share
    return np.where(np.isfinite(course), course, levels[:, None])


def segments(carrier_to_noise_dB: Sequence[float] | NDArray[np.float64], parts: int) -> list[range]:
    """Cut a flight into at most `parts` ranges of frames of about equal cost that may be received apart.

    Each range but the first begins where reception has long been clean, so that the frames received are the same as
    in one go.
    """
    least = within_frames(carrier_to_noise_dB).min(axis=1)
    clean = least >= LINEAR_FROM_dB
    run = np.convolve(clean, np.ones(_SETTLING_FRAMES), mode="full")[: len(clean)]
    allowed = 1 + np.flatnonzero(run[:-1] == _SETTLING_FRAMES)
    cost = np.cumsum(np.where(clean, 1.0, _COST_BELOW))
    wanted = np.searchsorted(cost, cost[-1] * np.arange(1, parts) / parts)
    cuts = {int(allowed[np.argmin(np.abs(allowed - place))]) for place in wanted} if len(allowed) else set()
    bounds = [0, *sorted(cuts), len(least)]
    return [range(first, last) for first, last in pairwise(bounds)]
