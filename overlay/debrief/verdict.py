"""The verdict in plain words: how far, when the picture broke up and why, what margin was left, what to change.

Only what the data say is said. What they do not carry is named as not known, with the reason.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from overlay.debrief import control_link
from overlay.debrief.story import WORTH_SAYING_S, Story
from overlay.debrief.wording import between, clock, distance, lasting, place, quantity, sentence, times
from overlay.errors import NOT_GIVEN
from overlay.picture.breakups import Breakup
from overlay.readings import Pack

if TYPE_CHECKING:
    from overlay.radio.next_flight import Expectation

_SETTLED, _OPEN = 0.5, "not settled"
_STEEP_DEG = 15.0
_LEAST_TO_COMPARE = 3
_FULL_CELL_V, _NOT_FULL_V = 4.2, 3.9
"""A charged lithium-polymer cell; what none that is charged falls below on the bench: common practice, no source."""

_ADVICE = {
    "range": "The link was at the end of its range. Go less far with it, or give it more: a higher ground aerial, more "
    "gain, a lower band.",
    "banking": "Bank less where the link is weak, and turn early, while there is margin for it; or mount the aerial "
    "where it stays in view in a turn.",
    "overhead": "Do not fly steeply above the ground station: its aerial looks up into the null of the aircraft's.",
    "ground aerial off axis": "Keep the ground aerial on the aircraft, or use one with a wider beam.",
    "ground reflection": "Change the height of the ground aerial or of the flight: the wave reflected by the ground "
    "cancelled the direct one there.",
    "horizon or hill": "Fly higher at that distance, or set the ground aerial up where it sees over what was in the "
    "way.",
    "airframe in the way": "Move the aerial to where the airframe does not hide it at that angle, or do not point the "
    "aircraft so there.",
    "weather": "Leave more margin in rain or cloud on this band.",
    "unexplained": "Nothing in the flight explains some of it: look for interference on the band, a loose plug, a sagging "
    "supply or a hot transmitter.",
}


@dataclass(frozen=True)
class Answer:
    """One question that a pilot comes home with, its short answer, and what stands behind it."""

    question: str
    answer: str
    details: tuple[str, ...] = ()
    known: bool = True


def verdict(story: Story) -> tuple[Answer, ...]:
    """Every question, in the order in which they are asked."""
    asked = [how_far(story), when_it_broke_up(story)]
    if story.events:
        asked.append(why_it_broke_up(story))
    if len(story.readings):
        asked.append(did_control_hold(story))
    return (*asked, what_margin(story), what_to_change(story))


def how_far(story: Story) -> Answer:
    """Farthest from home, and the path flown."""
    question, found = "How far?", story.findings
    if found.farthest_m is None:
        return Answer(question, "No data: nothing here tells where the aircraft was.", known=False)
    ranges, rows = story.readings["range_m"], story.readings.time_s
    farthest = float(rows[int(np.nanargmax(ranges))])
    told = [f"Farthest {clock(story.since_start(farthest))} {story.counts_from}{_height_at(story, farthest)}."]
    if found.distance_m is not None:
        told.append(f"{distance(found.distance_m)} flown over the ground{_airborne(story)}.")
    if (silent := story.silent_s("range_m")) >= WORTH_SAYING_S:
        told.append(f"For {lasting(silent)} of the flight the log holds no place: it may have been farther then.")
    told += _automatic_returns(story)
    if story.readings.ends_in_flight:
        told.append(_where_the_log_ends(story))
    home = story.readings.home
    if home is not None and not home.sure:
        told.append(sentence(f"Home is not sure: {home.found}"))
    return Answer(question, f"{distance(found.farthest_m)} from home.", tuple(told))


def _where_the_log_ends(story: Story) -> str:
    """Where the aircraft was last seen, of a log that does not hold the landing."""
    times, ranges = story.readings.series("range_m")
    height = _height_at(story, float(times[-1])) if len(times) else ""
    where = f", {distance(float(ranges[-1]))} from home{height}" if len(times) else ""
    return f"The log ends in flight{where}: how it came down is not known."


def _automatic_returns(story: Story) -> Iterator[str]:
    """When the log's modes say that the aircraft flew home by itself."""
    begins = [event.time_s for event in story.readings.events if event.kind == "automatic return"]
    ends = [event.time_s for event in story.readings.events if event.kind == "automatic return ends"]
    for start in begins:
        until = next((f" to {clock(story.since_start(end))}" for end in ends if end > start), " to the end of the log")
        away = float(story.readings.at("range_m", start)[0])
        where = f", {distance(away)} from home when it began" if np.isfinite(away) else ""
        yield f"Automatic return, by the log's modes, from {clock(story.since_start(start))}{until} {story.counts_from}{where}."


def when_it_broke_up(story: Story) -> Answer:
    """How often the live picture broke up, for how long, and where."""
    question = "When did the live picture break up?"
    if story.diagnosis is None:
        return Answer(question, "No data: there is no recording of the live picture.", known=False)
    watched = len(story.diagnosis.grade) / float(story.diagnosis.frame_rate)
    if not story.events:
        return Answer(question, f"Never, in {lasting(watched)} watched.")
    lost = sum(event.end_s - event.onset_s for event in story.events)
    answer = f"{sentence(times(len(story.events)))[:-1]}, for {lasting(lost)} of {lasting(watched)} watched."
    gravest = min(story.events, key=lambda event: (event.worst_grade, event.onset_s - event.end_s))
    named = [("First", story.events[0])] + ([("Gravest", gravest)] if gravest is not story.events[0] else [])
    told = [_told(story, name, event) for name, event in named]
    if story.ground_clock is None and len(story.readings):
        told.append(
            "Where the aircraft was then is not known: the recording could not be put on the flight's clock safely, so "
            "these are times on the recording."
        )
    return Answer(question, answer, tuple(told))


def why_it_broke_up(story: Story) -> Answer:
    """The most likely causes where the link could be modelled; else why it could not, and what was seen."""
    question = "Why, most likely?"
    judged = [event for event in story.events if event.causes]
    if not judged:
        return Answer(question, "Not known.", (_why_no_cause(story), *_seen_at_onset(story)), known=False)
    parts = [
        f"{cause} ({len(events)} of {len(judged)}, {lasting(sum(map(_length_s, events)))})"
        for cause, events in _by_cause(story)
    ]
    return Answer(question, sentence(", ".join(parts)), (*_explained(story), *_seen_at_onset(story)))


def did_control_hold(story: Story) -> Answer:
    """Whether the control link faded, why, and what it had to spare."""
    question = "Did the control link hold?"
    if not control_link.is_logged(story):
        return Answer(question, "No data: the log holds nothing of the control link.", known=False)
    known = story.readings.has("control_link_pct")
    return Answer(question, control_link.answer(story), tuple(control_link.details(story)), known)


def what_margin(story: Story) -> Answer:
    """What was left in the pack, and how much farther the last safe turn lay."""
    question, found, readings = "What margin was left?", story.findings, story.readings
    told = [str(found.turn_back)] if found.turn_back is not None else []
    told += _link_margin(story)
    pack = readings.pack
    if "charge left" in found.refusals or pack is None or found.charge_used_mAh is None:
        lacking = found.refusals.get("charge left", "the pack's capacity is not given")
        return Answer(question, f"Not known: {lacking}.", (*told, *_refused(story)), known=False)
    left = pack.capacity_mAh - found.charge_used_mAh
    share = 100.0 * left / pack.capacity_mAh
    reserve = pack.capacity_mAh * (1.0 - pack.usable_fraction)
    rest = "above" if left >= reserve else "below"
    end = "end of the log, in flight" if readings.ends_in_flight else "end"
    answer = f"{quantity(left, 'mAh')} left at the {end}, {quantity(share, '%')} of the pack: "
    answer += f"{rest} the reserve of {quantity(reserve, 'mAh')}."
    since = readings.time_s - story.zero_s
    in_flight = (since >= story.span_s[0]) & (since <= story.span_s[1])
    spare = np.where(in_flight, readings["charge_spare_mAh"], np.nan)
    if np.isfinite(spare).any():
        row = int(np.nanargmin(spare))
        least = float(spare[row])
        when = clock(story.since_start(float(readings.time_s[row])))
        beyond = "beyond the way home and the reserve" if least >= 0 else "short of the way home and the reserve"
        told.append(
            f"The least to spare in flight was {quantity(abs(least), 'mAh')} {beyond}, {when} {story.counts_from}."
        )
    return Answer(question, answer, (*told, *_taken_as_full(story, pack), *_refused(story)))


def _taken_as_full(story: Story, pack: Pack) -> Iterator[str]:
    """The assumption that what was left rests on, and whether the volts bear it out."""
    _, volts = story.readings.series("voltage_V")
    if pack.cells and len(volts) and volts[0] / pack.cells < _NOT_FULL_V:
        yield (
            f"Counted from a full pack, but the log begins at {quantity(float(volts[0]) / pack.cells, 'V', 2)} a cell, and "
            f"a full lithium-polymer cell has {quantity(_FULL_CELL_V, 'V', 1)}: less may have been left."
        )
    else:
        yield "Counted from a pack that was full when the charge began to be counted."


def _link_margin(story: Story) -> list[str]:
    """What the live picture's link had to spare where the aircraft was farthest."""
    if story.explanation is None:
        return []
    found = story.explanation.at_farthest()
    margin = _margin(found.mean_dB, *found.interval95_dB)
    told = [f"The live picture's link, as modelled, had a margin of {margin} over grade 3 at its farthest."]
    return told + [_reach(each) for each in story.explanation.next_flight[:1]]


def _reach(expected: Expectation) -> str:
    """How far the equipment reaches as it was; with what, and on what course, stands in the numbers."""
    low, high = (bound / 1000.0 for bound in expected.interval95_m)
    interval = between(low, high, "km", 1) + ("" if expected.bounded else " or more")
    return (
        f"As it was, flown straight out and level, it would hold grade 3 to {distance(expected.range_m)} ({interval}), "
        "half of the time."
    )


def what_to_change(story: Story) -> Answer:
    """What follows from the findings; nothing where nothing does."""
    question = "What to change?"
    advice = tuple(dict.fromkeys([*_after_breakups(story), *_after_fades(story), *_after_the_margin(story)]))
    wanted = tuple(_to_know_more(story))
    if advice:
        return Answer(question, sentence(advice[0]), (*advice[1:], *wanted))
    return Answer(question, "Nothing that these data show.", wanted, known=not wanted)


def _told(story: Story, name: str, event: Breakup) -> str:
    onset = story.onset(event)
    when = f"{clock(onset)} {story.counts_from}" if onset is not None else f"{clock(event.onset_s)} into the recording"
    where = place(event.at, leg_of(story, event))
    kind = f"{event.kind}, worst grade {event.worst_grade:.1f}, {lasting(event.end_s - event.onset_s)}"
    return f"{name}: {when}{', ' + where if where else ''}: {kind}."


def leg_of(story: Story, event: Breakup) -> str | None:
    """The leg on which a break-up began."""
    if story.ground_clock is None:
        return None
    return story.readings.leg_at(story.ground_clock.to_reference(event.onset_s))


def _height_at(story: Story, time_s: float) -> str:
    height = float(story.readings.at("height_m", time_s)[0])
    return f", {quantity(height, 'm')} high" if np.isfinite(height) else ""


def _airborne(story: Story) -> str:
    flown = [leg for leg in story.readings.legs if leg.name != "on the ground"]
    return f" in {lasting(sum(leg.end_s - leg.start_s for leg in flown))} in the air" if flown else ""


def _length_s(event: Breakup) -> float:
    return event.end_s - event.onset_s


def _by_cause(story: Story) -> list[tuple[str, list[Breakup]]]:
    """The break-ups by their most probable cause, those without a settled one as "not settled"; most time lost first."""
    found: dict[str, list[Breakup]] = {}
    for event in story.events:
        if event.causes:
            cause, sure = _top(event)
            found.setdefault(cause if sure else _OPEN, []).append(event)
    return sorted(found.items(), key=lambda item: (item[0] == _OPEN, -sum(map(_length_s, item[1]))))


def _top(event: Breakup) -> tuple[str, bool]:
    cause = max(event.causes or (), key=lambda found: float(str(found["probability"])))
    return str(cause["cause"]), float(str(cause["probability"])) >= _SETTLED


def _explained(story: Story) -> Iterator[str]:
    """The longest break-up in the model's words, what acquits or convicts the weather, and the two legs compared."""
    found = story.explanation
    if found is None or not found.events:
        return
    gravest = max(found.events, key=lambda event: event.end_s - event.onset_s)
    low, high = gravest.margin_interval95_dB
    when = clock(story.since_start(gravest.onset_s))
    yield f"{gravest.sentence} That was {when} {story.counts_from}, with a margin of {_margin(gravest.margin_dB, low, high)}."
    yield from found.compared()


def _margin(mean_dB: float, low_dB: float, high_dB: float) -> str:
    return f"{quantity(mean_dB, 'dB', 1)} ({between(low_dB, high_dB, 'dB', 1)})"


def _why_no_cause(story: Story) -> str:
    if story.ground_clock is None:
        return "The causes cannot be weighed without knowing where the aircraft was when the picture broke up."
    reason = story.not_explained or "that needs the live picture's frequency and its aerials in flight.toml"
    return sentence(f"The causes are not weighed: {reason}")


def _seen_at_onset(story: Story) -> Iterator[str]:
    """How often the aircraft was steeply banked at onset, against how often it was at such ranges: seen, not proven."""
    at = [event.at for event in story.events if event.at and event.at.get("bank_deg") is not None]
    readings = story.readings
    if len(at) < _LEAST_TO_COMPARE or not readings.has("bank_deg") or not readings.has("range_m"):
        return
    steep = sum(abs(seen["bank_deg"] or 0.0) >= _STEEP_DEG for seen in at)
    nearest = min(seen.get("range_m") or 0.0 for seen in at)
    there = (readings["range_m"] >= nearest) & np.isfinite(readings["bank_deg"])
    if there.any():
        usual = 100.0 * float(np.mean(np.abs(readings["bank_deg"][there]) >= _STEEP_DEG))
        yield (
            f"Seen, not proven: {steep} of {len(at)} break-ups began banked {_STEEP_DEG:.0f}° or more; beyond "
            f"{distance(nearest)} the aircraft was so banked {usual:.0f}\u00a0% of the time."
        )


def _refused(story: Story) -> Iterator[str]:
    refusals = story.findings.refusals
    told = {refusals.get("charge left")}
    for what, why in refusals.items():
        if why not in told:
            told.add(why)
            yield sentence(f"{what}: {why}" if not why.startswith("no ") else why)


def _after_breakups(story: Story) -> Iterator[str]:
    for cause, _ in _by_cause(story):
        if cause != _OPEN:
            yield _ADVICE[cause]


def _after_fades(story: Story) -> Iterator[str]:
    """What follows from the control link's fades: of their settled causes the one that most time was lost to."""
    lost_s: defaultdict[str, float] = defaultdict(float)
    for event in story.control.events if story.control is not None else ():
        if event.top.probability >= _SETTLED:
            lost_s[event.top.cause] += event.end_s - event.onset_s
    if lost_s:
        advice = _ADVICE[max(lost_s, key=lost_s.__getitem__)]
        yield f"For the control link: {advice[0].lower()}{advice[1:]}"


def _after_the_margin(story: Story) -> Iterator[str]:
    turn, pack, used = story.findings.turn_back, story.readings.pack, story.findings.charge_used_mAh
    if "charge left" in story.findings.refusals:
        return
    if turn is not None and turn.early_m < 0:
        yield f"Turn for home {distance(-turn.early_m)} earlier: the turn lay beyond the last safe one."
    elif turn is not None and turn.range_m > turn.interval95_m[0]:
        low, high = (bound / 1000.0 for bound in turn.interval95_m)
        yield (
            "Turn for home earlier: the turn lay inside what the data leave open about the last safe one "
            f"({between(low, high, 'km', 1)})."
        )
    if pack is not None and used is not None and used > pack.capacity_mAh * pack.usable_fraction:
        over = used - pack.capacity_mAh * pack.usable_fraction
        yield f"Land with the reserve untouched: {quantity(over, 'mAh')} of it were flown."


def _wanted_of_the_pack(story: Story) -> list[str]:
    readings = story.readings
    if not len(readings):
        return []
    wanted = ["give the pack's capacity in flight.toml"] if readings.pack is None else []
    if not readings.has("charge_used_mAh"):
        wanted.append("log volts and amperes")
    if not readings.charge_from_start:
        wanted.append("let the log begin before the launch")
    return wanted


def _to_know_more(story: Story) -> Iterator[str]:
    if any(found.verdict != "sure" and found.pin is None for found in story.alignments):
        yield (
            "To know more: let every recording and the log run from before the launch until after the landing, and fly "
            "some decided turns; or set one known moment by hand with --pin."
        )
    if wanted := _wanted_of_the_pack(story):
        yield f"To know the margin: {' and '.join(wanted)}."
    lacking = story.not_explained.removeprefix(NOT_GIVEN)
    if story.events and lacking != story.not_explained:
        yield f"To know why the picture broke up: give {lacking} in flight.toml."
    if story.diagnosis is None:
        yield "To know of break-ups: record the live picture at the ground station."
