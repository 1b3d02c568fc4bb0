"""A flight's one fitted constant as a figure that can be held against those of other flights.

It is what was better or worse that day once range, attitude, aerials, ground and weather are taken out as modelled.
"""

from __future__ import annotations

import numpy as np

from overlay.errors import NoAnswerError
from overlay.radio.evidence import WINDOW_S, Evidence, control_evidence, picture_evidence
from overlay.radio.fit import fit_margin
from overlay.radio.ground import Ground
from overlay.radio.link import Link, link_terms
from overlay.radio.range_curves import LinkName
from overlay.radio.usual import Figure
from overlay.readings import Readings

_LEAST_FALLEN_S = 10.0


def constant_of(readings: Readings, which: LinkName, link: Link, ground: Ground | None = None) -> Figure:
    """The constant of the picture's link (margin at 1 km over grade 3) or of the control link (dBm at 1 km)."""
    try:
        evidence = picture_evidence(readings) if which == "picture" else control_evidence(readings, 0.0)
        fit = fit_margin(link_terms(readings, link, ground), evidence, link)
    except NoAnswerError as error:
        return Figure.none(str(error))
    value, (low, high) = fit.constant_dB()
    if _shows_its_end(evidence):
        return Figure.of(value, (high - low) / (2 * 1.96))
    return Figure(low, float("nan"), at_least=True)


def _shows_its_end(evidence: Evidence) -> bool:
    """Whether enough windows say that the margin was not above something."""
    return bool(np.count_nonzero(np.isfinite(evidence.high_dB)) * WINDOW_S >= _LEAST_FALLEN_S)
