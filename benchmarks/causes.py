"""Score the causes found for break-ups on labelled synthetic flights.

Each flight is made by `causes_flights.py`, by code that shares nothing with the package's radio model. The package sees
what a log would hold: noisy positions and airspeed, sometimes attitude, the picture's grade or only its break-ups, and
the aerials as a pilot would describe them; where a patch on the ground pointed is not always told.

    python benchmarks/causes.py [--flights 240] [--first-seed 0] [--control]

With --control the same flights are told by the log alone, as a control link whose strength is logged to a decibel and whose
quality falls where the margin does; half of the disturbances leave the strength as it was.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np
from causes_flights import KINDS, as_control_link, label, make

from overlay.radio.causes import attribute
from overlay.radio.evidence import picture_evidence
from overlay.radio.explain import explain_control, fit_link
from overlay.radio.ground import Ground


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=240)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--control", action="store_true")
    wanted = parser.parse_args()
    pairs, confusion, inferred, flights_right, flights, errors = [], Counter(), Counter(), 0, 0, []
    began, skipped = time.perf_counter(), 0
    for seed in range(wanted.first_seed, wanted.first_seed + wanted.flights):
        truth, readings, link, profiles, pointing = make(seed)
        ground = None
        if profiles is not None:
            at = np.clip(np.searchsorted(truth.time, readings.time_s), 0, len(truth.time) - 1)
            ground = Ground(readings.time_s, readings["range_m"], profiles[at])
        if wanted.control:
            told = explain_control(as_control_link(seed, readings, truth), link, ground)
            fit, terms, note, events = told.fit, told.terms, " ".join(told.notes), told.events
        else:
            fit, terms, note = fit_link(readings, picture_evidence(readings), link, ground)
            events = attribute(fit, terms, readings, truth.events)
        if pointing.endswith("not told"):
            told = (
                "fixed"
                if "stood fixed" in note
                else "slow"
                if "fell behind" in note
                else "assumed"
                if "assumed" in note
                else "tracked"
            )
            inferred[(pointing.split(",")[0], told)] += 1
        true_terms = np.interp(fit.evidence.time_s, truth.time, truth.margin - truth.fade + truth.disturbed)
        errors.append(np.median(fit.weights @ fit.margins_dB(terms, fit.evidence.row) - true_terms))
        scores = []
        for found in events:
            causes = label(truth, found.onset_s, found.end_s)
            if causes is None or len(causes) > 2:
                skipped += 1
                continue
            scores.append(found.top.cause in causes)
            confusion[(sorted(causes)[0] if not scores[-1] else found.top.cause, found.top.cause)] += 1
            pairs += [(cause.probability, cause.cause in causes, seed, cause is found.top) for cause in found.causes]
        if scores:
            flights += 1
            flights_right += np.mean(scores) >= 0.5
    report(pairs, confusion, flights, flights_right, skipped, time.perf_counter() - began, wanted.flights)
    print(f"margin error, median of a flight: rms {np.sqrt(np.mean(np.square(errors))):.1f} dB")
    for (true, told), count in sorted(inferred.items()):
        print(f"  ground aerial {true}, not described: told as {told} in {count} flights")


def report(pairs, confusion, flights, flights_right, skipped, seconds, made):
    right = sum(n for (truth, found), n in confusion.items() if truth == found)
    total = sum(confusion.values())
    print(
        f"{made} flights in {seconds:.0f} s, {flights} with events that have a cause, {total} events ({skipped} left out)"
    )
    print(f"top-1 by event {right / total:.3f}   by flight {flights_right / flights:.3f}")
    p, hit = np.array([x[0] for x in pairs]), np.array([x[1] for x in pairs], float)
    slots = np.minimum((p * 10).astype(int), 9)
    gaps = [
        (np.sum(slots == s) / len(p), p[slots == s].mean(), hit[slots == s].mean())
        for s in range(10)
        if (slots == s).any()
    ]
    print(f"calibration error {sum(w * abs(a - b) for w, a, b in gaps):.3f} over all causes")
    tops = np.array([x[:3] for x in pairs if x[3]], float)
    of_flight = [tops[tops[:, 2] == seed] for seed in np.unique(tops[:, 2])]
    drawn = np.random.default_rng(0).integers(len(of_flight), size=(400, len(of_flight)))
    again = [np.vstack([of_flight[i] for i in row]) for row in drawn]  # flights, not their events, are independent
    for name, score in (
        ("right by event", right_share),
        ("calibration error over the causes named first", calibration),
    ):
        low, high = np.quantile([score(some) for some in again], [0.025, 0.975])
        print(f"{name} {score(tops):.3f}, 95 % {low:.3f} to {high:.3f} by drawing flights again")
    print("\n".join(f"  told {a:.2f}  true {b:.2f}  ({100 * w:.1f} % of figures)" for w, a, b in gaps))
    top = [(a, b) for a, b in confusion.items() if a[0] != a[1]]
    print("missed: " + "; ".join(f"{t} called {f} × {n}" for (t, f), n in sorted(top, key=lambda x: -x[1])[:12]))
    for name in KINDS:
        rows = {k: n for k, n in confusion.items() if k[0] == name}
        if rows:
            print(f"  {name:26s} {rows.get((name, name), 0) / sum(rows.values()):.2f} of {sum(rows.values())}")


def right_share(tops):
    return tops[:, 1].mean()


def calibration(tops):
    """Mean gap between what was told and what was right, in ten slots of what was told."""
    slots = np.minimum((tops[:, 0] * 10).astype(int), 9)
    gaps = [np.sum(slots == s) * abs(np.diff(tops[slots == s, :2].mean(axis=0))[0]) for s in np.unique(slots)]
    return sum(gaps) / len(tops)


if __name__ == "__main__":
    main()
