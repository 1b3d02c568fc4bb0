"""The receiver's timing, levels and colour, on clean, damaged and noisy signals."""

import cv2
import numpy as np
import pytest

from overlay_samples.link.chain import Link
from overlay_samples.link.composite import Encoder
from overlay_samples.link.receiver import Receiver
from overlay_samples.link.standards import PAL_625
from overlay_samples.link.sync import CAREFUL, SyncCircuit

N = PAL_625.samples_per_frame


def received(signals, standard, state=None):
    """Pictures and reports for frames of composite video fed straight to a receiver."""
    receiver = Receiver(standard, SyncCircuit())
    state = state or receiver.settled(delay=0.0, offset_V=0.0, frame=0)
    return [receiver(signal, number, state) for number, signal in enumerate(signals)], state


def inner(picture):
    return picture[6:-6, 16:-16].astype(float)


def full_link(level_dB, frames, standard=PAL_625, seed=1, circuit=SyncCircuit(), picture=None):  # noqa: B008
    """Pictures and reports at a constant C/N, always computed in full."""
    link = Link(standard, seed=seed, circuit=circuit, linear_from_dB=np.inf)
    if picture is None:
        picture = np.full((standard.rows, 720, 3), 110, np.uint8)
    return [link(picture, number, np.full(8, float(level_dB))) for number in range(frames)]


def row_shift(report, standard=PAL_625):
    """How far each line of the picture was begun from where it was sent, in samples, less the constant."""
    n = standard.samples_per_line
    start = report.lines.start[report.rows >= 0]
    return (start - 27.4 + n / 2) % n - n / 2


class TestRoundTrip:
    def test_colour_bars_keep_their_values(self, encoder, standard, bars):
        """75 % bars: 191 and 0 of 255 in each channel, within 2 % of full scale but for the edges between bars."""
        picture = bars(standard.rows)
        results, _ = received([encoder.encode(picture, k) for k in range(3)], standard)
        for bar in range(8):
            columns = slice(90 * bar + 30, 90 * bar + 60)
            found = results[-1][0][20:-20, columns].reshape(-1, 3).mean(axis=0)
            assert found == pytest.approx(picture[100, 90 * bar + 45].astype(float), abs=5)

    def test_picture_lies_where_it_was(self, encoder, standard):
        """A vertical line comes back in its column, a single row in its row."""
        picture = np.full((standard.rows, 720, 3), 40, np.uint8)
        picture[:, 400] = 220
        picture[151] = 220
        results, _ = received([encoder.encode(picture, k) for k in range(3)], standard)
        luma = cv2.cvtColor(results[-1][0], cv2.COLOR_BGR2GRAY).astype(float)
        profile = luma[30:100, 392:409].mean(axis=0) - 40
        assert np.sum(profile * np.arange(392, 409)) / np.sum(profile) == pytest.approx(400, abs=0.2)
        assert np.argmax(luma[140:160, 100:300].mean(axis=1)) == 11

    def test_every_line_is_found_where_it_is(self, encoder, standard, landscape):
        results, _ = received([encoder.encode(landscape(standard.rows), k) for k in range(3)], standard)
        for _, report in results:
            assert report.sync_share == 1.0
            assert report.field_locked
            assert np.count_nonzero(report.rows >= 0) == standard.rows
            assert sorted(report.rows[report.rows >= 0]) == list(range(standard.rows))
            sent = np.round(report.lines.start / standard.samples_per_line) * standard.samples_per_line
            assert np.abs(report.lines.start - sent).max() < 0.5

    def test_interlaced_fields_stay_apart(self, encoder, standard):
        picture = np.full((standard.rows, 720, 3), 60, np.uint8)
        picture[::2] = 180
        results, _ = received([encoder.encode(picture, k) for k in range(3)], standard)
        rows = inner(results[-1][0]).mean(axis=(1, 2))
        assert rows[::2].min() > 170
        assert rows[1::2].max() < 70


class TestFindingSync:
    @pytest.mark.parametrize("late", [0.37, 11.2, 300.0])
    def test_locks_on_a_signal_begun_anywhere_in_the_line(self, encoder, standard, landscape, late):
        picture = landscape(standard.rows)
        stream = np.concatenate([encoder.encode(picture, k) for k in range(12)])
        n = standard.samples_per_frame
        position = np.arange(11 * n) - late
        shifted = np.interp(position, np.arange(len(stream)), stream, left=0.0).astype(np.float32)
        results, _ = received(shifted.reshape(11, n), standard)
        last, report = results[-1]
        assert report.sync_share > 0.99
        start = report.lines.start[report.rows >= 0] - late
        assert np.abs(start - np.round(start / standard.samples_per_line) * standard.samples_per_line).max() < 0.5
        assert np.abs(inner(last) - inner(results[-5][0])).mean() < 1  # a colour sequence apart

    @pytest.mark.parametrize("lines", [40, 200, 313])
    def test_locks_on_a_signal_begun_anywhere_in_the_field(self, encoder, standard, landscape, lines):
        """The picture rolls or jumps, then stands where it should."""
        picture = landscape(standard.rows)
        stream = np.concatenate([encoder.encode(picture, k) for k in range(24)])
        n = standard.samples_per_frame
        cut = stream[lines * standard.samples_per_line :][: 23 * n].reshape(23, n)
        results, _ = received(cut, standard)
        grey, wanted = (cv2.cvtColor(p, cv2.COLOR_BGR2GRAY) for p in (results[-1][0], picture))
        assert results[-1][1].field_locked
        assert np.abs(inner(grey) - inner(wanted)).mean() < 8

    def test_rides_over_a_few_lines_without_signal(self, encoder, standard):
        """A flywheel carries on where sync is missing for a while."""
        signals = [encoder.template(k).copy() for k in range(3)]
        n = standard.samples_per_line
        signals[1][100 * n - n // 4 : 112 * n - n // 4] = 0.0
        results, _ = received(signals, standard)
        report = results[1][1]
        assert np.count_nonzero(~report.lines.hit) == pytest.approx(12, abs=1)
        shift = report.lines.start - np.round(report.lines.start / n) * n
        assert np.abs(shift).max() < 8  # the tip detector, too, has had nothing to hold on to
        again = report.lines.start > 140 * n
        assert np.abs(shift[again]).max() < 0.5

    def test_no_signal_at_all_is_no_sync(self, standard):
        rng = np.random.default_rng(3)
        noise = [rng.normal(0, 1.0, standard.samples_per_frame).astype(np.float32) for _ in range(6)]
        results, _ = received(noise, standard)
        assert results[-1][1].sync_share < 0.3
        assert not results[-1][1].field_locked

    def test_follows_a_camera_whose_clock_is_off(self, encoder, standard, landscape):
        """0.1 % of line frequency, far more than a crystal's error."""
        picture = landscape(standard.rows)
        stream = np.concatenate([encoder.encode(picture, k) for k in range(8)])
        n = standard.samples_per_frame
        stretched = np.interp(np.arange(7 * n) * 1.001, np.arange(len(stream)), stream).astype(np.float32)
        results, state = received(stretched.reshape(7, n), standard)
        assert results[-1][1].sync_share > 0.99
        assert state.timebase.rate == pytest.approx(-0.001 * standard.samples_per_line, abs=0.05)


class TestLevelsAndColour:
    @pytest.mark.parametrize("factor", [0.7, 1.4])
    def test_gain_control_restores_the_level(self, encoder, standard, bars, factor):
        picture = bars(standard.rows)
        signals = [encoder.encode(picture, k) * np.float32(factor) for k in range(14)]
        results, _ = received(signals, standard)
        white = results[-1][0][40:-40, 30:60].mean()
        assert white == pytest.approx(255, abs=6)
        assert results[-1][0][40:-40, 660:690].mean() == pytest.approx(0, abs=4)

    @pytest.mark.parametrize("offset", [-0.4, 0.3])
    def test_clamp_removes_an_offset(self, encoder, standard, bars, offset):
        signals = [encoder.encode(bars(standard.rows), k) + np.float32(offset) for k in range(10)]
        results, _ = received(signals, standard)
        assert results[-1][0][40:-40, 30:60].mean() == pytest.approx(255, abs=5)
        assert results[-1][0][40:-40, 660:690].mean() == pytest.approx(0, abs=4)

    def test_colour_is_killed_without_burst(self, encoder, standard, bars):
        picture = bars(standard.rows)
        signals = [encoder.encode(picture, k) for k in range(4)]
        first, last = int(5.0 * 13.5), int(8.3 * 13.5)
        for signal in signals:
            signal.reshape(standard.lines, -1)[:, first:last] = 0.0
        results, _ = received(signals, standard)
        last_picture, report = results[-1]
        assert not report.colour
        spread = np.ptp(last_picture[40:-40, 300:330].astype(float), axis=2)
        assert spread.mean() < 12

    def test_wrong_phase_turns_the_hue_of_NTSC_and_pales_PAL(self, encoder, standard):
        """Differential phase: the reason for PAL. The picture's subcarrier is turned by 30° against the burst."""
        picture = np.full((standard.rows, 720, 3), (110, 120, 160), np.uint8)
        n = standard.samples_per_line
        plain, turned = [], []
        for k in range(3):
            signal = encoder.encode(picture, k)
            spectrum = np.fft.rfft(signal.reshape(standard.lines, n)[:, 130:])
            f = np.fft.rfftfreq(n - 130, 1 / 13.5)
            spectrum[:, (f > standard.subcarrier_MHz - 1.5)] *= np.exp(1j * np.deg2rad(30))
            late = signal.copy()
            late.reshape(standard.lines, n)[:, 130:] = np.fft.irfft(spectrum, n - 130)
            plain.append(signal)
            turned.append(late)
        hues, heights = [], []
        for signals in (plain, turned):
            results, _ = received(signals, standard)
            yuv = cv2.cvtColor(results[-1][0], cv2.COLOR_BGR2YUV)[100:-100, 480:510].reshape(-1, 3).mean(axis=0)
            phasor = complex(yuv[1] - 128, yuv[2] - 128)
            hues.append(np.rad2deg(np.angle(phasor)))
            heights.append(abs(phasor))
        turn = (hues[1] - hues[0] + 180) % 360 - 180
        if standard.alternating_V:
            assert abs(turn) < 6
            assert heights[1] / heights[0] == pytest.approx(np.cos(np.deg2rad(30)), abs=0.05)
        else:
            assert abs(turn) == pytest.approx(30, abs=5)
            assert heights[1] / heights[0] == pytest.approx(1.0, abs=0.08)


class TestUnderNoise:
    def test_jitter_grows_as_the_carrier_fades(self):
        jitter = []
        for level in (20, 8, 6, 5):
            reports = [report for _, report in full_link(level, 4)]
            jitter.append(np.std(np.concatenate([row_shift(report) for report in reports])))
        assert jitter[0] < 0.2
        assert np.all(np.diff(jitter) > 0)
        assert 0.5 < jitter[-1] < 15

    def test_neighbouring_rows_are_dragged_together(self):
        """A flywheel's jitter is a wander, not noise from row to row."""
        shifts = row_shift(full_link(5, 3)[-1][1])
        shifts = shifts - shifts.mean()
        assert np.mean(shifts[1:] * shifts[:-1]) / np.mean(shifts**2) > 0.6

    def test_sync_colour_and_picture_are_lost_far_below_threshold(self):
        pictures = full_link(0, 12)
        _, report = pictures[-1]
        assert report.sync_share < 0.3
        assert not report.field_locked

    def test_picture_rolls_when_the_field_count_is_lost(self, landscape):
        """Rows of the scene turn up at other heights from frame to frame."""
        picture = landscape(576)
        results = full_link(3.3, 24, picture=picture, seed=4)
        unlocked = [(p, r) for p, r in results if not r.field_locked]
        assert len(unlocked) > 5
        wanted = inner(picture).mean(axis=(1, 2))
        heights = []
        for found, _ in unlocked:
            rows = inner(found).mean(axis=(1, 2))
            likeness = np.fft.irfft(np.fft.rfft(rows - rows.mean()) * np.conj(np.fft.rfft(wanted - wanted.mean())))
            heights.append(int(np.argmax(likeness)))
        assert len({h // 20 for h in heights}) >= 4

    def test_comes_back_when_the_carrier_does(self, landscape):
        link = Link(PAL_625, seed=2, linear_from_dB=np.inf)
        picture = landscape(576)
        levels = [20.0] * 3 + [-5.0] * 20 + [20.0] * 14
        out = [link(picture, k, np.full(8, level)) for k, level in enumerate(levels)]
        assert out[22][1].sync_share < 0.3
        assert out[-1][1].sync_share == 1.0
        assert np.abs(row_shift(out[-1][1])).max() < 1
        assert np.abs(inner(out[-1][0]) - inner(out[2][0])).mean() < 10

    def test_a_careful_circuit_holds_longer(self):
        cheap = np.mean([r.sync_share for _, r in full_link(3, 8)])
        careful = np.mean([r.sync_share for _, r in full_link(3, 8, circuit=CAREFUL)])
        assert careful > cheap + 0.2

    def test_state_may_be_kept_and_set_again(self, landscape):
        from copy import deepcopy

        link = Link(PAL_625, seed=2, linear_from_dB=np.inf)
        encoder = Encoder(PAL_625)
        receiver = Receiver(PAL_625, SyncCircuit())
        state = link.at_rest(0)
        signal = encoder.encode(landscape(576), 0)
        kept = deepcopy(state)
        first, _ = receiver(signal, 0, state)
        again, _ = receiver(signal, 0, kept)
        assert np.array_equal(first, again)
