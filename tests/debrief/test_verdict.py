from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.debrief.numbers import rows
from overlay.debrief.story import Story
from overlay.debrief.verdict import how_far, verdict, what_margin, what_to_change, when_it_broke_up, why_it_broke_up
from overlay.debrief.wording import NO_DATA, distance
from overlay.equipment import downlink_of
from overlay.errors import NoAnswerError
from overlay.flight_file import FlightFile
from overlay.mechanics.findings import Findings, findings_of
from overlay.mechanics.reach import TurnBack
from overlay.readings import Event, Pack, Readings

NOTHING = Story("", Readings(np.zeros(0), keeps_utc=False), Findings())


def test_how_far_and_when_and_how_long(story: Story) -> None:
    far = how_far(story)
    assert far.answer.startswith("10.")
    assert "km from home" in far.answer
    broken = when_it_broke_up(story)
    # 7 + 4 + 9.5 + 31 + 22 + 12 = 85.5 s, as the flight was made
    assert broken.answer.startswith("6 times, for 1\u00a0min 26\u00a0s of 29\u00a0min")
    assert "sparkle, worst grade 2.2" in broken.details[0]
    assert "no sync, worst grade 1.0" in broken.details[1]
    assert "outbound" in broken.details[0]
    assert "banked 36° right" in broken.details[1]


def test_causes_are_counted_and_advised(story: Story) -> None:
    why = why_it_broke_up(story)
    assert why.answer == "Banking (6 of 6, 1\u00a0min 26\u00a0s)."
    assert why.known
    change = what_to_change(story)
    assert "Bank less" in change.answer


def test_what_cost_most_picture_is_named_first(story: Story) -> None:
    short, long = ([{"cause": cause, "probability": 0.9}] for cause in ("overhead", "range"))
    events = tuple(replace(event, causes=long if event.kind == "no sync" else short) for event in story.events[:4])
    told = replace(story, diagnosis=replace(story.diagnosis, events=events))
    assert why_it_broke_up(told).answer == "Range (1 of 4, 31.0\u00a0s), overhead (3 of 4, 20.5\u00a0s)."
    assert what_to_change(told).answer.startswith("The link was at the end of its range.")


def test_an_open_cause_is_said_to_be_open(story: Story) -> None:
    causes = [{"cause": "banking", "probability": 0.4}, {"cause": "range", "probability": 0.35}]
    events = tuple(replace(event, causes=causes) for event in story.events)
    open_story = replace(story, diagnosis=replace(story.diagnosis, events=events))
    assert why_it_broke_up(open_story).answer == "Not settled (6 of 6, 1\u00a0min 26\u00a0s)."
    assert what_to_change(open_story).answer == "Nothing that these data show."


def test_without_a_model_of_the_link_nothing_is_guessed(story: Story) -> None:
    events = tuple(replace(event, causes=None) for event in story.events)
    why = why_it_broke_up(replace(story, diagnosis=replace(story.diagnosis, events=events)))
    assert not why.known
    assert why.answer == "Not known."
    assert "flight.toml" in why.details[0]
    assert "4 of 6 break-ups began banked 15° or more" in why.details[1]


def test_without_the_clock_there_is_no_place(unplaced_story: Story) -> None:
    broken = when_it_broke_up(unplaced_story)
    assert "into the recording" in broken.details[0]
    assert "from home" not in broken.details[0]
    assert not why_it_broke_up(unplaced_story).known


def test_nothing_at_all_is_said_to_be_no_data() -> None:
    answers = verdict(NOTHING)
    assert [answer.known for answer in answers[:3]] == [False, False, False]
    assert "No data" in answers[0].answer
    assert "No data" in answers[1].answer
    assert answers[2].answer == "Not known: the pack's capacity is not given."


def test_positions_alone(positions_story: Story) -> None:
    answers = {answer.question: answer for answer in verdict(positions_story)}
    assert "km from home" in answers["How far?"].answer
    assert not answers["What margin was left?"].known
    assert "Why, most likely?" not in answers


def test_a_turn_beyond_the_last_safe_one_is_told(story: Story) -> None:
    late = TurnBack(story.zero_s + 800, 9000.0, 7600.0, (7000.0, 8200.0), -120.0)
    told = replace(story, findings=replace(story.findings, turn_back=late))
    assert str(late) in what_margin(told).details
    assert any("1.40\u00a0km earlier" in line for line in what_to_change(told).details)
    near = replace(late, range_m=7400.0)
    told = replace(story, findings=replace(story.findings, turn_back=near))
    assert any("leave open" in line for line in what_to_change(told).details)


def test_flying_into_the_reserve_is_told(story: Story) -> None:
    used = replace(story, findings=replace(story.findings, charge_used_mAh=4500.0))
    assert "below the reserve" in what_margin(used).answer
    assert any("340\u00a0mAh of it were flown" in line for line in what_to_change(used).details)


def test_grades_are_laid_on_the_readings(story: Story) -> None:
    graded = story.graded_at
    onset = story.events[3].onset_s
    row = int(np.searchsorted(story.readings.time_s, story.ground_clock.to_reference(onset + 10)))
    assert graded[row] == 1.0
    shifted = replace(story, ground_clock=AffineClock(story.ground_clock.offset_s + 100.0))
    assert shifted.graded_at[row] != 1.0


def test_a_pack_cannot_give_more_than_it_holds(story: Story) -> None:
    used = story.findings.charge_used_mAh
    readings = replace(story.readings, pack=Pack(used - 300.0, cells=4))
    overdrawn = replace(story, readings=readings, findings=findings_of(readings))
    margin = what_margin(overdrawn)
    assert not margin.known
    assert "mend the pack's capacity" in margin.answer
    assert "reserve" not in what_to_change(overdrawn).answer
    assert not any("safe" in detail or "least to spare" in detail for detail in margin.details)
    told = {row.name: row for row in rows(overdrawn)}
    for name in ("Last safe turn", "Out and back, still air", "Out and back, this wind"):
        assert told[name].value == NO_DATA


def test_what_was_drawn_before_the_log_is_not_guessed(story: Story) -> None:
    readings = replace(story.readings, charge_from_start=False)
    begun_late = replace(story, readings=readings, findings=findings_of(readings))
    margin = what_margin(begun_late)
    assert not margin.known
    assert "drawn before is not known" in margin.answer
    assert any("begin before the launch" in line for line in what_to_change(begun_late).details)


def test_a_pack_that_was_not_full_is_doubted(story: Story) -> None:
    # 4.2 V is a full lithium-polymer cell, and none shows less than 3.9 V on the bench: common practice, no source.
    assert any("was full when" in line for line in what_margin(story).details)
    columns = {**story.readings.columns, "voltage_V": story.readings["voltage_V"] - 1.6}
    begun = replace(story, readings=replace(story.readings, columns=columns))
    assert any("begins at 3.75\u00a0V a cell" in line for line in what_margin(begun).details)


def test_a_hole_in_the_positions_is_told(story: Story) -> None:
    away = story.readings["range_m"].copy()
    since = story.readings.time_s - story.zero_s
    away[(since >= 400.0) & (since < 490.0)] = np.nan
    holed = replace(story, readings=replace(story.readings, columns={**story.readings.columns, "range_m": away}))
    silent = holed.silent_s("range_m") - story.silent_s("range_m")
    assert abs(silent - 90.0) < 0.5
    assert any("holds no place" in line and "may have been farther" in line for line in how_far(holed).details)


def test_a_log_that_ends_in_flight_says_so(story: Story) -> None:
    legs = tuple(leg for leg in story.readings.legs if leg.end_s <= story.zero_s + 1000.0)
    assert legs[-1].name in ("out", "loiter", "home")
    row = int(np.searchsorted(story.readings.time_s, legs[-1].end_s))
    columns = {name: values[:row] for name, values in story.readings.columns.items()}
    readings = replace(story.readings, time_s=story.readings.time_s[:row], columns=columns, legs=legs)
    told = how_far(replace(story, readings=readings))
    away = distance(float(readings["range_m"][-1]))
    assert any(f"ends in flight, {away} from home" in line for line in told.details)
    assert "in flight" in what_margin(replace(story, readings=readings)).answer
    assert not any("ends in flight" in line for line in how_far(story).details)


def test_what_the_flight_file_lacks_to_weigh_the_causes_is_asked_for(story: Story) -> None:
    with pytest.raises(NoAnswerError) as lacking:
        downlink_of(FlightFile())
    unexplained = replace(story, explanation=None, not_explained=str(lacking.value))
    asked = "To know why the picture broke up: give the live picture's downlink.frequency_MHz in flight.toml."
    assert asked in what_to_change(unexplained).details
    for known in (story, replace(unexplained, diagnosis=None), replace(unexplained, not_explained="too few moments")):
        assert not any("To know why" in line for line in what_to_change(known).details)


def test_automatic_return_is_told_where_the_log_names_it(story: Story) -> None:
    start = story.zero_s + 500.0
    events = (*story.readings.events, Event("automatic return", start), Event("automatic return ends", start + 60.0))
    told = how_far(replace(story, readings=replace(story.readings, events=events)))
    (line,) = (detail for detail in told.details if detail.startswith("Automatic return"))
    assert "from 0:08:20.0 to 0:09:20.0 after launch" in line
    assert "from home when it began" in line
    assert not any(detail.startswith("Automatic return") for detail in how_far(story).details)


def test_the_least_to_spare_is_one_of_the_flight(story: Story) -> None:
    # A receiver left on after landing draws on; what was spare in the air is what counts.
    after = story.readings.time_s > story.zero_s + story.span_s[1] + 1.0
    assert after.any()
    spare = np.where(after, -500.0, 800.0)
    columns = {**story.readings.columns, "charge_spare_mAh": spare}
    told = what_margin(replace(story, readings=replace(story.readings, columns=columns)))
    (line,) = (detail for detail in told.details if detail.startswith("The least to spare"))
    assert "800" in line
