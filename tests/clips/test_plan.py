from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.clips.plan import Plan, centred, nearest


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    gaps = draw(st.lists(st.integers(1, 9), min_size=2, max_size=40))
    times = np.concatenate([[0.0], np.cumsum(gaps)]) / 100.0
    frames = len(gaps)
    first = draw(st.integers(0, frames - 1))
    stop = draw(st.integers(first + 1, frames))
    moment = draw(st.integers(first, stop - 1))
    low = draw(st.integers(0, frames))
    return Plan(
        times, 25.0, first, stop, moment,
        card=draw(st.integers(0, 5)), hold=draw(st.integers(0, 5)), slow=draw(st.integers(1, 4)),
        slow_first=low, slow_stop=draw(st.integers(low, frames)),
    )  # fmt: skip


@given(plans())
def test_every_picture_is_shown_in_order_as_often_as_asked(plan: Plan) -> None:
    shots = list(plan.shots())
    assert len(shots) == plan.frames
    assert all(b.time_s > a.time_s for a, b in itertools.pairwise(shots))
    numbers = [shot.number for shot in shots]
    assert numbers[: plan.card] == [None] * plan.card
    assert sorted(set(numbers[plan.card :])) == list(range(plan.first, plan.stop))  # type: ignore[type-var]
    assert numbers[plan.card :] == sorted(numbers[plan.card :])  # type: ignore[type-var]
    for number in range(plan.first, plan.stop):
        slowed = plan.slow if plan.slow_first <= number < plan.slow_stop else 1
        assert numbers.count(number) == slowed + (plan.hold if number == plan.moment else 0)


@given(plans())
def test_the_closed_forms_agree_with_the_shots(plan: Plan) -> None:
    shown = {}
    for shot in plan.shots():
        shown.setdefault(shot.number, shot.time_s)
    for number in range(plan.first, plan.stop):
        assert plan.time_of(number) == pytest.approx(shown[number], abs=1e-9)
    parts = plan.parts()
    assert parts[0].start_s == 0.0
    assert parts[-1].end_s == pytest.approx(plan.duration_s)
    assert all(abs(a.end_s - b.start_s) < 1e-9 for a, b in itertools.pairwise(parts))
    source = plan.times_s[plan.stop] - plan.times_s[plan.first]
    low, high = max(plan.first, plan.slow_first), min(plan.stop, plan.slow_stop)
    slowed = plan.times_s[high] - plan.times_s[low] if high > low else 0.0
    assert plan.duration_s == pytest.approx((plan.card + plan.hold) / 25.0 + source + (plan.slow - 1) * slowed)


@given(plans())
def test_sound_is_heard_in_step_where_the_picture_runs_as_recorded(plan: Plan) -> None:
    spans = plan.heard()
    for span in spans:
        number = nearest(plan.times_s, span.source_s)
        held = plan.hold / plan.rate if number == plan.moment else 0.0
        assert span.time_s == pytest.approx(plan.time_of(number) + held)
        assert not (plan.slow > 1 and plan.slow_first <= number < plan.slow_stop)
    ends = [(span.time_s, span.time_s + span.source_end_s - span.source_s) for span in spans]
    assert all(a[1] <= b[0] + 1e-9 for a, b in itertools.pairwise(ends))
    assert all(a >= 0 and b <= plan.duration_s + 1e-9 for a, b in ends)


@given(st.lists(st.integers(5, 500), min_size=2, max_size=200), st.data())
def test_a_time_written_to_the_millisecond_names_its_picture(gaps: list[int], data: st.DataObject) -> None:
    """Up to 200 frames a second."""
    times = np.cumsum(gaps) / 1000.0 + data.draw(st.floats(0, 0.999)) / 1000.0
    number = data.draw(st.integers(0, len(times) - 1))
    assert nearest(times, round(float(times[number]), 3)) == number


@given(st.integers(0, 500), st.integers(0, 100), st.integers(1, 500), st.integers(0, 50))
def test_centred_is_centred_or_at_an_end(moment: int, reach: int, frames: int, least: int) -> None:
    moment = min(moment, frames - 1)
    first, stop = centred(moment, reach, frames, least)
    assert 0 <= first <= moment < stop <= frames
    if min(reach, moment, frames - 1 - moment) >= least:
        assert moment - first == stop - 1 - moment


def test_a_plan_outside_the_recording_is_refused() -> None:
    with pytest.raises(ValueError, match="do not lie in the recording"):
        Plan(np.arange(5.0), 25.0, 2, 6, 3)
