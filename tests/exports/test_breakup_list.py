from __future__ import annotations

import csv
import io
from dataclasses import fields
from datetime import datetime
from fractions import Fraction

import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.exports.breakup_list import write_breakups
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.carrier import LinkRatio
from overlay.picture.features import Features


@pytest.fixture
def diagnosis() -> Diagnosis:
    at = {"time_s": 1e9, "range_m": 6612.25, "bank_deg": -23.456, "control_link_pct": 71.0}
    causes = [{"cause": "range", "probability": 0.2}, {"cause": "banking", "probability": 0.7312}]
    events = (
        Breakup(250, 300, 10.0, 12.0, (9.96, 10.04), "sparkle", 2.25, 270, 7.31, at, causes, (6.02, 9.4)),
        Breakup(500, 525, 20.0, 21.0, (19.96, 20.04), "no sync", 1.0, 510),
    )
    features = Features(**{field.name: np.zeros(600) for field in fields(Features)})
    return Diagnosis(
        Fraction(25), features, np.full(600, 5.0), np.zeros(600, int), LinkRatio(*np.full((3, 600), np.nan)), events
    )


def rows_of(diagnosis: Diagnosis, **more) -> list[dict[str, str]]:
    text = io.StringIO()
    write_breakups(diagnosis, text, **more)
    return list(csv.DictReader(io.StringIO(text.getvalue())))


def test_each_row_is_an_event_with_what_is_known(diagnosis: Diagnosis) -> None:
    first, second = rows_of(diagnosis, clock=AffineClock(1_777_803_000.0, 0.001), keeps_utc=True)
    assert float(first["onset_s"]) == 10.0
    assert datetime.fromisoformat(first["utc"]).timestamp() == pytest.approx(1_777_803_010.01, abs=0.0006)
    assert (first["cause"], first["cause_probability"]) == ("banking", "0.731")
    assert (first["range_m"], first["bank_deg"], first["control_link_pct"]) == ("6612.25", "-23.46", "71.0")
    assert (second["cause"], second["range_m"], second["carrier_to_noise_dB"]) == ("", "", "")
    names = [f"carrier_to_noise_{end}" for end in ("dB", "low_dB", "high_dB")]
    assert ([first[name] for name in names], [second[name] for name in names]) == (["7.3", "6.0", "9.4"], [""] * 3)
    assert "time_s" not in first  # the flight clock's second: told as utc


def test_without_a_clock_no_utc_is_told(diagnosis: Diagnosis) -> None:
    assert {row["utc"] for row in rows_of(diagnosis, clock=None, keeps_utc=True)} == {""}
    assert {row["utc"] for row in rows_of(diagnosis, clock=AffineClock(5.0), keeps_utc=False)} == {""}


def test_conditions_beside_a_path_with_a_hole_do_not_lead_home(diagnosis: Diagnosis, flight) -> None:
    from dataclasses import replace

    from overlay.exports.privacy import outside_circle

    start = float(flight.time_s[0])
    inside, outside = ({"time_s": start + t, "range_m": 1.0, "bank_deg": 2.0} for t in (25.0, 120.0))
    first, second = (replace(e, at=at) for e, at in zip(diagnosis.events, (inside, outside), strict=True))
    both = replace(diagnosis, events=(first, second))
    told = rows_of(both, clock=None, keeps_utc=False, told=outside_circle(flight, 500.0))
    assert "range_m" not in told[0]
    assert [row["bank_deg"] for row in told] == ["", "2.00"]
    assert [row["onset_s"] for row in told] == ["10.0000", "20.0000"]
    whole = rows_of(both, clock=None, keeps_utc=False, told=outside_circle(flight, 0.0))
    assert whole[1]["range_m"] == "1.00"
