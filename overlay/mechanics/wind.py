"""Wind from how the ground velocity goes round with heading, with and without a logged airspeed.

Air velocity is ground velocity less wind, so |v − w| is the airspeed in every direction flown: ground velocities lie on
a circle of radius airspeed about the wind. With a logged airspeed the radius is known up to the sensor's scale;
without it, it is only known to stay about the same for a minute or two, and what a straight flight out and back shows
of the wind cannot be told from flying the one leg faster than the other.

Method: robust least squares (Cauchy loss) at 1 Hz. The airspeed of each span of `SPAN_S` may differ from the
flight's by a random amount, so a change of throttle between legs is not taken for wind. Within a span the airspeed
wanders with an exponential correlation whose time constant is fitted by restricted maximum likelihood (Patterson &
Thompson, Biometrika 58, 1971): neighbouring seconds are not independent witnesses, and the intervals must know.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError

Floats = NDArray[np.float64]

SPAN_S = 120.0
_AIRSPEED_BETWEEN_SPANS_MPS = 2.5  # 1σ, without an airspeed sensor: pilots change throttle
_UNSEEN_WANDER_MPS, _UNSEEN_WANDER_S = 2.5, 40.0  # 1σ and time constant within a span, without an airspeed sensor
_SENSOR_BETWEEN_SPANS_MPS = 0.15  # 1σ, with one: its zero drifts
_SCALE_SIGMA = 0.10  # 1σ of an uncalibrated airspeed sensor's scale
_FARTHEST_SCALES = 4.0
_FASTEST_WIND_MPS = 26.0
_ANOTHER_MPS = 1.5  # winds farther apart are not the same answer
_GROSS, _LENIENT = 2.385, 8.0  # how many σ off a sample may be before it counts for less; the first is 95 % efficient
_SLOWEST_MPS = 4.0  # no aeroplane that flies out of sight flies slower
_STEADIED_S = 1.0
_BIN_DEG = 15.0
_THROTTLE_KEPT_S = 600.0  # how long a pilot leaves the throttle alone
_GUST_S = 10.0  # a gust's length (about 200 m at low height) over the airspeed
_WANDER_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
_WORST_SIGMA_MPS = 1.6  # a 95 % interval of ±3 m/s: wider is no use to a pilot
LEAST_ARC_DEG = 180.0
_T95 = 1.96


@dataclass(frozen=True)
class Wind:
    """Mean wind over the fitted span. `east_mps`, `north_mps`: where the air moves to; `covariance` (2, 2) of them.

    `airspeed_scale` is logged over true airspeed with its 1σ (None without a logged airspeed), `airspeed_mps` the
    flight's own, `arc_deg` how much of the circle of courses was flown.
    """

    east_mps: float
    north_mps: float
    covariance: Floats
    airspeed_mps: float
    airspeed_scale: float | None
    airspeed_scale_sigma: float | None
    arc_deg: float
    method: str

    @property
    def speed_mps(self) -> float:
        """Wind speed."""
        return math.hypot(self.east_mps, self.north_mps)

    @property
    def from_deg(self) -> float:
        """Direction it blows from, clockwise from north, [0, 360)."""
        return math.degrees(math.atan2(-self.east_mps, -self.north_mps)) % 360.0

    @property
    def speed_sigma_mps(self) -> float:
        """1σ of the speed."""
        return self._sigma_along(self.east_mps, self.north_mps)

    @property
    def speed_interval95_mps(self) -> tuple[float, float]:
        """95 % interval of the speed, not below zero."""
        spread = _T95 * self.speed_sigma_mps
        return max(self.speed_mps - spread, 0.0), self.speed_mps + spread

    @property
    def from_spread95_deg(self) -> float:
        """Half-width of the direction's 95 % interval; 180 where the wind is too light to have a direction."""
        across = _T95 * self._sigma_along(-self.north_mps, self.east_mps)
        return math.degrees(math.asin(across / self.speed_mps)) if across < self.speed_mps else 180.0

    def _sigma_along(self, east: float, north: float) -> float:
        length = math.hypot(east, north)
        if length == 0.0:
            return float(math.sqrt(np.linalg.eigvalsh(self.covariance)[-1]))
        axis = np.array([east, north]) / length
        return float(math.sqrt(axis @ self.covariance @ axis))

    def __str__(self) -> str:
        """One clause for a person: speed and direction with their intervals.

        >>> print(Wind(3.0, 0.0, np.eye(2) * 0.01, 17.0, None, None, 360.0, "ground velocity alone"))
        3.0 ± 0.2 m/s from 270° ± 4°
        """
        low = self.speed_mps - self.speed_interval95_mps[0]
        spread = max(low, self.speed_interval95_mps[1] - self.speed_mps)
        bearing = f"from {self.from_deg:.0f}° ± {self.from_spread95_deg:.0f}°"
        return f"{self.speed_mps:.1f} ± {spread:.1f} m/s " + (
            bearing if self.from_spread95_deg < 180.0 else "from no direction that can be told"
        )


def arc_flown_deg(east_mps: Floats, north_mps: Floats) -> float:
    """How much of the circle of courses was flown, in steps of 15° (1 Hz velocities; slow ones count for nothing).

    >>> angles = np.radians(np.arange(0.0, 180.0, 1.0))
    >>> arc_flown_deg(10 * np.sin(angles), 10 * np.cos(angles))
    180.0
    """
    moving = np.hypot(east_mps, north_mps) > 2.0
    course = np.degrees(np.arctan2(east_mps[moving], north_mps[moving])) % 360.0
    return float(len(np.unique(course // _BIN_DEG)) * _BIN_DEG)


def estimate_wind(
    time_s: Floats,
    east_mps: Floats,
    north_mps: Floats,
    airspeed_mps: Floats | None = None,
    climb_mps: Floats | None = None,
) -> Wind:
    """Mean wind over a stretch in the air from its ground velocity, all (N,), NaN where unknown.

    `airspeed_mps` is along the flight path; with `climb_mps` its level part is used. NoAnswerError says why the data
    carry no wind: too little of it, too little arc, or an interval too wide to be of use.
    """
    data = _Samples.of(time_s, east_mps, north_mps, airspeed_mps, climb_mps)
    arc = arc_flown_deg(data.east, data.north)
    if data.airspeed is None and data.best_arc() < LEAST_ARC_DEG:
        raise NoAnswerError(
            f"no wind from ground speed alone: the longest turn within {SPAN_S:.0f} s covers {data.best_arc():.0f}° of "
            f"courses and {LEAST_ARC_DEG:.0f}° are needed; log the airspeed, or fly one full circle"
        )
    parameters, covariance = _fit(data)
    _refuse_doubted(data, parameters)
    worst = math.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])
    if worst > _WORST_SIGMA_MPS:
        raise NoAnswerError(
            f"no wind: along its worst axis it is only known to ±{_T95 * worst:.1f} m/s from {arc:.0f}° of courses; "
            "a logged airspeed, or several full circles at steady throttle, would settle it"
        )
    speed = float(np.median(np.hypot(data.east - parameters[0], data.north - parameters[1])))
    scaled = data.airspeed is not None
    _refuse_drifting(speed, 1.0 / float(parameters[2]) if scaled else None)
    return Wind(
        float(parameters[0]),
        float(parameters[1]),
        covariance[:2, :2],
        speed,
        1.0 / float(parameters[2]) if scaled else None,
        float(math.sqrt(covariance[2, 2]) / parameters[2] ** 2) if scaled else None,
        arc,
        "ground velocity and airspeed" if scaled else "ground velocity alone",
    )


def _refuse_drifting(speed_mps: float, scale: float | None) -> None:
    """Refuse what came out as hardly any airspeed: an aircraft that the wind holds or carries off looks as if it hung."""
    if speed_mps < _SLOWEST_MPS or (scale is not None and abs(scale - 1.0) > _FARTHEST_SCALES * _SCALE_SIGMA):
        logged = "" if scale is None else f", where {scale * speed_mps:.1f} m/s are logged"
        raise NoAnswerError(
            f"no wind: the ground velocities lie on a circle of {speed_mps:.1f} m/s of airspeed{logged}; that is no flying "
            "speed, as when the wind carries an aircraft along; fly full circles, or check the airspeed sensor"
        )


def _steadied(time: Floats, airspeed: Floats, at: Floats) -> Floats:
    """Mean airspeed over ± 1 s of the moments `at`, which is as much as the slope of the positions takes in.

    A sensor's noise at the moment itself flattens what the airspeed's ups and downs tell of its scale (errors in
    variables): by a fifth for 0.4 m/s of noise on 0.8 m/s of wander, which a cross wind then has to make up for.
    """
    total = np.concatenate([[0.0], np.cumsum(airspeed)])
    first = np.searchsorted(time, at - _STEADIED_S, "left")
    last = np.searchsorted(time, at + _STEADIED_S, "right")
    return np.asarray((total[last] - total[first]) / (last - first), np.float64)


@dataclass(frozen=True)
class _Samples:
    """Velocities at 1 Hz with their span number."""

    time: Floats
    east: Floats
    north: Floats
    airspeed: Floats | None
    span: NDArray[np.intp]

    @classmethod
    def of(cls, time: Floats, east: Floats, north: Floats, airspeed: Floats | None, climb: Floats | None) -> _Samples:
        known = np.isfinite(east) & np.isfinite(north)
        if airspeed is not None:
            known &= np.isfinite(airspeed) & (airspeed > 3.0)
        _, one_a_second = np.unique(np.floor(time[known]), return_index=True)
        keep = np.flatnonzero(known)[one_a_second]
        if len(keep) < 30:
            raise NoAnswerError(f"no wind: only {len(keep)} s of velocity in the air, and 30 s are needed")
        level = None
        if airspeed is not None:
            rise = np.nan_to_num(climb[keep]) if climb is not None else np.zeros(len(keep))
            steady = _steadied(time[known], airspeed[known], time[keep])
            level = np.sqrt(np.maximum(steady**2 - rise**2, 0.25 * steady**2))
        span = ((time[keep] - time[keep[0]]) // SPAN_S).astype(np.intp)
        return cls(time[keep], east[keep], north[keep], level, np.unique(span, return_inverse=True)[1])

    def best_arc(self) -> float:
        """The most of the circle flown within one span, or two halves of neighbours."""
        arcs = [arc_flown_deg(self.east[pick], self.north[pick]) for pick in self._windows()]
        return max(arcs, default=0.0)

    def _windows(self) -> list[NDArray[np.intp]]:
        size = int(SPAN_S)
        return [
            np.arange(start, min(start + size, len(self.east)))
            for start in range(0, max(len(self.east) - size // 2, 1), size // 4)
        ]


def _start(data: _Samples) -> Floats:
    """A wind to start from: with an airspeed, of those up to `_FASTEST_WIND_MPS` the one that fits best, scale free."""
    if data.airspeed is None:
        return np.array([np.median(data.east), np.median(data.north)])
    some = slice(None, None, max(len(data.east) // 300, 1))
    speed, towards = np.meshgrid(np.arange(0.0, _FASTEST_WIND_MPS, 1.5), np.radians(np.arange(0.0, 360.0, 15.0)))
    winds = np.column_stack([(speed * np.sin(towards)).ravel(), (speed * np.cos(towards)).ravel()])
    through_air = np.hypot(data.east[some] - winds[:, :1], data.north[some] - winds[:, 1:])
    scale = np.median(through_air / data.airspeed[some], axis=1)
    misfit = np.log1p((through_air - scale[:, None] * data.airspeed[some]) ** 2).mean(axis=1)
    return np.asarray(winds[np.argmin(misfit + ((scale - 1.0) / _SCALE_SIGMA) ** 2 / 20.0)], np.float64)


def _refuse_doubted(data: _Samples, parameters: Floats) -> None:
    """Refuse a wind that rests on leaving out what does not agree with it.

    What lies far off is mostly a receiver's jump. But after a straight flight out and home only the turn tells the
    wind across the line, and a wind that is wrong there makes the turn look like such a jump.
    """
    if data.airspeed is None:
        return
    plain, _ = _fit(data, _LENIENT)
    if math.hypot(*(parameters - plain)[:2]) > _ANOTHER_MPS:
        both = " or ".join(
            f"{math.hypot(*wind):.1f} m/s from {math.degrees(math.atan2(*-wind)) % 360.0:.0f}°"
            for wind in (parameters[:2], plain[:2])
        )
        raise NoAnswerError(
            f"no wind: it is {both}, as one believes the straight flight or the few turns; a full circle would settle it"
        )


def _fit(data: _Samples, gross: float = _GROSS) -> tuple[Floats, Floats]:
    """Parameters (wind east, wind north, scale or airspeed, one offset a span) and their covariance."""
    mean, precision = _prior(data)
    parameters = mean.copy()
    parameters[:2] = _start(data)
    sigma, wander_s, variance = 2.0, 4.0, 4.0
    for attempt in range(60):
        residual, slopes, _ = _weighted(data, parameters, sigma, gross)
        if attempt % 10 == 5:
            wander_s = _likeliest_wander(data.time, residual, slopes, precision)
        variance = sigma**2 * _repeats(wander_s)
        information = slopes.T @ slopes / variance + precision
        step = np.linalg.solve(information, slopes.T @ residual / variance + precision @ (parameters - mean))
        parameters = parameters - step
        sigma = max(1.4826 * float(np.median(np.abs(residual))), 0.05)
        if np.abs(step).max() < 1e-5 and attempt > 6:
            break
    return parameters, _covariance(data, parameters, sigma, wander_s, precision)


def _prior(data: _Samples) -> tuple[Floats, Floats]:
    """Mean and precision of the parameters before any data: offsets of neighbouring spans are alike."""
    scaled = data.airspeed is not None
    spans = int(data.span.max()) + 1
    between = _SENSOR_BETWEEN_SPANS_MPS if scaled else _AIRSPEED_BETWEEN_SPANS_MPS
    apart = np.abs(np.subtract.outer(np.arange(spans), np.arange(spans))) * SPAN_S
    precision = np.zeros((3 + spans, 3 + spans))
    precision[:3, :3] = np.diag([1e-4, 1e-4, _SCALE_SIGMA**-2 if scaled else 1e-4])
    precision[3:, 3:] = np.linalg.inv(between**2 * np.exp(-apart / _THROTTLE_KEPT_S))
    usual = 1.0 if scaled else float(np.median(np.hypot(data.east, data.north)))
    return np.concatenate([[0.0, 0.0, usual], np.zeros(spans)]), precision


def _covariance(data: _Samples, parameters: Floats, sigma: float, wander_s: float, precision: Floats) -> Floats:
    """Sandwich covariance under the wider of two readings of the residual.

    It may be the airspeed that wanders, or the air itself: a gust stays where it is while the aircraft turns in it, and
    so acts on the mean of a circle where a wandering airspeed cancels.
    """
    residual, slopes, curvature = _weighted(data, parameters, sigma)
    _, _, spread, _ = _whitened(data.time, residual, slopes, wander_s)
    variance = sigma**2 * _repeats(wander_s)
    bread = np.linalg.inv(curvature * slopes.T @ slopes / variance + precision)
    heading = slopes[:, :2] / np.maximum(np.hypot(slopes[:, 0], slopes[:, 1]), 1e-9)[:, None]
    blows = sum(
        part.T @ _correlated(data.time, part, max(wander_s, _GUST_S)) * spread**2
        for part in (slopes * heading[:, :1], slopes * heading[:, 1:])
    )
    if data.airspeed is None:  # a change of airspeed within a turn fits a wind as well as steady flight does
        spread, wander_s = max(spread, _UNSEEN_WANDER_MPS), max(wander_s, _UNSEEN_WANDER_S)
    wanders = slopes.T @ _correlated(data.time, slopes, wander_s) * spread**2
    both = [bread @ (meat / variance**2 + precision) @ bread for meat in (wanders, blows)]
    return max(both, key=lambda covariance: float(np.trace(covariance[:2, :2])))


def _weighted(data: _Samples, parameters: Floats, sigma: float, gross: float = _GROSS) -> tuple[Floats, Floats, float]:
    """Residuals and slopes under the weights of the Cauchy loss, 95 % efficient at the normal.

    The third is the loss's mean curvature over its mean weight, which the covariance needs.
    """
    residual, slopes = _residuals(data, parameters)
    u2 = (residual / (gross * sigma)) ** 2
    weight = 1.0 / (1.0 + u2)
    curvature = max(float(np.mean((1.0 - u2) * weight**2) / np.mean(weight)), 0.3)
    return residual * np.sqrt(weight), slopes * np.sqrt(weight)[:, None], curvature


def _repeats(wander_s: float) -> float:
    """How many one-second samples of a wander say what one independent sample would."""
    keep = math.exp(-1.0 / wander_s)
    return (1.0 + keep) / (1.0 - keep)


def _correlated(time: Floats, slopes: Floats, wander_s: float) -> Floats:
    """C·slopes, C the exponential correlation, by one pass forward and one back."""
    keep = np.exp(-np.diff(time) / wander_s)
    forward, backward = slopes.copy(), slopes.copy()
    for i in range(1, len(time)):
        forward[i] += keep[i - 1] * forward[i - 1]
        backward[-i - 1] += keep[-i] * backward[-i]
    return forward + backward - slopes


def _likeliest_wander(time: Floats, residual: Floats, slopes: Floats, precision: Floats) -> float:
    """Time constant of the residual's wander that has the greatest restricted likelihood."""
    return max(_WANDER_S, key=lambda wander: _restricted_likelihood(time, residual, slopes, precision, wander))


def _restricted_likelihood(time: Floats, residual: Floats, slopes: Floats, precision: Floats, wander_s: float) -> float:
    y, X, sigma, log_det = _whitened(time, residual, slopes, wander_s)
    information = X.T @ X / sigma**2 + precision
    misfit = float(y @ y) / sigma**2
    return -0.5 * (2 * len(y) * math.log(sigma) + log_det + misfit + float(np.linalg.slogdet(information)[1]))


def _whitened(time: Floats, residual: Floats, slopes: Floats, wander_s: float) -> tuple[Floats, Floats, float, float]:
    """Residuals and slopes freed of an exponential correlation, their 1σ, and the log determinant of the map."""
    keep = np.exp(-np.diff(time) / wander_s)
    scale = 1.0 / np.sqrt(1.0 - keep**2)
    y = np.concatenate([residual[:1], (residual[1:] - keep * residual[:-1]) * scale])
    X = np.concatenate([slopes[:1], (slopes[1:] - keep[:, None] * slopes[:-1]) * scale[:, None]])
    sigma = max(math.sqrt(float(y @ y) / max(len(y) - 4, 1)), 0.02)
    return y, X, sigma, -2.0 * float(np.log(scale).sum())


def _residuals(data: _Samples, parameters: Floats) -> tuple[Floats, Floats]:
    """Air speed less what it should be, (N,), and its slopes by each parameter, (N, P)."""
    east, north = data.east - parameters[0], data.north - parameters[1]
    through_air = np.maximum(np.hypot(east, north), 0.1)
    base = data.airspeed if data.airspeed is not None else np.ones(len(east))
    residual = through_air - parameters[2] * base - parameters[3:][data.span]
    slopes = np.zeros((len(east), len(parameters)))
    slopes[:, 0], slopes[:, 1], slopes[:, 2] = -east / through_air, -north / through_air, -base
    slopes[np.arange(len(east)), 3 + data.span] = -1.0
    return residual, slopes
