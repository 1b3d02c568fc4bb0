"""The break-ups as CSV: one row each, with what was known at its onset."""

from __future__ import annotations

import csv
from dataclasses import replace
from typing import TextIO

from overlay.clock import AffineClock, format_utc
from overlay.exports.privacy import FROM_HOME, Disclosure
from overlay.exports.table import decimals_of
from overlay.picture.breakups import Breakup, Diagnosis

_OWN = (
    "number", "onset_s", "end_s", "onset_low_s", "onset_high_s", "onset_frame", "end_frame", "utc", "kind",
    "worst_grade", "carrier_to_noise_dB",
    "carrier_to_noise_low_dB", "carrier_to_noise_high_dB", "cause", "cause_probability",
)  # fmt: skip


def write_breakups(
    diagnosis: Diagnosis, file: TextIO, *, clock: AffineClock | None, keeps_utc: bool, told: Disclosure | None = None
) -> None:
    """Write a row for each; times on the recording's own clock, `utc` through `clock` where the flight keeps UTC.

    With `told` the conditions are those that may stand beside a path of which a circle round home is cut out: nothing
    counted from home, and none at all of an onset inside the circle.
    """
    diagnosis = diagnosis if told is None else _outside(diagnosis, told)
    seen = sorted({name for event in diagnosis.events for name in event.at or {} if name != "time_s"})
    writer = csv.writer(file, lineterminator="\n")
    writer.writerow((*_OWN, *seen))
    for number, event in enumerate(diagnosis.events, 1):
        utc = format_utc(clock.to_reference(event.onset_s)) if clock is not None and keeps_utc else ""
        at = event.at or {}
        values = (at.get(name) for name in seen)
        cells = ["" if v is None else format(v, f"z.{decimals_of(n)}f") for n, v in zip(seen, values, strict=True)]
        writer.writerow((number, *_facts(event, utc), *cells))


def _outside(diagnosis: Diagnosis, told: Disclosure) -> Diagnosis:
    events = []
    for event in diagnosis.events:
        at = event.at or {}
        time_s = at.get("time_s")
        if time_s is None or told.place_at(float(time_s)) is None:
            at = {}
        elif not told.tells_home:
            at = {name: value for name, value in at.items() if name not in FROM_HOME}
        events.append(replace(event, at=at))
    return replace(diagnosis, events=tuple(events))


def _facts(event: Breakup, utc: str) -> tuple[str | int, ...]:
    cause = max(event.causes or (), key=lambda found: float(str(found["probability"])), default=None)
    ratios = (event.carrier_to_noise_dB, *(event.carrier_to_noise_interval_dB or (None, None)))
    return (
        f"{event.onset_s:.4f}",
        f"{event.end_s:.4f}",
        f"{event.onset_interval_s[0]:.4f}",
        f"{event.onset_interval_s[1]:.4f}",
        event.onset_frame,
        event.end_frame,
        utc,
        event.kind,
        f"{event.worst_grade:.2f}",
        *("" if ratio is None else f"{ratio:.1f}" for ratio in ratios),
        "" if cause is None else str(cause["cause"]),
        "" if cause is None else f"{float(str(cause['probability'])):.3f}",
    )
