"""The table of break-ups: when, how, where, why, and what it looked like."""

from __future__ import annotations

from base64 import b64encode
from typing import NamedTuple

from overlay.debrief.gravest import gravest, moments
from overlay.debrief.story import Story
from overlay.debrief.verdict import leg_of
from overlay.debrief.wording import clock, lasting, place, quantity
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.states import ANNOYING_GRADE

MOST_WITH_PICTURES = 10
_LIKELY = 0.1


class Thumbnail(NamedTuple):
    """A picture with what it shows in words."""

    uri: str
    caption: str
    alt: str


class BreakupRow(NamedTuple):
    """One break-up as the table shows it; `start` and `end` (s of the page's time) are None where not known."""

    number: int
    when: str
    interval: str
    lasted: str
    how: str
    where: str
    why: str
    pictures: tuple[Thumbnail, ...]
    start: float | None
    end: float | None


def shown_frames(diagnosis: Diagnosis) -> tuple[int, ...]:
    """Frames of the ground recording that the table would like to show: onset, worst and end of the gravest."""
    events = gravest(diagnosis, MOST_WITH_PICTURES)
    wanted = {frame for event in events for _, frame in moments(event, diagnosis)}
    return tuple(sorted(wanted))


def breakup_rows(story: Story) -> tuple[BreakupRow, ...]:
    """Every break-up, in order of time."""
    return tuple(_row(story, number, event) for number, event in enumerate(story.events, 1))


def _row(story: Story, number: int, event: Breakup) -> BreakupRow:
    onset, end = story.onset(event), story.recovery(event)
    low, high = (bound - event.onset_s for bound in event.onset_interval_s)
    how = f"{event.kind}, worst grade {event.worst_grade:.1f}"
    if event.carrier_to_noise_dB is not None:
        how += f", carrier to noise down to {quantity(event.carrier_to_noise_dB, 'dB', 1)}"
        if event.carrier_to_noise_interval_dB is not None:
            how += " ({:.1f} to {:.1f})".format(*event.carrier_to_noise_interval_dB)
    return BreakupRow(
        number,
        clock(onset if onset is not None else event.onset_s),
        f"{low:+.2f} to {high:+.2f}\u00a0s".replace("-", "\u2212"),
        lasting(event.end_s - event.onset_s),
        how,
        _where(story, event),
        _why(event),
        tuple(_pictures(story, event)),
        onset,
        end,
    )


def _where(story: Story, event: Breakup) -> str:
    at = event.at or {}
    told = [place(event.at, leg_of(story, event))]
    if (off := at.get("heading_off_home_deg")) is not None:
        told.append(f"nose {abs(off):.0f}° off the way home")
    if (link := at.get("control_link_pct")) is not None:
        told.append(f"control link {link:.0f}\u00a0%")
    if (seen := at.get("visibility_pct")) is not None:
        told.append(f"ground seen at {seen:.0f}\u00a0% of the clearest")
    if (grade := at.get("other_leg_grade")) is not None:
        clean = "clean" if grade >= ANNOYING_GRADE else "broken"
        told.append(f"this range {clean} on the other leg (grade {grade:.1f})")
    return ", ".join(filter(None, told)) or "no data"


def _why(event: Breakup) -> str:
    causes = sorted(event.causes or (), key=lambda cause: -float(str(cause["probability"])))
    told = [
        f"{c['cause']} {100 * float(str(c['probability'])):.0f}\u00a0%"
        for c in causes
        if float(str(c["probability"])) >= _LIKELY
    ]
    return ", ".join(told) if told else "not known"


def _pictures(story: Story, event: Breakup) -> list[Thumbnail]:
    if story.diagnosis is None:
        return []
    found = []
    for name, frame in moments(event, story.diagnosis):
        data = story.thumbnails.get(frame)
        if data is None:
            continue
        grade = story.diagnosis.grade[frame]
        time = clock(float(story.diagnosis.features.time_s[frame]))
        alt = f"The live picture at {time} of the recording, {name}: grade {grade:.1f}"
        uri = f"data:image/jpeg;base64,{b64encode(data).decode('ascii')}"
        found.append(Thumbnail(uri, f"{name}, grade {grade:.1f}", alt))
    return found
