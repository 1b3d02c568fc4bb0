"""The two scanning standards, as numbers.

Sources: ITU-R BT.470-6 (system B/G PAL, system M NTSC) and BT.1700 for levels, timings and subcarriers; ITU-R BT.601-7
for the 13.5 MHz grid and where the 720 samples lie on it. Times in microseconds, levels in volts across the
standard 1 V composite signal with blanking at zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

SAMPLE_RATE_MHZ = 13.5
"""BT.601 luminance sampling rate: 864 samples a line in 625-line systems, 858 in 525-line systems."""


@dataclass(frozen=True)
class LineStandard:
    """One scanning standard. Line numbers are the standard's own, counted from 1."""

    name: str
    lines: int
    samples_per_line: int
    frame_rate: Fraction
    rows: int
    """Rows of the digital frame (BT.601 / the 480-row subset used by recorders)."""
    first_active_sample: int
    """Samples from the line's time reference 0H to the first of the 720 digital samples."""
    sync_us: float
    equalising_us: float
    broad_us: float
    sync_rise_us: float
    front_porch_us: float
    line_blanking_us: float
    blanking_rise_us: float
    sync_V: float
    white_V: float
    setup: float
    """Black above blanking, as a fraction of the white level."""
    subcarrier_per_line: Fraction
    """Cycles of the colour subcarrier in one line."""
    alternating_V: bool
    """The V axis changes sign from line to line (PAL)."""
    burst_start_us: float
    burst_cycles: int
    burst_peak_V: float
    video_bandwidth_MHz: float
    equalising_pulses: int
    broad_pulses: int
    first_line: int
    """The line with which a frame's samples begin here: the first that holds broad pulses."""
    field_first_line: tuple[int, int]
    """First line of the digital frame in the first and the second field sent."""
    field_first_row: tuple[int, int]
    """The row into which that line goes: fields interleave from there, every second row."""
    half_lines: tuple[int, int] | None
    """Lines of which only the second, and only the first, half carries picture."""

    @property
    def width(self) -> int:
        """Samples of the digital active line."""
        return 720

    @property
    def line_us(self) -> float:
        """Length of a line."""
        return self.samples_per_line / SAMPLE_RATE_MHZ

    @property
    def samples_per_frame(self) -> int:
        """Samples in a frame of two fields."""
        return self.lines * self.samples_per_line

    @property
    def subcarrier_MHz(self) -> float:
        """Frequency of the colour subcarrier."""
        return float(self.subcarrier_per_line) / self.line_us

    @property
    def colour_sequence(self) -> int:
        """Frames after which the subcarrier meets the frame in the same phase again (4 for PAL, 2 for NTSC)."""
        return (self.subcarrier_per_line * self.lines).denominator

    @property
    def field_lines(self) -> int:
        """Whole lines in a field, the half line left out: the second field begins so many lines and a half later."""
        return self.lines // 2

    def row_of_line(self, line: int) -> int | None:
        """Row of the digital frame that a line is shown in, None outside the picture."""
        for first_line, first_row in zip(self.field_first_line, self.field_first_row, strict=True):
            k = line - first_line
            if 0 <= k < self.rows // 2:
                return 2 * k + first_row
        return None


PAL_625 = LineStandard(
    name="625",
    lines=625,
    samples_per_line=864,
    frame_rate=Fraction(25),
    rows=576,
    first_active_sample=132,
    sync_us=4.7,
    equalising_us=2.35,
    broad_us=27.3,
    sync_rise_us=0.2,
    front_porch_us=1.5,
    line_blanking_us=12.0,
    blanking_rise_us=0.3,
    sync_V=-0.3,
    white_V=0.7,
    setup=0.0,
    subcarrier_per_line=Fraction(1135, 4) + Fraction(1, 625),
    alternating_V=True,
    burst_start_us=5.6,
    burst_cycles=10,
    burst_peak_V=0.15,
    video_bandwidth_MHz=5.0,
    equalising_pulses=5,
    broad_pulses=5,
    first_line=1,
    field_first_line=(23, 336),
    field_first_row=(0, 1),
    half_lines=(23, 623),
)

NTSC_525 = LineStandard(
    name="525",
    lines=525,
    samples_per_line=858,
    frame_rate=Fraction(30000, 1001),
    rows=480,
    first_active_sample=122,
    sync_us=4.7,
    equalising_us=2.3,
    broad_us=27.1,
    sync_rise_us=0.2,
    front_porch_us=1.5,
    line_blanking_us=10.9,
    blanking_rise_us=0.3,
    sync_V=-0.2857,
    white_V=0.7143,
    setup=0.075,
    subcarrier_per_line=Fraction(455, 2),
    alternating_V=False,
    burst_start_us=5.3,
    burst_cycles=9,
    burst_peak_V=0.1429,
    video_bandwidth_MHz=4.2,
    equalising_pulses=6,
    broad_pulses=6,
    first_line=4,
    field_first_line=(23, 285),
    field_first_row=(1, 0),
    half_lines=None,
)

STANDARDS = {standard.name: standard for standard in (PAL_625, NTSC_525)}


def standard_named(name: str) -> LineStandard:
    """The standard called "625" or "525"; ValueError names both otherwise."""
    if name not in STANDARDS:
        raise ValueError(f"unknown line standard {name!r}; choose one of {', '.join(STANDARDS)}")
    return STANDARDS[name]
