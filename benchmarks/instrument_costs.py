"""What each instrument costs to draw and to ask, per layout and frame size: a table on stdout.

    python benchmarks/instrument_costs.py [LAYOUT…] [--size 1920x1080] [--seconds 120]

`draw` is the time of one fresh drawing; `redraws` how often per second what it shows changes over the flight at 30
frames a second; `share` is what the two cost together in milliseconds per frame, with the asking added.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2

from overlay import layouts

FRAME_RATE_HZ = 30.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("layouts", nargs="*", default=["review"])
    parser.add_argument("--size", default="1920x1080")
    parser.add_argument("--seconds", type=float, default=120.0)
    asked = parser.parse_args()
    cv2.setNumThreads(1)  # so that the thread's own clock counts all the work, whatever else the machine does
    width, height = map(int, asked.size.split("x"))
    flights = synthetic_flights()
    flight = flights.make_flight()
    for name in asked.layouts:
        began = time.perf_counter()
        panels = layouts.load(name).place(width, height, flight, inset_aspect=4 / 3)
        placed = (time.perf_counter() - began) * 1e3
        print(f"\n{name} at {width}×{height}: placed in {placed:.0f} ms")
        print(f"{'instrument':<16}{'pixels':>12}{'draw ms':>10}{'ask µs':>9}{'redraws/s':>11}{'share ms':>10}")
        total = sum(report(panel, flights.START_S + 600.0, asked.seconds) for panel in panels)
        print(f"{'all':<16}{'':>42}{total:>10.2f}")


def report(panel: Any, start_s: float, seconds: float) -> float:
    """Print one line and return milliseconds per frame."""
    times = [start_s + n / FRAME_RATE_HZ for n in range(round(seconds * FRAME_RATE_HZ))]
    panel.draw(times[0])
    began = time.thread_time()
    shown = [panel.shows(t) for t in times]
    asking = (time.thread_time() - began) / len(times)
    changes = [
        t for t, now, before in zip(times[1:], shown[1:], shown[:-1], strict=True) if now != before and now is not None
    ]
    began = time.thread_time()
    drawn = changes[:: max(1, len(changes) // 60)] or times[:1]
    for t in drawn:
        panel.draw(t)
    drawing = (time.thread_time() - began) / len(drawn)
    share = (asking + drawing * len(changes) / len(times)) * 1e3
    name = type(getattr(panel, "_panel", panel)).__name__.strip("_")
    rect = panel.rect
    size = f"{rect.width}×{rect.height}"
    print(
        f"{name:<16}{size:>12}{drawing * 1e3:>10.2f}{asking * 1e6:>9.0f}{len(changes) / seconds:>11.1f}{share:>10.3f}"
    )
    return share


def synthetic_flights() -> ModuleType:
    """Return the module that makes the flights which the tests draw, so that both speak of the same."""
    path = Path(__file__).parents[1] / "tests" / "instruments" / "conftest.py"
    spec = importlib.util.spec_from_file_location("synthetic_flights", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    main()
