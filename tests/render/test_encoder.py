"""How the muxer is set up."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import pytest

from overlay.render.encoder import container_options
from overlay.render.sink import Sink


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
def test_what_the_muxer_holds_back_stays_small_in_a_long_group_of_pictures(tmp_path: Path, suffix: str) -> None:
    """20 MB after a single key picture: a fast recording's group of ten seconds."""
    base, size, number = Fraction(1, 15360), 100_000, 200
    path = tmp_path / f"joined{suffix}"
    sink = Sink(path, container_options(suffix, base))
    stream: Any = sink.container.add_stream("mpeg4", rate=60)
    stream.width, stream.height, stream.pix_fmt, stream.time_base = 64, 48, "yuv420p", base
    for count in range(number):
        packet: Any = av.Packet(bytes(size))
        packet.stream, packet.time_base = stream, base
        packet.pts = packet.dts = count * 256
        packet.duration, packet.is_keyframe = 256, count == 0
        sink.container.mux(packet)
    held = size * number - path.stat().st_size
    sink.end(finished=True)
    assert held < 7_000_000  # two megabytes of a fragment, or Matroska's cluster of five
    assert path.stat().st_size > size * number
