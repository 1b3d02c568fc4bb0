"""Where a directional ground aerial pointed that nobody wrote down: tracked, left behind by a slow tracker, or fixed.

Each way of pointing takes something else from the margin along the flight. They are fitted side by side, and one is
believed only when the others together are a tenth as likely; else the aerial counts as pointed, which is said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.radio.evidence import Evidence
from overlay.radio.geometry import Sight
from overlay.radio.link import TERMS, Link, Terms, ground_aerial_dB
from overlay.radio.posterior import posterior_of
from overlay.readings import Readings

Floats = NDArray[np.float64]

_TRACKED, _FIXED, _SLOW = 0.5, 0.4, 0.1  # how often ground aerials are which
_STEP_DEG = 10.0
_RATES_DEG_S = (3.0, 6.0, 12.0)
_BELIEVED = 0.9
_LEAST_WINDOWS = 15
_TERM = TERMS.index("ground aerial off axis")


@dataclass(frozen=True)
class Pointing:
    """A link with its ground aerial pointed as inferred, and what is to be said of it."""

    link: Link
    note: str


def inferred_pointing(readings: Readings, terms: Terms, evidence: Evidence, link: Link) -> Pointing | None:
    """How a directional ground aerial pointed whose pointing is neither described nor logged; None where it is."""
    told = link.ground_bearing_deg is not None or link.ground_turn_rate_deg_s is not None
    if told or not link.ground.directional or readings.has("aerial_off_axis_deg"):
        return None
    bearings = np.arange(0.0, 360.0, _STEP_DEG)
    fixed = [replace(link, ground_bearing_deg=float(b)) for b in bearings]
    slow = [replace(link, ground_turn_rate_deg_s=rate) for rate in _RATES_DEG_S]
    shares = _shares(readings, terms, evidence, [link, *fixed, *slow])
    if shares is None:
        return None
    stood, followed = shares[1 : 1 + len(fixed)], shares[1 + len(fixed) :]
    if stood.sum() >= _BELIEVED:
        bearing, spread = _mean_bearing(bearings, stood)
        found = replace(link, ground_bearing_deg=bearing)
        return Pointing(
            found, f"inferred from the flight: the ground aerial stood fixed near {bearing:.0f}° (± {spread:.0f}°)"
        )
    if followed.sum() >= _BELIEVED:
        rate = _RATES_DEG_S[int(np.argmax(followed))]
        found = replace(link, ground_turn_rate_deg_s=rate)
        return Pointing(
            found, f"inferred from the flight: the ground aerial followed at about {rate:g}°/s and fell behind"
        )
    if shares[0] >= _BELIEVED:
        return Pointing(link, "inferred from the flight: the ground aerial was pointed at the aircraft")
    return Pointing(link, "it is assumed that the ground aerial was pointed at the aircraft; the flight does not tell")


def _shares(readings: Readings, terms: Terms, evidence: Evidence, links: list[Link]) -> Floats | None:
    """Probability of each way of pointing, tracked first; None where too little was seen."""
    table = terms.matrix()[evidence.row]
    known = np.asarray(np.isfinite(table).all(axis=1))
    if known.sum() < _LEAST_WINDOWS:
        return None
    kept = evidence.kept(known)
    problem = posterior_of(table[known], kept, links[0])
    begin, _ = problem.mode()
    lost = _off_axis_dB(readings, terms.seen, kept, links)
    costs = np.array([problem.with_column(_TERM, column).mode(begin)[1] for column in lost])
    count = len(links) - 1 - len(_RATES_DEG_S)
    prior = [_TRACKED, *[_FIXED / count] * count, *[_SLOW / len(_RATES_DEG_S)] * len(_RATES_DEG_S)]
    weight = np.exp(costs.min() - costs) * np.array(prior)
    return np.asarray(weight / weight.sum())


def _off_axis_dB(readings: Readings, seen: Sight, evidence: Evidence, links: list[Link]) -> list[Floats]:
    return [ground_aerial_dB(readings, seen, each)[evidence.row] for each in links]


def _mean_bearing(bearings_deg: Floats, shares: Floats) -> tuple[float, float]:
    """Mean on the circle and its 95 % half-width, no less than half a step."""
    weights = shares / shares.sum()
    mean = float(np.degrees(np.angle(weights @ np.exp(1j * np.radians(bearings_deg)))) % 360.0)
    off = (bearings_deg - mean + 180.0) % 360.0 - 180.0
    return mean, max(1.96 * float(np.sqrt(weights @ off**2)), _STEP_DEG / 2)
