"""A flight's moments worth teaching: what its clips are made of, and which are proposed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.clips.clip_list import Clip
    from overlay.clips.moments import Moment
    from overlay.clips.scene import Material
    from overlay.flight import Flight


def material_of(flight: Flight, layout: str, units: Any, *, map_hdr: bool = False) -> Material:
    """What the clips of a flight are made of; a recording whose clock is not known stands for itself."""
    from overlay.clips.propose import Take
    from overlay.clips.scene import Material
    from overlay.layouts import load

    found = load(layout)
    footage: dict[Any, Take] = {}
    for name, there in (("camera", flight.file.camera), ("ground", flight.file.ground)):
        if there is not None:
            footage[name] = Take(flight.recording(name), _clock(flight, name))
    if not footage:
        raise UsageError("clips need a recording: give one with --camera or --ground")
    aligned = any(one.clock is not None for one in footage.values())
    readings = flight.readings if flight.file.track is not None and aligned else None
    return Material(footage, readings, found, units, map_hdr)


def _clock(flight: Flight, name: str) -> Any:
    if flight.file.track is None and name == "ground" and flight.file.camera is None:
        return None
    try:
        return flight.clock(name)
    except NoAnswerError as error:
        flight.notes.append(f"no instruments on the {name} recording: {error}")
        return None


def proposed_of(
    flight: Flight, material: Material, *, only: list[str] | None = None, most: int | None = None
) -> tuple[Clip, ...]:
    """Clips of the moments found, of the kinds `only` and the `most` telling; the flight notes what there is no clip of."""
    from overlay.clips.moments import moments, most_telling
    from overlay.clips.propose import Take, proposed
    from overlay.clock import AffineClock
    from overlay.instruments.quantities import UNITS

    lacking: tuple[str, ...] = ()
    footage = material.footage
    if material.readings is None:
        ground = footage.get("ground")
        if ground is not None and ground.clock is None:  # then its own clock is all there is, and the other's another
            footage = {"ground": Take(ground.recording, AffineClock(0.0))}
        found = _seen_alone(flight, material)
    else:
        units = UNITS[material.units or material.layout.units]
        found, lacking = moments(material.readings, units, _causes(flight))
    if only:
        found = tuple(moment for moment in found if moment.kind in only)
        lacking = tuple(line for line in lacking if any(f"no clip of {kind}:" in line for kind in only))
    clips, left_out = proposed(most_telling(found, most) if most is not None else found, footage)
    flight.notes += [*lacking, *left_out]
    return clips


def _seen_alone(flight: Flight, material: Material) -> tuple[Moment, ...]:
    """Without a log: the break-ups, on the clock of the recording that shows them."""
    from overlay.clips.moments import Moment, title_of, together

    if "ground" not in material.footage:
        return ()
    clock = material.footage["ground"].clock
    at = (lambda t: t) if clock is None else clock.to_reference
    return together(
        Moment(
            "break-up",
            at(event.onset_s),
            title_of("break-up"),
            f"Picture breaks up: {event.kind}",
            5 - event.worst_grade,
        )
        for event in flight.graded.events
    )


def _causes(flight: Flight) -> Mapping[float, str]:
    """A few words on the likeliest cause of a break-up by its onset, where one is likelier than not."""
    if flight.file.ground is None or flight.file.track is None:
        return {}
    try:
        clock = flight.clock("ground")
    except NoAnswerError:
        return {}
    words = {}
    for event in flight.diagnosis.events:
        if event.causes:
            top = max(event.causes, key=lambda cause: float(str(cause["probability"])))
            likely = float(str(top["probability"]))
            if likely > 0.5 and top["cause"] != "unexplained":
                words[clock.to_reference(event.onset_s)] = f"most likely cause: {top['cause']} ({100 * likely:.0f} %)"
    return words
