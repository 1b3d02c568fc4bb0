"""What the commands tell of both links, in JSON and in words: the live picture's and the control link's."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from overlay.clock import format_duration
from overlay.errors import NoAnswerError

if TYPE_CHECKING:
    from overlay.flight import Flight
    from overlay.radio.explain import Explanation

_BANK_WORTH_SAYING_DEG = 5.0


def links_as_json(flight: Flight) -> dict[str, Any]:
    """What is known of both links on the flight clock: events and their causes, margin, what would change the range."""
    picture = explained(flight, "explanation")
    return {
        "picture": {"not_explained": picture} if isinstance(picture, str) else picture.as_json(),
        "control": _control_as_json(flight),
    }


def explained(flight: Flight, name: str) -> Explanation | str:
    """An explanation of the flight, or why there is none."""
    if flight.file.track is None:
        return "there is no track"
    if name == "explanation" and flight.file.ground is None:
        return "there is no recording of the live picture"
    try:
        found: Explanation = getattr(flight, name)
    except NoAnswerError as error:
        return str(error)
    return found


def picture_reasons(flight: Flight) -> list[str]:
    """The sentence on each break-up's cause, empty where it has none."""
    found = explained(flight, "explanation")
    if isinstance(found, str):
        return [""] * len(flight.diagnosis.events)
    clock = flight.clock("ground")
    told = {event.onset_s: event.sentence for event in found.events}
    return [told.get(clock.to_reference(event.onset_s), "") for event in flight.diagnosis.events]


def control_lines(flight: Flight) -> Iterator[str]:
    """The fades of the control link, in time since launch, and what its margin was."""
    if flight.file.track is None:
        return
    found = explained(flight, "control_explanation")
    if flight.readings.has("control_link_pct"):
        yield from _fades(flight, found)
    if not isinstance(found, str):
        yield from (
            f"control link: {line[0].lower()}{line[1:]}" for line in (*found.compared(), str(found.at_farthest()))
        )


def conditions_told(at: Mapping[str, float | None] | None) -> str:
    """Where the aircraft was, how it lay and how strong the control link was, as far as known."""
    return ", ".join(_conditions(at)) if at else ""


def _control_as_json(flight: Flight) -> dict[str, Any]:
    """Every fade, weighed or not; `events` is null where the log holds no quality that could fade."""
    found = explained(flight, "control_explanation")
    told: dict[str, Any] = {"not_explained": found} if isinstance(found, str) else found.as_json()
    weighed = {} if isinstance(found, str) else {event.onset_s: event.as_json() for event in found.events}
    if flight.file.track is None or not flight.readings.has("control_link_pct"):
        return {**told, "events": None}
    return {**told, "events": [_fade_as_json(flight, *span, weighed.get(span[0])) for span in _spans(flight)]}


def _fade_as_json(flight: Flight, start: float, end: float, weighed: Mapping[str, object] | None) -> dict[str, Any]:
    import numpy as np

    from overlay.readings import conditions

    least = float(np.nanmin(flight.readings.between(start, end)["control_link_pct"]))
    bare = {"onset_s": round(start, 3), "end_s": round(end, 3), "causes": None}
    at = conditions(flight.readings, start)
    return {**(weighed or bare), "least_pct": round(least, 1), "at": at}


def _spans(flight: Flight) -> list[tuple[float, float]]:
    from overlay.radio.explain import control_fades

    return control_fades(flight.readings)


def _fades(flight: Flight, found: Explanation | str) -> Iterator[str]:
    from overlay.readings import conditions

    told = {} if isinstance(found, str) else {event.onset_s: event.sentence for event in found.events}
    launched = [event.time_s for event in flight.readings.events if event.kind == "launch"]
    zero = launched[0] if launched else float(flight.readings.time_s[0])
    since = "after launch" if launched else "into the log"
    fades = _spans(flight)
    if not fades:
        yield "the control link never faded"
    for start, end in fades:
        where = conditions_told(conditions(flight.readings, start))
        span = f"{format_duration(start - zero)} … {format_duration(end - zero)} {since}"
        yield f"{span}  control link faded{f'  ({where})' if where else ''}"
        if start in told:
            yield f"    {told[start]}"
    if fades and isinstance(found, str):
        yield f"    the causes of the control link's fades are not weighed: {found}"


def _conditions(at: Mapping[str, float | None]) -> Iterator[str]:
    if (far := at.get("range_m")) is not None:
        yield f"{far / 1000:.2f} km out"
    if (height := at.get("height_m")) is not None:
        yield f"{height:.0f} m high"
    if (bank := at.get("bank_deg")) is not None and abs(bank) >= _BANK_WORTH_SAYING_DEG:
        yield f"banked {abs(bank):.0f}° {'right' if bank > 0 else 'left'}"
    if (link := at.get("control_link_pct")) is not None:
        yield f"control link {link:.0f} %"
    if (seen := at.get("visibility_pct")) is not None:
        yield f"ground seen at {seen:.0f} % of the clearest"
