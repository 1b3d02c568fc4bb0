"""How well a clock is found, how honest its interval is, and whether "sure" is ever wrong: generated flights, scored.

    python benchmarks/alignment.py [--flights N] [--only WORD] [--each]

The flights come from `alignment_flights`, which shares nothing with the package. Beside every error stands the
Cramér–Rao figure of `alignment_bound`.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import count, pairwise
from multiprocessing import get_context
from pathlib import Path
from statistics import NormalDist
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

import alignment_bound as ab
import alignment_flights as af

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One flight to align. `camera`, `log` and `flight` are choices for the generator; `other` makes a stranger of the log."""

    group: str
    seed: int
    flight: dict[str, Any] = field(default_factory=dict)
    camera: dict[str, Any] = field(default_factory=dict)
    log: dict[str, Any] = field(default_factory=dict)
    kind: str = "track"  # "track", "stranger", "recordings", "several" flights in the log, or strange ones


@dataclass(frozen=True)
class Score:
    """What came of a case; NaN where it does not apply. Times in seconds, drift in ppm."""

    case: Case
    verdict: str
    error: float
    half: float
    drift_error: float
    drift_half: float
    bound: float
    seconds: float
    note: str
    drift_bound: float = float("nan")
    measured: float = float("nan")  # the part of `half` that nothing is assumed in


def cases(first_seed: int = 1000) -> Iterator[Case]:
    """Every condition, several seeds each."""
    seeds = count(first_seed)

    def some(group: str, flights: int, *, kind: str = "track", **choices: Any) -> Iterator[Case]:
        for k in range(flights):
            picked = {side: _picked(values, k) for side, values in choices.items()}
            yield Case(group, next(seeds), kind=kind, **picked)

    long = {"minutes": [12.0, 15.0, 20.0]}
    drift = [12e-6, -30e-6, 45e-6]
    yield from some("positions 5 Hz", 8, flight=long, camera={"drift": drift}, log={"rate": 5.0})
    yield from some("velocity 5 Hz", 5, flight=long, camera={"drift": drift}, log={"rate": 5.0, "holds": "velocity"})
    yield from some("positions 10 Hz", 4, flight=long, camera={"drift": drift}, log={"rate": 10.0})
    yield from some("positions 1 Hz", 5, flight=long, camera={"drift": drift}, log={"rate": [1.0, 2.0]})
    yield from some("velocity 1 Hz", 4, flight=long, camera={"drift": drift}, log={"rate": 1.0, "holds": "velocity"})
    yield from some("airspeed 5 Hz", 4, flight=long | {"wind": [3.0, 8.0]}, log={"rate": 5.0, "holds": "airspeed"})
    yield from some("attitude 10 Hz", 6, flight=long, camera={"drift": drift}, log={"rate": 10.0, "holds": "attitude"})
    yield from some("attitude 25, 50 Hz", 4, flight=long, camera={"drift": drift, "fps": [15.0, 16.0]},
                    log={"rate": [25.0, 50.0], "holds": "attitude"})  # fmt: skip
    yield from some("strong wind", 3, flight={"wind": 9.0, "gust": 1.5}, log={"rate": 5.0})
    yield from some("10 % panning", 4, flight={"minutes": 20.0}, camera={"pan": 0.1, "drift": drift},
                    log={"rate": [5.0, 10.0], "holds": ["places", "velocity", "attitude"]})  # fmt: skip
    yield from some("40 % panning", 5, flight={"minutes": 15.0}, camera={"pan": 0.4, "drift": drift},
                    log={"rate": [5.0, 10.0], "holds": ["places", "velocity", "attitude"]})  # fmt: skip
    mounts = [(180.0, 5.0, 0.0), (90.0, 0.0, 5.0), (2.0, -15.0, 3.0), (-90.0, -10.0, 0.0), (178.0, -8.0, -4.0)]
    yield from some("odd mounts and lenses", 6, camera={"mount": mounts, "scale": [1.0, 1.35, 0.75]},
                    log={"rate": [5.0, 10.0], "holds": ["places", "attitude", "velocity"]})  # fmt: skip
    yield from some("loiter for the most part", 3, flight={"style": "loiter", "minutes": 15.0},
                    log={"rate": [5.0, 1.0], "holds": ["places", "velocity"]})  # fmt: skip
    hardly = {"gust": 0.02, "handling": 0.0, "landed": 0.0}
    part = {"start": 20.0, "end": 300.0}
    yield from some("steady circle, nothing else", 3, flight=hardly | {"style": "circle", "minutes": 6.0}, camera=part,
                    log={"span": (60.0, 350.0)})  # fmt: skip
    yield from some("straight, nothing else", 3, flight=hardly | {"style": "straight", "minutes": 6.0}, camera=part,
                    log={"span": (60.0, 350.0)})  # fmt: skip
    yield from some("white-out for minutes", 3, camera={"blind": ((100.0, 280.0), (400.0, 430.0))}, log={"rate": 5.0})
    yield from some("log gaps of 60 s", 4, log={"rate": [5.0, 1.0, 10.0], "gaps": ((200.0, 260.0), (420.0, 480.0)),
                    "holds": ["places", "velocity"]})  # fmt: skip
    yield from some("log begins in flight", 3, log={"rate": 5.0, "span": (300.0, 760.0)})
    yield from some("recording cut short", 4, camera={"end": [330.0, 270.0, 420.0]}, log={"rate": [5.0, 1.0]})
    yield from some("recording begins late", 2, camera={"start": 350.0}, log={"rate": 5.0})
    yield from some(
        "four minutes in all", 4, flight={"minutes": 4.0, "style": ["errand", "busy"]}, log={"rate": [5.0, 10.0]}
    )
    yield from some("long handling before", 2, flight={"handling": 300.0, "minutes": 8.0}, log={"rate": 5.0})
    yield from some("variable rate", 2, camera={"variable": True, "fps": [12.0, 15.0]},
                    log={"rate": [5.0, 10.0], "holds": ["velocity", "attitude"]})  # fmt: skip
    yield from some("several flights in a log", 3, kind="several", flight={"minutes": 8.0}, log={"rate": 5.0})
    yield from some("drift ±300 ppm", 4, flight={"minutes": 20.0}, camera={"drift": [300e-6, -300e-6]},
                    log={"rate": [5.0, 10.0], "holds": ["velocity", "attitude"]})  # fmt: skip
    yield from some("29.97 told as 30", 4, flight={"minutes": 20.0}, camera={"drift": [1001 / 1000 - 1, 1000 / 1001 - 1]},
                    log={"rate": [5.0, 10.0], "holds": ["places", "attitude"]})  # fmt: skip
    yield from some("25 told as 24", 2, flight={"minutes": 12.0}, camera={"drift": [24 / 25 - 1, 25 / 24 - 1]},
                    log={"rate": [5.0, 10.0], "holds": ["places", "attitude"]})  # fmt: skip
    jumps = [((240.0, 0.5), (480.0, 0.0)), ((300.0, 2.0),), ((250.0, 1 / 30), (500.0, -0.3))]
    yield from some("chapters that jump", 4, flight={"minutes": 12.0}, camera={"jumps": jumps},
                    log={"rate": [10.0, 5.0], "holds": ["attitude", "velocity"]})  # fmt: skip
    yield from some("two recordings", 8, kind="recordings", flight={"minutes": [8.0, 12.0, 5.0]}, camera={"drift": drift},
                    log={"drift": [-34e-6, 20e-6], "fps": [12.5, 15.0], "mount": [(0.0, -4.0, 0.0), (180.0, 3.0, 0.0)],
                         "start": [11.0, 60.0], "blind": [(), ((120.0, 160.0), (200.0, 204.0))]})  # fmt: skip
    stranger = {"rate": [5.0, 1.0, 10.0], "holds": ["places", "velocity", "attitude", "airspeed"]}
    yield from some("strangers", 24, kind="stranger", flight={"style": ["errand", "busy", "errand", "loiter"],
                    "minutes": [12.0, 6.0, 20.0]}, log=stranger)  # fmt: skip
    yield from some("strangers, two recordings", 6, kind="strange recordings", flight={"minutes": [8.0, 5.0]}, log={})
    set_down = {"rest": [6.0, 15.0], "minutes": [5.0, 8.0, 12.0]}
    yield from some("set down before launch", 6, flight=set_down, log={"rate": [5.0, 1.0, 10.0]})
    straight = set_down | {"style": "straight", "gust": 0.02}
    yield from some("straight from launch to landing", 6, flight=straight, log={"rate": [5.0, 1.0]})
    yield from some("strangers set down before launch", 6, kind="stranger", flight=set_down | {"style": "straight"},
                    log={"rate": [5.0, 1.0]})  # fmt: skip
    panned = {"pan": 0.1, "drift": drift}
    hour_half = {"minutes": [20.0, 25.0, 30.0]}
    yield from some("≥ 20 min panned, no attitude", 9, flight=hour_half, camera=panned,
                    log={"rate": [5.0, 10.0], "holds": ["places", "velocity", "airspeed"]})  # fmt: skip
    yield from some("≥ 20 min panned, attitude", 6, flight=hour_half, camera=panned,
                    log={"rate": [5.0, 10.0, 25.0], "holds": "attitude"})  # fmt: skip
    # As late as the estimator assumes of all aircraft and barometers, by even steps of probability: is its interval what it
    # claims?
    assumed = [max(0.0, NormalDist(0.03, 0.02).inv_cdf((k + 0.5) / 20)) for k in range(20)]
    yield from some("path as late as assumed", 20, flight={"lift_late": assumed, "minutes": [12.0, 8.0]},
                    log={"rate": [5.0, 2.0, 10.0], "heights_late": [0.23, 0.02, 0.45, 0.11, 0.31, 0.07, 0.17]})  # fmt: skip
    yield from some("strangers, several flights in a log", 6, kind="strange, several", flight={"minutes": [8.0, 5.0, 12.0]},
                    log={"rate": [5.0, 1.0, 10.0], "holds": ["places", "velocity", "attitude"]})  # fmt: skip
    yield from some("rolling shutter of 28 ms", 6, flight=long, camera={"drift": drift, "readout": 0.028},
                    log={"rate": [10.0, 5.0], "holds": ["attitude", "places"]})  # fmt: skip


def _picked(choices: dict[str, Any], k: int) -> dict[str, Any]:
    """Lists are choices to go through; everything else stands for itself."""
    return {name: value[k % len(value)] if isinstance(value, list) else value for name, value in choices.items()}


def run(case: Case) -> Score:
    """Fly it, align it, and compare with the truth."""
    camera, log = case.camera, case.log
    flown = af.fly(case.seed, **case.flight)
    seen = af.see(flown, case.seed, **camera)
    if "recordings" in case.kind:
        return _two_recordings(case, flown, seen, camera, log)
    logged = af.log(flown if "strange" not in case.kind else af.fly(case.seed + 5000, **case.flight), case.seed, **log)
    others = _others(case, log) if "several" in case.kind else []
    return _against_log(case, flown, seen, logged, camera, others)


def _others(case: Case, log: dict[str, Any]) -> list[af.Logged]:
    """Two more flights of the same log, one before and one after, forty minutes apart."""
    parts = [af.log(af.fly(case.seed + 5000 + k, minutes=8.0), case.seed + k, **log) for k in (0, 1)]
    return [replace(part, time=part.time + later) for part, later in zip(parts, (-2400.0, 2400.0), strict=True)]


def _against_log(
    case: Case, flown: af.Flown, seen: af.Seen, logged: af.Logged, camera: dict[str, Any], others: list[af.Logged]
) -> Score:
    from overlay.alignment import align
    from overlay.alignment.several import choose
    from overlay.motion import MotionSeries
    from overlay.motion.from_track import motion_from_track
    from overlay.tracks import Track

    began = time.process_time()
    motion = MotionSeries(seen.time, seen.rates, stillness=seen.stillness, interval_s=seen.interval, row=seen.row)
    told, *rest = (motion_from_track(Track(each.time, each.columns)) for each in (logged, *others))
    chapters = seen.chapters if len(seen.chapters) > 1 else ()
    if others:
        choice = choose(motion, [rest[0], told, rest[1]], one_clock=True, chapters=chapters)
        found = choice.found[choice.taken]
        found = replace(found, verdict=found.verdict if choice.sure or found.verdict != "sure" else "ambiguous")
    else:
        found = align(motion, told, keeps_utc=True, chapters=chapters)
    seconds = time.process_time() - began
    start, drift = camera.get("start", 7.3), camera.get("drift", 0.0)
    start += ((found.evidence.get("clock_row") or 0.5) - 0.5) * camera.get("readout", 0.0)  # the clock is that row's
    bound = np.nan if "strange" in case.kind else ab.bound(flown, seen, case.log, logged, camera)
    return _scored(case, found, af.EPOCH + start + logged.lag, drift, bound, seconds, seen)


def _two_recordings(case: Case, flown: af.Flown, seen: af.Seen, camera: dict[str, Any], log: dict[str, Any]) -> Score:
    from overlay.alignment import align
    from overlay.motion import MotionSeries

    own = flown if case.kind == "recordings" else af.fly(case.seed + 5000, **case.flight)
    ground = af.see(own, case.seed + 300, **({"start": 11.0, "noise": 0.01} | log))
    began = time.process_time()
    series = [
        MotionSeries(each.time, each.rates, stillness=each.stillness, interval_s=each.interval, row=each.row)
        for each in (ground, seen)
    ]
    found = align(*series, recording_name="ground", reference_name="camera")
    seconds = time.process_time() - began
    slow, quick = 1 + log.get("drift", 0.0), 1 + camera.get("drift", 0.0)
    offset = (log.get("start", 11.0) - camera.get("start", 7.3)) / quick
    bound = ab.bound_of_recordings(flown, case.log) if case.kind == "recordings" else np.nan
    return _scored(case, found, offset, slow / quick - 1, bound, seconds, ground)


def _scored(case: Case, found: Any, offset: float, drift: float, bound: float, seconds: float, seen: af.Seen) -> Score:
    error = half = drift_error = drift_half = np.nan
    note = "; ".join(found.reasons)
    if found.best is not None and "strange" not in case.kind:
        # At mid-overlap, in the chapter that holds it: the truth includes what the chapters lost up to there.
        middle = found.mid_recording_s
        wanted, told = [offset + (1 + drift) * middle], [found.best.to_reference(middle)]
        if len(seen.chapters) > 1:
            wanted, told = _by_chapter(found, seen, offset, drift)
        worst = int(np.argmax(np.abs(np.array(told) - wanted)))
        error, half = told[worst] - wanted[worst], found.half_interval_s
        if np.isfinite(found.drift_sigma_ppm):
            drift_error, drift_half = 1e6 * (found.best.drift - drift), 1.96 * found.drift_sigma_ppm
    drift_bound = 1e6 * ab.drift_bound(bound, found.overlap_s)
    measured = found.interval_parts_s["measured"]
    return Score(case, found.verdict, error, half, drift_error, drift_half, bound, seconds, note, drift_bound, measured)


def _by_chapter(found: Any, seen: af.Seen, offset: float, drift: float) -> tuple[list[float], list[float]]:
    """(wanted, told) at both ends of each chapter: a drift that stands for a jump is worst there."""
    edges = [*(at for _, at in seen.chapters), float(seen.time[-1])]
    moments = [(k, m) for k, span in enumerate(pairwise(edges)) for m in span]
    lost = np.cumsum(seen.jumps)
    wanted = [offset + (1 + drift) * m + lost[k] for k, m in moments]
    offsets = [c.offset_s for c in found.chapters] or [found.best.offset_s] * len(seen.chapters)
    told = [offsets[k] + (1 + found.best.drift) * m for k, m in moments]
    return wanted, told


# The table


def table(scores: list[Score]) -> str:
    """One line a group, then the sums."""
    head = (
        f"{'condition':28} {'n':>3} {'sure':>4} {'amb':>4} {'none':>4} {'wrong':>5}  {'50 %':>6} {'95 %':>6} {'worst':>6}"
        f"  {'stated':>6} {'within':>7}  {'CR':>5} {'ratio':>5}"
        f"  {'drift 95 %':>10} {'within':>7}  {'CR':>5} {'ratio':>5}  {'s':>5}"
    )
    lines = [head, "-" * len(head)]
    groups = dict.fromkeys(score.case.group for score in scores)
    lines += [_line(group, [score for score in scores if score.case.group == group]) for group in groups]
    lines.append("-" * len(head))
    lines.append(_line("all with an answer to find", [s for s in scores if "strange" not in s.case.kind]))
    lines.append(_line("all", scores))
    lines.append(_room(scores))
    lines.append(
        "error, half interval and Cramér–Rao σ in ms, drift in ppm, of the flights called sure; wrong: sure and off"
    )
    lines.append(
        "by more than 0.25 s, or sure of a stranger; stated: median 95 % half interval; ratio: rms error over CR σ"
    )
    return "\n".join(lines)


def _line(name: str, scores: list[Score]) -> str:
    sure = [s for s in scores if s.verdict == "sure" and np.isfinite(s.error)]
    errors = 1e3 * np.array([abs(s.error) for s in sure])
    halves = 1e3 * np.array([s.half for s in sure])
    counts = {verdict: sum(s.verdict == verdict for s in scores) for verdict in ("sure", "ambiguous", "none")}
    wrong = sum(is_wrong(s) for s in scores)
    drifts = np.array(
        [
            [abs(s.drift_error), s.drift_half, s.drift_bound]
            for s in sure
            if np.isfinite(s.drift_error) and s.drift_half < 40
        ]
    ).reshape(-1, 3)
    bounds = 1e3 * np.array([s.bound for s in sure])
    quantiles = [f"{np.quantile(errors, q):6.1f}" for q in (0.5, 0.95, 1.0)] if len(errors) else ["     –"] * 3
    steepest = f"{np.quantile(drifts[:, 0], 0.95):10.1f}" if len(drifts) else f"{'–':>10}"
    return (
        f"{name:28} {len(scores):3d} {counts['sure']:4d} {counts['ambiguous']:4d} {counts['none']:4d} {wrong:5d}  "
        + " ".join(quantiles)
        + f"  {np.median(halves) if len(halves) else np.nan:6.1f} {_share(errors <= halves)}"
        + _beside(errors, bounds)
        + f"  {steepest} {_share(drifts[:, 0] <= drifts[:, 1])}"
        + _beside(drifts[:, 0], drifts[:, 2])
        + f"  {np.mean([s.seconds for s in scores]):5.1f}"
    )


def _beside(errors: Floats, bounds: Floats) -> str:
    """The median bound, and how many times as large the errors' rms is as each one's own bound."""
    known = np.isfinite(bounds) & (bounds > 0)
    if not known.any():
        return f"  {'–':>5} {'–':>5}"
    return f"  {np.median(bounds[known]):5.1f} {np.sqrt(np.mean((errors[known] / bounds[known]) ** 2)):5.1f}"


def _room(scores: list[Score]) -> str:
    """How much of the stated half intervals the errors take up."""
    sure = [s for s in scores if s.verdict == "sure" and np.isfinite(s.error)]
    offset = np.array([abs(s.error) / s.half for s in sure])
    drift = np.array([abs(s.drift_error) / s.drift_half for s in sure if s.drift_half < 40])
    # Frame stamps and banks without a path's delay: here there is nothing that would have to be assumed.
    plain = np.array([abs(s.error) / s.measured for s in sure if _all_measured(s.case)])
    told = [
        f"{name}: {', '.join(f'{np.quantile(share, q):.2f}' for q in (0.5, 0.95, 1.0))}, {_share(share <= 1).strip()} within"
        for name, share in (
            ("offset's error over its half interval", offset),
            ("drift's", drift),
            ("offset's over the measured part alone, with attitude or another recording", plain),
        )
        if len(share)
    ]
    return " (50 %, 95 %, worst)\n".join(told) + " (50 %, 95 %, worst)"


def _all_measured(case: Case) -> bool:
    return (case.kind == "recordings" or case.log.get("holds") == "attitude") and not case.camera.get("readout")


def _share(inside: NDArray[np.bool_]) -> str:
    return f"{int(inside.sum()):3d}/{len(inside):<3d}" if len(inside) else f"{'–':>7}"


def is_wrong(score: Score) -> bool:
    """The one result that must never occur."""
    return score.verdict == "sure" and ("strange" in score.case.kind or abs(score.error) > 0.25)


def main() -> None:
    """Run the cases over two processes and print the table."""
    parser = argparse.ArgumentParser(description="score the alignment on generated flights")
    parser.add_argument("--flights", type=int, help="only so many, spread over all conditions")
    parser.add_argument("--only", default="", help="only conditions whose name holds this")
    parser.add_argument("--each", action="store_true", help="print every flight, too")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1000, help="of the first flight (default: 1000)")
    arguments = parser.parse_args()
    wanted = [case for case in cases(arguments.seed) if arguments.only in case.group]
    if arguments.flights and arguments.flights < len(wanted):
        wanted = [wanted[i] for i in np.unique(np.linspace(0, len(wanted) - 1, arguments.flights).astype(int))]
    with get_context("spawn").Pool(arguments.processes) as pool:
        scores = []
        for score in pool.imap(run, wanted):
            scores.append(score)
            if arguments.each or is_wrong(score):
                print(_told(score), flush=True)
    print(table(scores))


def _told(score: Score) -> str:
    mark = "WRONG " if is_wrong(score) else ""
    return (
        f"{mark}{score.case.group} #{score.case.seed}: {score.verdict}, "
        f"error {1e3 * score.error:+.1f} ms of ±{1e3 * score.half:.1f}, "
        f"drift {score.drift_error:+.1f} of ±{score.drift_half:.1f} ppm, "
        f"CR {1e3 * score.bound:.1f} ms and {score.drift_bound:.1f} ppm, {score.seconds:.1f} s  {score.note}"
    )


if __name__ == "__main__":
    main()
