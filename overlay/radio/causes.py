"""Why a link broke: for each event the probability of each cause, and a sentence with the numbers.

For every sample of the fit, the event's margin is rebuilt and taken apart. Three things can have happened:

* with every other loss left out the margin is still gone: **range**;
* leaving out one loss would have kept the link: the greatest such loss is the cause;
* the model puts the margin well above what fading reaches: **unexplained**, such as interference, a plug, a
  transmitter that overheats. Its weight against chance is a rate of disturbances against the fading's tail.

The probabilities are shares of weighted samples, so what the data leave open about the link is in them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.radio.cloud import seen_meanwhile
from overlay.radio.evidence import WINDOW_S
from overlay.radio.fit import MarginFit
from overlay.radio.link import CAUSES, MIRRORS, TERMS, Terms, weather_dB_per_km
from overlay.radio.propagation import horizon_m, two_ray_nulls_m
from overlay.readings import Readings

Floats = NDArray[np.float64]

_DISTURBED = 1e-3  # prior share of windows with a disturbance from outside the model
_JUDGED_S = 15.0  # of a long event, its first part
_EDGE_SIGMAS, _EDGE_DB = 2.5, 6.0  # a margin of less is the end of the range: fading alone reaches it now and then
_USUAL_SIGMAS = 1.5  # of the fading: a strength this far off is nothing to remark on
_PLENTY_DB = 3.0  # a measured margin of more is no want of strength
_NAMED_SIGMAS = 0.75  # of the fading: a smaller loss is no cause
_IDEAL_WRONG = 0.3  # 1σ of an idealised loss, as a share of it
_LOSSES = CAUSES[1:-1]
_NULLS, _NEAR_NULL = 6, 0.15
_SETTLED = 0.5
_STEEP_DEG = 30.0


@dataclass(frozen=True)
class Cause:
    """One possible cause of an event; `loss_dB` what it took from the margin then."""

    cause: str
    probability: float
    loss_dB: float

    def as_json(self) -> dict[str, object]:
        """The cause as results are published."""
        loss = round(self.loss_dB, 1)
        return {"cause": self.cause, "probability": round(self.probability, 3), "loss_dB": loss}


@dataclass(frozen=True)
class Attribution:
    """An event's causes, most probable first, the margin that the model gives it, and the sentence for a person.

    `seen_dB` is what was measured above (or below) that margin; None where only grades or break-ups were seen.
    """

    onset_s: float
    end_s: float
    causes: tuple[Cause, ...]
    margin_dB: float
    margin_interval95_dB: tuple[float, float]
    sentence: str
    weather: str
    seen_dB: float | None = None

    def as_json(self) -> dict[str, object]:
        """The event as results are published, times on the flight clock."""
        return {
            "onset_s": round(self.onset_s, 3),
            "end_s": round(self.end_s, 3),
            "causes": [cause.as_json() for cause in self.causes],
            "margin_dB": round(self.margin_dB, 1),
            "margin_interval95_dB": [round(bound, 1) for bound in self.margin_interval95_dB],
            "seen_against_margin_dB": None if self.seen_dB is None else round(self.seen_dB, 1),
            "sentence": self.sentence,
            "weather": self.weather,
        }

    @property
    def top(self) -> Cause:
        """The most probable cause."""
        return self.causes[0]


def attribute(
    fit: MarginFit, terms: Terms, readings: Readings, events: Sequence[tuple[float, float]]
) -> tuple[Attribution, ...]:
    """Causes of events given as (onset_s, end_s) on the flight clock; events at unknown places are left out."""
    found = []
    for onset, end in events:
        rows = _rows(terms, onset, end)
        if len(rows):
            found.append(_attribute_one(fit, terms, readings, onset, end, rows))
    return tuple(found)


Shares = dict[str, float]


def probabilities(fit: MarginFit, effects: Floats, seconds: float, seen_dB: float) -> tuple[Shares, Shares, Floats]:
    """Probability of each of `CAUSES`, mean loss of each in dB, and the margins by sample, of one event.

    `effects` (S, len(TERMS)) are the terms' effects averaged over the event, as `MarginFit.effects_dB` gives them; the
    margin was seen to be no more than `seen_dB`.
    """
    from scipy.special import ndtr

    losses = _losses(effects)
    margin = fit.samples[:, 0] + effects.sum(axis=1)
    bare = margin + np.sum([np.maximum(loss, 0.0) for loss in losses.values()], axis=0)
    fading = fit.fading_dB
    table = np.column_stack(list(losses.values()))
    # Fading, and how far an idealised pattern, mirror or edge is wrong by when it takes much.
    unsure = np.hypot(fading, _IDEAL_WRONG * np.maximum(table, 0.0).max(axis=1))
    by_chance = np.maximum(ndtr((seen_dB - margin) / unsure), 1e-300)
    # A fade must have held for the whole event: long events are less likely to be one.
    holds = 1.0 + min(max(seconds, WINDOW_S), _JUDGED_S) / (5.0 * WINDOW_S)
    explained = by_chance**holds
    outside = _DISTURBED / (_DISTURBED + explained)
    fade = _fade_given_broken(margin, fading)
    at_edge = bare < np.minimum(_EDGE_SIGMAS * fading, _EDGE_DB)
    names, rows = list(losses), np.arange(len(margin))
    named = table >= _NAMED_SIGMAS * fading[:, None]
    # Without such a loss, which may well have been greater than ideal, the link would have held.
    saving = named & (margin[:, None] + fade[:, None] + (1.0 + _IDEAL_WRONG) * table > 0.0)
    candidates = np.where(saving.any(axis=1)[:, None], np.where(saving, table, -np.inf), table)
    worst = np.argmax(candidates, axis=1)
    at_range = at_edge & ((bare + fade <= 0.0) | ~saving.any(axis=1))
    unnamed = ~at_range & ~named[rows, worst]
    inside = fit.weights * (1.0 - outside)
    shares = dict.fromkeys(CAUSES, 0.0)
    shares["range"] = float(inside @ at_range)
    shares["unexplained"] = float(fit.weights @ outside + inside @ unnamed)
    for i, name in enumerate(names):
        shares[name] = float(inside @ (~at_range & ~unnamed & (worst == i)))
    means = {name: float(fit.weights @ losses[name]) for name in names}
    means["range"] = float(fit.weights @ -effects[:, TERMS.index("range")])
    means["unexplained"] = float(fit.weights @ np.maximum(margin, 0.0))
    return shares, means, margin


def weather_verdict(fit: MarginFit, distance_m: float, shortfall_dB: float) -> str:
    """One sentence that acquits the weather or convicts it."""
    link = fit.link
    loss = weather_dB_per_km(link) * distance_m / 1000.0
    heavy = "heavy rain (50 mm/h) all the way"
    rain = f"the reported rain ({link.rain_mm_h:g} mm/h)" if link.rain_reported else heavy
    if link.cloud_g_m3:
        rain += f" and cloud of {link.cloud_g_m3:g} g/m³"
    took = "less than 0.01 dB" if loss < 0.01 else f"{loss:.2f} dB" if loss < 0.1 else f"{loss:.1f} dB"
    path = f"over {distance_m / 1000:.1f} km at {link.frequency_MHz:.0f} MHz"
    if loss < 1.0 or loss < 0.25 * shortfall_dB:
        return f"Not the weather: {rain} would take {took} {path}."
    if link.rain_reported:
        return (
            f"The weather counts: {rain} takes {took} over {distance_m / 1000:.1f} km at {link.frequency_MHz:.0f} MHz."
        )
    return f"The weather cannot be ruled out: {rain} would take {took}; the flight file does not say whether it rained."


def _losses(effects: Floats) -> dict[str, Floats]:
    """Loss (positive dB) by cause and sample; a gain by the ground's mirror counts as none lost."""
    by_term = {name: -effects[:, i] for i, name in enumerate(TERMS)}
    losses = {name: by_term[name] for name in _LOSSES if name in by_term}
    losses["airframe in the way"] = by_term["nose toward the station"] + by_term["tail toward the station"]
    return losses


def _fade_given_broken(margin: Floats, fading: Floats) -> Floats:
    """Mean of the fading, given that it took the margin below 0."""
    from scipy.special import log_ndtr

    x = -margin / fading
    ratio = np.exp(-0.5 * x * x - 0.5 * np.log(2 * np.pi) - log_ndtr(x))
    return np.asarray(-fading * ratio)


def _worst_seen(fit: MarginFit, onset: float, end: float) -> float:
    """Mean of what the broken windows of an event allow the margin to have been, at most."""
    evidence = fit.evidence
    inside = (evidence.time_s >= onset - WINDOW_S / 2) & (evidence.time_s <= end + WINDOW_S / 2)
    bounds = evidence.high_dB[inside & evidence.broken]
    return float(bounds.mean()) if len(bounds) else 0.0


def _rows(terms: Terms, onset: float, end: float) -> NDArray[np.intp]:
    last = min(max(end, onset + WINDOW_S), onset + _JUDGED_S)
    inside = (terms.time_s >= onset - 0.25) & (terms.time_s <= last) & np.isfinite(terms.dB["range"])
    return np.flatnonzero(inside)


def _attribute_one(
    fit: MarginFit, terms: Terms, readings: Readings, onset: float, end: float, rows: NDArray[np.intp]
) -> Attribution:
    effects, worst = fit.effects_dB(terms, rows), _worst_seen(fit, onset, end)
    shares, losses, margin = probabilities(fit, effects, end - onset, worst)
    causes = sorted((Cause(name, shares[name], losses[name]) for name in CAUSES), key=lambda c: -c.probability)
    distance = float(np.mean(terms.seen.distance_m[rows]))
    needed = max(-fit.mean(margin), 1.0)
    measured = _measured(fit, terms, onset, end)
    return Attribution(
        onset,
        end,
        tuple(causes),
        fit.mean(margin),
        fit.interval(margin),
        _sentence(causes, _place(fit, terms, readings, rows)) + _strength(causes[0], measured, fit),
        " ".join(filter(None, (weather_verdict(fit, distance, needed), seen_meanwhile(readings, onset, end)))),
        measured[1] if measured is not None else None,
    )


def _measured(fit: MarginFit, terms: Terms, onset: float, end: float) -> tuple[float, float] | None:
    """Margin as measured in an event, and that less the modelled; None where only a picture was seen."""
    evidence = fit.evidence
    if not evidence.measured:
        return None
    within = (evidence.time_s - WINDOW_S / 2 >= onset) & (evidence.time_s + WINDOW_S / 2 < end)
    touching = (evidence.time_s > onset - WINDOW_S / 2) & (evidence.time_s < end + WINDOW_S / 2)
    inside = np.flatnonzero(within if within.any() else touching)
    if len(inside) == 0:
        return None
    measured = (evidence.low_dB[inside] + evidence.high_dB[inside]) / 2
    modelled = fit.weights @ fit.margins_dB(terms, evidence.row[inside])
    return float(np.median(measured)), float(np.median(measured - modelled))


def _strength(top: Cause, measured: tuple[float, float] | None, fit: MarginFit) -> str:
    """What the strength adds to an event that nothing explains: interference and a receiver's faults leave it high."""
    if measured is None or top.cause != "unexplained":
        return ""
    margin, against_model = measured
    if margin > _PLENTY_DB:
        return (
            f" Its strength was {margin:.0f} dB above a {fit.evidence.level}: the quality fell without it, as "
            "interference makes it."
        )
    if against_model < -_USUAL_SIGMAS * fit.mean(fit.fading_dB):
        return f" Its strength lay {-against_model:.0f} dB below the model's: less came than range and aerials account for."
    return ""


def _place(fit: MarginFit, terms: Terms, readings: Readings, rows: NDArray[np.intp]) -> Mapping[str, float]:
    seen = terms.seen
    horizon = horizon_m(np.nanmean(seen.height_m[rows])) + horizon_m(fit.link.ground_height_m)
    return {
        "distance": float(np.mean(seen.distance_m[rows])),
        "height": float(np.mean(seen.height_m[rows])),
        "bank": float(np.mean(np.nan_to_num(readings["bank_deg"][rows]))),
        "elevation": float(np.mean(seen.elevation_deg[rows])),
        "nose": float(np.mean(seen.off_nose_deg()[rows])),
        "horizon": float(horizon),
        "null": _null(fit, terms, rows),
        **_edge(terms, rows),
    }


def _null(fit: MarginFit, terms: Terms, rows: NDArray[np.intp]) -> float:
    """Distance of the null of the ground's reflection that lies nearest to some rows, over the mirror fitted; else NaN."""
    mirror, distance = terms.mirror.at(rows), float(np.mean(terms.seen.distance_m[rows]))
    depth = fit.mean(np.array(MIRRORS)[fit.mirror]) * float(np.median(mirror.near_m))
    nulls = two_ray_nulls_m(float(np.median(mirror.far_m)), depth, fit.link.frequency_MHz, _NULLS)
    nearest = float(nulls[np.argmin(np.abs(nulls - distance))])
    return nearest if abs(nearest / distance - 1.0) < _NEAR_NULL else float("nan")


def _edge(terms: Terms, rows: NDArray[np.intp]) -> Mapping[str, float]:
    """Where the ground comes nearest to the sight line, by the terrain files, at the worst of some rows."""
    if terms.ground is None or not np.isfinite(terms.ground.clearance[rows]).any():
        return {}
    worst = rows[int(np.nanargmin(terms.ground.clearance[rows]))]
    found = terms.ground
    return {"edge": float(found.edge_m[worst]), "above": float(found.above_m[worst])}


def _sentence(causes: Sequence[Cause], at: Mapping[str, float]) -> str:
    top, second = causes[0], causes[1]
    where = f"{at['distance'] / 1000:.1f} km out"
    if np.isfinite(at["height"]):
        where += f" and {at['height']:.0f} m high"
    told = f"{_describe(top, at)} ({_share(top)})"
    if top.probability < _SETTLED:
        told = "not settled; most likely " + told
    if second.probability >= 0.1:
        told += f"; or {_describe(second, at)} ({_share(second)})"
    return f"{where[0].upper()}{where[1:]}: {told}."


def _share(cause: Cause) -> str:
    """A probability for a person: none is certain."""
    return f"{100 * cause.probability:.0f} %" if cause.probability < 0.995 else "over 99 %"


def _describe(cause: Cause, at: Mapping[str, float]) -> str:
    lost = f"{cause.loss_dB:.0f} dB lost"
    side = "right" if at["bank"] > 0 else "left"
    return {
        "range": "the link was at the end of its range",
        "banking": f"the aircraft was banked {abs(at['bank']):.0f}° {side}, which turned its aerial away ({lost})",
        "overhead": f"{_weak_side(at)} ({lost})",
        "ground aerial off axis": f"the ground aerial pointed elsewhere ({lost})",
        "ground reflection": f"the wave reflected by the ground cancelled the direct one{_as_at_null(at)} ({lost})",
        "horizon or hill": f"{_in_the_way(at)} ({lost})",
        "airframe in the way": f"the airframe hid its aerial from the station {at['nose']:.0f}° off the nose ({lost})",
        "weather": f"rain or cloud ({lost})",
        "unexplained": "no loss known of this link explains it; look at interference, obstacles, plugs and power",
    }[cause.cause]


def _in_the_way(at: Mapping[str, float]) -> str:
    if "edge" not in at:
        return f"the Earth's curve stood in the way: at that height the radio horizon lies {at['horizon'] / 1000:.0f} km out"
    where = f"the ground {at['edge'] / 1000:.1f} km from the station"
    if at["above"] > 0.0:
        return f"{where} stood {at['above']:.0f} m into the sight line"
    return f"{where} came within {-at['above']:.0f} m of the sight line, into the first Fresnel zone"


def _as_at_null(at: Mapping[str, float]) -> str:
    return f", as at that height it does near {at['null'] / 1000:.1f} km" if np.isfinite(at["null"]) else ""


def _weak_side(at: Mapping[str, float]) -> str:
    if at["elevation"] >= _STEEP_DEG:
        return f"the ground station looked up {at['elevation']:.0f}° into the aircraft's aerial's null"
    return "as it is mounted, the aircraft's aerial had its weak side toward the station"
