"""Score wind, airspeed scale, charge to get home and range against flights whose truth is known.

The flights are made here: a point mass with a parabolic drag polar and a propeller, a wind that shears with height
and gusts, a pilot who flies out, loiters and comes home at other throttle, sensors with scale and noise. What it would
have taken to fly home from a moment (farther than half way out) is worked out from the true polar in the true mean
wind, at the airspeed flown home.

    python benchmarks/wind_energy.py [--flights 60] [--first-seed 0]
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import pyproj
from scipy.signal import lfilter
from wind_bound import bound, share_within

from overlay.mechanics.findings import findings_of
from overlay.mechanics.flight import readings_of
from overlay.readings import Pack
from overlay.tracks.track import Track

GEOD = pyproj.Geod(ellps="WGS84")
STEP = 0.1


def wander(rng, count, tau_s):
    keep = np.exp(-STEP / tau_s)
    noise = rng.normal(size=count) * np.sqrt(1 - keep**2)
    noise[0] /= np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], noise)


def level_power(airspeed, craft):
    """Watts at the battery for level flight: drag of a parabolic polar over the chain's efficiency, plus standby."""
    dynamic = 0.5 * 1.2 * airspeed**2 * craft["wing"]
    lift = craft["mass"] * 9.80665 / dynamic
    return dynamic * (craft["cd0"] + craft["k"] * lift**2) * airspeed / craft["efficiency"] + craft["standby"]


def make(seed):
    """Truth at 10 Hz and what is logged of it at 5 Hz."""
    rng = np.random.default_rng([seed, 5])
    craft = {"mass": rng.uniform(1.2, 3.5), "wing": 0.4, "cd0": rng.uniform(0.025, 0.05), "k": rng.uniform(0.05, 0.09),
             "efficiency": rng.uniform(0.45, 0.6), "standby": rng.uniform(5, 12)}  # fmt: skip
    stall = np.sqrt(craft["mass"] * 9.80665 / (0.6 * 0.4 * 1.1))
    out_v, home_v = stall * rng.uniform(1.35, 1.8, 2)
    wind, base = rng.normal(size=2) * 3.0, rng.uniform(0, 360)
    far, cruise = rng.uniform(3000, 9000), rng.uniform(80, 160)
    turns = rng.uniform(0.5, 3.0)
    place, heading, up, bank = np.zeros(2), np.radians(base), 0.0, 0.0
    weave, gusts = wander(rng, 90_000, 8.0), [wander(rng, 90_000, 10.0) for _ in range(2)]
    speed_off = wander(rng, 90_000, 15.0) * 0.8
    stage, turned, rows, turned_home = "out", 0.0, [], 0
    intensity = craft["gust_mps"] = 0.1 * np.hypot(*wind) + 0.2
    while stage != "done" and len(rows) < 80_000:
        i = len(rows)
        local = wind * (max(up, 5.0) / cruise) ** 0.15 + intensity * np.array([gusts[0][i], gusts[1][i]])
        target = out_v if stage != "home" else home_v
        airspeed = target + speed_off[i]
        if stage == "loiter":
            want_bank = np.radians(30.0)
            turned += abs(9.80665 * np.tan(bank) / airspeed * STEP)
            if turned > 2 * np.pi * turns:
                stage, turned_home = "home", len(rows)
        else:
            goal = (
                np.array([np.sin(np.radians(base)), np.cos(np.radians(base))]) * far if stage == "out" else np.zeros(2)
            )
            to = goal - place
            want = np.arctan2(to[0], to[1])
            across = wind[0] * np.cos(want) - wind[1] * np.sin(want)
            error = (want - np.arcsin(np.clip(across / airspeed, -0.9, 0.9)) - heading + np.pi) % (2 * np.pi) - np.pi
            want_bank = np.clip(0.9 * error + np.radians(3.0) * weave[i], -0.55, 0.55)
            if np.hypot(*to) < 80.0:
                stage = {"out": "loiter", "home": "done"}[stage]
        bank += np.clip(want_bank - bank, -1.0 * STEP, 1.0 * STEP)
        heading += 9.80665 * np.tan(bank) / airspeed * STEP
        climb = np.clip(cruise - up, -2.0, 3.5) if stage != "home" or np.hypot(*place) > 1200 else -1.5 * (up > 5)
        velocity = airspeed * np.array([np.sin(heading), np.cos(heading)]) + local
        load = 1 / np.cos(bank)
        watts = level_power(airspeed, {**craft, "k": craft["k"] * load**2})
        watts += craft["mass"] * 9.80665 * climb / craft["efficiency"]
        place, up = place + velocity * STEP, max(up + climb * STEP, 0.0)
        rows.append((*place, up, airspeed, max(watts, craft["standby"]), *local, bank))
    still = int(25 / STEP)
    flown = np.array(rows)
    home_v = np.median(flown[turned_home:, 3])  # as it was flown, not as the pilot meant to
    end = np.zeros((still, 8))
    end[:, :2], end[:, 4] = flown[-1, :2], craft["standby"]
    start = np.zeros((still, 8))
    start[:, 4] = craft["standby"]
    table = np.vstack([start, flown, end])
    flying = np.r_[np.zeros(still, bool), np.ones(len(flown), bool), np.zeros(still, bool)]
    return rng, table, flying, craft, home_v


def observe(rng, table, flying, with_airspeed):
    used, volts, current = np.zeros(len(table)), np.zeros(len(table)), np.zeros(len(table))
    drawn = 0.0
    for i, watts in enumerate(table[:, 4]):
        open_volts = 16.4 - 0.0004 * drawn
        amps = watts / open_volts
        volts[i] = open_volts - 0.02 * amps
        current[i] = watts / volts[i]
        drawn += current[i] * STEP / 3.6
        used[i] = drawn
    rows = np.arange(0, len(table), 2)
    noise = [0.4 * wander(rng, len(table), 4.0)[rows] + 0.15 * rng.normal(size=len(rows)) for _ in range(3)]
    east, north = table[rows, 0] + noise[0], table[rows, 1] + noise[1]
    lon, lat, _ = GEOD.fwd(
        np.full(len(rows), -33.9), np.full(len(rows), 47.3), np.degrees(np.arctan2(east, north)), np.hypot(east, north)
    )
    scale = rng.normal(1.0, 0.04)
    columns = {"latitude_deg": lat, "longitude_deg": lon, "height_m": 30 + table[rows, 2] + 1.5 * noise[2],
               "current_A": current[rows] + 0.2 * rng.normal(size=len(rows)), "voltage_V": np.round(volts[rows], 1),
               "charge_used_mAh": np.floor(used[rows])}  # fmt: skip
    if with_airspeed:
        columns["airspeed_mps"] = np.where(
            flying[rows], table[rows, 3] * scale + 0.4 * rng.normal(size=len(rows)), np.abs(rng.normal(size=len(rows)))
        )
    return Track(1.7e9 + rows * STEP, columns), scale, volts


def truth_home(table, volts, craft, wind, home_v, rows):
    """Charge to fly straight home from rows, level, the height paid back on the way down."""
    need = []
    for i in rows:
        place, up = table[i, :2], table[i, 2]
        distance = np.hypot(*place)
        way = -place / max(distance, 1.0)
        tail, cross = wind @ way, wind @ np.array([way[1], -way[0]])
        ground = np.sqrt(home_v**2 - cross**2) + tail
        seconds = distance / ground
        sinking = craft["mass"] * 9.80665 * up / seconds / craft["efficiency"]
        joules = max(level_power(home_v, craft) - sinking, craft["standby"]) * seconds
        need.append(joules / np.median(volts[i:]) / 3.6)
    return np.array(need)


def still_air_radius(craft, home_v, usable_mAh):
    """Half of how far the usable charge flies in still air at one airspeed, the pack at the middle of its charge."""
    open_volts = 16.4 - 0.0004 * usable_mAh / 2
    watts = level_power(home_v, craft)
    amps = watts / (open_volts - 0.02 * watts / open_volts)
    return usable_mAh * 3.6 / amps * home_v / 2


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flights", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=0)
    asked, began = parser.parse_args(), time.perf_counter()
    wanted, seeds = asked.flights, range(asked.first_seed, asked.first_seed + asked.flights)
    for with_airspeed in (True, False):
        wind_error, bearing_error, covered, scale_error, energy, refused, inside = [], [], [], [], [], 0, []
        ranges, ranges_inside, bounds, beside = [], [], [], []
        for seed in seeds:
            rng, table, flying, craft, home_v = make(seed)
            track, scale, volts = observe(rng, table, flying, with_airspeed)
            readings = readings_of(track, pack=Pack(8000.0))
            found = findings_of(readings)
            if found.wind is None:
                refused += 1
                continue
            mean = table[flying, 5:7].mean(axis=0)  # of the wind met
            miss = np.array([found.wind.east_mps, found.wind.north_mps]) - mean
            wind_error.append(np.hypot(*miss))
            covered.append(miss @ np.linalg.solve(found.wind.covariance, miss) < 5.99)
            bounds.append(bound(table, flying, craft["gust_mps"], with_airspeed))
            size, axes = np.linalg.eigh(bounds[-1])
            beside.append(miss @ axes[:, 1] / np.sqrt(size[1]))
            if np.hypot(*mean) > 2.0:
                off = np.degrees(np.arctan2(*-mean)) - found.wind.from_deg
                bearing_error.append(abs((off + 180) % 360 - 180))
            if with_airspeed:
                scale_error.append(found.wind.airspeed_scale / scale - 1)
            if found.homeward is None:
                continue
            legs = [leg for leg in readings.legs if leg.name in ("out", "loiter")]
            at = np.concatenate([np.linspace(leg.start_s, leg.end_s, 6)[1:-1] for leg in legs])
            rows = np.clip(((at - 1.7e9) / STEP).astype(int), 0, len(table) - 1)
            away = np.hypot(*table[rows, :2].T)
            far = away > 0.5 * np.hypot(*table[:, :2].T).max()  # where turning back is the question
            truth = truth_home(table, volts, craft, mean, home_v, rows[far])
            need = readings.at("charge_home_mAh", at[far])
            energy += list(need / truth - 1)
            course = readings.at("bearing_deg", at[far], period=360.0) + 180
            left = (readings.at(name, at[far]) for name in ("charge_used_mAh", "height_m"))
            sigma = found.homeward.charge_sigma_mAh(readings.at("range_m", at[far]), course, *left)
            inside += list(np.abs(need - truth) < 1.96 * sigma)
            radius, pack = found.still_air, readings.pack
            if radius is None:  # it flew more than the pack holds
                continue
            farthest = still_air_radius(craft, home_v, pack.capacity_mAh * pack.usable_fraction)
            ranges.append(radius.range_m / farthest - 1)
            ranges_inside.append(radius.interval95_m[0] <= farthest <= radius.interval95_m[1])
        name = "with airspeed" if with_airspeed else "ground speed alone"
        print(f"{name}: {wanted} flights, {refused} refused")
        if wind_error:
            print(
                f"  wind vector error: median {np.median(wind_error):.2f}, 95 % {np.quantile(wind_error, 0.95):.2f} m/s"
            )
            close, straight = np.mean(np.array(wind_error) < 0.5), np.mean(np.array(bearing_error) < 10.0)
            print(f"  within ±0.5 m/s: {close:.2f}; within ±10°: {straight:.2f}")
            print(f"  direction, above 2 m/s: 95 % within {np.quantile(bearing_error, 0.95):.0f}°")
            print(f"  wind inside its interval: {np.mean(covered):.2f}")
            rms, least = np.sqrt(np.mean(np.square(wind_error))), np.sqrt(np.mean([np.trace(each) for each in bounds]))
            print(
                f"  Cramér–Rao bound: rms {least:.2f} of {rms:.2f} m/s; within ±0.5 m/s {share_within(bounds, 0.5):.2f}"
            )
            ratio, missed = np.sqrt(np.mean(np.square(beside))), np.array(wind_error) >= 0.5
            print(f"  error over the bound's 1σ along its worst axis: rms {ratio:.2f}")
            if missed.any():
                there = [each for each, miss in zip(bounds, missed, strict=True) if miss]
                print(f"  where it is farther off, the bound is within ±0.5 m/s in {share_within(there, 0.5):.2f}")
        if scale_error:
            print(f"  airspeed scale error: rms {100 * np.std(scale_error):.1f} %")
        if energy:
            size = 100 * np.abs(energy)
            print(
                f"  charge to get home: median {100 * np.median(energy):+.1f} %, 95 % in ±{np.quantile(size, 0.95):.1f} %"
            )
            print(f"  within ±5 %: {np.mean(size < 5):.2f}; inside its interval: {np.mean(inside):.2f}")
            size, hold = np.quantile(100 * np.abs(ranges), 0.95), np.mean(ranges_inside)
            print(f"  out and back in still air: 95 % in ±{size:.1f} %; inside its interval: {hold:.2f}")
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
