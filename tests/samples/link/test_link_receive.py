"""The link as a whole: both computations agree, segments equal the whole, bad input is refused, recorders differ."""

from itertools import pairwise

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from overlay_samples.link import Echo, Link, Modulation, receive, segments, within_frames
from overlay_samples.link.receiver import Reception
from overlay_samples.link.recorder import Recorder, RecorderState
from overlay_samples.link.standards import PAL_625


def inner(picture):
    return picture[6:-6, 16:-16].astype(float)


def grey(rows=576):
    return np.full((rows, 720, 3), 120, np.uint8)


def is_blue(frame):
    return bool(np.all(frame == (191, 0, 0)))


class TestBothComputationsAgree:
    """Far above threshold the one-step link must be the full computation: same picture, same noise."""

    def test_same_picture_without_noise(self, standard, landscape):
        short, full = Link(standard, seed=1), Link(standard, seed=1, linear_from_dB=np.inf)
        for number in range(3):
            picture = landscape(standard.rows, number)
            a, b = (link(picture, number, np.full(1, 150.0))[0] for link in (short, full))
        difference = np.abs(inner(a) - inner(b))
        assert difference.mean() < 0.2
        assert difference.max() <= 6

    @pytest.mark.parametrize(("level_dB", "emphasis"), [(14.0, False), (22.0, True)])
    def test_same_noise(self, standard, landscape, level_dB, emphasis):
        modulation = Modulation(emphasis=emphasis)
        short = Link(standard, seed=1, modulation=modulation)
        full = Link(standard, seed=1, modulation=modulation, linear_from_dB=np.inf)
        picture = landscape(standard.rows)
        noise = {}
        for name, link in (("short", short), ("full", full)):
            cycle = standard.colour_sequence  # the crawl of colour repeats with it: its difference is noise alone
            yuv = [
                cv2.cvtColor(link(picture, number, np.full(8, level_dB))[0], cv2.COLOR_BGR2YUV)
                for number in range(cycle + 1)
            ]
            noise[name] = (inner(yuv[cycle]) - inner(yuv[0])) / np.sqrt(2)
        for channel in range(3):
            a, b = (np.std(noise[name][..., channel]) for name in ("short", "full"))
            assert 20 * np.log10(b / a) == pytest.approx(
                0.1, abs=0.25
            )  # the full one has a little more, see LINEAR_FROM_dB
        to_3_MHz = slice(5, 150)
        spectra = [np.abs(np.fft.rfft(noise[name][..., 0], axis=1)).mean(axis=0) for name in ("short", "full")]
        smooth = [np.convolve(s[to_3_MHz], np.ones(25) / 25, "valid") for s in spectra]
        assert np.abs(20 * np.log10(smooth[1] / smooth[0])).max() < 0.5
        streaks = [noise[name][..., 0].mean(axis=1).std() for name in ("short", "full")]  # the clamp's noise
        assert streaks[1] / streaks[0] == pytest.approx(1.0, abs=0.35)

    def test_the_full_one_takes_over_below(self):
        link = Link(PAL_625, seed=1)
        assert link(grey(), 0, np.full(8, 13.5))[1].lines is None
        assert link(grey(), 1, np.array([20.0, 12.0]))[1].lines is not None
        assert link(grey(), 2, np.full(8, 13.5))[1].lines is None  # it had come to no harm

    def test_no_jump_at_the_hand_over(self, landscape):
        picture = landscape(576)
        levels = [13.1] * 6 + [12.9] * 6 + [13.1] * 6
        link = Link(PAL_625, seed=1)
        frames = [inner(link(picture, k, np.full(1, level))[0]) for k, level in enumerate(levels)]
        step = [np.abs(cv2.GaussianBlur(b - a, (0, 0), 4)).mean() for a, b in zip(frames[2:], frames[4:], strict=False)]
        usual = np.median(step)
        assert max(step) < 1.5 * usual


class TestSegments:
    LEVELS = np.concatenate(
        [np.full(16, 30.0), np.linspace(30, 2, 5), np.full(3, 2.0), np.linspace(2, 30, 4), np.linspace(29, 33, 22)]
    )

    @staticmethod
    def frames(landscape):
        return [np.roll(landscape(576), 3 * k, axis=1) for k in range(len(TestSegments.LEVELS))]

    def test_parts_equal_the_whole(self, landscape):
        frames = self.frames(landscape)
        whole = list(receive(frames, self.LEVELS, seed=7, repeat_share=0.1))
        levels = within_frames(self.LEVELS)
        parts = segments(levels, 2)
        assert len(parts) == 2
        joined = []
        for part in parts:
            cut = slice(part.start, part.stop)
            joined += receive(frames[cut], levels[cut], seed=7, first_frame=part.start, repeat_share=0.1)
        same = [np.array_equal(a, b) for a, b in zip(whole, joined, strict=True)]
        assert all(same)

    def test_a_flight_without_clean_stretch_is_not_cut(self):
        assert segments(np.full(200, 8.0), 2) == [range(200)]

    @given(
        st.lists(st.floats(-5, 40), min_size=1, max_size=300).map(lambda v: np.repeat(v, 5)),
        st.integers(1, 5),
    )
    @settings(max_examples=50)
    def test_ranges_cover_the_flight_and_begin_after_clean_frames(self, levels, parts):
        ranges = segments(levels, parts)
        assert [k for part in ranges for k in part] == list(range(len(levels)))
        assert 1 <= len(ranges) <= parts
        for part in ranges[1:]:
            assert levels[part.start - 12 : part.start].min() >= 13


class TestDeterminism:
    def test_same_seed_same_frames(self):
        a, b = (list(receive([grey()] * 3, [25.0, 8.0, 8.0], seed=3)) for _ in range(2))
        assert all(np.array_equal(x, y) for x, y in zip(a, b, strict=True))

    def test_another_seed_another_noise(self):
        a, b = (next(receive([grey()], [20.0], seed=seed)) for seed in (3, 4))
        assert np.mean(a != b) > 0.5

    def test_noise_is_never_the_same_twice(self):
        a, b = list(receive([grey()] * 2, [20.0] * 2, seed=3))
        a, b = (inner(x)[..., 0] - inner(x)[..., 0].mean() for x in (a, b))
        assert abs(np.mean(a * b) / (a.std() * b.std())) < 0.02

    def test_streams(self):
        """Frames are taken one at a time."""
        taken = []

        def frames():
            for k in range(4):
                taken.append(k)
                yield grey()

        stream = receive(frames(), [30.0] * 4, seed=1)
        next(stream)
        next(stream)
        assert taken == [0, 1]
        stream.close()


class TestRecorder:
    @staticmethod
    def fade(lost, frames=30):
        levels = np.concatenate([np.full(6, 30.0), np.full(14, -6.0), np.full(frames - 20, 30.0)])
        return list(receive([grey()] * frames, levels, seed=1, lost=lost))

    def test_blue_while_there_is_no_sync(self):
        blue = [is_blue(frame) for frame in self.fade("blue")]
        assert not any(blue[:6])
        assert all(blue[12:20])
        assert not blue[-1]
        assert np.count_nonzero(np.diff(blue)) == 2  # once in, once out

    def test_frozen_keeps_the_last_picture(self):
        frames = self.fade("frozen")
        assert np.array_equal(frames[13], frames[19])
        assert not np.array_equal(frames[0], frames[1])

    def test_noise_shows_what_comes(self):
        frames = self.fade("noise")
        assert not any(is_blue(frame) for frame in frames)
        assert not np.array_equal(frames[15], frames[16])

    def test_another_way_of_losing_is_refused(self):
        with pytest.raises(ValueError, match=r"'green'.*blue.*frozen.*noise"):
            next(receive([grey()], [30.0], seed=1, lost="green"))

    def test_repeats_the_stated_share(self):
        recorder, state = Recorder("noise", repeat_share=0.25), RecorderState(seed=5)
        out = [recorder(np.full((2, 2, 3), k, np.uint8), Reception(1.0, True, True), state, k) for k in range(240)]
        repeated = sum(np.array_equal(a, b) for a, b in pairwise(out))
        assert repeated / 239 == pytest.approx(0.25, abs=0.09)

    def test_blending_removes_combing(self):
        picture = np.zeros((576, 720, 3), np.uint8)
        picture[::2] = 200
        recorder = Recorder("noise", deinterlace=True)
        out = recorder(picture, Reception(1.0, True, True), RecorderState(), 0)
        assert np.ptp(out[2:-2].astype(float)) <= 1


class TestBadInput:
    def test_frames_and_levels_must_be_as_many(self):
        with pytest.raises(ValueError, match="more frames than the 1"):
            list(receive([grey()] * 2, [30.0], seed=1))
        with pytest.raises(ValueError, match="1 frames for 2"):
            list(receive([grey()], [30.0, 30.0], seed=1))

    def test_levels_must_be_numbers(self):
        with pytest.raises(ValueError, match="not a number"):
            next(receive([grey()], [float("nan")], seed=1))

    def test_no_carrier_at_all_is_noise(self):
        levels = [-np.inf] * 8
        frames = list(receive([grey()] * 8, levels, seed=1, lost="noise"))
        assert inner(frames[-1]).std() > 30

    def test_wrong_size_is_refused(self):
        with pytest.raises(ValueError, match="525-line"):
            next(receive([grey(576)], [30.0], seed=1, standard="525"))


class TestFadesWithinAFrame:
    def test_a_fade_of_a_few_lines_spoils_those_lines(self):
        steps = np.full((2, 25), 30.0)
        steps[1, 10:13] = 4.0  # two fifths down the frame in time: the lower part of the first field
        out = list(receive([grey()] * 2, steps, seed=1, lost="noise"))
        noise = np.abs(inner(out[1]) - 120).mean(axis=(1, 2))
        first_field = noise[::2]
        assert first_field[230:].max() > 5 * np.median(first_field[:150])
        assert np.median(noise[1:400:2]) < 3 * np.median(first_field[:150])

    def test_an_echo_ghosts_the_picture(self, landscape):
        picture = landscape(576)
        plain = list(receive([picture] * 4, [40.0] * 4, seed=1))[-1]
        ghost = list(receive([picture] * 4, [40.0] * 4, seed=1, echo=Echo(0.3, 0.6, 1.0)))[-1]
        assert 1 < np.abs(inner(plain) - inner(ghost)).mean() < 40
