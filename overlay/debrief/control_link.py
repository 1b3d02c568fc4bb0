"""What became of the control link: its fades, why, and the margin that it kept, in plain words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from overlay.debrief.story import WORTH_SAYING_S, Story
from overlay.debrief.wording import clock, lasting, place, quantity, sentence, times
from overlay.radio.explain import FADED_PCT, control_fades
from overlay.readings import conditions

_MOST_TOLD = 3


def is_logged(story: Story) -> bool:
    """Whether the log says anything of the control link."""
    return story.readings.has("control_link_pct") or story.readings.has("control_rssi_dBm")


def answer(story: Story) -> str:
    """In one sentence whether it held."""
    readings = story.readings
    if not readings.has("control_link_pct"):
        return "Not known: the log holds its strength, but no quality."
    fades = control_fades(readings)
    if not fades:
        _, quality = readings.series("control_link_pct")
        held = "As far as it is logged, it held" if story.silent_s("control_link_pct") >= WORTH_SAYING_S else "It held"
        return f"{held}: its quality was never below {quantity(float(quality.min()), '%')}."
    lost = sum(end - start for start, end in fades)
    return (
        f"{sentence(times(len(fades)))[:-1]} its quality fell below {FADED_PCT:.0f}\u00a0%, for {lasting(lost)} in all."
    )


def details(story: Story) -> Iterator[str]:
    """The longest fades with their causes, the weather, the two legs compared, and the margin."""
    yield from _fades(story)
    if (silent := story.silent_s("control_link_pct")) >= WORTH_SAYING_S:
        yield f"For {lasting(silent)} of the flight the log holds no quality: whether it held then is not known."
    found = story.control
    if found is None:
        if story.control_not_explained:
            yield sentence(f"Its causes and margin are not modelled: {story.control_not_explained}")
        return
    yield from found.compared()
    yield str(found.at_farthest())


def _fades(story: Story) -> Iterator[str]:
    told = {event.onset_s: event.sentence for event in story.control.events} if story.control is not None else {}
    fades = sorted(control_fades(story.readings), key=lambda span: span[0] - span[1])[:_MOST_TOLD]
    for start, end in sorted(fades):
        when = f"{clock(story.since_start(start))} {story.counts_from}, for {lasting(end - start)}"
        where = place(conditions(story.readings, start), story.readings.leg_at(start))
        least = float(np.nanmin(story.readings.between(start, end)["control_link_pct"]))
        text = f"{when}{', ' + where if where else ''}: down to {quantity(least, '%')}."
        yield f"{text} {told[start]}" if start in told else text
