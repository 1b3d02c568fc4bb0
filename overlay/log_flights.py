"""Which flight of a log with several is meant: the one stated or pinned, else the one that the recordings fit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from overlay.alignment import Alignment
from overlay.alignment.sampling import rates
from overlay.alignment.several import Choice, choose
from overlay.alignment.solve import LEAST_OVERLAP_S
from overlay.clock import format_duration, format_utc, parse_pin
from overlay.errors import FlightFileError, TrackError, UsageError
from overlay.flight_clocks import Watched
from overlay.flight_file import FlightFile
from overlay.motion import MotionSeries
from overlay.motion.from_track import motion_from_track
from overlay.tracks import Log, Track, read_log

STATE_IT = "state it with --track-flight N, or track.flight in flight.toml"


@dataclass(frozen=True)
class Taken:
    """The flight of the log that is used, counted from 1, and what to say of that.

    `among`: how many flights it was taken of by the pictures. `against`: why the clock that fits it is not to be trusted.
    `evidence` goes with every pair that is aligned with the track.
    """

    number: int
    remark: str = ""
    among: int = 1
    against: str = ""
    evidence: Mapping[str, Any] = field(default_factory=dict)

    def told_in(self, pairs: Iterable[Alignment]) -> tuple[Alignment, ...]:
        """The pairs with this among their evidence, and none sure of the track where another flight fits as well."""
        return tuple(self._told_in(pair) if pair.reference == "track" else pair for pair in pairs)

    def _told_in(self, pair: Alignment) -> Alignment:
        pair = replace(pair, evidence={**pair.evidence, **self.evidence})
        if not self.against or pair.verdict == "none":
            return pair
        return replace(pair, verdict="ambiguous", reasons=(*pair.reasons, self.against))


@dataclass(frozen=True)
class LoggedFlights:
    """A log with its flights, and the `numbers` (from 1) of those that may be meant; `remark`: why that is only one."""

    log: Log
    numbers: tuple[int, ...]
    remark: str = ""

    @cached_property
    def motions(self) -> dict[int, MotionSeries]:
        """What each flight that may be meant tells of its turning, by number; of several only those long enough to be found."""
        if len(self.numbers) == 1:
            return {self.numbers[0]: self._told(self.numbers[0])}
        told = {}
        for number in self.numbers:
            with suppress(TrackError):  # too few rows to tell any motion
                told[number] = self._told(number)
        return {number: motion for number, motion in told.items() if rates(motion).known_s >= LEAST_OVERLAP_S}

    def tells(self, column: str) -> bool:
        """Whether every flight that may be meant tells a column."""
        return all(self.log.flights[number - 1].has(column) for number in self.numbers)

    def motion(self, number: int) -> MotionSeries:
        """Rotation told by one flight. TrackError where it holds too little."""
        return self.motions[number] if number in self.motions else self._told(number)

    def _told(self, number: int) -> MotionSeries:
        try:
            return motion_from_track(self.log.flights[number - 1])
        except ValueError as error:
            raise TrackError(self.log.path, str(error), "give the log of a flight") from error

    def taken(self, recordings: Iterable[tuple[str, Watched]], progress: Callable[[str, float], None]) -> Taken:
        """The flight that is meant: the only one, the one that the recordings are of, else the longest."""
        if len(self.numbers) == 1:
            return Taken(self.numbers[0], self.remark)
        best: tuple[str, Choice] | None = None
        for name, watched in recordings if self.motions else ():
            choice = self._choice(name, watched, progress)
            if best is None or (choice.sure and (not best[1].fitting or choice.taken in best[1].fitting)):
                best = (name, choice)
            if choice.sure:
                break
        return longest(self.log) if best is None else _told(*best, self.log, list(self.motions))

    def _choice(self, name: str, watched: Watched, progress: Callable[[str, float], None]) -> Choice:
        stage = f"finding the {name} recording's flight in the log"
        choice = choose(
            watched.motion,
            list(self.motions.values()),
            one_clock=all(self.log.flights[number - 1].keeps_utc for number in self.motions),
            chapters=watched.chapters,
            progress=lambda share: progress(stage, share),
        )
        progress(stage, 1.0)
        return choice


def read_flights(file: FlightFile, pinned: str | None) -> LoggedFlights:
    """The log that a flight names, and which of its flights may be meant: the one stated or pinned, else all."""
    source = file.track
    if source is None:
        raise UsageError("this flight has no track: give one with --track or [track] in flight.toml")
    path = file.path(source.file)
    log = read_log(path, columns=source.columns or None, time_zone=source.time_zone, interval_s=source.interval_s)
    count, number = len(log.flights), source.flight
    if number is not None and number > count:
        found = f"flight {number} asked for, the log holds {count}"
        raise FlightFileError(path, found, "choose 1" if count == 1 else f"choose 1 to {count}")
    if number is None and count > 1 and pinned:
        held = _pinned(log, pinned)
        if held is not None:
            return LoggedFlights(log, (held,), f"{_holds(log)}; the pin lies in or next to {_named(log, held)}")
    return LoggedFlights(log, tuple(range(1, count + 1)) if number is None else (number,))


def _pinned(log: Log, text: str) -> int | None:
    """The flight nearest to the moment pinned; None where the log keeps no UTC that would tell."""
    try:
        _, moment = parse_pin(text)
    except ValueError:
        return None  # told where the pin is used
    if not all(track.keeps_utc for track in log.flights):
        return None
    away = [max(float(track.time_s[0]) - moment, moment - float(track.time_s[-1]), 0.0) for track in log.flights]
    return min(range(len(away)), key=away.__getitem__) + 1


def longest(log: Log) -> Taken:
    """The flight with the most fixes, where nothing says which is meant."""
    number = max(range(len(log.flights)), key=lambda k: len(log.flights[k].position()[0])) + 1
    return Taken(number, f"{_holds(log)}; the longest, {_named(log, number)}, is used; {STATE_IT} otherwise")


def _told(name: str, choice: Choice, log: Log, numbers: Sequence[int]) -> Taken:
    number = numbers[choice.taken]
    rivals = [_named(log, numbers[k]) for k in choice.rivals]
    against = ""
    if not choice.found[choice.taken].candidates:
        remark = f"the {name} recording fits none, and the longest is used"
        number = longest(log).number
    elif rivals:
        remark = f"the {name} recording fits more than one: {'; '.join((_named(log, number), *rivals))}"
        against = f"it fits flight {number} of the log, but {_listed(numbers, choice.rivals)} as well; {STATE_IT}"
    elif choice.sure:
        remark = f"the {name} recording is of {_named(log, number)}"
        remark += "".join(f", {_once_more(log, number, numbers[k])}" for k in choice.also)
    else:
        remark = f"the {name} recording fits {_named(log, number)} best"
    short = len(log.flights) - len(numbers)
    left = f" ({short} of them too short to be compared)" if short else ""
    remark = f"{_holds(log)}{left}; {remark}" + ("" if choice.sure else f"; {STATE_IT}")
    return Taken(number, remark, len(numbers), against, _evidence(choice, numbers, number))


def _evidence(choice: Choice, numbers: Sequence[int], number: int) -> dict[str, Any]:
    flights = [
        {
            "flight": own,
            "verdict": found.verdict,
            "offset_s": found.candidates[0].offset_s if found.candidates else None,
            "score": round(found.candidates[0].score, 2) if found.candidates else 0.0,
        }
        for own, found in zip(numbers, choice.found, strict=True)
    ]
    return {"flight": number, "flights": flights}


def _once_more(log: Log, number: int, other: int) -> str:
    """How a flight that has the very same clock goes with the one taken."""
    mine, theirs = log.flights[number - 1].time_s, log.flights[other - 1].time_s
    common = min(mine[-1], theirs[-1]) - max(mine[0], theirs[0])
    if common > 0.5 * (theirs[-1] - theirs[0]):
        return f"which flight {other} logs once more"
    return f"and goes on in {_named(log, other)}" if theirs[0] > mine[0] else f"after {_named(log, other)}"


def _holds(log: Log) -> str:
    return f"the log holds {len(log.flights)} flights"


def _named(log: Log, number: int) -> str:
    track: Track = log.flights[number - 1]
    lasts = format_duration(float(track.time_s[-1] - track.time_s[0]), 0)
    begins = f"from {format_utc(float(track.time_s[0]), 0)}, " if track.keeps_utc else ""
    return f"flight {number} ({begins}{lasts} long)"


def _listed(numbers: Sequence[int], which: Iterable[int]) -> str:
    return " and ".join(f"flight {numbers[k]}" for k in which)
