"""Even loudness: programme loudness and true peak of EBU R 128 (ITU-R BS.1770), measured and set by FFmpeg's filters."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import av

Samples = NDArray[np.float32]

TARGET_LUFS = -23.0  # EBU R 128
HIGHEST_PEAK_DB = -1.0  # EBU R 128: maximum true peak, in dBTP
_ENCODING_DB = 1.0  # what a lossy encoder may add to a peak
_MOST_GAIN_DB = 30.0  # more would only raise a microphone's own noise
_SILENT_LUFS = -70.0  # the absolute gate of BS.1770
_CHUNK = 4800
_PEAK_RATE_HZ = 192_000  # four times 48 kHz, as BS.1770 annex 2 asks


class Loudness(NamedTuple):
    """Integrated loudness and highest true peak; both −inf for silence."""

    integrated_LUFS: float
    true_peak_dBTP: float


def measure(samples: Samples, rate_Hz: int) -> Loudness:
    """Loudness of samples (n, channels) in −1 … 1; what is shorter than a gating block of 0.4 s is silence."""
    found: dict[str, str] = {}
    for frame in _filtered(samples, rate_Hz, [("ebur128", "peak=true:metadata=1:framelog=quiet")]):
        found = frame.metadata or found  # a last frame that is cut short has none
    integrated = float(found.get("lavfi.r128.I", "-inf"))
    peak = float(found.get("lavfi.r128.true_peak", "0"))
    return Loudness(
        integrated if integrated > _SILENT_LUFS else -math.inf, 20 * math.log10(peak) if peak > 0 else -math.inf
    )


def levelled(samples: Samples, rate_Hz: int, target_LUFS: float = TARGET_LUFS) -> Samples:
    """The samples at the target loudness, peaks limited below −1 dBTP; silence stays silence.

    A limiter takes loudness away, so the gain is corrected for it twice; what is all peaks stays softer.
    """
    before = measure(samples, rate_Hz)
    if not math.isfinite(before.integrated_LUFS):
        return samples
    gain = min(target_LUFS - before.integrated_LUFS, _MOST_GAIN_DB)
    result = samples
    for _ in range(3):
        result = _limited(samples * np.float32(10 ** (gain / 20)), rate_Hz)
        missing = target_LUFS - measure(result, rate_Hz).integrated_LUFS
        if abs(missing) < 0.1 or not math.isfinite(missing) or gain >= _MOST_GAIN_DB:
            break
        gain = min(gain + missing, _MOST_GAIN_DB)
    return result


def _limited(samples: Samples, rate_Hz: int) -> Samples:
    highest = HIGHEST_PEAK_DB - _ENCODING_DB
    if measure(samples, rate_Hz).true_peak_dBTP <= highest:
        return samples
    ceiling = 10 ** (highest / 20)
    steps = [
        ("aresample", str(_PEAK_RATE_HZ)),
        ("alimiter", f"limit={ceiling:.5f}:attack=5:release=80:level=disabled:latency=1"),
        ("aresample", str(rate_Hz)),
        ("aformat", "sample_fmts=flt"),
    ]
    parts = [frame.to_ndarray().reshape(-1, samples.shape[1]) for frame in _filtered(samples, rate_Hz, steps)]
    limited = np.concatenate(parts)[: len(samples)].astype(np.float32)
    return np.pad(limited, ((0, len(samples) - len(limited)), (0, 0)))


def _filtered(samples: Samples, rate_Hz: int, steps: list[tuple[str, str]]) -> Iterator[av.AudioFrame]:
    """Frames that come out of a chain of filters."""
    import av
    from av.filter import Graph

    layout = "mono" if samples.shape[1] == 1 else "stereo"
    graph = Graph()
    source = graph.add_abuffer(sample_rate=rate_Hz, format="flt", layout=layout, time_base=Fraction(1, rate_Hz))
    nodes = [source, *(graph.add(name, arguments) for name, arguments in steps), graph.add("abuffersink")]
    for left, right in pairwise(nodes):
        left.link_to(right)
    graph.configure()
    for start in [*range(0, len(samples), _CHUNK), None]:
        if start is None:
            graph.push(None)
        else:
            part = np.ascontiguousarray(samples[start : start + _CHUNK], np.float32)
            frame = av.AudioFrame.from_ndarray(part.reshape(1, -1), format="flt", layout=layout)
            frame.sample_rate, frame.pts, frame.time_base = rate_Hz, start, Fraction(1, rate_Hz)
            graph.push(frame)
        while True:
            try:
                out = graph.pull()
            except (av.error.BlockingIOError, av.error.EOFError):
                break
            assert isinstance(out, av.AudioFrame)
            yield out
