"""`overlay align`: recordings to the track, with the evidence."""

from __future__ import annotations

import argparse
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json, table
from overlay.cli.inputs import add_flight, add_pin, flight_file, source_files
from overlay.clock import format_duration, format_utc
from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.alignment import Alignment
    from overlay.flight import Flight
    from overlay.flight_file import FlightFile

NO_ANSWER = 4


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "align",
        help="recordings to the track: offset, drift, interval, verdict, picture of the evidence",
        description="Put the recordings on the track's clock by comparing the motion seen with the motion logged. "
        "Exit code 4 when no trustworthy answer was found: the candidates are listed, nothing is guessed.",
    )
    add_flight(parser)
    add_pin(parser)
    parser.add_argument(
        "--velocity-lag",
        metavar="SECONDS",
        type=float,
        help="by how much the log is known to report late, such as 0.15 for a receiver's velocity; "
        "taken off the offset (also track.velocity_lag_s in flight.toml)",
    )
    parser.add_argument("--evidence", metavar="PNG", help="write a picture of the evidence for each pair")
    parser.add_argument(
        "--thorough", action="store_true", help="watch every frame of a long recording, not its telling parts"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace existing outputs")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Align every pair, show what was found, and return 4 unless all are sure."""
    from overlay.flight import Flight
    from overlay.output import require_free

    file = flight_file(arguments)
    if arguments.velocity_lag is not None:
        file = _lagging(file, arguments.velocity_lag)
    if arguments.evidence:
        require_free(arguments.evidence, overwrite=arguments.overwrite, inputs=source_files(file))
    with Stages() as stages:
        flight = Flight(file, pin=arguments.pin, thorough=arguments.thorough, progress=stages)
        found = flight.alignments
        pictures = draw_evidence(flight, arguments.evidence, arguments.overwrite) if arguments.evidence else []
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    if arguments.json:
        say_json({"schema": "overlay/alignment", "version": 1, "pairs": [pair.as_json() for pair in found]})
    else:
        for pair in found:
            _print(pair, flight)
        for picture in pictures:
            say(f"evidence: {picture}")
    return 0 if all(_usable(pair) for pair in found) else NO_ANSWER


def _lagging(file: FlightFile, lag_s: float) -> FlightFile:
    if not -5 <= lag_s <= 5:
        raise UsageError(f"--velocity-lag: {lag_s:g} s is no delay of a log: give -5 to 5")
    if file.track is None:
        raise UsageError("--velocity-lag: this flight has no track: give one with --track or [track] in flight.toml")
    return file.model_copy(update={"track": file.track.model_copy(update={"velocity_lag_s": lag_s})})


def _usable(pair: Alignment) -> bool:
    return pair.verdict == "sure" or pair.pin is not None


def draw_evidence(flight: Flight, target: str, overwrite: bool) -> list[Path]:
    """One picture of the evidence for each pair: the first under the asked name, others beside it."""
    from overlay.debrief.evidence import draw
    from overlay.output import writing

    asked, written = Path(target), []
    for number, pair in enumerate(flight.alignments):
        pair_name = f"{asked.stem}-{pair.recording}-{pair.reference}{asked.suffix}"
        name = asked if number == 0 else asked.with_name(pair_name)
        with writing(name, overwrite=overwrite, inputs=source_files(flight.file)) as temporary:
            draw(pair, temporary)
        written.append(name)
    return written


def _drift(pair: Alignment) -> str:
    if pair.drift_ppm is None:
        return "not measurable here"
    return f"{pair.drift_ppm:+.1f} ± {1.96 * pair.drift_sigma_ppm:.1f} ppm (95 %)"


def _print(pair: Alignment, flight: Flight) -> None:
    say(f"{pair.recording} to {pair.reference}: {pair.verdict}")
    facts = pair.as_json()
    keeps_utc = pair.reference == "track" and flight.track.keeps_utc
    rows = [("flight in the log", _of_several(facts["evidence"]))] if "flights" in facts["evidence"] else []
    if facts["offset_s"] is not None:
        rows.append(("recording began", facts["start_utc"] or f"at {facts['offset_s']:.3f} s of the {pair.reference}"))
        if facts["interval95_s"] is not None:
            begin, middle = (1000 * pair.half_interval_at(at) for at in (0.0, pair.mid_recording_s))
            rows.append(
                ("95 % interval", f"± {begin:.0f} ms, and ± {middle:.0f} ms in the middle of what was compared")
            )
            rows += [("there", told) for told in [pair.interval_in_words] if told]
        rows.append(("drift", _drift(pair)))
    else:
        for candidate in _candidates(facts):
            when = format_utc(candidate["offset_s"]) if keeps_utc else f"{candidate['offset_s']:.3f} s"
            which = f" of flight {candidate['flight']}" if "flight" in candidate else ""
            rows.append(("candidate", f"{when}{which}, score {candidate['score']:.2f}"))
    if facts["overlap_s"] > 0:
        rows.append(("compared", format_duration(facts["overlap_s"])))
    rows += [("because", reason) for reason in pair.reasons]
    if pair.pin is not None:
        rows.append(("pinned by hand", _distance(pair.pin.from_computed_s)))
    table(rows)
    if pair.verdict == "none" and pair.candidates and pair.reference == "track" and pair.pin is None:
        say("  a log of another flight looks just so: check that the track belongs to this recording")
    if not _usable(pair):
        say("  set the clock by hand with --pin TIME=UTC once you know one moment, for instance the launch")


def _candidates(facts: dict[str, Any]) -> list[dict[str, Any]]:
    """The best of each flight where the log holds several, else the best of the one."""
    flights = [each for each in facts["evidence"].get("flights", ()) if each["offset_s"] is not None]
    return sorted(flights, key=lambda each: -float(each["score"])) or list(facts["candidates"])


def _of_several(evidence: dict[str, Any]) -> str:
    others = [
        f"{each['flight']}: {each['verdict']}" for each in evidence["flights"] if each["flight"] != evidence["flight"]
    ]
    return f"{evidence['flight']}" + (f" (of the others, {', '.join(others)})" if others else "")


def _distance(from_computed_s: float) -> str:
    if math.isnan(from_computed_s):
        return "no computed answer to compare with"
    return f"{from_computed_s:+.3f} s from the computed answer"
