"""Whatever happens to the bytes of a log: it is read or refused in one line, never anything else."""

from __future__ import annotations

import os
import socket
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from overlay.errors import TrackError
from overlay.tracks import Log, read_log, sniff

FORMATS = ("gpx", "kml", "nmea", "igc", "csv", "dataflash", "dataflash_text", "tlog", "ulog")
pytestmark = pytest.mark.filterwarnings("error")
patient = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def written(writers, aloft):
    """The same short flight in every format."""
    flown = aloft(1.0)
    return {name: writers[name].write(flown) for name in FORMATS}


def read_or_refuse(path, data: bytes) -> Log | None:
    path.write_bytes(data)
    try:
        log = read_log(path)
    except TrackError as error:
        assert "\n" not in str(error)
        assert str(error).startswith(str(path))
        return None
    assert log.flights
    return log


@pytest.mark.parametrize("name", FORMATS)
class TestDamage:
    @patient
    @given(cut=st.floats(0, 1))
    def test_cut_anywhere(self, name, written, tmp_path, cut):
        data = written[name]
        log = read_or_refuse(tmp_path / "log", data[: int(cut * len(data))])
        if cut > 0.5:
            assert log is not None
            assert sum(map(len, log.flights)) > 100

    @patient
    @given(flips=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=30))
    def test_bytes_changed(self, name, written, tmp_path, flips):
        data = bytearray(written[name])
        for where, value in flips:
            data[int(where * (len(data) - 1))] = value
        read_or_refuse(tmp_path / "log", bytes(data))

    @patient
    @given(start=st.floats(0, 1), length=st.integers(1, 4000), where=st.floats(0, 1))
    def test_a_stretch_lost_and_put_elsewhere(self, name, written, tmp_path, start, length, where):
        data = written[name]
        first = int(start * len(data))
        piece, rest = data[first : first + length], data[:first] + data[first + length :]
        place = int(where * len(rest))
        read_or_refuse(tmp_path / "log", rest[:place] + piece + rest[place:])

    @patient
    @given(noise=st.binary(min_size=1, max_size=300), where=st.floats(0, 1))
    def test_noise_put_in(self, name, written, tmp_path, noise, where):
        data = written[name]
        place = int(where * len(data))
        read_or_refuse(tmp_path / "log", data[:place] + noise + data[place:])


@patient
@given(data=st.binary(min_size=0, max_size=3000))
def test_noise_alone(tmp_path, data):
    read_or_refuse(tmp_path / "log", data)


@pytest.mark.parametrize(
    "text", ["nan", "inf", "-inf", "1e999", "-1e308", "1e18", "9" * 400, "", "0x10", "1_000", "١٢٣"]
)
@pytest.mark.parametrize("column", range(9))
def test_absurd_numbers_in_a_table(written, tmp_path, text, column):
    lines = written["csv"].decode().splitlines()
    for row in (5, 50, 51):
        cells = lines[row].split(",")
        cells[column] = text
        lines[row] = ",".join(cells)
    log = read_or_refuse(tmp_path / "log", "\n".join(lines).encode())
    assert log is not None
    assert sum(map(len, log.flights)) >= 235


class TestNoLogs:
    def refused(self, path, match: str) -> None:
        start = time.monotonic()
        with pytest.raises(TrackError, match=match) as caught:
            read_log(path)
        assert "\n" not in str(caught.value)
        assert sniff(path) is None
        assert time.monotonic() - start < 5

    def test_missing(self, tmp_path):
        self.refused(tmp_path / "none", "cannot be opened")

    def test_folder(self, tmp_path):
        self.refused(tmp_path, "a folder")

    def test_empty(self, saved):
        self.refused(saved(b""), "an empty file")

    def test_named_pipe(self, tmp_path):
        os.mkfifo(tmp_path / "pipe")
        self.refused(tmp_path / "pipe", "a named pipe")

    def test_socket(self, tmp_path, monkeypatch):
        monkeypatch.chdir(tmp_path)
        with socket.socket(socket.AF_UNIX) as server:
            server.bind("s")
            self.refused("s", "a socket")

    @pytest.mark.parametrize("device", ["/dev/zero", "/dev/null", "/dev/tty"])
    def test_devices(self, device, tmp_path):
        self.refused(device, "a device|cannot be opened")
        (tmp_path / "link").symlink_to(device)
        self.refused(tmp_path / "link", "a device|cannot be opened")

    @pytest.mark.parametrize("name", ["https://example.org/track.gpx", "file:///etc/passwd", "-", "--help", "a\0b"])
    def test_names_that_are_no_files(self, name):
        self.refused(name, "cannot be opened")

    def test_a_name_with_a_newline(self, saved):
        path = saved(b"nothing", "two\nlines")
        self.refused(path, r"two\\nlines")

    def test_a_file_that_never_ends(self, tmp_path):
        """A sparse file of a terabyte."""
        with (tmp_path / "huge").open("wb") as file:
            file.truncate(1 << 40)
        self.refused(tmp_path / "huge", "more than any log")

    @pytest.mark.parametrize(
        ("data", "found"),
        [
            (b"\0\0\0\x20ftypisom" + bytes(5000), "a video recording"),
            (b"\x1aE\xdf\xa3" + bytes(5000), "a video recording"),
            (b"RIFF\0\0\0\0AVI LIST" + bytes(5000), "a video recording"),
            (b"\x89PNG\r\n\x1a\n" + bytes(500), "a picture"),
            (b"%PDF-1.7\n" + bytes(500), "a PDF"),
            (b"PK\x03\x04" + bytes(500), "a zip archive"),
            (b"#EXTM3U\n#EXT-X-VERSION:3\nhttp://example.org/0.ts\n", "text in no format"),
            (b"Dear diary,\ntoday I flew, far and well.\n" * 30, "text in no format"),
            (bytes(range(256)) * 40, "bytes in no format"),
            (bytes(200_000), "bytes in no format"),
        ],
    )
    def test_other_kinds_of_files(self, saved, data, found):
        self.refused(saved(data), found)

    @pytest.mark.parametrize(
        "data",
        [
            b"time,lat,lon\n",
            b"time,lat,lon\n1,2,3",
            b"<gpx/>",
            b"<gpx><trk><trkseg/></trk></gpx>",
            b"<kml/>",
            b"AXXX\nHFDTE030526\n",
            b"FMT, 128, 89, FMT, BBnNZ, Type,Length,Name,Format,Columns\n",
            b"\xa3\x95\x80" + bytes(86),
            b"ULog\x01\x12\x35\x01" + bytes(8),
            b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\r\n",
        ],
    )
    def test_logs_that_hold_nothing(self, tmp_path, data):
        assert read_or_refuse(tmp_path / "log", data) is None


class TestAbsurdSizes:
    """Files made to cost: each ends within seconds."""

    def quick(self, path, data: bytes) -> Log | None:
        start = time.monotonic()
        log = read_or_refuse(path, data)
        assert time.monotonic() - start < 20
        return log

    def test_a_track_a_point(self, tmp_path):
        point = b'<trk><trkpt lat="46" lon="-12"><time>2026-05-03T10:00:00Z</time></trkpt></trk>'
        assert self.quick(tmp_path / "log", b"<gpx>" + point * 50_000 + b"</gpx>") is None

    def test_a_silence_a_row(self, tmp_path):
        rows = b"".join(b"%d,46.%06d,-12\n" % (i * 300 + i % 2 * 100, i) for i in range(100_000))
        self.quick(tmp_path / "log", b"time (s),lat,lon\n" + rows)

    def test_a_power_up_a_message(self, tmp_path, written):
        lines = written["dataflash_text"].decode().splitlines()
        head, gps = lines[:4], lines[4].split(", ")
        rows = [", ".join([gps[0], str(10**9 - i % 2000 * 10**5 * (i // 20)), *gps[2:]]) for i in range(60_000)]
        self.quick(tmp_path / "log", "\n".join(head + rows).encode())

    def test_one_endless_line(self, tmp_path):
        self.quick(tmp_path / "log", b"time (s),lat,lon\n1,46,-12\n2,46,-12\n" + b"1" * 20_000_000)

    def test_a_header_of_a_thousand_columns(self, tmp_path):
        self.quick(tmp_path / "log", b",".join([b"lat (deg) x"] * 5000) + b"\n" + b",".join([b"1"] * 5000))

    def test_quotes_that_never_close(self, tmp_path):
        self.quick(tmp_path / "log", b"time (s),lat,lon\n" + b'"1,46,-12\n' * 200_000)
