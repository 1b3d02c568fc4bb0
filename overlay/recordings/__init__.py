"""Video recordings: probing and decoding any container through one clock."""

from overlay.recordings.decoding import Picture, decode
from overlay.recordings.luma import Planes, grey, planes
from overlay.recordings.probing import open_recording
from overlay.recordings.recording import Audio, Chapter, Colour, Recording, Splice

__all__ = [
    "Audio", "Chapter", "Colour", "Picture", "Planes", "Recording", "Splice", "decode", "grey", "open_recording",
    "planes",
]  # fmt: skip
