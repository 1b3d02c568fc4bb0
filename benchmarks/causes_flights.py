"""Labelled synthetic flights for `causes.py`: the true budget of a link, what a log would hold of it, and its true causes.

Nothing here shares code with the package's radio model: kinematics, attitude by rotation of vectors, aerial patterns,
exact Fresnel integrals over a hill, a mirror of random strength, fading, and disturbances from outside. What is true of
an event is decided by leaving terms out of the *true* budget.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyproj
from scipy.special import fresnel

from overlay.mechanics.flight import readings_of
from overlay.radio.aerials import Aerial
from overlay.radio.link import Link
from overlay.readings import BrokenPicture, Readings
from overlay.tracks.track import Track

GEOD = pyproj.Geod(ellps="WGS84")
HOME = (47.3, -33.9, 20.0)
RATE = 10.0
KINDS = ("range", "banking", "ground aerial off axis", "ground reflection", "horizon or hill", "airframe in the way",
         "weather", "unexplained")  # fmt: skip


@dataclass
class Truth:
    """One flight's true budget at 10 Hz; losses are positive dB."""

    time: np.ndarray
    losses: dict[str, np.ndarray]
    bare: np.ndarray  # margin with no loss but range
    fade: np.ndarray
    disturbed: np.ndarray
    margin: np.ndarray
    events: list[tuple[float, float]] = field(default_factory=list)


def wander(rng, count, tau_s, step_s=1 / RATE):
    from scipy.signal import lfilter

    keep = np.exp(-step_s / tau_s)
    noise = rng.normal(size=count) * np.sqrt(1 - keep**2)
    noise[0] /= np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], noise)


def kinematics(rng, kind):
    """Fly out, turn, fly home with weaving, banked turns where the kind asks for them, and a dogleg to one side."""
    far = rng.uniform(3000.0, 9000.0)
    height = rng.uniform(70.0, 180.0)
    base = rng.uniform(0, 360)
    speed = rng.uniform(14.0, 22.0)
    wind = rng.normal(size=2) * 3.0
    dogleg = kind == "ground aerial off axis" or rng.random() < 0.15
    corner = rng.uniform(35.0, 70.0) * rng.choice([-1, 1]) if dogleg else 0.0
    goals = [(far * 0.75, base), (far, base + corner * 0.7), (far * 0.8, base + corner), (0.0, base)]
    if not dogleg:
        goals = [(far, base), (0.0, base)]
    points = [np.array([r * np.sin(np.radians(b)), r * np.cos(np.radians(b))]) for r, b in goals]
    place, heading, bank = np.zeros(2), np.radians(base), 0.0
    rows, jink_left, jink_sign, next_jink = [], 0.0, 1.0, 20.0
    weave = wander(rng, 60_000, 8.0)
    up, t, goal = 0.0, 0.0, 0
    steep = kind == "banking" or rng.random() < 0.3
    while goal < len(points) and t < 3000.0:
        to = points[goal] - place
        distance = np.hypot(*to)
        if distance < (60.0 if goal < len(points) - 1 else 150.0):
            goal += 1
            continue
        want = np.arctan2(to[0], to[1])
        air = wind[0] * np.cos(want) - wind[1] * np.sin(want)
        want -= np.arcsin(np.clip(air / speed, -0.9, 0.9))
        error = (want - heading + np.pi) % (2 * np.pi) - np.pi
        target = np.clip(np.degrees(error) * 0.9, -28.0, 28.0) + 5.0 * weave[len(rows)]
        next_jink -= 1 / RATE
        if steep and next_jink < 0 and np.hypot(*place) > 0.45 * far:
            jink_left, jink_sign, next_jink = rng.uniform(2.5, 7.0), rng.choice([-1.0, 1.0]), rng.uniform(25.0, 70.0)
        if jink_left > 0:
            target, jink_left = jink_sign * rng.uniform(52.0, 68.0), jink_left - 1 / RATE
        bank += np.clip(np.radians(target) - bank, -1.2 / RATE, 1.2 / RATE)
        heading += 9.80665 * np.tan(bank) / speed / RATE
        velocity = speed * np.array([np.sin(heading), np.cos(heading)]) + wind
        place = place + velocity / RATE
        up += np.clip(height - up, -2.5, 4.0) / RATE if goal < len(points) - 1 or distance > 800 else -1.5 / RATE
        rows.append((*place, max(up, 2.0), bank, heading, *velocity))
        t += 1 / RATE
    flown = np.array(rows)
    stand = np.tile([0.0, 0.0, 0.0, 0.0, np.radians(base), 0.0, 0.0], (int(20 * RATE), 1))
    rest = np.tile(np.append(flown[-1, :2], [0.0, 0.0, flown[-1, 4], 0.0, 0.0]), (int(20 * RATE), 1))
    table = np.vstack([stand, flown, rest])
    flying = np.zeros(len(table), bool)
    flying[len(stand) : -len(rest)] = True
    return table, flying, speed, far, base


def body_direction(table, ground_height):
    """Unit vectors from the aircraft to the station in forward, right, down, by undoing heading, then bank."""
    east, north, up, bank, heading = table[:, :5].T
    to = np.column_stack([-east, -north, ground_height - up])
    to /= np.maximum(np.linalg.norm(to, axis=1, keepdims=True), 1e-6)
    forward = to[:, 0] * np.sin(heading) + to[:, 1] * np.cos(heading)
    side = to[:, 0] * np.cos(heading) - to[:, 1] * np.sin(heading)
    down = -to[:, 2]
    return np.column_stack(
        [forward, side * np.cos(bank) + down * np.sin(bank), down * np.cos(bank) - side * np.sin(bank)]
    )


def rod(sine):
    """A half-wave rod with filled nulls; `sine` of the angle between the rod and the direction."""
    cosine = np.sqrt(np.clip(1 - sine**2, 0, 1))
    field_strength = np.cos(np.pi / 2 * cosine) / np.maximum(sine, 1e-3)
    return -20 * np.log10(np.maximum(np.abs(field_strength), 10 ** (-18 / 20)))


def lean(table):
    """Angle between the aircraft's upright rod and a vertical one, seen from the station."""
    bank, heading = table[:, 3], table[:, 4]
    axis = np.column_stack([-np.sin(bank) * np.cos(heading), np.sin(bank) * np.sin(heading), -np.cos(bank)])
    east, north, up = table[:, :3].T
    to = np.column_stack([-east, -north, 2.0 - up])
    to /= np.maximum(np.linalg.norm(to, axis=1, keepdims=True), 1e-6)
    vertical = np.broadcast_to([0.0, 0.0, -1.0], axis.shape)
    flat = [v - np.sum(v * to, axis=1, keepdims=True) * to for v in (axis, vertical)]
    lengths = np.linalg.norm(flat[0], axis=1) * np.linalg.norm(flat[1], axis=1)
    return np.abs(np.sum(flat[0] * flat[1], axis=1)) / np.maximum(lengths, 1e-9)


def make(seed):
    """A flight of the kind that its seed asks for: (truth, readings, link, ground profiles or None, pointing)."""
    rng = np.random.default_rng([seed, 77])
    kind = KINDS[seed % len(KINDS)]
    MHz = 5800.0 if kind == "weather" else float(rng.choice([1280.0, 2400.0, 5800.0]))
    if kind == "ground reflection":
        MHz = float(rng.choice([1280.0, 2400.0]))
    table, flying, speed, far, base = kinematics(rng, kind)
    east, north, up = table[:, :3].T
    distance = np.hypot(east, north)
    count = len(table)
    linear = kind in ("banking",) or rng.random() < 0.4
    patch = kind == "ground aerial off axis" or rng.random() < 0.4
    ground_height = rng.uniform(1.5, 4.0)
    wave = 299.792458 / MHz
    body = body_direction(table, ground_height)
    slant = np.hypot(distance, up - ground_height)
    losses = {}
    sine = np.sqrt(np.clip(1 - body[:, 2] ** 2, 0, 1))
    level_sine = distance / np.maximum(slant, 1e-6)
    pattern = (
        rod(sine) - rod(level_sine) if linear else 20 * np.log10(np.maximum(level_sine, 0.12) / np.maximum(sine, 0.12))
    )
    tilt = -20 * np.log10(np.maximum(lean(table), 10 ** (-rng.uniform(14, 22) / 20))) if linear else 0.0
    losses["banking"] = pattern * rng.normal(1, 0.2) + tilt * np.clip(rng.normal(1, 0.2), 0.5, 1.4)
    losses["overhead"] = (rod(level_sine) if linear else -20 * np.log10(np.maximum(level_sine, 0.12))) * rng.uniform(
        0.5, 1
    )
    axis = base + rng.normal() * 4.0
    off = (np.degrees(np.arctan2(east, north)) - axis + 180) % 360 - 180
    pointing = pointed(seed, kind) if patch else "none"
    if patch and pointing != "tracked, not told":
        exponent = np.log(0.5) / np.log(np.cos(np.radians(33.0)))  # half power 33° off the axis
        cosine = np.maximum(np.cos(np.radians(off)), 0.0) ** exponent
        losses["ground aerial off axis"] = -10 * np.log10(np.maximum(cosine, 10 ** (-rng.uniform(1.3, 2.0))))
    else:
        losses["ground aerial off axis"] = np.zeros(count)
    mirror = rng.uniform(0.8, 0.97) if kind == "ground reflection" else rng.uniform(0.1, 0.6)
    path = np.hypot(distance, up + ground_height) - slant
    losses["ground reflection"] = -20 * np.log10(
        np.maximum(np.abs(1 - mirror * np.exp(-2j * np.pi * path / wave)), 0.03)
    )
    losses["horizon or hill"], profiles = hill(rng, kind, table, far, base, ground_height, wave)
    deep = rng.uniform(7, 12) if kind == "airframe in the way" else rng.uniform(0, 3)
    tailward = rng.random() < 0.5
    off_nose = np.degrees(np.arccos(np.clip(body[:, 0] if not tailward else -body[:, 0], -1, 1)))
    losses["airframe in the way"] = deep / (1 + (off_nose / rng.uniform(22, 38)) ** 4)
    rain = rng.uniform(90, 160) if kind == "weather" else (0.0 if rng.random() < 0.5 else None)
    per_km = 0.00048 * (rain or 0.0) ** 1.602 if MHz == 5800.0 else 1.3e-4 * (rain or 0.0) ** 1.05
    losses["weather"] = per_km * slant / 1000 * np.clip(rng.normal(1, 0.2), 0.5, 1.5)
    spread = rng.uniform(1.2, 2.4)
    fade = spread * (0.75 * wander(rng, count, 5.0) + 0.66 * wander(rng, count, 0.4))
    spare = {"range": rng.uniform(-4, -1), "banking": rng.uniform(3, 7), "ground aerial off axis": rng.uniform(4, 7),
             "ground reflection": rng.uniform(3.5, 7), "horizon or hill": rng.uniform(4, 9), "weather": rng.uniform(2, 5),
             "airframe in the way": rng.uniform(2.5, 6), "unexplained": rng.uniform(7, 14)}[kind]  # fmt: skip
    bare = spare - 20 * np.log10(np.maximum(slant, 20.0) / far)
    disturbed = disturbances(rng, kind, flying)
    margin = bare - sum(losses.values()) + fade - disturbed
    truth = Truth(np.arange(count) / RATE, losses, bare, fade, disturbed, margin)
    truth.events = breakups(margin, flying)
    readings = observe(rng, table, flying, speed, truth)
    hand = "right-hand circular"
    link = Link(
        MHz,
        Aerial("dipole", 2.15, "vertical") if linear else Aerial("crossed", 1.8, hand),
        Aerial(
            "patch" if patch else ("whip" if linear else "crossed"),
            8.0 if patch else 2.0,
            "vertical" if linear else hand,
        ),
        ground_height_m=ground_height + rng.normal() * 0.2,
        ground_bearing_deg=base if pointing == "fixed" else None,
        rain_mm_h=None if rain is None else rain * float(np.clip(rng.normal(1, 0.15), 0.6, 1.4)),
    )
    return truth, readings, link, profiles, pointing


def pointed(seed, kind):
    """How the patch on the ground stands, and whether anybody wrote it down."""
    tracked = 0.0 if kind == "ground aerial off axis" else 0.3
    return np.random.default_rng([seed, 78]).choice(
        ["fixed", "fixed, not told", "tracked, not told"], p=[0.7 - tracked, 0.3, tracked]
    )


def hill(rng, kind, table, far, base, ground_height, wave):
    """Loss over a ridge that part of the flight hides behind, and the ground's profile under every line of sight."""
    east, north, up = table[:, :3].T
    distance = np.hypot(east, north)
    if kind != "horizon or hill":
        return np.zeros(len(table)), None
    at, wide = rng.uniform(0.35, 0.7) * far, rng.uniform(10, 25)
    middle = base + rng.uniform(-8, 8)
    bearing = np.degrees(np.arctan2(east, north))
    off = (bearing - middle + 180) % 360 - 180
    top = rng.uniform(0.5, 0.8) * np.max(up) * np.exp(-((off / wide) ** 2))
    behind = distance > at + 100
    far_side = np.maximum(distance - at, 50.0)
    line = ground_height + (up - ground_height) * at / np.maximum(distance, 1.0)
    v = (top - line) * np.sqrt(2 / wave * (1 / at + 1 / far_side))
    s, c = fresnel(np.maximum(v, -0.75))
    loss = np.where(behind, -20 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2), 0.0)
    shares = np.linspace(0, 1, 120)
    near = np.abs(shares * distance[:, None] - at) < np.maximum(distance[:, None] / 119 * 0.6, 1.0)
    return np.maximum(loss, 0.0), np.where(near & behind[:, None], top[:, None], 0.0)


def disturbances(rng, kind, flying):
    """Bursts from outside the model: always in one kind of flight, rarely in the others."""
    lost = np.zeros(len(flying))
    bursts = rng.integers(2, 5) if kind == "unexplained" else int(rng.random() < 0.08)
    first, last = np.flatnonzero(flying)[[0, -1]]
    for _ in range(bursts):
        start = int(rng.uniform(first + 0.15 * (last - first), first + 0.9 * (last - first)))
        lost[start : start + int(rng.uniform(2, 15) * RATE)] = rng.uniform(18, 35)
    return lost


def breakups(margin, flying):
    """Spans of at least 0.8 s below 0 in the air, joined over holes of less than 2 s."""
    below = (margin < 0) & flying
    edges = np.flatnonzero(np.diff(np.concatenate([[0], below.astype(int), [0]])))
    spans = [list(pair) for pair in edges.reshape(-1, 2)]
    joined = []
    for span in spans:
        if joined and span[0] - joined[-1][1] < 2 * RATE:
            joined[-1][1] = span[1]
        else:
            joined.append(span)
    return [(a / RATE, b / RATE) for a, b in joined if b - a >= 0.8 * RATE]


def observe(rng, table, flying, speed, truth):
    """What the logs and the ground recording hold of it, as the package's readings at 2 Hz."""
    rows = np.arange(0, len(table), 2)
    noise = rng.normal(size=(3, len(rows)))
    east, north = table[rows, 0] + 0.8 * noise[0], table[rows, 1] + 0.8 * noise[1]
    azimuth = np.degrees(np.arctan2(east, north))
    lon, lat, _ = GEOD.fwd(np.full(len(rows), HOME[1]), np.full(len(rows), HOME[0]), azimuth, np.hypot(east, north))
    columns = {
        "latitude_deg": lat,
        "longitude_deg": lon,
        "height_m": HOME[2] + table[rows, 2] * rng.normal(1, 0.01) + 0.8 * noise[2],
        "airspeed_mps": np.where(flying[rows], speed + 0.5 * rng.normal(size=len(rows)), 0.0),
    }
    if rng.random() < 0.5:
        columns["bank_deg"] = np.degrees(table[rows, 3]) + rng.normal(size=len(rows))
        columns["heading_deg"] = np.degrees(table[rows, 4]) % 360
    spans = [BrokenPicture(a, b, "noise", 1.5) for a, b in truth.events]
    readings = readings_of(Track(truth.time[rows], columns), breakups=spans, rate_Hz=2.0)
    if rng.random() < 0.7:
        carrier = 10.0 + np.interp(readings.time_s, truth.time, truth.margin)
        picture = np.interp(carrier + 0.7 * rng.normal(size=len(carrier)), [4, 7.5, 10.5, 15, 22], [1, 2, 3, 4, 5])
        grade = np.where(np.interp(readings.time_s, truth.time, flying) > 0.5, picture, 5.0)
        held = {k: getattr(readings, k) for k in ("keeps_utc", "home", "legs", "breakups", "pack", "events", "derived")}
        readings = Readings(readings.time_s, {**readings.columns, "picture_grade": grade}, **held)
    return readings


def as_control_link(seed, readings, truth):
    """The readings with a control link in place of the live picture."""
    rng = np.random.default_rng([seed, 79])
    heard = truth.margin + (truth.disturbed if rng.random() < 0.5 else 0.0)
    strength = np.interp(readings.time_s, truth.time, heard) - 100.0 + 0.7 * rng.normal(size=len(readings))
    margin = np.interp(readings.time_s, truth.time, truth.margin)
    aloft = np.interp(
        readings.time_s,
        [truth.time[0] + 20, truth.time[0] + 21, truth.time[-1] - 21, truth.time[-1] - 20],
        [0, 1, 1, 0],
    )
    quality = np.where((margin < 0) & (aloft > 0.5), 40.0, 100.0)
    columns = {name: values for name, values in readings.columns.items() if name != "picture_grade"}
    held = {k: getattr(readings, k) for k in ("keeps_utc", "home", "legs", "pack", "events", "derived")}
    return Readings(
        readings.time_s, {**columns, "control_rssi_dBm": np.round(strength), "control_link_pct": quality}, **held
    )


def label(truth, onset, end):
    """The true causes of an event by leaving terms out: a set of one or two, or None where chance alone decided."""
    rows = (truth.time >= onset) & (truth.time <= min(end, onset + 15.0)) & (truth.margin < 0)
    if not rows.any():
        return None
    mean = {name: float(values[rows].mean()) for name, values in truth.losses.items()}
    margin = float(truth.margin[rows].mean())
    outside = float(truth.disturbed[rows].mean())
    if outside > 0 and margin + outside > 0:
        return {"unexplained"}
    fade = float(truth.fade[rows].mean())
    bare = margin + outside - fade + sum(max(loss, 0.0) for loss in mean.values())  # no loss, the mirror's gain kept
    if bare + fade <= 0:
        return {"range"}
    flips = {name: loss for name, loss in mean.items() if loss > 2.0 and margin + loss > 0}
    most = max(flips.values(), default=0.0)
    causes = {name for name, loss in flips.items() if loss > most - 1.5}
    if bare < 1.5 * float(truth.fade.std()):  # fading alone would have broken it now and then
        causes.add("range")
    return causes or None
