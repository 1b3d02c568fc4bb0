"""Several flights from their files to one comparison: whether the one in question was worse than usual."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from overlay.clock import format_utc
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.flight import Flight, Progress
    from overlay.flight_file import FlightFile, Radio
    from overlay.radio.range_curves import LinkName
    from overlay.radio.several_flights import Compared, LinkCompared, Seen
    from overlay.radio.usual import Figure
    from overlay.readings import Readings

# Where a fixed aerial pointed and what the aircraft does without a link are no matter of equipment.
_NOT_EQUIPMENT = ("ground_aerial_bearing_deg", "ground_aerial_elevation_deg", "failsafe")
_MODELLED_BY: tuple[tuple[LinkName, str], ...] = (("picture", "picture_grade"), ("control", "control_rssi_dBm"))
_ELSEWHERE_M = 500.0
_SAME_SHARE = 0.5  # of the shorter log; one that was left running may reach into the next flight's


@dataclass(frozen=True)
class Told:
    """One flight as far as a comparison goes: what it is called, when it was, with what, and what its links show."""

    name: str
    path: str
    file: FlightFile
    readings_from_s: float
    keeps_utc: bool
    home: tuple[float, float] | None
    seen: Seen


@dataclass(frozen=True)
class Comparison:
    """Flights, the number of the one in question, its links against the others', and what must be said beside."""

    flights: tuple[Told, ...]
    this: int
    singled_out: bool
    links: tuple[LinkCompared, ...]
    remarks: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """The result as published: schema overlay/comparison, version 1."""
        return {
            "schema": "overlay/comparison",
            "version": 1,
            "this": self.flights[self.this].path,
            "singled_out": self.singled_out,
            "flights": [
                {
                    "flight": told.path,
                    "title": told.file.title,
                    "start_utc": format_utc(told.readings_from_s) if told.keeps_utc else None,
                    "equipment_differs": _differences(told.file, self.flights[self.this].file),
                }
                for told in self.flights
            ],
            "links": {link.link: self._link_as_json(link) for link in self.links},
            "remarks": list(self.remarks),
        }

    def _link_as_json(self, link: LinkCompared) -> dict[str, Any]:
        chosen = link.chosen
        return {
            "verdict": link.verdict,
            "measure": chosen.measure.column if chosen is not None else None,
            "why": _why(link),
            "measures": [self._measure_as_json(one) for one in link.measures],
        }

    def _measure_as_json(self, one: Compared) -> dict[str, Any]:
        found = one.judgement
        low, high = found.measured95_dB
        return {
            "measure": one.measure.column,
            "verdict": found.verdict,
            "why": found.why or None,
            "others": found.others,
            "difference_dB": round(found.difference_dB, 2),
            "at_least": found.at_least,
            "measured95_dB": [round(low, 2), round(high, 2)],
            "usual_dB": round(found.usual_dB, 2),
            "chance": round(found.chance, 5),
            "range_factor": round(found.range_factor, 3),
            "flights": [
                {
                    "flight": told.path,
                    "dB": round(figure.dB, 2),
                    "sigma_dB": round(figure.sigma_dB, 2),
                    "at_least": figure.at_least,
                    "left_out": figure.why or None,
                }
                for told, figure in zip(self.flights, one.figures, strict=True)
            ],
        }


def _why(link: LinkCompared) -> str | None:
    if link.contradicted:
        return "one measure says worse, another better"
    found = link.chosen.judgement.why if link.chosen is not None else link.why
    return found or link.dissent or None


def opened(files: Sequence[tuple[str, FlightFile]], progress: Progress) -> list[tuple[str, Flight]]:
    """The flights with their logs read and recordings opened, so that a bad file is told before the long work.

    `files` are (name, flight file); UsageError for two that are one and the same flight.
    """
    from overlay.flight import Flight

    flights: list[tuple[str, Flight]] = []
    for number, (name, file) in enumerate(files):
        stage = f"flight {number + 1} of {len(files)}"
        flight = Flight(file, progress=_under(f"{stage}, {name}: ", progress))
        try:
            flight.track, flight.ground  # noqa: B018  # opened here, worked up later
            if file.ground is not None:
                flight.camera  # noqa: B018
        except UsageError as error:
            raise UsageError(f"{name}: {error}") from error
        flights.append((name, flight))
    _refuse_twins(flights)
    return flights


def _under(prefix: str, progress: Progress) -> Progress:
    return lambda stage, share: progress(prefix + stage, share)


def _refuse_twins(flights: Sequence[tuple[str, Flight]]) -> None:
    """One aircraft does not fly twice at a time: logs that overlap are of one flight, under whatever names."""
    for number, (name, flight) in enumerate(flights):
        for earlier, other in flights[:number]:
            if _same_log(flight, other) or _overlap(flight, other):
                raise UsageError(
                    f"{earlier} and {name} are the same flight: their logs overlap in time; give each flight once"
                )


def _same_log(one: Flight, other: Flight) -> bool:
    first, second = one.file.track, other.file.track
    if first is None or second is None or first.flight != second.flight:
        return False
    return one.file.path(first.file).resolve() == other.file.path(second.file).resolve()


def _overlap(one: Flight, other: Flight) -> bool:
    if not (one.track.keeps_utc and other.track.keeps_utc):
        return False
    (start, end), (begin, stop) = ((f.track.time_s[0], f.track.time_s[-1]) for f in (one, other))
    return bool(min(end, stop) - max(start, begin) > _SAME_SHARE * min(end - start, stop - begin))


def latest(flights: Sequence[tuple[str, Flight]]) -> int:
    """Number of the flight that began last by UTC. UsageError where a log keeps none."""
    for name, flight in flights:
        if not flight.track.keeps_utc:
            raise UsageError(
                f"{name}: its log keeps no UTC, so which flight was the latest is not known; name it with --this"
            )
    return max(range(len(flights)), key=lambda number: float(flights[number][1].track.time_s[0]))


def told_by(name: str, path: str, flight: Flight) -> Told:
    """What one flight shows of its links: the long work."""
    from overlay.radio.range_curves import MEASURES, curve_of
    from overlay.radio.several_flights import Seen

    readings, lacking = _graded(flight)
    curves = {measure.column: curve_of(readings, measure.column) for measure in MEASURES}
    constants = {link: _constant(flight, readings, link) for link, column in _MODELLED_BY if readings.has(column)}
    home = readings.home
    return Told(
        name,
        path,
        flight.file,
        float(flight.track.time_s[0]),
        flight.track.keeps_utc,
        (home.latitude_deg, home.longitude_deg) if home is not None else None,
        Seen({column: curve for column, curve in curves.items() if curve is not None}, constants, lacking),
    )


def _graded(flight: Flight) -> tuple[Readings, dict[LinkName, str]]:
    """The readings, with the picture's grade and carrier-to-noise ratio where they can be had, or why not."""
    if flight.file.ground is None:
        return flight.readings, {"picture": "it has no recording of the live picture"}
    flight.look_through()
    readings = flight.readings
    try:
        flight.clock("ground")
    except NoAnswerError as error:
        return readings, {"picture": f"its live picture cannot be put on its track's clock: {error}"}
    return _with_carrier(flight, readings), {}


def _with_carrier(flight: Flight, readings: Readings) -> Readings:
    """The readings with the picture's carrier-to-noise ratio or its bounds, where it was noise that broke it."""
    from overlay.picture.carrier import bounded_ratio_dB
    from overlay.picture.resampling import worst_around

    graded = flight.graded
    ratio = bounded_ratio_dB(graded.link.ratio_dB, graded.grade)
    if ratio is None:
        return readings
    frames = flight.clock("ground").to_reference(graded.features.time_s)
    columns = {**readings.columns, "carrier_to_noise_dB": worst_around(frames, ratio, readings.time_s)}
    return replace(readings, columns=columns)


def _constant(flight: Flight, readings: Readings, link: LinkName) -> Figure:
    from overlay.equipment import control_of, downlink_of
    from overlay.radio.link_constant import constant_of
    from overlay.radio.usual import Figure

    try:
        radio = downlink_of(flight.file) if link == "picture" else control_of(flight.file)
    except NoAnswerError as error:
        return Figure.none(str(error))
    return constant_of(readings, link, radio, flight.terrain)


def compare(flights: Sequence[Told], this: int, *, singled_out: bool = False, across: bool = False) -> Comparison:
    """Compare flight `this` with the others, with those of other equipment only where `across` asks for it."""
    from overlay.radio.several_flights import LINKS, compared

    seen = [told.seen for told in flights]
    links, remarks = [], list(_places(flights, this))
    for link in LINKS:
        differing = _by_other_equipment(flights, this, link)
        remarks += _on_equipment(flights, differing, link, across)
        left_out = {} if across else {number: f"other equipment: {'; '.join(how)}" for number, how in differing.items()}
        links.append(compared(link, seen, this, left_out=left_out, singled_out=singled_out))
        if links[-1].measures and not any(_section(told.file, link).model_fields_set for told in flights):
            remarks.append(f"no flight file describes the {link} link: that all flew the same equipment is assumed")
    if singled_out:
        remarks.append("chosen by hand and not the latest: chance is judged as for the oddest of all these flights")
    return Comparison(tuple(flights), this, singled_out, tuple(links), tuple(remarks))


def _section(file: FlightFile, link: LinkName) -> Radio:
    from overlay.flight_file import Control, Downlink

    return (file.downlink or Downlink()) if link == "picture" else (file.control or Control())


def _by_other_equipment(flights: Sequence[Told], this: int, link: LinkName) -> dict[int, list[str]]:
    ours = flights[this].file
    found = {number: _differing(told.file, ours, link) for number, told in enumerate(flights)}
    return {number: how for number, how in found.items() if how}


def _differing(file: FlightFile, ours: FlightFile, link: LinkName) -> list[str]:
    """What of a link's equipment differs, in words: the other flight's first."""
    theirs, own = (_described(_section(each, link)) for each in (file, ours))
    section = "downlink" if link == "picture" else "control"
    return [
        f"{section}.{key} is {_shown(theirs.get(key))} there and {_shown(own.get(key))} here"
        for key in sorted({*theirs, *own})
        if theirs.get(key) != own.get(key)
    ]


def _described(radio: Radio) -> dict[str, Any]:
    return {key: value for key, value in radio.model_dump().items() if key not in _NOT_EQUIPMENT and value is not None}


def _shown(value: object) -> str:
    return "not given" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _differences(file: FlightFile, ours: FlightFile) -> list[str]:
    return [*_differing(file, ours, "picture"), *_differing(file, ours, "control")]


def _on_equipment(flights: Sequence[Told], differing: dict[int, list[str]], link: LinkName, across: bool) -> list[str]:
    fate = "compared all the same" if across else "left out; --across-equipment compares it all the same"
    told = [
        f"{flights[number].name} has other equipment, {fate}: {'; '.join(how)}" for number, how in differing.items()
    ]
    if across and told:
        told.append(
            f"the {link} link is compared across differing equipment: what differs is the day's and the equipment's"
        )
    return told


def _places(flights: Sequence[Told], this: int) -> list[str]:
    """Flights from another field: what stands around it differs too."""
    from overlay.mechanics.geodesy import inverse

    ours = flights[this].home
    if ours is None:
        return []
    far = {t.name: float(inverse(*ours, *t.home)[0]) for t in flights if t.home is not None}
    return [
        f"{name} was flown from a place {away / 1000:.1f} km away: the ground and what stands around it differ too"
        for name, away in far.items()
        if away > _ELSEWHERE_M
    ]
