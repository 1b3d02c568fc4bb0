"""Noise of the FM link against the textbooks.

Noise: H. Taub & D. L. Schilling, "Principles of Communication Systems", chapters 9 (FM) and 10 (threshold), whose
results follow from a white noise of density N/B about the carrier. Clicks: S. O. Rice, "Noise in FM receivers", in
Proc. Symp. Time Series Analysis (M. Rosenblatt, ed.), 1963. Emphasis: ITU-R F.405.
"""

import numpy as np
import pytest
from scipy.signal import welch
from scipy.special import erfc

from overlay_samples.link.filters import response_of
from overlay_samples.link.fm import EMPHASIS, RATE_MHZ, Echo, FMLink, IF_response, Modulation, noise_pool, path_taps
from overlay_samples.link.standards import PAL_625

B, P_P, FS = 18.0, 6.0, 13.5
N = PAL_625.samples_per_frame
LINE_US = 64.0


def still_carrier(level_dB, *, modulation=Modulation(), frames=3, seed=1, volts=0.2):  # noqa: B008
    """Video noise under a carrier that rests at a level (0.2 V: in the middle of the IF filter)."""
    link = FMLink(PAL_625, modulation, seed=seed)
    steady = np.full(N, volts, np.float32)
    link.begin(steady)
    out = [link(steady, np.full(1, level_dB), k)[2000:] for k in range(frames)]
    return np.concatenate(out).astype(float)


def rice_clicks_per_us(rho, deviation_MHz, gyration_MHz):
    """Rice 1963: expected phase slips of both signs for a carrier off the middle of the noise band."""
    a = abs(deviation_MHz) / gyration_MHz
    root = np.sqrt(rho)
    with_it = (
        gyration_MHz / 2 * (np.sqrt(1 + a * a) * erfc(root * np.sqrt(1 + a * a)) - a * np.exp(-rho) * erfc(a * root))
    )
    return 2 * with_it + gyration_MHz * a * np.exp(-rho)


def gyration_MHz():
    f = np.linspace(-RATE_MHZ / 2, RATE_MHZ / 2, 20001)
    power = IF_response(f, B) ** 2
    return np.sqrt(np.sum(f * f * power) / np.sum(power))


class TestNoisePool:
    def test_unit_power_in_the_stated_noise_bandwidth(self):
        x, y = noise_pool(B, 1)
        assert np.mean(x.astype(float) ** 2) + np.mean(y.astype(float) ** 2) == pytest.approx(1.0, rel=1e-3)
        f, density = welch((x + 1j * y)[: 1 << 20], RATE_MHZ, nperseg=512, return_onesided=False)
        in_band = density[np.abs(f) < 7.5].mean()
        assert 1 / in_band == pytest.approx(B, rel=0.02)  # flat height × noise bandwidth = power

    def test_parts_are_gaussian_and_independent(self):
        x, y = (part.astype(float) for part in noise_pool(B, 1))
        assert abs(np.mean(x * y)) < 2e-3
        assert np.mean(x**4) / np.mean(x**2) ** 2 == pytest.approx(3.0, abs=0.02)

    def test_gyration_is_that_of_a_rectangle(self):
        assert gyration_MHz() == pytest.approx(B / np.sqrt(12), rel=0.005)


class TestNoiseAboveThreshold:
    @pytest.mark.parametrize("level_dB", [16, 25, 40])
    def test_density_rises_as_the_square_of_frequency(self, level_dB):
        """Taub & Schilling: baseband noise density f²/(C/N · B) in MHz² per MHz, one-sided."""
        noise = still_carrier(level_dB)
        f, density = welch(noise * P_P, FS, nperseg=1024)
        band = (f > 0.5) & (f < 4.4)
        expected = f[band] ** 2 / (10 ** (level_dB / 10) * B)
        excess_dB = 10 * np.log10(density[band] / expected)
        assert np.mean(excess_dB) == pytest.approx(0.0, abs=0.15)
        slope = np.polyfit(np.log(f[band]), np.log(density[band]), 1)[0]
        assert slope == pytest.approx(2.0, abs=0.05)

    def test_output_signal_to_noise_ratio(self):
        """S/N of luminance (0.7 V p-p over rms noise in W) = 3 · C/N · B · (0.7 · 6 MHz)² / W³."""
        W = 4.4
        for level_dB in (16.0, 20.0, 30.0):
            f, density = welch(still_carrier(level_dB), FS, nperseg=1024)
            power = np.sum(density[f <= W]) * (f[1] - f[0])
            measured = 10 * np.log10(0.7**2 / power)
            equation = 10 * np.log10(3 * 10 ** (level_dB / 10) * B * (0.7 * P_P) ** 2 / W**3)
            assert measured == pytest.approx(equation, abs=0.25)

    def test_decibel_for_decibel(self):
        ratio = np.var(still_carrier(20)) / np.var(still_carrier(30))
        assert 10 * np.log10(ratio) == pytest.approx(10.0, abs=0.15)


class TestThreshold:
    @pytest.mark.parametrize("level_dB", [10, 8, 7, 6, 5])
    def test_clicks_add_white_noise(self, level_dB):
        """Taub & Schilling ch. 10: each click adds an impulse of one cycle, so N clicks a µs a power of 2·W·N MHz²."""
        W, rho = 4.0, 10 ** (level_dB / 10)
        f, density = welch(still_carrier(level_dB, frames=4) * P_P, FS, nperseg=1024)
        measured = np.sum(density[f <= W]) * (f[1] - f[0])
        smooth = W**3 / (3 * rho * B)
        clicks = 2 * W * rice_clicks_per_us(rho, 0.0, gyration_MHz())
        # The books add the two as if independent; that is good to about a decibel.
        assert 10 * np.log10(measured) == pytest.approx(10 * np.log10(smooth + clicks), abs=1.2)

    def test_threshold_lies_where_the_equation_has_it(self):
        """Output S/N one decibel below the straight line. (The books' 10 dB are for a swinging carrier, a wider IF.)"""
        W, levels = 4.0, np.arange(5.0, 11.0, 1.0)
        rho = 10 ** (levels / 10)
        smooth = W**3 / (3 * rho * B)
        equation = 10 * np.log10(1 + 2 * W * rice_clicks_per_us(rho, 0.0, gyration_MHz()) / smooth)
        measured = []
        for level, straight in zip(levels, smooth, strict=True):
            f, density = welch(still_carrier(level) * P_P, FS, nperseg=1024)
            measured.append(10 * np.log10(np.sum(density[f <= W]) * (f[1] - f[0]) / straight))
        found, expected = (np.interp(-1.0, -np.array(loss), levels) for loss in (measured, equation))
        assert found == pytest.approx(expected, abs=0.5)
        assert 6.0 < found < 9.0


class TestClicks:
    @staticmethod
    def slips_per_us(level_dB, offset_MHz, frames, seed):
        """Slips of the received phase against the carrier sent, which runs at a constant frequency."""
        link = FMLink(PAL_625, Modulation(), seed=seed)
        run = np.arange(2 * N) * (offset_MHz / RATE_MHZ) % 1.0
        phase = (2 * np.pi * run).astype(np.float32)
        slips = 0.0
        for frame in range(frames):
            steps = link.discriminate(*link.channel(phase, np.full(1, float(level_dB)), frame)).astype(float)
            turns = np.cumsum(steps / (2 * np.pi) - offset_MHz / RATE_MHZ)
            slips += np.abs(np.diff(np.rint(turns - turns[0]))).sum()
        return slips / (frames * 2 * N / RATE_MHZ)

    @pytest.mark.parametrize(("level_dB", "frames"), [(8, 6), (7, 3), (6, 2), (5, 2)])
    @pytest.mark.parametrize("offset_MHz", [0.0, 1.5, 2.5])
    def test_rate_is_rices(self, level_dB, frames, offset_MHz):
        found = np.mean([self.slips_per_us(level_dB, offset_MHz, frames, seed) for seed in (1, 2)])
        expected = rice_clicks_per_us(10 ** (level_dB / 10), offset_MHz, gyration_MHz())
        counted = expected * 2 * frames * 40_000
        assert found == pytest.approx(expected, rel=0.05 + 3.5 / np.sqrt(counted))

    def test_clicks_turn_the_carrier_towards_the_middle(self):
        """Under modulation the slips are against the deviation: bright picture, dark specks."""
        bright = still_carrier(7, volts=0.7)
        below, above = np.sum(bright < np.median(bright) - 0.8), np.sum(bright > np.median(bright) + 0.8)
        assert below > 5 * above

    def test_none_far_above_threshold(self):
        assert self.slips_per_us(14, 0.0, 3, 1) == 0


class TestLinearPath:
    def test_video_comes_back_as_it_was(self, landscape, encoder, standard):
        link = FMLink(standard, Modulation(), seed=1)
        composite = encoder.encode(landscape(standard.rows), 0)
        link.begin(encoder.template(-1))
        received = link(composite, np.full(1, np.inf), 0)
        expected = np.convolve(composite, path_taps(standard, Modulation()))[: len(composite)]
        assert np.abs(received - link.offset_V - expected)[1000:].max() < 2e-3

    def test_flat_in_the_video_band(self, standard):
        f = np.linspace(0, standard.video_bandwidth_MHz - 0.7, 50)
        gain_dB = 20 * np.log10(np.abs(response_of(path_taps(standard, Modulation()), f, FS)))
        assert np.abs(gain_dB).max() < 0.15

    def test_delay_is_as_stated(self, standard):
        taps = path_taps(standard, Modulation())
        link = FMLink(standard, Modulation(), seed=1)
        assert np.sum(np.arange(len(taps)) * taps) / np.sum(taps) == pytest.approx(link.delay, abs=0.01)

    def test_carrier_sweeps_the_stated_deviation(self):
        link = FMLink(PAL_625, Modulation(), seed=1)
        white = np.full(N, 0.7, np.float32)
        link.begin(white)
        steps = np.diff(np.unwrap(link.transmit(white)[1000:3000].astype(float))) * RATE_MHZ / (2 * np.pi)
        assert steps.mean() == pytest.approx(0.7 * P_P, rel=1e-3)


class TestEmphasis:
    def test_crossover_frequencies(self):
        """ITU-R F.405: the curve crosses 0 dB at 1.512 MHz (625 lines) and 0.7616 MHz (525 lines)."""
        assert EMPHASIS["625"].gain_dB(np.array(1.512)) == pytest.approx(0.0, abs=0.02)
        assert EMPHASIS["525"].gain_dB(np.array(0.7616)) == pytest.approx(0.0, abs=0.02)

    def test_low_frequencies_deviate_less(self):
        """ITU-R F.405: −11.0 dB (625) and −10.0 dB (525) at the lowest frequencies."""
        assert EMPHASIS["625"].gain_dB(np.array(0.001)) == pytest.approx(-11.0, abs=0.02)
        assert EMPHASIS["525"].gain_dB(np.array(0.001)) == pytest.approx(-10.0, abs=0.02)

    def test_pre_and_de_emphasis_cancel(self, standard):
        f = np.linspace(0, standard.video_bandwidth_MHz - 0.5, 50)
        plain, shaped = (path_taps(standard, Modulation(emphasis=on)) for on in (False, True))
        difference = np.abs(response_of(shaped, f, FS)) / np.abs(response_of(plain, f, FS))
        assert np.abs(20 * np.log10(difference)).max() < 0.1

    def test_noise_follows_the_curve(self):
        """De-emphasis lowers the noise at each frequency by the curve."""
        plain, shaped = still_carrier(25), still_carrier(25, modulation=Modulation(emphasis=True))
        f, a = welch(plain, FS, nperseg=512)
        _, b = welch(shaped, FS, nperseg=512)
        band = (f > 0.6) & (f < 4.3)
        assert 10 * np.log10(a[band] / b[band]) == pytest.approx(EMPHASIS["625"].gain_dB(f[band]), abs=0.7)


class TestEcho:
    def test_two_paths_beat_as_their_phasors_do(self):
        """An unmodulated carrier with an echo of amplitude a in antiphase keeps 1 − a of its amplitude."""
        for phase, expected in ((0.0, 1.4), (np.pi, 0.6)):
            link = FMLink(PAL_625, Modulation(), seed=1, echo=Echo(0.4, 1.0, phase))
            x, y = link.channel(np.zeros(10_000, np.float32), np.full(1, np.inf), 0)
            assert np.hypot(x, y)[100:] == pytest.approx(np.full(9900, expected), abs=1e-5)

    def test_echo_shows_in_the_video(self):
        """A step of video comes again, faintly, after the echo's delay."""
        step = np.full(N, 0.0, np.float32)
        step[200_000:] = 0.5
        out = {}
        for amplitude in (0.0, 0.3):
            link = FMLink(PAL_625, Modulation(), seed=1, echo=Echo(amplitude, 2.0, 0.5))
            out[amplitude] = link(step, np.full(1, np.inf), 0)
        difference = np.abs(out[0.3] - out[0.0])[199_000:201_000]
        assert difference.max() > 0.02
        late = np.flatnonzero(difference > 0.02)
        assert late[0] >= 1000 + 20  # nothing before the step
        assert late[-1] <= 1000 + 27.5 + 2.0 * FS + 60
