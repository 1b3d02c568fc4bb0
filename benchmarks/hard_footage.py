"""Clean footage that is hard to tell from a broken picture, for scoring false alarms.

A camera flies over a generated ground under a generated sky, drawn field by field (50 or 60 fields a second, interleaved)
with figures burned in. Each scene adds one thing that a careless measure takes for a break-up. Nothing here uses the code
under test.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Real = NDArray[np.float32]

WIDTH = 720
_FOCAL = 430.0
_METRES_PER_TEXEL = 0.5
_LEVELS = 5


def _fractal(size: int, rng: np.random.Generator, octaves: int, fall: float) -> Real:
    total = np.zeros((size, size), np.float32)
    for octave in range(octaves):
        cells = min(size, 4 << octave)
        grid = rng.normal(size=(cells, cells)).astype(np.float32)
        grid = np.pad(grid, 2, mode="wrap")
        scale = size // cells
        wide = cv2.resize(grid, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
        total += fall**octave * wide[2 * scale : 2 * scale + size, 2 * scale : 2 * scale + size]
    return total / total.std()


def _band(chosen: NDArray[np.bool_]) -> slice:
    """The rows between the first and the last with something chosen."""
    rows = np.flatnonzero(chosen.any(axis=1))
    return slice(rows[0], rows[-1] + 1) if len(rows) else slice(0, 0)


def _wrapped(place: Real, size: int) -> Real:
    """Places (any shape) in a texture that repeats every `size`; many times faster than a remainder."""
    place -= np.float32(size) * np.floor(place * np.float32(1 / size))
    return place


class World:
    """Ground and cloud textures, tiled, with their pyramids. Luma in levels, colour as two slow planes."""

    def __init__(self, seed: int, kind: str = "fields") -> None:
        rng = np.random.default_rng([seed, 0xA11])
        size = 2048
        rough = _fractal(size, rng, 9, 0.72)
        patches = _fractal(size, rng, 4, 0.8)
        luma = 105 + 16 * rough
        self.tint = np.stack([_fractal(256, rng, 5, 0.7) * 7 - 10, _fractal(256, rng, 5, 0.7) * 6 - 4])
        if kind == "fields":
            self._plough(luma, patches, rng)
            self._roads(luma, rng)
            self._houses(luma, rng)
        elif kind == "crops":
            rows = np.arange(size, dtype=np.float32)
            luma += 38 * np.sign(np.sin(2 * np.pi * rows / 4))[None, :] * (patches > -0.3)
            luma += 30 * np.sign(np.sin(2 * np.pi * rows / 8))[:, None] * (patches <= -0.3)
        elif kind == "water":
            luma = 70 + 5 * rough
            self.tint = np.stack([np.full((256, 256), 12.0), np.full((256, 256), -8.0)])
        level = np.clip(luma, 20, 235).astype(np.uint8)
        self.pyramid = [level]
        for _ in range(_LEVELS - 1):
            self.pyramid.append(cv2.resize(self.pyramid[-1], None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
        self.clouds = np.clip(_fractal(1024, rng, 8, 0.6) * 0.35 + 0.15, 0, 1).astype(np.float32)

    @staticmethod
    def _plough(luma: Real, patches: Real, rng: np.random.Generator) -> None:
        rows, columns = np.mgrid[: len(luma), : len(luma)].astype(np.float32)
        for low in np.linspace(-1.5, 1.5, 7):
            angle = rng.uniform(0, np.pi)
            lines = np.sin((rows * np.sin(angle) + columns * np.cos(angle)) * 2 * np.pi / rng.uniform(8, 20))
            luma += np.where((patches > low) & (patches < low + 0.5), 9 * lines + rng.normal(0, 18), 0)

    @staticmethod
    def _roads(luma: Real, rng: np.random.Generator) -> None:
        for _ in range(14):
            a, b = rng.integers(0, len(luma), (2, 2))
            cv2.line(luma, (int(a[0]), int(a[1])), (int(b[0]), int(b[1])), float(rng.uniform(150, 200)), 8, cv2.LINE_AA)

    @staticmethod
    def _houses(luma: Real, rng: np.random.Generator) -> None:
        for _ in range(260):
            x, y = rng.integers(0, len(luma) - 40, 2)
            w, h = rng.integers(12, 36, 2)
            cv2.rectangle(luma, (int(x), int(y)), (int(x + w), int(y + h)), float(rng.uniform(60, 225)), -1)


@dataclass
class View:
    """One moment of the camera and of what lies between it and the world."""

    time_s: float
    east_m: float = 0.0
    north_m: float = 0.0
    height_m: float = 120.0
    yaw: float = 0.0
    pitch: float = 0.12
    """Down positive."""
    bank: float = 0.0
    fog: float = 0.0
    """0 clear … 1 white."""
    visibility_m: float = 6000.0
    gain: float = 1.0
    sensor_noise: float = 1.0
    sun: float | None = None
    """Azimuth of a sun in the picture."""
    glitter: float = 0.0
    wobble_px: float = 0.0
    drops: bool = False
    blink: bool = False
    camera: int = 0


@dataclass
class Camera:
    """Draws views of a world; `rows` of the frame, two fields interleaved."""

    world: World
    rows: int = 576
    seed: int = 0
    _drops: list[tuple[float, float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = np.random.default_rng([self.seed, 0xD0])
        self._drops = [(rng.uniform(0, WIDTH), rng.uniform(0, self.rows), rng.uniform(18, 70)) for _ in range(16)]
        noise = np.random.default_rng([self.seed, 0x5E]).normal(size=(self.rows + 64, WIDTH + 64)).astype(np.float32)
        # A camera's noise has passed its own filters: a little of it is shared by neighbouring samples.
        self._noise = noise * np.float32(0.8) + np.roll(noise, 1, axis=1) * np.float32(0.6)

    @cached_property
    def _elsewhere(self) -> World:
        """What a second camera sees."""
        return World(self.seed + 77)

    def frame(self, views: tuple[View, View]) -> tuple[Image, Image, Image]:
        """Luma and colour planes, (rows, 720) each, of the two fields' views."""
        planes = tuple(np.empty((self.rows, WIDTH), np.uint8) for _ in range(3))
        for parity, view in enumerate(views):
            for plane, drawn in zip(planes, self._field(view, parity), strict=True):
                plane[parity::2] = drawn
        figures(planes, views[0])
        return planes[0], planes[1], planes[2]

    def _rays(self, view: View, parity: int, step: int) -> tuple[Real, Real, Real]:
        rows = np.arange(parity, self.rows, 2, dtype=np.float32)[::step]
        columns = np.arange(0, WIDTH, step, dtype=np.float32)
        x = ((columns - WIDTH / 2) / _FOCAL)[None, :]
        y = ((rows - self.rows / 2) * (576 / self.rows) / _FOCAL)[:, None]
        if view.wobble_px:
            phase = 2 * np.pi * (rows / self.rows * 2.7 + 31.7 * view.time_s)
            x = x + np.float32(view.wobble_px / _FOCAL) * np.sin(phase).astype(np.float32)[:, None]
        c, s = np.float32(np.cos(view.bank)), np.float32(np.sin(view.bank))
        right, down = x * c - y * s, x * s + y * c
        cp, sp = np.float32(np.cos(view.pitch)), np.float32(np.sin(view.pitch))
        ahead, below = cp - down * sp, sp + down * cp
        cy, sy = np.float32(np.cos(view.yaw)), np.float32(np.sin(view.yaw))
        return right * cy + ahead * sy, ahead * cy - right * sy, below

    def _field(self, view: View, parity: int) -> tuple[Image, Image, Image]:
        world = self._elsewhere if view.camera else self.world
        east, north, below = self._rays(view, parity, 1)
        reach = np.float32(view.height_m) / np.maximum(below, 1e-4)
        across = np.sqrt(east * east + north * north)
        luma = self._ground(world, view, east * reach, north * reach, reach)
        haze = np.exp(-reach * across / np.float32(view.visibility_m))
        luma -= 190
        luma *= haze
        luma += 190
        up = below <= 1e-4
        band = _band(up)
        if band.stop:
            np.copyto(luma[band], self._sky(world, view, east[band], north[band], below[band]), where=up[band])
        if view.glitter:
            luma += self._glitter(view, parity, below, haze)
        luma = self._optics(luma, view)
        e4, n4, b4 = (plane[::4, ::4] for plane in (east, north, below))
        r4 = reach[::4, ::4]
        moved = ((view.east_m, e4), (view.north_m, n4))
        place = [_wrapped(np.float32(0.25) * (np.float32(offset) + along * r4), 256) for offset, along in moved]
        colours = []
        for k, (tint, sky_tint) in enumerate(zip(world.tint.astype(np.float32), (9.0, -6.0), strict=True)):
            drawn = cv2.remap(tint, place[0], place[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            drawn = np.where(b4 > 1e-4, sky_tint + (drawn - sky_tint) * haze[::4, ::4], sky_tint)
            drawn = drawn * np.float32((1 - view.fog) * min(view.gain, 1.3)) + 128
            drawn = drawn + self._colour_noise(view, parity, k, drawn.shape)
            colours.append(cv2.resize(drawn.clip(16, 240).astype(np.uint8), (WIDTH, self.rows // 2)))
        return luma, colours[0], colours[1]

    def _colour_noise(self, view: View, parity: int, k: int, shape: tuple[int, ...]) -> Real:
        """Noise of the sensor in colour: coarser than in luma, as cameras smooth it, and about as strong."""
        rng = np.random.default_rng([self.seed, int(view.time_s * 1000), parity, k])
        dy, dx = rng.integers(0, 60, 2)
        return self._noise[dy : dy + shape[0], dx : dx + shape[1]] * np.float32(view.sensor_noise)

    def _ground(self, world: World, view: View, east: Real, north: Real, reach: Real) -> Real:
        texel = np.log2(np.maximum(reach / _FOCAL / _METRES_PER_TEXEL * 1.6, 1.0))
        level = np.clip(np.rint(texel + 0.3 * reach / (reach + 400)), 0, _LEVELS - 1).astype(np.uint8)
        level[reach >= view.height_m * 1e4] = 255  # sky
        result = np.zeros(reach.shape, np.float32)
        for k in range(_LEVELS):
            chosen = level == k
            band = _band(chosen)
            if band.start == band.stop:
                continue
            size, scale = len(world.pyramid[k]), np.float32(1 / _METRES_PER_TEXEL / 2**k)
            x = _wrapped((np.float32(view.east_m) + east[band]) * scale, size)
            y = _wrapped((np.float32(view.north_m) + north[band]) * scale, size)
            drawn = cv2.remap(world.pyramid[k], x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            np.copyto(result[band], drawn, where=chosen[band], casting="unsafe")
        return result

    @staticmethod
    def _sky(world: World, view: View, east: Real, north: Real, below: Real) -> Real:
        up = np.maximum(-below, 0)
        far = np.float32(220) / (up + np.float32(0.08))
        x = _wrapped(east * far + np.float32(view.time_s * 2), 1024)
        y = _wrapped(north * far, 1024)
        cover = cv2.remap(world.clouds, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        return 190 - 70 * np.sqrt(up) + 70 * cover * np.minimum(up * 12, 1)

    def _glitter(self, view: View, parity: int, below: Real, haze: Real) -> Real:
        """Facets of waves that catch the sun for one field: bright specks, small, on water only, thick below the sun."""
        rng = np.random.default_rng([self.seed, int(view.time_s * 1000), parity])
        centre = WIDTH * 0.5 + 200 * np.sin(0.1 * view.time_s)
        column = np.exp(-(((np.arange(WIDTH) - centre) / 130) ** 2)).astype(np.float32)
        where = rng.random(below.shape, dtype=np.float32) < view.glitter * column[None, :] * (below > 0.01)
        specks = np.where(where, np.float32(rng.uniform(90, 200)), 0).astype(np.float32)
        return cv2.GaussianBlur(specks, (3, 3), 0.7) * 2.2 * haze

    def _optics(self, luma: Real, view: View) -> Image:
        if view.sun is not None:
            luma = self._flare(luma, view)
        if view.drops:
            luma = self._rain(luma)
        luma = (luma - 16) * np.float32(view.gain) + 16
        luma += (232 - luma) * np.float32(view.fog)
        luma = cv2.addWeighted(luma, 1.35, cv2.GaussianBlur(luma, (5, 1), 1.0), -0.35, 0)  # aperture correction
        dy, dx = np.random.default_rng([self.seed, int(view.time_s * 1000)]).integers(0, 60, 2)
        luma += self._noise[dy : dy + self.rows : 2, dx : dx + WIDTH] * np.float32(view.sensor_noise)
        return np.clip(luma, 16, 235).astype(np.uint8)

    def _flare(self, luma: Real, view: View) -> Real:
        assert view.sun is not None
        x, y = WIDTH / 2 + (view.sun - view.yaw) * _FOCAL, self.rows * 0.25
        rows = np.arange(0, self.rows, 2, dtype=np.float32)[:, None]
        columns = np.arange(WIDTH, dtype=np.float32)[None, :]
        for k, (size, power) in enumerate(((26, 900), (120, 150), (420, 70), (34, 60), (60, 35))):
            cx, cy = (x, y) if k < 3 else (WIDTH - x * (0.4 + 0.3 * k), self.rows - y * (0.2 + 0.3 * k))
            luma = luma + np.float32(power) * np.exp(-((columns - cx) ** 2 + (rows - cy) ** 2) / np.float32(size**2))
        return luma + np.float32(150) * np.exp(-((columns - x) ** 2) / np.float32(64))  # smear of a CCD

    def _rain(self, luma: Real) -> Real:
        blurred = cv2.GaussianBlur(luma, (0, 0), 9)
        mask = np.zeros(luma.shape, np.float32)
        for x, y, size in self._drops:
            cv2.ellipse(mask, (int(x), int(y / 2)), (int(size), int(size / 2)), 0, 0, 360, 1.0, -1)
        mask = cv2.GaussianBlur(mask, (0, 0), 4)
        return luma + (blurred + 25 - luma) * mask


def figures(planes: tuple[Image, ...], view: View) -> None:
    """Burn changing figures in, white with a black rim, as a generator in the aircraft does."""
    t = view.time_s
    texts = [
        (f"{16.8 - t / 200:4.1f}V", 0.07, 0.12),
        (f"{int(t) // 60:02d}:{int(t) % 60:02d}", 0.80, 0.12),
        (f"{view.height_m:4.0f}M", 0.82, 0.52),
        (f"{62 + 4 * np.sin(t):3.0f}KMH", 0.06, 0.52),
        (f"{np.hypot(view.east_m, view.north_m) / 1000:5.2f}KM", 0.40, 0.94),
        ("HOME", 0.44, 0.10),
    ]
    if view.blink and int(t * 2) % 2:
        texts.append(("LOW BATTERY", 0.34, 0.66))
    rows = planes[0].shape[0]
    for text, x, y in texts:
        place = (int(x * WIDTH), int(y * rows))
        ink = np.zeros((48, 260), np.uint8)
        cv2.putText(ink, text, (6, 36), cv2.FONT_HERSHEY_SIMPLEX, 0.9, 255, 2, cv2.LINE_8)
        part = planes[0][place[1] - 36 : place[1] + 12, place[0] - 6 : place[0] + 254]
        ink = ink[: part.shape[0], : part.shape[1]]
        part[cv2.dilate(ink, np.ones((5, 5), np.uint8)) > 0] = 16
        part[ink > 0] = 220


Flight = Callable[[float], View]


def _wander(t: float, phases: NDArray[np.float64], periods: tuple[float, ...]) -> float:
    return float(sum(np.sin(2 * np.pi * t / p + a) for p, a in zip(periods, phases, strict=True)) / len(periods))


def cruise(seed: int) -> Flight:
    """Steady flight with gusts and gentle turns: what every scene starts from."""
    rng = np.random.default_rng([seed, 0xF1])
    phases = rng.uniform(0, 2 * np.pi, (4, 3))
    height, heading = float(rng.uniform(70, 220)), float(rng.uniform(0, 6.28))
    speed = float(rng.uniform(14, 22))

    def view(t: float) -> View:
        bank = 0.25 * _wander(t, phases[0], (31.0, 17.0, 2.3))
        yaw = heading + 1.2 * _wander(t, phases[1], (47.0, 29.0, 3.1))
        return View(
            t,
            east_m=speed * t * np.sin(heading),
            north_m=speed * t * np.cos(heading),
            height_m=height + 25 * _wander(t, phases[2], (60.0, 41.0, 13.0)),
            yaw=yaw,
            pitch=0.12 + 0.06 * _wander(t, phases[3], (9.0, 5.0, 1.7)),
            bank=bank,
        )

    return view


def _with(base: Flight, **changes: Callable[[float], object] | float) -> Flight:
    def view(t: float) -> View:
        drawn = base(t)
        for name, at in changes.items():
            setattr(drawn, name, at(t) if callable(at) else at)
        return drawn

    return view


def _pulse(t: float, period: float, rise: float, hold: float) -> float:
    """0 … 1: up, held and down again once in each period."""
    x = t % period
    return float(np.clip(min((x - 4) / rise, (4 + 2 * rise + hold - x) / rise), 0, 1))


_GROUNDS = {"water": "water", "crops": "crops"}


def courses(seed: int) -> dict[str, Flight]:
    """The camera's course in every scene, by the scene's name."""
    base = cruise(seed)
    rng = np.random.default_rng([seed, 0xB])
    flashes = rng.uniform(0.35, 1.9, 200)
    cuts = np.cumsum(rng.uniform(2, 6, 200))

    def cut(t: float) -> int:
        return int(np.searchsorted(cuts, t)) % 2

    def still(t: float) -> View:
        """On the ground for most of the time, then a launch."""
        if t % 30 < 22:
            return View(t, height_m=0.6, pitch=0.05, yaw=0.4, bank=0.02)
        return _with(base, height_m=lambda s: 0.6 + 4 * (s % 30 - 22) ** 2)(t)

    changes: dict[str, dict[str, Callable[[float], object] | float]] = {
        "plain": {},
        "white-out": {"fog": lambda t: _pulse(t, 20, 1.5, 5) ** 0.5},
        "sun": {"sun": lambda t: base(t).yaw + 0.9 * np.sin(0.7 * t), "gain": lambda t: 0.8 - 0.3 * np.cos(1.4 * t)},
        "dusk": {"gain": 0.42, "sensor_noise": lambda t: 5.0 + 4.0 * np.sin(0.2 * t)},
        "dark": {"gain": lambda t: max(0.03, 0.5 - t / 40), "sensor_noise": 3.0},
        "rain": {"drops": lambda t: t % 20 > 6, "visibility_m": 2500.0},
        "water": {"glitter": lambda t: 0.012 + 0.010 * np.sin(0.5 * t), "height_m": 40.0},
        "crops": {"height_m": lambda t: 35.0 + 20 * np.sin(0.3 * t)},
        "pans": {"yaw": lambda t: base(t).yaw + 2.2 * np.sin(1.9 * t) ** 3},
        "exposure": {"gain": lambda t: float(flashes[int(t * 0.9) % 200])},
        "cuts": {"camera": cut, "yaw": lambda t: base(t).yaw + 2.6 * cut(t)},
        "blinking": {"blink": True},
        "wobble": {"wobble_px": lambda t: 2.5 * max(0.0, np.sin(0.5 * t))},
        "haze": {"visibility_m": lambda t: 300 + 250 * np.sin(0.4 * t), "fog": 0.3},
    }
    return {"still": still, **{name: _with(base, **change) for name, change in changes.items()}}


def scene_named(name: str, seed: int) -> tuple[World, Flight]:
    """The world and the camera's course of one scene."""
    return World(seed, _GROUNDS.get(name, "fields")), courses(seed)[name]


def shoot(
    scene: tuple[World, Flight],
    frames: int,
    *,
    rows: int = 576,
    frame_rate: float = 25.0,
    seed: int = 0,
    interlaced: bool = True,
) -> Iterator[tuple[Image, Image, Image]]:
    """Frames of a scene as full-size Y, U, V planes (rows, 720), limited range."""
    world, flight = scene
    camera = Camera(world, rows, seed)
    for k in range(frames):
        t = k / frame_rate
        yield camera.frame((flight(t), flight(t + (0.5 / frame_rate if interlaced else 0.0))))
