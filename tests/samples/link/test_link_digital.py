"""The digital link: a real stream, really damaged."""

from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.metrics import peak_signal_noise_ratio

from overlay_samples.link.digital import DigitalLink, conceal, encode, lose, receive_digital, units

ROWS, COLUMNS = 240, 320
LINK = DigitalLink(bit_rate=1_500_000, key_interval=20, packet_bytes=400)
START = b"\x00\x00\x01"


@pytest.fixture(scope="module")
def frames(landscape):
    """A camera panning over a landscape, 60 frames."""
    wide = landscape(480)
    return [np.ascontiguousarray(wide[100 + k : 100 + k + ROWS, 2 * k : 2 * k + COLUMNS]) for k in range(60)]


@pytest.fixture(scope="module")
def stream(frames):
    return list(encode(frames, LINK))


def likeness(received, frames):
    return np.array([min(peak_signal_noise_ratio(a, b), 60.0) for a, b in zip(frames, received, strict=True)])


class TestStream:
    def test_an_access_unit_for_each_frame(self, stream, frames):
        assert len(stream) == len(frames)
        assert all(unit.startswith(b"\x00\x00") for unit in stream)

    def test_slices_and_parameter_sets(self, stream):
        """ITU-T H.264 table 7-1: 1 and 5 are slices of pictures, 7 and 8 the parameter sets before a key picture."""
        kinds = [[unit[0] & 0x1F for unit in units(access_unit)] for access_unit in stream]
        for number, kind in enumerate(kinds):
            assert kind.count(5 if number % 20 == 0 else 1) == LINK.slices
            assert (7 in kind and 8 in kind) == (number % 20 == 0)

    def test_bit_rate(self, stream):
        rate = 8 * sum(map(len, stream)) / len(stream) * LINK.frame_rate
        assert rate < 1.2 * LINK.bit_rate

    def test_units_put_together_are_the_stream(self, stream):
        """A reference decoder makes the same pictures of the stream put together again."""
        for access_unit in stream[:3]:
            again = b"".join(START + unit for unit in units(access_unit))
            assert units(again) == units(access_unit)

    def test_plays_in_a_common_decoder(self, stream):
        decoder = av.CodecContext.create("h264", "r")
        pictures = [p for packet in stream for p in decoder.decode(av.Packet(packet))] + list(decoder.decode(None))
        assert len(pictures) == len(stream)
        assert (pictures[0].height, pictures[0].width) == (ROWS, COLUMNS)


class TestLoss:
    def test_half_the_packets_are_lost_at_the_stated_SNR(self):
        assert LINK.packet_loss(LINK.half_loss_dB) == pytest.approx(0.5)

    def test_the_edge_is_steep(self):
        """From 10 % to 90 % within 1.6 dB (common practice for strong codes, no source)."""
        snr = np.linspace(0, 10, 1001)
        loss = np.array([LINK.packet_loss(x) for x in snr])
        width = snr[np.argmax(loss < 0.1)] - snr[np.argmax(loss < 0.9)]
        assert 1.0 < width < 1.6
        assert LINK.packet_loss(12) < 1e-9
        assert LINK.packet_loss(-5) == pytest.approx(1.0)

    def test_share_of_bytes_that_arrive(self, stream):
        small = DigitalLink(bit_rate=LINK.bit_rate, packet_bytes=10**6)  # a packet to a slice
        arrived = list(lose(stream, [LINK.half_loss_dB] * len(stream), small, seed=1))
        slices = sum(len(units(a)) for a in arrived) / sum(len(units(a)) for a in stream)
        assert slices == pytest.approx(0.5, abs=0.06)

    def test_nothing_is_lost_far_above(self, stream):
        arrived = lose(stream, [30.0] * len(stream), LINK, seed=1)
        assert [units(a) for a in arrived] == [units(a) for a in stream]

    def test_seed_decides(self, stream):
        snr = [5.5] * len(stream)
        assert list(lose(stream, snr, LINK, seed=3)) == list(lose(stream, snr, LINK, seed=3))
        assert list(lose(stream, snr, LINK, seed=3)) != list(lose(stream, snr, LINK, seed=4))


class TestPictures:
    def test_clean_reception_is_the_encoded_picture(self, frames):
        received = list(receive_digital(frames, [20.0] * 60, shape=(ROWS, COLUMNS), seed=1, link=LINK))
        assert likeness(received, frames).min() > 28

    @pytest.mark.parametrize("failure", ["erased", "corrupted"])
    def test_breaks_up_and_heals_with_the_next_key_picture(self, frames, failure):
        link = DigitalLink(bit_rate=LINK.bit_rate, key_interval=20, packet_bytes=400, failure=failure)
        snr = np.full(60, 20.0)
        snr[24:30] = 5.6
        clean = likeness(list(receive_digital(frames, [20.0] * 60, shape=(ROWS, COLUMNS), seed=1, link=link)), frames)
        broken = likeness(list(receive_digital(frames, snr, shape=(ROWS, COLUMNS), seed=1, link=link)), frames)
        assert broken[:24] == pytest.approx(clean[:24])
        assert np.all(broken[27:38] < clean[27:38] - 1.0)  # damage stays behind after the fade has ended
        assert broken[41:] == pytest.approx(clean[41:], abs=0.1)

    def test_freezes_when_nothing_arrives(self, frames):
        snr = np.full(60, 20.0)
        snr[30:38] = -10
        received = list(receive_digital(frames, snr, shape=(ROWS, COLUMNS), seed=1, link=LINK))
        assert all(np.array_equal(received[29], frame) for frame in received[30:38])
        assert not np.array_equal(received[28], received[29])

    def test_black_before_anything_arrives(self, frames):
        received = list(receive_digital(frames[:5], [-10.0] * 5, shape=(ROWS, COLUMNS), seed=1, link=LINK))
        assert all(not frame.any() for frame in received)

    @given(st.lists(st.binary(max_size=300), min_size=1, max_size=8))
    @settings(max_examples=40, deadline=None)
    def test_decoder_survives_any_bytes(self, garbage):
        received = list(conceal([START + g for g in garbage], (32, 32)))
        assert len(received) == len(garbage)
        assert all(frame.shape == (32, 32, 3) for frame in received)

    def test_decoder_survives_flipped_bits(self, stream):
        rng = np.random.default_rng(1)
        damaged = []
        for access_unit in stream:
            data = np.frombuffer(access_unit, np.uint8).copy()
            data[rng.integers(40, len(data), 6)] ^= 0x55
            damaged.append(data.tobytes())
        assert len(list(conceal(damaged, (ROWS, COLUMNS)))) == len(stream)

    def test_frame_rate_is_kept(self, frames):
        link = DigitalLink(frame_rate=Fraction(50), bit_rate=LINK.bit_rate)
        assert len(list(receive_digital(frames[:10], [20.0] * 10, shape=(ROWS, COLUMNS), seed=1, link=link))) == 10
