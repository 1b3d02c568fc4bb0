"""What a file is when it cannot be opened as a recording, told from its first bytes, so that the refusal can say so."""

from __future__ import annotations

from pathlib import Path

HEAD_BYTES = 4096
Refusal = tuple[str, str]  # what was found, what to do

_STILL = ("a still picture", "give a video file")
_SOUND = ("sound without pictures", "give the file that holds the pictures")
_ARCHIVE = ("an archive", "unpack it and give the video file in it")
_PLAYLIST = ("a playlist or script, not a recording", "give the video files that it names")
_TEXT = ("text, not a recording", "give a video file")
_STARTS: tuple[tuple[bytes, Refusal], ...] = (
    (b"\xff\xd8\xff", _STILL), (b"\x89PNG\r\n", _STILL), (b"GIF8", _STILL), (b"BM", _STILL), (b"II*\0", _STILL),
    (b"MM\0*", _STILL), (b"ID3", _SOUND), (b"fLaC", _SOUND), (b"PK\x03\x04", _ARCHIVE), (b"7z\xbc\xaf", _ARCHIVE),
    (b"\x1f\x8b", _ARCHIVE), (b"Rar!", _ARCHIVE), (b"\x7fELF", ("a program", "give a video file")),
)  # fmt: skip
_CONTROLS = bytes(byte for byte in range(32) if byte not in b"\t\n\r\f")
_SCRIPTS = (b"#EXTM3U", b"#EXT-X-", b"ffconcat", b"[playlist]", b"<MPD", b"<smil", b"<asx", b"v=0", b"RTSPtext")


def what_it_is(path: str, reason: str) -> Refusal:
    """(what was found, what to do) about a file that no demuxer took; `reason` is the demuxer's own word."""
    with Path(path).open("rb") as file:
        head = file.read(HEAD_BYTES)
    if not head:
        return "an empty file", "copy it again from the recorder's card"
    if not head.strip(b"\0"):
        return "nothing but zeros where the recording should begin", "copy it again from the recorder's card"
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(_SCRIPTS) or any(b"\n" + script in head for script in _SCRIPTS[:3]):
        return _PLAYLIST
    for start, refusal in _STARTS:
        if head.startswith(start):
            return refusal
    if head[:4] == b"RIFF" and head[8:12] in (b"WAVE", b"WEBP"):
        return _SOUND if head[8:12] == b"WAVE" else _STILL
    if _reads_as_text(head):
        return _TEXT
    return f"no recording that can be read ({reason})", "give a video file such as MP4, MOV, MKV, AVI or TS"


def _reads_as_text(head: bytes) -> bool:
    if head.translate(None, _CONTROLS) != head:
        return False
    try:
        head[:-3].decode("utf-8")  # less the last character, which may be cut
    except UnicodeDecodeError as error:
        return error.start > len(head) - 8
    return True
