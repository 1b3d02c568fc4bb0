"""The whole question for one flight: why did the link break, what was the margin, and what would change it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.radio.aerials import Aerial, Polarisation, aerial_of
from overlay.radio.causes import Attribution, attribute
from overlay.radio.cloud import went_with_visibility
from overlay.radio.contrast import Contrast, Correlation, correlations, out_and_home
from overlay.radio.evidence import Evidence, control_evidence, in_flight, picture_evidence
from overlay.radio.fit import MarginFit, fit_margin
from overlay.radio.ground import Ground
from overlay.radio.link import Link, Terms, link_terms
from overlay.radio.next_flight import Expectation, what_if
from overlay.radio.pointing import inferred_pointing
from overlay.readings import Readings

Floats = NDArray[np.float64]

FADED_PCT, _WELL_PCT = 80.0, 90.0  # a fade begins below the one and ends above the other
_HALF_STEP_DB = 0.5  # strengths are logged to a decibel
_MOSTLY_PARTED = 0.5  # of the faded readings may be on the wrong side
_HELD_PERCENTILE = 1.0  # of the strengths with which it held well: the weakest, but for outliers


@dataclass(frozen=True)
class Margin:
    """Margin of a link where the aircraft was farthest, with its 95 % interval without fading, over `level`."""

    time_s: float
    distance_m: float
    mean_dB: float
    interval95_dB: tuple[float, float]
    level: str

    def as_json(self) -> dict[str, object]:
        """The margin as results are published, the time on the flight clock."""
        return {
            "time_s": round(self.time_s, 1),
            "distance_m": round(self.distance_m),
            "margin_dB": round(self.mean_dB, 1),
            "interval95_dB": [round(bound, 1) for bound in self.interval95_dB],
            "over": self.level,
        }

    def __str__(self) -> str:
        """One sentence for a person.

        >>> print(Margin(0.0, 6200.0, 4.2, (2.0, 6.4), "picture at grade 3"))
        As modelled, it had 4.2 dB (2.0 to 6.4) to spare at its farthest, 6.2 km out, over a picture at grade 3.
        >>> print(Margin(0.0, 6200.0, -1.2, (-1.9, 0.3), "picture at grade 3"))
        As modelled, it was 1.2 dB (−0.3 to 1.9) short at its farthest, 6.2 km out, of a picture at grade 3.
        """
        short = self.mean_dB < 0.0
        had, over, bounds = ("to spare", "over", self.interval95_dB)
        if short:
            had, over, bounds = "short", "of", (-self.interval95_dB[1], -self.interval95_dB[0])
        mean, low, high = (f"{value:.1f}".replace("-", "−") for value in (abs(self.mean_dB), *bounds))
        return (
            f"As modelled, it {'was' if short else 'had'} {mean} dB ({low} to {high}) {had} at its farthest, "
            f"{self.distance_m / 1000:.1f} km out, {over} a {self.level}."
        )


@dataclass(frozen=True)
class Explanation:
    """What is known of one link over one flight; `notes` are the assumptions in plain words."""

    fit: MarginFit
    terms: Terms
    events: tuple[Attribution, ...]
    contrast: Contrast | None
    correlations: tuple[Correlation, ...]
    next_flight: tuple[Expectation, ...]
    notes: tuple[str, ...]
    visibility: str | None = None
    """Whether the picture went with what the onboard camera saw, where that is known."""

    def as_json(self) -> dict[str, object]:
        """Events on the flight clock, the fit, what would change the range, the assumptions, as results are published."""
        constant, bounds = self.fit.constant_dB()
        return {
            "events": [event.as_json() for event in self.events],
            "margin_at_1_km_dB": {"mean": round(constant, 1), "interval95": [round(bound, 1) for bound in bounds]},
            "at_farthest": self.at_farthest().as_json(),
            "outbound_against_homebound": str(self.contrast) if self.contrast is not None else None,
            "correlations": [each.as_json() for each in self.correlations],
            "visibility": self.visibility,
            "next_flight": [each.as_json() for each in self.next_flight],
            "assumptions": list(self.notes),
        }

    def margin_dB(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Predicted margin along the track: (time_s, mean, low, high), the last two a 95 % interval without fading."""
        rows = self.fit.evidence.row
        margins = self.fit.margins_dB(self.terms, rows)
        mean = self.fit.weights @ margins
        spread = np.sqrt(np.maximum(self.fit.weights @ (margins - mean) ** 2, 0.0))
        return self.terms.time_s[rows], mean, mean - 1.96 * spread, mean + 1.96 * spread

    def at_farthest(self) -> Margin:
        """What it had to spare where the aircraft was farthest."""
        time, mean, low, high = self.margin_dB()
        distance = self.terms.seen.distance_m[self.fit.evidence.row]
        far = int(np.nanargmax(distance))
        bounds = float(low[far]), float(high[far])
        return Margin(float(time[far]), float(distance[far]), float(mean[far]), bounds, self.fit.evidence.level)

    def compared(self) -> tuple[str, ...]:
        """Sentences on the weather at the longest event, on both legs at equal range, and on what the link went with."""
        longest = max(self.events, key=lambda event: event.end_s - event.onset_s, default=None)
        told = [longest.weather] if longest is not None else []
        told += [self.visibility] if self.visibility is not None else []
        told += [str(self.contrast)] if self.contrast is not None else []
        return (*told, *(str(each) for each in self.correlations if each.sure and each.condition != "visibility"))


def link_from_words(
    frequency_MHz: float,
    *,
    transmit_aerial: str | None = None,
    receive_aerial: str | None = None,
    polarisation: Polarisation | None = None,
    power_mW: float | None = None,
    ground_aerial_height_m: float | None = None,
    ground_aerial_bearing_deg: float | None = None,
    ground_aerial_elevation_deg: float = 0.0,
    ground_aerial_turn_rate_deg_s: float | None = None,
    aircraft_aerial_tilt_deg: float | None = None,
    aircraft_aerial_toward_deg: float = 0.0,
    rain_mm_h: float | None = None,
    cloud_g_m3: float = 0.0,
) -> Link:
    """A link as a pilot describes it; `transmit_aerial` is the aircraft's. One not described is taken as all-round."""
    everywhere = Aerial("isotropic", 0.0, polarisation or "right-hand circular")
    aircraft = aerial_of(transmit_aerial, polarisation) if transmit_aerial else everywhere
    ground = aerial_of(receive_aerial, polarisation) if receive_aerial else everywhere
    return Link(
        frequency_MHz,
        aircraft,
        ground,
        power_mW,
        ground_height_m=ground_aerial_height_m if ground_aerial_height_m is not None else 2.0,
        ground_bearing_deg=ground_aerial_bearing_deg,
        ground_elevation_deg=ground_aerial_elevation_deg,
        ground_turn_rate_deg_s=ground_aerial_turn_rate_deg_s,
        aircraft_tilt_deg=aircraft_aerial_tilt_deg,
        aircraft_toward_deg=aircraft_aerial_toward_deg,
        rain_mm_h=rain_mm_h,
        cloud_g_m3=cloud_g_m3,
    )


def explain_picture(readings: Readings, link: Link, ground: Ground | None = None) -> Explanation:
    """Why the live picture broke up, by its grades or its break-ups; NoAnswerError where nothing was seen."""
    fit, terms, pointed = fit_link(readings, picture_evidence(readings), link, ground)
    spans = [(span.onset_s, span.end_s) for span in readings.breakups]
    found = _explained(readings, fit, terms, spans, "picture_grade", pointed)
    return replace(found, visibility=went_with_visibility(readings))


def explain_control(readings: Readings, link: Link, ground: Ground | None = None) -> Explanation:
    """Why the control link faded, from its logged strength in dBm and its quality in percent.

    The margin counts from the strength that best parts fades (quality below 80 %) from good readings. Where there were
    none, or none for want of strength, it counts from the weakest that held: the link may reach farther than said.
    """
    fades = control_fades(readings)
    evidence = control_evidence(readings, *_needed_dBm(readings))
    fit, terms, pointed = fit_link(readings, evidence, link, ground)
    return _explained(readings, fit, terms, fades, "control_rssi_dBm", pointed)


def fit_link(
    readings: Readings, evidence: Evidence, link: Link, ground: Ground | None = None
) -> tuple[MarginFit, Terms, str]:
    """The fit, its terms, and what is to be said of where the ground aerial pointed (empty: nothing)."""
    terms = link_terms(readings, link, ground)
    found = inferred_pointing(readings, terms, evidence, link)
    if found is None:
        logged = not link.ground.directional or readings.has("aerial_off_axis_deg")
        return (
            fit_margin(terms, evidence, link),
            terms,
            "" if logged else f"the ground aerial {_pointing(link)}, as described",
        )
    if found.link is not link:
        terms = link_terms(readings, found.link, ground)
    return fit_margin(terms, evidence, found.link), terms, found.note


def control_fades(readings: Readings) -> list[tuple[float, float]]:
    """Spans (start_s, end_s) in flight in which the control link's quality was below 80 %, until it was above 90 %.

    Over the whole log where no flight is seen in it; what a receiver says after landing is no fade.
    """
    quality, flown = readings["control_link_pct"], in_flight(readings)
    known = np.isfinite(quality) & (flown | ~flown.any())
    times, spans, start = readings.time_s[known], [], None
    for time, value in zip(times, quality[known], strict=True):
        if start is None and value < FADED_PCT:
            start = float(time)
        elif start is not None and value >= _WELL_PCT:
            spans.append((start, float(time)))
            start = None
    if start is not None:
        spans.append((start, float(times[-1])))
    return spans


def _needed_dBm(readings: Readings) -> tuple[float, str]:
    """The strength that the margin counts from, and what it is.

    In flight, where it was seen there: an aircraft in the grass, or in the hand, is heard otherwise than the fit knows.
    """
    quality, strength = readings["control_link_pct"], readings["control_rssi_dBm"]
    known, flown = np.isfinite(strength), in_flight(readings)
    if (known & flown).any():
        known &= flown
    if not known.any():
        raise NoAnswerError("the log holds no strength of the control link in dBm")
    faded = strength[known & (quality < FADED_PCT)]
    well = strength[known & (quality >= _WELL_PCT)]
    held = float(np.percentile(well if len(well) else strength[known], _HELD_PERCENTILE))
    needed = _parting(faded, well)
    if needed is not None:
        return needed, _told("as where it began to fade", needed)
    # It never faded, or not for want of strength: what it needs was not seen.
    return held, _told("as it ever was here and held", held)


def _parting(faded: Floats, well: Floats) -> float | None:
    """The level that best parts fades from good readings, half a logged decibel above the strongest fade below it.

    None where fades are no matter of strength: where half of them lie above the level that serves best.
    """
    levels = np.unique(faded)
    if len(levels) == 0:
        return None
    # As many as are on the wrong side: faded though stronger, good though no stronger.
    above = len(faded) - np.searchsorted(np.sort(faded), levels, side="right")
    below = np.searchsorted(np.sort(well), levels, side="right")
    wrong = above + below
    best = int(np.argmin(wrong))
    return float(levels[best]) + _HALF_STEP_DB if wrong[best] <= _MOSTLY_PARTED * len(faded) else None


def _told(how: str, strength_dBm: float) -> str:
    return f"control link as weak {how} ({strength_dBm:.0f} dBm)".replace("-", "−")


def _explained(
    readings: Readings, fit: MarginFit, terms: Terms, spans: list[tuple[float, float]], column: str, pointed: str
) -> Explanation:
    link = fit.link
    height = float(np.nanmedian(terms.seen.height_m[fit.evidence.row]))
    bearing = float(terms.seen.bearing_deg[fit.evidence.row[np.nanargmax(terms.seen.distance_m[fit.evidence.row])]])
    notes = [pointed] if pointed else []
    if link.aircraft.kind == "isotropic":
        notes.append("the aircraft's aerial is not described and is taken as all-round")
    if not readings.has("bank_deg"):
        notes.append("no bank is known: attitude counts as level")
    elif "bank_deg" in readings.derived:
        notes.append("bank is inferred from the turn, not measured")
    if not link.rain_reported:
        notes.append("no rain is reported; heavy rain all the way is the worst case that weather is judged by")
    return Explanation(
        fit,
        terms,
        attribute(fit, terms, readings, spans),
        out_and_home(readings, column),
        correlations(readings, column, terms.ground.clearance if terms.ground is not None else None),
        what_if(fit, height, bearing),
        tuple(notes),
    )


def _pointing(link: Link) -> str:
    if link.ground_bearing_deg is not None:
        return f"stood fixed at {link.ground_bearing_deg:.0f}°"
    return f"followed the aircraft at no more than {link.ground_turn_rate_deg_s:g}°/s"
