"""Words within XML 1.0."""

from __future__ import annotations

from xml.sax.saxutils import escape

from overlay.errors import is_shown


def character_data(words: str) -> str:
    """Fit for an element: control characters dropped, markup escaped."""
    return escape("".join(c for c in words if is_shown(c)))
