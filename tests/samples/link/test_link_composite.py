"""Composite video against the numbers of ITU-R BT.470-6, BT.1700 and BT.601-7, measured on the waveform itself."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay_samples.link.composite import Encoder, bears_burst, pulse_edges
from overlay_samples.link.standards import NTSC_525, PAL_625, STANDARDS, standard_named

FS = 13.5


def crossings(signal, level, falling):
    """Where the signal passes a level, in samples, by linear interpolation."""
    above = signal > level
    edge = np.flatnonzero(above[:-1] & ~above[1:] if falling else ~above[:-1] & above[1:])
    return edge + (signal[edge] - level) / (signal[edge] - signal[edge + 1])


@pytest.fixture(scope="module")
def waveform(encoder, standard):
    """Two frames of a white picture, the second following the first."""
    white = np.full((standard.rows, 720, 3), 255, np.uint8)
    return np.concatenate([encoder.encode(white, 0), encoder.encode(white, 1)]).astype(float)


@pytest.fixture(scope="module")
def pulses(waveform, standard):
    """Leading edges and widths of the sync pulses, in µs."""
    half = standard.sync_V / 2
    shifted = np.roll(waveform, 20)  # the first edge lies on the first sample
    down, up = crossings(shifted, half, True) / FS, crossings(shifted, half, False) / FS
    up = up[np.searchsorted(up, down[0]) :]
    n = min(len(up), len(down))
    width = up[:n] - down[:n]
    real = width > 1  # the 525-line burst just touches half the height of sync
    return down[:n][real], width[real]


class TestNumbersOfTheStandards:
    """BT.470-6 tables 1 and 2, BT.1700; subcarriers as every handbook has them."""

    def test_subcarriers(self):
        assert PAL_625.subcarrier_MHz == pytest.approx(4.43361875, abs=1e-9)
        assert NTSC_525.subcarrier_MHz == pytest.approx(3.579545, abs=1e-6)

    def test_line_lengths(self):
        assert PAL_625.line_us == 64.0
        assert NTSC_525.line_us == pytest.approx(63.556, abs=0.001)

    def test_frame_rates_follow_from_lines_and_line_length(self, standard):
        assert 1e6 / (standard.line_us * standard.lines) == pytest.approx(float(standard.frame_rate), rel=1e-9)

    def test_colour_sequences_are_eight_and_four_fields(self):
        assert PAL_625.colour_sequence == 4
        assert NTSC_525.colour_sequence == 2

    def test_unknown_standard_is_refused_by_name(self):
        with pytest.raises(ValueError, match=r"'819'.*625.*525"):
            standard_named("819")


LIMITS_us = {
    "625": {"line": (4.5, 4.9), "equalising": (2.25, 2.45), "broad": (27.1, 27.5)},
    "525": {"line": (4.6, 4.8), "equalising": (2.2, 2.4), "broad": (26.9, 27.3)},
}
PULSES_OF_A_FIELD = {"625": (5, 5), "525": (6, 6)}


class TestSync:
    """Widths and tolerances in µs from BT.470-6 table 1-1 (625: system B/G; 525: system M)."""

    def test_only_three_kinds_of_pulse(self, pulses, standard):
        _, width = pulses
        limits = LIMITS_us[standard.name]
        fits = [(width > low) & (width < high) for low, high in limits.values()]
        assert np.all(np.sum(fits, axis=0) == 1)

    def test_counts_of_pulses_in_a_frame(self, pulses, standard):
        down, width = pulses
        frame = down < down[0] + standard.line_us * standard.lines - 1
        broad, equalising = PULSES_OF_A_FIELD[standard.name]
        assert np.sum(width[frame] > 20) == 2 * broad
        assert np.sum(width[frame] < 3) == 4 * equalising

    def test_fields_begin_half_a_frame_apart(self, pulses, standard):
        down, width = pulses
        is_broad = width > 20
        begins = down[is_broad & ~np.roll(is_broad, 1)]
        lines = np.diff(begins) / standard.line_us
        assert lines == pytest.approx(np.full(len(lines), standard.lines / 2), abs=1e-3)

    def test_line_period(self, pulses, standard):
        down, width = pulses
        step = np.diff(down[width > 4])
        whole = step / standard.line_us
        assert np.all(np.abs(whole - np.round(2 * whole) / 2) < 2e-4)

    def test_edges_rise_within_tolerance(self, waveform, standard):
        """BT.470-6: 0.2 ± 0.1 µs between 10 and 90 % (625); at most 0.25 µs (525)."""
        start = standard.samples_per_line * 20
        line = waveform[start - 40 : start + 40]
        high, low = (crossings(line, standard.sync_V * share, True)[-1] for share in (0.1, 0.9))
        assert 0.1 <= (low - high) / FS <= 0.25

    def test_levels(self, waveform, standard):
        tip = {"625": -0.300, "525": -0.2857}[standard.name]  # 300 mV; 40 IRE of 7.143 mV
        assert waveform.min() == pytest.approx(tip, abs=0.001)
        middle = waveform[100 * standard.samples_per_line + 400]
        assert middle == pytest.approx({"625": 0.700, "525": 0.7143}[standard.name], abs=0.002)

    def test_second_frame_joins_the_first(self, waveform, standard):
        n = standard.samples_per_frame
        alone = waveform[n - 12 : n + 12]
        assert np.abs(np.diff(alone)).max() < abs(standard.sync_V) * 0.5
        assert alone[12] == pytest.approx(standard.sync_V / 2, abs=0.002)


class TestBlanking:
    """BT.470-6: line blanking 12 ± 0.3 µs and front porch 1.5 ± 0.3 µs (625); 10.9 ± 0.2 and 1.5 ± 0.1 µs (525)."""

    def test_line_blanking_and_front_porch(self, waveform, standard):
        line = waveform[(100 * standard.samples_per_line) : (103 * standard.samples_per_line)]
        half = standard.white_V / 2
        ends, begins = crossings(line, half, True) / FS, crossings(line, half, False) / FS
        blanking = begins[begins > ends[0]][0] - ends[0]
        leading = crossings(line, standard.sync_V / 2, True) / FS
        porch = leading[leading > ends[0]][0] - ends[0]
        expected, tolerance = {"625": (12.0, 0.3), "525": (10.9, 0.2)}[standard.name]
        assert blanking == pytest.approx(expected, abs=tolerance)
        assert porch == pytest.approx(1.5, abs=0.1)

    def test_half_lines_of_the_625_line_picture(self):
        white = np.full((576, 720, 3), 255, np.uint8)
        lines = Encoder(PAL_625).encode(white, 0).reshape(625, 864)
        quarter, three_quarters = 864 // 4 + 40, 3 * 864 // 4
        assert abs(lines[22, quarter]) < 0.01 < 0.6 < lines[22, three_quarters]  # line 23 begins half way
        assert abs(lines[622, three_quarters]) < 0.01 < 0.6 < lines[622, quarter]  # line 623 ends half way

    def test_nothing_but_sync_and_burst_outside_the_picture(self, encoder, standard):
        white = np.full((standard.rows, 720, 3), 255, np.uint8)
        lines = encoder.encode(white, 0).reshape(standard.lines, -1)
        bright = lines[:, 200:].max(axis=1) > 0.3
        assert np.count_nonzero(bright) == standard.rows


class TestBurst:
    def test_place_length_and_height(self, encoder, standard):
        """BT.470-6: PAL 5.6 ± 0.1 µs after 0H, 10 ± 1 cycles, 300 mV; NTSC 5.3 µs, 9 cycles, 40 IRE (286 mV)."""
        line = encoder.template(0).reshape(standard.lines, -1)[100].astype(float)
        burst = np.abs(np.fft.ifft(2 * np.fft.fft(line[60:120]) * (np.fft.fftfreq(60) > 0.1)))
        start, end = crossings(burst, burst.max() / 2, False)[0] + 60, crossings(burst, burst.max() / 2, True)[-1] + 60
        at, cycles, height = {"625": (5.6, 10, 0.150), "525": (5.3, 9, 0.1429)}[standard.name]
        assert start / FS == pytest.approx(at, abs=0.1)
        assert (end - start) / FS * standard.subcarrier_MHz == pytest.approx(cycles, abs=1)
        assert np.median(burst[18:34]) == pytest.approx(height, rel=0.05)

    def test_nine_lines_of_each_field_are_without(self, standard):
        for frame in range(standard.colour_sequence):
            assert np.count_nonzero(~bears_burst(standard, frame)) == 18

    def test_bruch_sequence(self):
        """BT.470-6: suppressed on lines 623–6 and 310–318, then 622–5 and 311–319."""
        for frame, first, second in (
            (0, range(310, 319), [623, 624, 625, 1, 2, 3, 4, 5, 6]),
            (1, range(311, 320), [622, 623, 624, 625, 1, 2, 3, 4, 5]),
        ):
            without = {int(k) + 1 for k in np.flatnonzero(~bears_burst(PAL_625, frame))}
            assert without == set(first) | set(second)


def fitted(samples, start, standard):
    """Mean, and amplitude at the subcarrier as a phasor of sin, of a stretch of video: by least squares."""
    n = np.arange(start, start + len(samples))
    angle = 2 * np.pi * standard.subcarrier_MHz / FS * n
    basis = np.column_stack([np.ones(len(n)), np.sin(angle), np.cos(angle)])
    (mean, sine, cosine), *_ = np.linalg.lstsq(basis, samples, rcond=None)
    return mean, complex(sine, cosine)


class TestColourBars:
    """Levels of 75 % bars as printed in television handbooks and on test-signal generators; from memory, and checked
    to follow from BT.470-6's E'Y = 0.299 R + 0.587 G + 0.114 B, U = 0.493 (B − Y), V = 0.877 (R − Y)."""

    LUMA_mV = (700.0, 465.1, 368.0, 308.2, 216.8, 157.0, 59.9, 0.0)
    CHROMA_mV = (0.0, 470.5, 663.8, 620.1, 620.1, 663.8, 470.5, 0.0)
    LUMA_IRE = (100.0, 69.0, 56.1, 48.2, 36.2, 28.2, 15.4, 7.5)
    CHROMA_IRE = (0.0, 62.1, 87.7, 81.9, 81.9, 87.7, 62.1, 0.0)
    PHASE_DEG = (None, 167.1, 283.5, 240.7, 60.7, 103.5, 347.1, None)

    @staticmethod
    def measured(encoder, standard, picture, line):
        """Luminance, chrominance peak to peak and its phase from +U for the eight bars of a line with V positive."""
        composite = encoder.encode(picture, 0).astype(float)
        at = line * standard.samples_per_line
        _, burst = fitted(composite[at + 82 : at + 100], at + 82, standard)
        # PAL: the burst lies at 135° on lines with V positive; NTSC: at 180°
        reference = burst / abs(burst) * np.exp(-1j * np.deg2rad(135 if standard.alternating_V else 180))
        for bar in range(8):
            start = at + standard.first_active_sample + 90 * bar + 25
            mean, phasor = fitted(composite[start : start + 45], start, standard)
            yield mean, 2 * abs(phasor), np.rad2deg(np.angle(phasor / reference)) % 360

    def test_625_line_bars(self, bars):
        encoder = Encoder(PAL_625)
        rows = self.measured(encoder, PAL_625, bars(576), 100)
        for found, luma, chroma, phase in zip(rows, self.LUMA_mV, self.CHROMA_mV, self.PHASE_DEG, strict=True):
            assert found[0] * 1000 == pytest.approx(luma, abs=4)
            assert found[1] * 1000 == pytest.approx(chroma, abs=8)
            if phase is not None:
                assert found[2] == pytest.approx(phase, abs=1.0)

    def test_525_line_bars(self, bars):
        encoder = Encoder(NTSC_525)
        rows = self.measured(encoder, NTSC_525, bars(480), 100)
        for found, luma, chroma, phase in zip(rows, self.LUMA_IRE, self.CHROMA_IRE, self.PHASE_DEG, strict=True):
            assert found[0] / 7.143e-3 == pytest.approx(luma, abs=0.6)
            assert found[1] / 7.143e-3 == pytest.approx(chroma, abs=1.2)
            if phase is not None:
                assert found[2] == pytest.approx(phase, abs=1.0)

    def test_V_alternates_in_PAL_alone(self, bars):
        pal = list(self.measured(Encoder(PAL_625), PAL_625, bars(576), 101))  # a line with V negative
        burst_there = 225.0  # its burst; `measured` took it for 135°
        red = (pal[5][2] + burst_there - 135.0) % 360
        assert red == pytest.approx(360 - 103.5, abs=1.0)


class TestInterlace:
    def test_rows_go_to_the_right_field(self, encoder, standard):
        """625: the first field carries the even rows (top field first). 525: the odd rows (bottom field first)."""
        picture = np.zeros((standard.rows, 720, 3), np.uint8)
        picture[::2] = 255
        lines = encoder.encode(picture, 0).reshape(standard.lines, -1)
        first_field = np.arange(30, 200) - standard.first_line
        second_field = first_field + standard.field_lines + 1
        first, second = (lines[index, 400:600].mean() for index in (first_field, second_field))
        bright, dark = (first, second) if standard.lines == 625 else (second, first)
        assert bright > 0.65
        assert dark < 0.06

    @pytest.mark.parametrize(("line", "row"), [(23, 0), (310, 574), (336, 1), (623, 575), (22, None), (320, None)])
    def test_rows_of_625_lines(self, line, row):
        """BT.601/BT.656: digital field 1 is lines 23–310, field 2 lines 336–623."""
        assert PAL_625.row_of_line(line) == row

    @pytest.mark.parametrize(("line", "row"), [(23, 1), (262, 479), (285, 0), (524, 478), (22, None), (270, None)])
    def test_rows_of_525_lines(self, line, row):
        """The 480 rows that digital recorders keep: lines 23–262 and 285–524."""
        assert NTSC_525.row_of_line(line) == row


class TestFrames:
    @pytest.mark.parametrize("shape", [(480, 720, 3), (576, 704, 3), (576, 720)])
    def test_another_shape_is_refused(self, shape):
        with pytest.raises(ValueError, match=r"576, 720, 3"):
            Encoder(PAL_625).encode(np.zeros(shape, np.uint8), 0)

    @given(st.sampled_from(sorted(STANDARDS)))
    def test_pulses_never_overlap(self, name):
        edges = np.array(pulse_edges(STANDARDS[name]))
        assert np.all(edges[1:, 0] > edges[:-1, 1])
        assert edges[-1, 1] < STANDARDS[name].line_us * STANDARDS[name].lines
