"""What a debrief costs by the length of its flight: size of the page, processor time, memory taken for it.

The flights are those of the page's own tests: readings at 5 Hz, a live picture graded at 25 frames a second.
"""

from __future__ import annotations

import argparse
import importlib.util
import time
import tracemalloc
from pathlib import Path

from overlay.debrief.page import page

FLIGHTS = Path(__file__).parent.parent / "tests" / "debrief" / "conftest.py"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, nargs="+", default=[30.0, 60.0, 180.0])
    minutes = options.parse_args().minutes
    spec = importlib.util.spec_from_file_location("flights", FLIGHTS)
    assert spec is not None
    assert spec.loader is not None
    flights = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(flights)
    print("minutes  page in MB  processor time in s  peak of memory in MB")
    for length in minutes:
        story = flights.make_story(60.0 * length)
        begun = time.process_time()
        size = len(page(story).encode())
        taken = time.process_time() - begun
        tracemalloc.start()
        page(story)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        print(f"{length:7.0f}  {size / 1e6:10.2f}  {taken:19.1f}  {peak / 1e6:20.0f}")


if __name__ == "__main__":
    main()
