"""Where the ground mirrors a wave, and how well: the plane that reflects, at every moment of a flight.

Without terrain the mirror is the smooth Earth at home's height. Over a known profile it is the ground about the point
where a ray from the one end would be thrown to the other:

* the plane is fitted to the ground inside the first Fresnel zone of the reflection, whose path by way of the ground is
  up to λ/2 longer, and both heights are counted over that plane;
* a plane whose point one end cannot see past the ground between mirrors nothing, nor one that an end lies under;
* ground that is not flat mirrors less, by Ament's factor exp(−2(k·σ·sin ψ)²): at Rayleigh's bound between smooth and
  rough, σ = λ/(8·sin ψ), three tenths are left.

A profile may have several such planes; the one that mirrors best is taken. Ground that falls away along a straight
slope, or lies lower or higher than home, moves the nulls to where they are; broken ground takes them away.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.radio.propagation import bulge_m, mirror_gain_dB, over_tangent, wavelength_m

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_REFLECTS = 0.9
_FLAT_M = 0.1  # roughness of a meadow
_HEIGHTS_GOOD_TO_M = 1.5  # rms of posts of radar from space among their neighbours on flat ground (from memory)
_TILTS = 0.15  # 1σ of ground's slope before its heights are looked at
_LEAST_REACH_M = 60.0  # either side: no file of heights knows the ground any finer
_BEGIN_AT = (0.01, 0.04, 0.15, 0.4, 0.7, 0.95)  # of the path, where a mirror is looked for
_ROUNDS = 4
_MOST_POSTS = 256
_AT_ONCE = 256


@dataclass(frozen=True)
class Mirror:
    """The reflecting plane at each moment, (N,) each: `distance_m` along it between the feet of both ends.

    `near_m` and `far_m` are the heights of station and aircraft over it, `roughness_m` the rms of the ground about it,
    `reflects` the share of the field that it throws back were it smooth.
    """

    distance_m: Floats
    near_m: Floats
    far_m: Floats
    roughness_m: Floats
    reflects: Floats

    def gain_dB(self, frequency_MHz: float, *, deeper: Floats | float = 1.0, higher: float = 1.0) -> Floats:
        """Direct plus mirrored wave over the direct one, for `deeper` times the station's height, `higher` the aircraft's."""
        return mirror_gain_dB(
            self.distance_m,
            self.near_m * deeper,
            self.far_m * higher,
            frequency_MHz,
            reflection=self.reflects,
            roughness_m=self.roughness_m,
        )

    def at(self, rows: NDArray[np.intp]) -> Mirror:
        """Some of the moments."""
        return Mirror(*(column[rows] for column in self._columns()))

    def known_or(self, other: Mirror) -> Mirror:
        """This mirror where it is known, else another."""
        known = np.isfinite(self.near_m)
        pairs = zip(self._columns(), other._columns(), strict=True)
        return Mirror(*(np.where(known, mine, theirs) for mine, theirs in pairs))

    def table(self) -> Floats:
        """The columns side by side, (N, 5)."""
        return np.column_stack(self._columns())

    def _columns(self) -> tuple[Floats, ...]:
        return self.distance_m, self.near_m, self.far_m, self.roughness_m, self.reflects


def smooth_mirror(distance_m: Floats, height_m: Floats, station_height_m: float) -> Mirror:
    """The smooth Earth at home's height."""
    distance = np.maximum(distance_m, 1.0)
    far, near = over_tangent(distance, np.maximum(height_m, 0.1), np.full_like(distance, station_height_m))
    return Mirror(distance, near, far, np.full_like(distance, _FLAT_M), np.full_like(distance, _REFLECTS))


def mirror_over(along_m: Floats, ground_m: Floats, near_m: Floats, far_m: Floats, frequency_MHz: float) -> Mirror:
    """The best mirror of each profile: `along_m` and `ground_m` (M, P), heights of both ends over one level (M,).

    NaN throughout where a profile is not known.
    """
    step = -(-ground_m.shape[1] // _MOST_POSTS)
    picked = np.unique(np.append(np.arange(0, ground_m.shape[1], step), ground_m.shape[1] - 1))
    x = along_m[:, picked]
    z = ground_m[:, picked] + bulge_m(x, x[:, -1:] - x)
    parts = [
        _best(x[part], z[part], near_m[part], far_m[part], wavelength_m(frequency_MHz))
        for part in (slice(first, first + _AT_ONCE) for first in range(0, len(x), _AT_ONCE))
    ]
    return Mirror(*np.concatenate(parts).T) if parts else Mirror(*np.zeros((5, 0)))


@dataclass(frozen=True)
class _Planes:
    """Planes z = slope·x + level under paths, (M, 1) each, and what follows from them by elementary geometry."""

    slope: Floats
    level: Floats
    near: Floats
    far: Floats
    total: Floats

    @property
    def cosine(self) -> Floats:
        return 1.0 / np.hypot(1.0, self.slope)

    @property
    def heights(self) -> tuple[Floats, Floats]:
        """Of both ends, square to the plane."""
        over = self.far - self.level - self.slope * self.total
        return (self.near - self.level) * self.cosine, over * self.cosine

    @property
    def feet(self) -> tuple[Floats, Floats]:
        """Of both ends, along the plane from where x is 0."""
        return (
            self.slope * (self.near - self.level) * self.cosine,
            (self.total + self.slope * (self.far - self.level)) * self.cosine,
        )

    def specular(self) -> Floats:
        """Place along x at which the ray is thrown back at the angle it came."""
        (low, high), (begin, end) = self.heights, self.feet
        share = np.clip(low / np.where(np.abs(low + high) > 1e-6, low + high, 1e-6), 0.0, 1.0)
        return np.asarray((begin + (end - begin) * share) * self.cosine)

    def longer(self, x: Floats) -> Floats:
        """How much longer the way by the plane at x is than by its specular point."""
        (low, high), (begin, end) = self.heights, self.feet
        t = x / self.cosine
        return np.asarray(np.hypot(t - begin, low) + np.hypot(end - t, high) - np.hypot(end - begin, low + high))


def _best(x: Floats, z: Floats, near: Floats, far: Floats, wave: float) -> Floats:
    """Columns of `Mirror` (M, 5) of the plane that throws most back among those found from several places."""
    k = 2.0 * np.pi / wave
    best = np.full((len(x), 5), np.nan)
    most = np.full(len(x), -1.0)
    for begin in _BEGIN_AT:
        planes, rough, seen = _settled(x, z, near[:, None], far[:, None], wave, begin)
        (low, high), (first, last) = planes.heights, planes.feet
        sine = (low + high) / np.maximum(np.hypot(last - first, low + high), 1e-6)
        reflects = np.where(seen & (low > 0.0) & (high > 0.0), _REFLECTS, 0.0)
        back = (reflects * np.exp(-2.0 * (k * rough * sine) ** 2))[:, 0]
        found = np.column_stack([last - first, np.maximum(low, 0.05), np.maximum(high, 0.05), rough, reflects])
        better = back > most + 1e-9
        best[better], most[better] = found[better], back[better]
    best[~np.isfinite(z).all(axis=1) | ~np.isfinite(near) | ~np.isfinite(far)] = np.nan
    return best


def _settled(
    x: Floats, z: Floats, near: Floats, far: Floats, wave: float, begin: float
) -> tuple[_Planes, Floats, Bools]:
    """Planes after some rounds of fitting and finding the specular point anew, their roughness, whether both ends see it."""
    total = x[:, -1:]
    zone = np.abs(x - begin * total) <= np.maximum(0.02 * total, _LEAST_REACH_M)
    planes, rough = _fitted(x, z, zone, near, far)
    for _ in range(_ROUNDS):
        zone = (planes.longer(x) <= wave / 2) | (np.abs(x - planes.specular()) <= _LEAST_REACH_M)
        planes, rough = _fitted(x, z, zone, near, far)
    return planes, rough, _seen(x, z, zone, planes)


def _fitted(x: Floats, z: Floats, zone: Bools, near: Floats, far: Floats) -> tuple[_Planes, Floats]:
    """Least squares through the ground of a zone, a steep slope being less likely; the nearest post where there is none."""
    count = np.maximum(zone.sum(axis=1, keepdims=True), 1)
    middle, height = (np.where(zone, v, 0.0).sum(axis=1, keepdims=True) / count for v in (x, z))
    off = np.where(zone, x - middle, 0.0)
    doubt = (_HEIGHTS_GOOD_TO_M / _TILTS) ** 2
    slope = (off * (z - height)).sum(axis=1, keepdims=True) / ((off**2).sum(axis=1, keepdims=True) + doubt)
    rest = np.where(zone, z - height - slope * off, 0.0)
    variance = (rest**2).sum(axis=1, keepdims=True) / np.maximum(count - 2, 1) - _HEIGHTS_GOOD_TO_M**2
    rough = np.hypot(_FLAT_M, np.sqrt(np.maximum(variance, 0.0)))
    return _Planes(slope, height - slope * middle, near, far, x[:, -1:]), rough


def _seen(x: Floats, z: Floats, zone: Bools, planes: _Planes) -> Bools:
    """Whether no ground outside the zone stands in either ray, by more than heights are good for: (M, 1)."""
    at, total = planes.specular(), x[:, -1:]
    foot = planes.level + planes.slope * at
    inward = planes.near + (foot - planes.near) * x / np.maximum(at, 1e-3)
    outward = foot + (planes.far - foot) * (x - at) / np.maximum(total - at, 1e-3)
    ray = np.where(x < at, inward, outward)
    between = ~zone & (x > 0.0) & (x < total)
    hidden = np.any(between & (z > ray + _HEIGHTS_GOOD_TO_M), axis=1, keepdims=True)
    return np.asarray(~hidden & (at > 0.0) & (at < total))
