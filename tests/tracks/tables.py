"""A small table to be read: an aircraft that goes north at 20 m/s."""

from __future__ import annotations

from datetime import UTC, datetime

STEP_DEG = 1 / 111_195
NOON = datetime(2026, 7, 1, 12, 0, tzinfo=UTC).timestamp()


def table(header: str, row, count: int = 120, delimiter: str = ",") -> bytes:
    """A table of `row(i)` cells."""
    lines = [header] + [delimiter.join(str(cell) for cell in row(i)) for i in range(count)]
    return "\n".join(lines).encode() + b"\n"


def latitude(i: float) -> float:
    """Where it is after `i` seconds."""
    return 46.5 + 20 * i * STEP_DEG
