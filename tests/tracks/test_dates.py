from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import UsageError
from overlay.tracks.dates import (
    DAY_S,
    ROLLOVER_S,
    day_reader,
    posix_of_iso,
    seconds_of_day,
    trust,
    unwrap_midnight,
    zone_of,
)  # fmt: skip


def posix(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-05-03T10:15:44.2Z", posix(2026, 5, 3, 10, 15, 44) + 0.2),
        ("2026-05-03T12:15:44+02:00", posix(2026, 5, 3, 10, 15, 44)),
        ("2026-05-03T10:15:44", posix(2026, 5, 3, 10, 15, 44)),
        (" 2026-05-03 10:15:44Z ", posix(2026, 5, 3, 10, 15, 44)),
        ("2026-05-03", posix(2026, 5, 3)),
        ("2016-12-31T23:59:60.5Z", posix(2017, 1, 1) + 0.5),  # the leap second of IERS Bulletin C 52
    ],
)
def test_iso_times(text, expected):
    assert posix_of_iso(text) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2026-13-01", "10:15", "2026-05-03T25:00:00Z", "0001-01-01T00:00:00+23:59"]
)
def test_no_times(text):
    assert math.isnan(posix_of_iso(text)) or posix_of_iso(text) < -1e10


def test_clock_of_twelve_and_twenty_four_hours():
    assert seconds_of_day("15:42:59.200") == 56579.2
    assert seconds_of_day("12:00 AM") == 0
    assert seconds_of_day("12:00:01 pm") == 43201
    assert math.isnan(seconds_of_day("15:61:00"))


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        (["2024-02-03"], posix(2024, 2, 3)),
        (["2024/02/03"], posix(2024, 2, 3)),
        (["20240203"], posix(2024, 2, 3)),
        (["03.02.2024"], posix(2024, 2, 3)),
        (["03.02.24"], posix(2024, 2, 3)),
        (["02/13/2024"], posix(2024, 2, 13)),
        (["13/02/24"], None),  # 2013 or 2024
        (["13/02/24", "31/02/24"], posix(2013, 2, 24)),  # there is no 31 February
        (["03/03/2024"], posix(2024, 3, 3)),  # both orders agree
        (["31/02/2024"], None),  # no such day in any order
        (["03/02/2024"], None),  # 3 February or 2 March
        (["01/02/03"], None),
        ([""], None),
    ],
)
def test_order_of_day_and_month_is_found_or_not_guessed(texts, expected):
    reader = day_reader(texts)
    if expected is None:
        assert reader is None
    else:
        assert reader is not None
        assert reader(texts[0]) == expected


def test_zones():
    assert zone_of("+05:30").utcoffset(None).total_seconds() == 19800
    assert zone_of("UTC") is UTC
    assert zone_of("Europe/Oslo").utcoffset(datetime(2026, 7, 1)).total_seconds() == 7200
    for name in ("Atlantis/Capital", "", "+99:99", "../../etc/passwd", "/etc/passwd", "\0"):
        with pytest.raises(UsageError):
            zone_of(name)


@given(st.lists(st.floats(0.0, 3600.0), min_size=1, max_size=50), st.floats(0.0, DAY_S - 1))
def test_midnight_only_ever_adds_days(steps, start):
    true = start + np.cumsum(steps)
    assert np.allclose(unwrap_midnight(true % DAY_S) - true, unwrap_midnight(true % DAY_S)[0] - true[0], atol=1e-6)


class TestWeekRollover:
    """The week counter of the navigation message has ten bits (IS-GPS-200): it began again on 1999-08-22 and 2019-04-07."""

    NOW = posix(2026, 6, 1)

    def test_published_dates(self):
        assert posix(1980, 1, 6) + ROLLOVER_S == posix(1999, 8, 22)
        assert posix(1999, 8, 22) + ROLLOVER_S == posix(2019, 4, 7)
        assert posix(2019, 4, 7) + ROLLOVER_S == posix(2038, 11, 21)

    def test_a_date_before_the_format_is_put_right(self):
        """2003-10-05 in a format born in 2009 can only be 2023-05-21."""
        shift, why = trust(posix(2003, 10, 5), born=posix(2009, 1, 1), written_s=self.NOW, now_s=self.NOW)
        assert posix(2003, 10, 5) + shift == posix(2023, 5, 21)
        assert "1024 weeks early" in why

    def test_a_date_that_may_be_true_is_not_touched_and_not_believed(self):
        shift, why = trust(posix(2005, 5, 5), born=posix(1992, 1, 1), written_s=self.NOW, now_s=self.NOW)
        assert math.isnan(shift)
        assert "2024-12-19" in why

    def test_the_age_of_the_file_proves_an_old_date(self):
        """A file last written in 2006 cannot hold a log of 2024."""
        assert trust(posix(2005, 5, 5), born=posix(1992, 1, 1), written_s=posix(2006, 1, 1), now_s=self.NOW) == (
            0.0,
            "",
        )

    def test_recent_dates_stand(self):
        assert trust(posix(2025, 5, 5), born=posix(1992, 1, 1), written_s=self.NOW, now_s=self.NOW) == (0.0, "")

    def test_dates_to_come_are_not_believed(self):
        assert math.isnan(trust(posix(2044, 1, 1), born=0.0, written_s=self.NOW, now_s=self.NOW)[0])

    def test_the_epoch_itself_is_no_date(self):
        """1980-01-06 plus 1024 weeks is 1999, older than a format of 2009: nothing can be said."""
        assert math.isnan(trust(posix(1980, 1, 6), born=posix(2009, 1, 1), written_s=self.NOW, now_s=self.NOW)[0])
