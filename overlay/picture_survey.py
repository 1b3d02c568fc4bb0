"""A recording of the live picture measured frame by frame, decoded while what came before is measured."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing

from overlay.picture.features import TOGETHER, FeatureExtractor, Features
from overlay.recordings import Recording, planes
from overlay.recordings.ahead import ahead

_ROOM_BYTES = 48 << 20  # for the pictures that wait: enough for all of a batch up to 1080 lines, little in 4K

Progress = Callable[[float], None]


def features_in(recording: Recording, progress: Progress | None = None) -> Features:
    """What is measured in each frame of a recording; `progress` is told the time reached, in seconds.

    Frames are measured in batches. A decoder that had to wait for each batch would leave a core idle meanwhile.
    """
    waiting = _ROOM_BYTES // (recording.width * recording.height * 3 // 2)
    extractor = FeatureExtractor()
    with closing(ahead(planes(recording), "decode", min(max(waiting, 2), TOGETHER))) as pictures:
        for picture in pictures:
            extractor.push(picture.time_s, picture.y, picture.u, picture.v, corrupt=picture.corrupt)
            if progress is not None:
                progress(picture.time_s)
    return extractor.result()
