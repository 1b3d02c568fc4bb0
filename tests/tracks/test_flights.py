"""Where one flight ends and the next begins, seen through whole files."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.tracks import read_log

HEADER = "time (s),lat,lon,alt (m),speed (m/s),used (mAh)\n"
STEP_DEG = 1 / 111_195


class Story:
    """A log told as spells of flying, standing and silence."""

    def __init__(self) -> None:
        self.t, self.north, self.height, self.used = 0.0, 0.0, 30.0, 5.0
        self.lines: list[str] = []

    def row(self, speed: float) -> None:
        self.used += 0.05 + speed * 0.1
        self.lines.append(
            f"{self.t:.1f},{46.5 + self.north * STEP_DEG:.7f},-12.25,{self.height:.1f},{speed:.1f},{self.used:.0f}"
        )

    def stand(self, seconds: float, *, height: float = 30.0) -> Story:
        self.height = height
        for _ in range(int(seconds * 2)):
            self.t += 0.5
            self.row(0.1)
        return self

    def fly(self, seconds: float, *, land: bool = True) -> Story:
        for i in range(int(seconds * 2)):
            self.t += 0.5
            self.height = 120.0
            self.north += 8.5 if i < seconds else -8.5
            self.row(17.0)
        if land:
            self.height = 30.0
        return self

    def silence(self, seconds: float, *, new_pack: bool = False) -> Story:
        self.t += seconds
        self.used = 5.0 if new_pack else self.used
        return self

    def text(self) -> bytes:
        return (HEADER + "\n".join(self.lines) + "\n").encode()


@pytest.fixture
def spans(saved):
    """The durations of the flights that a story is read as."""

    def read(story: Story) -> list[int]:
        return [round(float(flight.time_s[-1] - flight.time_s[0])) for flight in read_log(saved(story.text())).flights]

    return read


def test_link_lost_far_out_for_minutes_is_one_flight(spans):
    assert spans(Story().stand(30).fly(200, land=False).silence(400).fly(100).stand(10)) == [740]


def test_landed_and_switched_on_again_after_half_a_minute(spans):
    assert spans(Story().stand(20).fly(100).stand(5).silence(35).stand(20).fly(150).stand(10)) == [124, 180]


def test_a_silence_of_hours_is_another_flight_even_in_the_air(spans):
    assert spans(Story().fly(100, land=False).silence(5000).fly(100, land=False)) == [100, 100]


def test_a_new_pack_without_a_silence(spans):
    assert spans(Story().stand(20).fly(100).stand(15).silence(0, new_pack=True).stand(15).fly(100)) == [134, 114]


def test_a_long_stand_on_the_ground_between_two_flights(spans):
    first, second = spans(Story().stand(20).fly(100).stand(400).fly(100).stand(10))
    assert first + second == pytest.approx(629, abs=2)
    assert 250 < first < 400


def test_standing_in_the_air_is_no_landing(spans):
    """A multirotor that hovers at 120 m for five minutes has not landed."""
    assert spans(Story().stand(20).fly(100).stand(300, height=120.0).fly(100).stand(10)) == [530]


def test_standing_before_the_flight_belongs_to_it(spans):
    """Logged on the ground, silent while it is carried to the strip, logged again."""
    assert spans(Story().stand(60).silence(40).stand(60).fly(100).stand(10)) == [270]


def test_a_bench_test_far_from_any_flight_is_dropped_and_said(saved):
    story = Story().stand(60).silence(3500).stand(20).fly(100)
    log = read_log(saved(story.text()))
    assert [round(flight.time_s[-1]) for flight in log.flights] == [120]
    assert any("standing apart from any flight" in line.what for line in log.damage)


def test_flights_are_chosen_by_index_and_keep_their_own_zero(saved):
    log = read_log(saved(Story().fly(100).stand(5).silence(300).stand(5).fly(150).stand(5).text()))
    assert len(log.flights) == 2
    assert all(flight.time_s[0] == 0 for flight in log.flights)
    assert log.flights[1].time_s[-1] > log.flights[0].time_s[-1]


def test_a_clock_started_again_cuts(saved):
    one, two = Story().stand(5).fly(100), Story().stand(5).fly(60)
    two.north += 20
    log = read_log(saved(one.text() + "\n".join(two.lines).encode()))
    assert [round(flight.time_s[-1]) for flight in log.flights] == [104, 64]
    assert any("started again" in line.what for line in log.damage)


def test_rows_a_little_out_of_order_are_sorted(saved):
    story = Story().stand(5).fly(100)
    story.lines[50], story.lines[53] = story.lines[53], story.lines[50]
    log = read_log(saved(story.text()))
    (flight,) = log.flights
    assert np.all(np.diff(flight.time_s) > 0)
    assert np.all(np.diff(flight["latitude_deg"])[20:100] > 0)
    assert any("backwards a little" in line.what for line in log.damage)


def test_rows_in_no_order_are_sorted(saved):
    story = Story().stand(5).fly(100)
    np.random.default_rng(0).shuffle(story.lines)
    log = read_log(saved(story.text()))
    assert [len(flight) for flight in log.flights] == [len(story.lines)]
    assert any("no order" in line.what for line in log.damage)


def test_a_clock_coarser_than_the_rate_is_spread(saved):
    """Five rows a second stamped with whole seconds."""
    rows = [f"{i // 5},{46.5 + i * 3.4 * STEP_DEG:.7f},-12.25,50,17,{i}" for i in range(500)]
    log = read_log(saved((HEADER + "\n".join(rows)).encode()))
    (flight,) = log.flights
    assert np.allclose(np.diff(flight.time_s), 0.2)
    assert any("spread" in line.what for line in log.damage)


def test_repeated_rows_are_made_one(saved):
    rows = [f"{i // 4},{46.5 + (i // 4) * 17 * STEP_DEG:.7f},-12.25,50,17,{i // 4}" for i in range(400)]
    log = read_log(saved((HEADER + "\n".join(rows)).encode()))
    (flight,) = log.flights
    assert len(flight) == 100
    assert any(line.what.startswith("300 rows repeat a moment") for line in log.damage)


def test_numbers_that_cannot_be_are_flagged_or_dropped(saved):
    story = Story().stand(5).fly(60)
    cells = [line.split(",") for line in story.lines]
    cells[40][1] = "nan"
    cells[41][1] = "91.5"
    cells[42][2] = "-200"
    cells[43][1:3] = ["0", "0"]
    cells[44][0] = "nan"
    cells[45][3] = "1e999"
    log = read_log(saved((HEADER + "\n".join(map(",".join, cells))).encode()))
    (flight,) = log.flights
    assert len(flight) == len(cells) - 1
    assert np.flatnonzero(flight.fix & 4).tolist() == [40, 41, 42, 43]
    assert np.isnan(flight["height_m"][44])
    said = " ".join(line.what for line in log.damage)
    for word in ("off the globe", "latitude 0", "without a time"):
        assert word in said
