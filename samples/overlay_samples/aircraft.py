"""How the aircraft moves and what it draws from its battery.

Forces are those of a point mass with a wing (lift slope, parabolic polar, side force on sideslip), a propeller as an
actuator disc, and weight. Attitude answers by the short period in pitch, by weathercock yaw and by a first-order roll.
Coordinated turns, load factor, sideslip in gusts and sag of the battery are results, not inputs.

Axes: north–east–down for places and velocities; body forward–right–down for rates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from overlay_samples.scenario import Airframe, Battery

GRAVITY = 9.80665
AIR_DENSITY = 1.225  # ICAO standard atmosphere at sea level

# Rest voltage of one lithium-polymer cell over its charge: common practice, no source.
_CHARGE = (0.0, 0.05, 0.10, 0.20, 0.40, 0.60, 0.80, 0.95, 1.0)
_CELL_V = (3.30, 3.52, 3.63, 3.72, 3.79, 3.88, 4.02, 4.15, 4.20)

_SHORT_PERIOD = 7.0  # rad/s
_YAW_PERIOD = 4.5
_DAMPING = 0.65
_ROLL_LAG_S = 0.12
_THROTTLE_LAG_S = 0.25
_SIDE_FORCE_SLOPE = 0.35
_NO_THRUST_MPS = 50.0  # where the propeller's pitch runs out


@dataclass(frozen=True)
class Controls:
    """What the pilot asks for: bank right positive, climb up positive, throttle 0 … 1."""

    bank_rad: float
    climb_mps: float
    throttle: float


class Aircraft:
    """State in free flight, advanced by `step`."""

    def __init__(self, airframe: Airframe, battery: Battery) -> None:
        self.airframe, self.pack = airframe, Pack(battery)
        self.north = self.east = self.height = 0.0
        self.v_north = self.v_east = self.v_down = 0.0
        self.bank = self.pitch = self.heading = 0.0
        self.roll_rate = self.pitch_rate = self.yaw_rate = 0.0
        self.throttle = self.airspeed = self.attack = self.sideslip = 0.0

    @property
    def stall_mps(self) -> float:
        """Lowest airspeed at which the wings carry the weight in level flight."""
        a = self.airframe
        return math.sqrt(2 * a.mass_kg * GRAVITY / (AIR_DENSITY * a.wing_m2 * a.lift_most))

    def drag_N(self, airspeed_mps: float, lift_N: float) -> float:
        """Drag at an airspeed and a lift, from the polar."""
        a = self.airframe
        qs = 0.5 * AIR_DENSITY * max(airspeed_mps, 3.0) ** 2 * a.wing_m2
        return qs * (a.drag_zero_lift + a.drag_induced * (lift_N / qs) ** 2)

    def step(self, dt: float, wind: tuple[float, float, float], roll_gust: float, controls: Controls) -> None:
        """Advance by `dt` in a wind towards north, east and down, all m/s."""
        matrix = _body_to_earth(self.bank, self.pitch, self.heading)
        air = (self.v_north - wind[0], self.v_east - wind[1], self.v_down - wind[2])
        u, v, w = (sum(matrix[i][j] * air[i] for i in range(3)) for j in range(3))
        self.airspeed = speed = max(math.sqrt(u * u + v * v + w * w), 1.0)
        self.attack, self.sideslip = math.atan2(w, max(u, 0.5)), math.asin(max(-0.9, min(0.9, v / speed)))
        self.throttle += dt / _THROTTLE_LAG_S * (controls.throttle - self.throttle)
        force = self._force(speed)
        lift = -force[2]
        self._turn(dt, speed, lift, roll_gust, controls)
        mass = self.airframe.mass_kg
        self.v_north += dt * sum(matrix[0][j] * force[j] for j in range(3)) / mass
        self.v_east += dt * sum(matrix[1][j] * force[j] for j in range(3)) / mass
        self.v_down += dt * (sum(matrix[2][j] * force[j] for j in range(3)) / mass + GRAVITY)
        self.north += dt * self.v_north
        self.east += dt * self.v_east
        self.height -= dt * self.v_down
        self.pack.draw(self.electric_power_W(speed), dt)

    @property
    def thrust_N(self) -> float:
        """Thrust now: the throttle's share of what the propeller gives at this airspeed and voltage."""
        left = max(0.0, 1 - self.airspeed / _NO_THRUST_MPS)
        return self.airframe.thrust_most_N * self.throttle * left * self.pack.strength

    def electric_power_W(self, airspeed_mps: float) -> float:
        """Power from the battery: momentum theory for the disc, then efficiencies, then what is always on."""
        a, thrust = self.airframe, self.thrust_N
        disc = math.pi / 4 * a.propeller_m**2
        induced = -airspeed_mps / 2 + math.sqrt(airspeed_mps**2 / 4 + thrust / (2 * AIR_DENSITY * disc))
        return thrust * (airspeed_mps + induced) / (a.propeller_quality * a.motor_efficiency) + a.standby_W

    def _force(self, speed: float) -> tuple[float, float, float]:
        a = self.airframe
        qs = 0.5 * AIR_DENSITY * speed * speed * a.wing_m2
        c_lift = max(-0.6, min(a.lift_most, a.lift_at_zero + a.lift_slope * self.attack))
        c_drag = a.drag_zero_lift + a.drag_induced * c_lift**2
        ca, sa = math.cos(self.attack), math.sin(self.attack)
        return (
            self.thrust_N + qs * (c_lift * sa - c_drag * ca),
            -qs * _SIDE_FORCE_SLOPE * self.sideslip,
            -qs * (c_lift * ca + c_drag * sa),
        )

    def _turn(self, dt: float, speed: float, lift: float, roll_gust: float, controls: Controls) -> None:
        """Rates that the flight path asks for, and the pull towards the demanded attack and zero sideslip."""
        a = self.airframe
        cb, sb, cp, sp = math.cos(self.bank), math.sin(self.bank), math.cos(self.pitch), math.sin(self.pitch)
        steady_pitch = (lift / a.mass_kg - GRAVITY * cp * cb) / speed
        steady_yaw = GRAVITY * sb * cp / speed
        most = math.radians(a.roll_rate_most_dps)
        wanted = max(-most, min(most, 3.2 * (controls.bank_rad - self.bank)))
        self.roll_rate += dt / _ROLL_LAG_S * (wanted + roll_gust - self.roll_rate)
        self.pitch_rate += dt * (
            _SHORT_PERIOD**2 * (self._attack_wanted(speed, cb * cp, controls.climb_mps) - self.attack)
            - 2 * _DAMPING * _SHORT_PERIOD * (self.pitch_rate - steady_pitch)
        )
        self.yaw_rate += dt * (
            _YAW_PERIOD**2 * self.sideslip - 2 * _DAMPING * _YAW_PERIOD * (self.yaw_rate - steady_yaw)
        )
        about_vertical = (self.pitch_rate * sb + self.yaw_rate * cb) / max(cp, 0.2)
        self.bank += dt * (self.roll_rate + about_vertical * sp)
        self.pitch += dt * (self.pitch_rate * cb - self.yaw_rate * sb)
        self.heading += dt * about_vertical

    def _attack_wanted(self, speed: float, upright: float, climb_mps: float) -> float:
        a = self.airframe
        pull = max(-5.0, min(5.0, 1.1 * (climb_mps + self.v_down)))
        c_lift = a.mass_kg * (GRAVITY + pull) / max(upright, 0.45) / (0.5 * AIR_DENSITY * speed**2 * a.wing_m2)
        return (min(c_lift, 0.9 * a.lift_most) - a.lift_at_zero) / a.lift_slope


class Pack:
    """Cells in series with one internal resistance; current from power at the terminals."""

    def __init__(self, battery: Battery) -> None:
        self.battery = battery
        self.used_mAh = 0.0
        self.voltage_V, self.current_A = self._rest_V(), 0.0

    @property
    def strength(self) -> float:
        """How much thrust a sagging pack leaves, against 3.9 V a cell."""
        return (self.voltage_V / (3.9 * self.battery.cells)) ** 2

    def _rest_V(self) -> float:
        b = self.battery
        charge = b.charge_at_start - self.used_mAh / b.capacity_mAh
        for i in range(len(_CHARGE) - 1):
            if charge <= _CHARGE[i + 1]:
                share = (charge - _CHARGE[i]) / (_CHARGE[i + 1] - _CHARGE[i])
                return b.cells * (_CELL_V[i] + max(share, 0.0) * (_CELL_V[i + 1] - _CELL_V[i]))
        return b.cells * _CELL_V[-1]

    def draw(self, power_W: float, dt: float) -> None:
        """Take a power for `dt` seconds: U = U₀ − I·R and P = U·I give the current."""
        rest, r = self._rest_V(), self.battery.resistance_ohm
        power = min(power_W, 0.9 * rest * rest / (4 * r))
        self.current_A = (rest - math.sqrt(rest * rest - 4 * power * r)) / (2 * r)
        self.voltage_V = rest - self.current_A * r
        self.used_mAh += self.current_A * dt / 3.6


Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]


def _body_to_earth(bank: float, pitch: float, heading: float) -> Matrix:
    cb, sb, cp, sp, ch, sh = (f(x) for x in (bank, pitch, heading) for f in (math.cos, math.sin))
    return (
        (cp * ch, sb * sp * ch - cb * sh, cb * sp * ch + sb * sh),
        (cp * sh, sb * sp * sh + cb * ch, cb * sp * sh - sb * ch),
        (-sp, sb * cp, cb * cp),
    )
