"""The recording's sound beside the review video: the same packets, re-timed and never re-encoded."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from overlay.recordings import Recording

if TYPE_CHECKING:
    from av import Packet
    from av.audio.stream import AudioStream
    from av.container import OutputContainer


class Sound:
    """Audio packets of a recording's chapters in a window of its clock, muxed as the picture advances.

    `note` says why there is none; no recording at all is nothing to note.
    """

    def __init__(self, recording: Recording | None, output: OutputContainer, start: Fraction, end: Fraction) -> None:
        self._start, self._end = start, end
        self._output = output
        self._stream: AudioStream | None = None
        self._waiting: Packet[AudioStream] | None = None
        # Matroska would move the whole file rather than begin below zero; what lies there is the codec's run-in
        self._no_times_below_zero = output.format.name == "matroska"
        self.note = self._refusal(recording) if recording is not None else None
        self._packets = self._copied(recording) if recording is not None and self.note is None else _nothing()
        self._waiting = next(self._packets, None)

    def mux_until(self, time: Fraction | None) -> None:
        """Mux every packet that starts before `time` on the output's clock; None: all that is left."""
        while self._waiting is not None and (time is None or _time_of(self._waiting) < time):
            self._output.mux(self._waiting)
            self._waiting = next(self._packets, None)

    def close(self) -> None:
        """Close the files being read."""
        self._packets.close()

    def _refusal(self, recording: Recording) -> str | None:
        tracks = [chapter.audio for chapter in recording.chapters]
        first = tracks[0]
        if first is None and not any(tracks):
            return "the recording has no sound"
        if first is None or any(t is None or replace(t, stream=first.stream) != first for t in tracks):
            return "the chapters' sound tracks differ in codec, rate or channels; written without sound"
        spliced = next((chapter.path for chapter in recording.chapters if chapter.splices), None)
        if spliced is not None:
            return f"the recorder's clock was reset inside {spliced}; written without sound rather than out of step"
        if first.codec not in self._output.supported_codecs:
            return f"{self._output.format.name} takes no {first.codec} sound; written without it, use .mkv to keep it"
        return None

    def _copied(self, recording: Recording) -> Generator[Packet[AudioStream]]:
        import av

        from overlay.recordings.container import opened

        for chapter in recording.chapters:
            if chapter.start_s >= self._end or chapter.start_s + chapter.duration_s <= self._start:
                continue
            with opened(chapter.path) as source:
                assert chapter.audio is not None
                stream = source.container.streams[chapter.audio.stream]
                assert isinstance(stream, av.AudioStream)
                if self._stream is None:
                    self._stream = self._output.add_stream_from_template(stream)
                # the chapter's video begins at first_pts · time_base on the container's own clock
                shift = chapter.start_s - chapter.first_pts * chapter.time_base - self._start
                yield from self._window(source.container.demux(stream), shift)

    def _window(self, packets: Iterator[Packet[AudioStream]], shift: Fraction) -> Iterator[Packet[AudioStream]]:
        for packet in packets:
            if packet.pts is None or packet.time_base is None:
                continue
            ticks = round(shift / packet.time_base)
            time = (packet.pts + ticks) * packet.time_base
            if time >= self._end - self._start:
                return
            if time < 0 and (self._start > 0 or self._no_times_below_zero):
                continue
            packet.pts += ticks
            if packet.dts is not None:
                packet.dts += ticks
            assert self._stream is not None
            packet.stream = self._stream
            yield packet


def _nothing() -> Generator[Packet[AudioStream]]:
    yield from ()


def _time_of(packet: Packet[AudioStream]) -> Fraction:
    assert packet.pts is not None
    assert packet.time_base is not None
    return packet.pts * packet.time_base
