"""Say of every flight in one real log what the program finds: legs, charge, wind, reach, and the control link's fades.

    python benchmarks/radio_log.py LOG.csv [--frequency 2400] [--capacity 1500]

No ground recording is needed. Charge integrated from the current stands beside the log's own counter, and the strength's
fall with range beside that of free space, 20 dB a decade.
"""

from __future__ import annotations

import argparse
from collections import Counter
from pathlib import Path

import numpy as np

from overlay.errors import NoAnswerError
from overlay.mechanics.energy import charge_mAh
from overlay.mechanics.findings import findings_of
from overlay.mechanics.flight import readings_of
from overlay.mechanics.slopes import longest_bridge
from overlay.radio.explain import control_fades, explain_control, link_from_words
from overlay.readings import Pack, Readings
from overlay.tracks import read_log
from overlay.tracks.track import Track


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("log", type=Path)
    parser.add_argument("--frequency", type=float, default=2400.0, help="MHz of the control link")
    parser.add_argument("--capacity", type=float, help="mAh of the pack, for the reach")
    wanted = parser.parse_args()
    pack = Pack(wanted.capacity) if wanted.capacity else None
    for number, track in enumerate(read_log(wanted.log).flights, 1):
        print(f"\nflight {number}: {track.time_s[-1] - track.time_s[0]:.0f} s")
        readings = readings_of(track, pack=pack)
        mechanics(track, readings)
        radio(readings, wanted.frequency)


def mechanics(track: Track, readings: Readings) -> None:
    """Legs, path, charge by two ways, wind and reach."""
    found = findings_of(readings)
    legs = Counter(leg.name for leg in readings.legs)
    print("  legs: " + ", ".join(f"{name} × {count}" for name, count in legs.items()))
    print(f"  farthest {found.farthest_m:.0f} m, {found.distance_m:.0f} m flown over the ground")
    times, current = track.series("current_A")
    counted = track.series("charge_used_mAh")[1]
    integral = charge_mAh(times, current, longest_bridge(times)).total[-1]
    own = counted.max() - counted[0]
    print(
        f"  charge: {integral:.0f} mAh by the current, {own:.0f} by the log's counter ({100 * (integral / own - 1):+.1f} %)"
    )
    for name, cost in (("outbound", found.out), ("homebound", found.home)):
        if cost is not None:
            print(f"  {name}: {cost.charge_mAh:.0f} mAh over {cost.distance_m:.0f} m, {cost.per_km_mAh:.0f} mAh/km")
    print(f"  wind: {found.wind}" if found.wind is not None else f"  {found.refusals['wind']}")
    if found.turn_back is not None:
        print(f"  {found.turn_back}")
    for name, radius in (("still air", found.still_air), ("this wind", found.this_wind)):
        if radius is not None:
            low, high = radius.interval95_m
            print(f"  out and back in {name}: {radius.range_m:.0f} m ({low:.0f} to {high:.0f})")


def radio(readings: Readings, frequency_MHz: float) -> None:
    """The strength against range, the fades, and what is made of them."""
    away = readings["range_m"] > 30.0
    known = away & np.isfinite(readings["control_rssi_dBm"])
    slope, _ = np.polyfit(np.log10(readings["range_m"][known]), readings["control_rssi_dBm"][known], 1)
    print(f"  strength: {slope:+.0f} dB a decade of range beyond 30 m")
    for start, end in control_fades(readings):
        far = float(readings.at("range_m", start)[0])
        print(f"  fade of {end - start:.1f} s at {start - readings.time_s[0]:.0f} s, {far:.0f} m out")
    try:
        told = explain_control(readings, link_from_words(frequency_MHz))
    except NoAnswerError as error:
        print(f"  {error}")
        return
    for event in told.events:
        low, high = event.margin_interval95_dB
        print(f"    margin {event.margin_dB:.0f} dB ({low:.0f} to {high:.0f}); {event.sentence}")
    for line in told.compared():
        print(f"  {line}")
    print(f"  {told.at_farthest()}")
    print(f"  unrest about the model: {told.fit.mean(told.fit.fading_dB):.1f} dB (1σ)")
    for each in told.correlations:
        print(f"  with {each.condition}: rank {each.rank:+.2f}, p {each.p:.2g}")
    print(
        "  next flight: " + "; ".join(f"{each.change.name.lower()} {each.range_m:.0f} m" for each in told.next_flight)
    )


if __name__ == "__main__":
    main()
