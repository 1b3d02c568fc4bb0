"""Motion over the ground and through the air: logged where logged, else derived from the positions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.mechanics.columns import Columns
from overlay.mechanics.geodesy import LocalPlane
from overlay.mechanics.slopes import half_window, sampling_interval, slope, unshortened
from overlay.mechanics.turning import bank_from_velocity, course_deg, velocity_from_course
from overlay.mechanics.wind import Wind, estimate_wind
from overlay.readings import Readings
from overlay.timetable import TimeTable

Floats = NDArray[np.float64]

_SLOW_MPS = 1.0  # below it a course means nothing


def add_position(table: Columns, plane: LocalPlane) -> None:
    """Place, east and north of home, range and bearing."""
    times, latitude, longitude = table.track.position()
    if len(times) == 0:
        return
    east, north = (table.between(times, part) for part in plane.to_plane(latitude, longitude))
    place = plane.to_geodetic(east, north)
    for name, values in zip(("latitude_deg", "longitude_deg"), place, strict=True):
        table.put(name, values)
    table.put("east_m", east)
    table.put("north_m", north)
    table.put("range_m", np.hypot(east, north), "geodesic from home on WGS 84")
    table.put("bearing_deg", course_deg(east, north), "azimuth of that geodesic at home")


def add_ground_motion(table: Columns, plane: LocalPlane, take_off_s: float | None) -> None:
    """Ground speed, course, distance since `take_off_s` (None: since the log began) and vertical speed."""
    times, latitude, longitude = table.track.position()
    window = half_window(times)
    how = f"slope of the positions over ±{window:g} s"
    velocity = np.full((len(table.grid), 2), np.nan)
    if len(times) > 1:
        velocity = slope(times, np.column_stack(plane.to_plane(latitude, longitude)), table.grid, window)
        velocity[table.in_hole(times)] = np.nan
        velocity = unshortened(velocity, round(window / sampling_interval(table.grid)) if len(table.grid) > 1 else 0)
    speed, course = np.hypot(*velocity.T), course_deg(*velocity.T)
    _logged_or(table, "ground_speed_mps", speed, how)
    _logged_or(table, "course_deg", np.where(speed >= _SLOW_MPS, course, np.nan), how)
    since = "the log began" if take_off_s is None else "take-off"
    table.put("distance_m", _distance(table, speed, take_off_s), f"{how}, added up since {since}")
    heights = table.samples("height_over_home_m" if table.track.has("height_over_home_m") else "height_m")
    rise = slope(*heights, table.grid, half_window(heights[0]))
    if len(heights[0]):
        rise[table.in_hole(heights[0])] = np.nan
    _logged_or(table, "vertical_speed_mps", rise, f"slope of the heights over ±{half_window(heights[0]):g} s")


def ground_velocity(table: Columns) -> tuple[Floats, Floats]:
    """East and north velocity from speed and course."""
    return velocity_from_course(table.get("ground_speed_mps"), table.get("course_deg"))


def add_air_motion(table: Columns, flown: Sequence[tuple[float, float]]) -> tuple[Wind | None, str]:
    """Airspeed, heading, wind, tailwind, bank. Returns the wind, or None and why there is none."""
    for name in ("airspeed_mps", "heading_deg", "bank_deg", "wind_speed_mps", "wind_from_deg"):
        table.put(name, table.logged(name))
    wind, why = _wind(table, flown)
    if wind is not None:
        _add_from_wind(table, wind)
    elif not table.has("wind_speed_mps"):
        how = f"ground speed less airspeed, which takes the crosswind for small ({why})"
        table.put("tailwind_mps", table.get("ground_speed_mps") - table.get("airspeed_mps"), how)
    if table.has("wind_speed_mps") and table.has("wind_from_deg") and not table.has("tailwind_mps"):
        from_wind = np.radians(table.get("wind_from_deg") + 180.0 - table.get("course_deg"))
        table.put("tailwind_mps", table.get("wind_speed_mps") * np.cos(from_wind), "the wind's part along the course")
    if not table.has("bank_deg"):
        _add_bank(table)
    return wind, why


def _logged_or(table: Columns, name: str, derived: Floats, how: str) -> None:
    if table.track.has(name):
        table.put(name, table.logged(name))
    else:
        table.put(name, derived, how)


def _distance(table: Columns, speed: Floats, take_off_s: float | None) -> Floats:
    """The speed along the positions added up, 0 before take-off; over a hole along the straight line.

    The steps between positions themselves would add up their noise: a metre of it at 5 Hz is a tenth of a long flight.
    """
    east, north = table.get("east_m"), table.get("north_m")
    known = np.isfinite(east)
    result = np.full(len(east), np.nan)
    times, speeds = table.grid[known], speed[known]
    steps = np.diff(times) * (speeds[1:] + speeds[:-1]) / 2
    straight = np.hypot(np.diff(east[known]), np.diff(north[known]))
    across_hole = np.diff(np.flatnonzero(known)) > 1
    steps = np.where(np.isfinite(steps) & ~across_hole, steps, straight)
    if take_off_s is not None:
        steps[times[1:] <= take_off_s] = 0.0
    result[known] = np.concatenate([[0.0], np.cumsum(steps)])[: known.sum()]
    return result


def wind_of(readings: Readings) -> Wind:
    """The flight's mean wind from its readings; NoAnswerError as `estimate_wind`, or where nothing was flown."""
    in_air = np.zeros(len(readings), dtype=bool)
    for leg in readings.legs:
        if leg.name != "on the ground":
            in_air |= (readings.time_s >= leg.start_s) & (readings.time_s <= leg.end_s)
    own = readings.has("airspeed_mps") and "airspeed_mps" not in readings.derived
    return _wind_in_air(readings, in_air, readings["airspeed_mps"] if own else None)


def _wind_in_air(table: TimeTable, in_air: NDArray[np.bool_], airspeed: Floats | None) -> Wind:
    if not in_air.any():
        raise NoAnswerError("no wind: the aircraft did not fly")
    east, north = velocity_from_course(table["ground_speed_mps"], table["course_deg"])
    return estimate_wind(
        table.time_s[in_air],
        east[in_air],
        north[in_air],
        None if airspeed is None else airspeed[in_air],
        table["vertical_speed_mps"][in_air],
    )


def _wind(table: Columns, flown: Sequence[tuple[float, float]]) -> tuple[Wind | None, str]:
    in_air = np.zeros(len(table.grid), dtype=bool)
    for start, end in flown:
        in_air |= (table.grid >= start) & (table.grid <= end)
    airspeed = table.get("airspeed_mps") if table.has("airspeed_mps") else None
    try:
        return _wind_in_air(TimeTable(table.grid, table.values), in_air, airspeed), ""
    except NoAnswerError as refusal:
        return None, str(refusal)


def _add_from_wind(table: Columns, wind: Wind) -> None:
    east, north = ground_velocity(table)
    known = np.isfinite(east)
    how = f"mean of the flight from {wind.method}, {wind.arc_deg:.0f}° of courses: {wind}"
    if not table.has("wind_speed_mps"):
        table.put("wind_speed_mps", np.where(known, wind.speed_mps, np.nan), how)
        table.put("wind_from_deg", np.where(known, wind.from_deg, np.nan), how)
        along = (wind.east_mps * east + wind.north_mps * north) / np.maximum(table.get("ground_speed_mps"), 0.1)
        table.put("tailwind_mps", np.where(table.get("ground_speed_mps") >= _SLOW_MPS, along, np.nan), how)
    air_east, air_north = east - wind.east_mps, north - wind.north_mps
    if not table.has("airspeed_mps"):
        table.put("airspeed_mps", np.hypot(air_east, air_north), "ground velocity less the wind; level part only")
    if not table.has("heading_deg"):
        table.put("heading_deg", course_deg(air_east, air_north), "direction of ground velocity less the wind")


def _add_bank(table: Columns) -> None:
    """Bank of a coordinated turn, from the log's own velocity samples so that nothing is interpolated twice."""
    east, north = ground_velocity(table)
    through_air = table.has("wind_speed_mps") and table.has("wind_from_deg")
    if through_air:
        wind = velocity_from_course(table.get("wind_speed_mps"), table.get("wind_from_deg") + 180.0)
        east, north = east - wind[0], north - wind[1]
    times = table.samples("course_deg")[0] if table.track.has("course_deg") else table.track.position()[0]
    window = half_window(times)
    bank = bank_from_velocity(table.grid, east, north, table.grid, window)
    bank[~np.isfinite(east)] = np.nan
    source = "air velocity" if through_air else "ground velocity, since the wind is unknown"
    table.put("bank_deg", bank, f"bank of a coordinated turn: slope of the {source} over ±{window:g} s against gravity")
