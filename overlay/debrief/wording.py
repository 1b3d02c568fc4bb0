"""Numbers and moments as the page writes them: metric, a minus that is one, no unit parted from its number."""

from __future__ import annotations

import math
from collections.abc import Mapping

from overlay.clock import format_duration

NO_DATA = "no data"
_NBSP, _THIN, _MINUS = "\u00a0", "\u202f", "\u2212"
_BANK_WORTH_SAYING_DEG = 5.0


def number(value: float, decimals: int = 0) -> str:
    """Digits in groups of three; "no data" where there is no number.

    >>> number(-1234.5, 1) == "\u22121\u202f234.5"
    True
    """
    if not math.isfinite(value):
        return NO_DATA
    text = f"{abs(value):,.{decimals}f}".replace(",", _THIN)
    return _MINUS + text if value < 0 and any(c in "123456789" for c in text) else text


def quantity(value: float | None, unit: str, decimals: int = 0) -> str:
    """A number with its unit, or "no data"."""
    if value is None or not math.isfinite(value):
        return NO_DATA
    return f"{number(value, decimals)}{_NBSP}{unit}"


def distance(metres: float | None) -> str:
    """Metres below one kilometre, kilometres with two decimals from there."""
    if metres is None or abs(metres) < 1000.0:
        return quantity(metres, "m")
    return quantity(metres / 1000.0, "km", 2)


def between(low: float, high: float, unit: str, decimals: int = 0) -> str:
    """An interval."""
    return f"{number(low, decimals)} to {number(high, decimals)}{_NBSP}{unit}"


def clock(seconds: float | None) -> str:
    """A moment of the page's time to a tenth of a second."""
    return NO_DATA if seconds is None else format_duration(seconds).replace("-", _MINUS)


def lasting(seconds: float) -> str:
    """A length of time: seconds with a tenth below a minute, minutes and seconds above."""
    if seconds < 59.95:
        return quantity(seconds, "s", 1)
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes}{_NBSP}min {rest}{_NBSP}s" if rest else f"{minutes}{_NBSP}min"
    return f"{minutes // 60}{_NBSP}h {minutes % 60}{_NBSP}min"


def times(count: int) -> str:
    """How often.

    >>> times(2)
    'twice'
    """
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def place(at: Mapping[str, float | None] | None, leg: str | None = None) -> str:
    """Where the aircraft was, as far as it is known: "6.61 km from home, outbound, 143 m high, banked 24° left"."""
    if not at:
        return ""
    told = []
    if (far := at.get("range_m")) is not None:
        told.append(f"{distance(far)} from home")
    if leg in ("out", "home"):
        told.append({"out": "outbound", "home": "homebound"}[leg])
    if (height := at.get("height_m")) is not None:
        told.append(f"{quantity(height, 'm')} high")
    if (bank := at.get("bank_deg")) is not None:
        banked = abs(bank) >= _BANK_WORTH_SAYING_DEG
        told.append(f"banked {abs(bank):.0f}° {'right' if bank > 0 else 'left'}" if banked else "wings level")
    return ", ".join(told)


def sentence(text: str) -> str:
    """Begin with a capital and end with one full stop."""
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '?', '!')) else '.'}" if text else ""
