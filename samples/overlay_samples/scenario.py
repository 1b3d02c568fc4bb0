"""What is decided about a generated flight before it is flown: place, weather, aircraft, habits, files.

The place is invented: open moorland by the sea, put where a chart shows nothing but ocean. Everything random follows
from `seed`, so that two equal scenarios give equal flights, byte for byte.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

Size = tuple[int, int]


@dataclass(frozen=True)
class Airframe:
    """A model aircraft as a point mass with wings: SI units, a parabolic drag polar, an actuator-disc propeller."""

    mass_kg: float = 2.2
    wing_m2: float = 0.40
    span_m: float = 1.5
    drag_zero_lift: float = 0.030
    drag_induced: float = 0.075  # C_D = C_D0 + k · C_L²
    lift_slope: float = 4.6  # per radian
    lift_at_zero: float = 0.08
    lift_most: float = 1.15
    propeller_m: float = 0.25
    propeller_quality: float = 0.78  # of the ideal actuator disc
    motor_efficiency: float = 0.80  # motor, controller and wiring
    thrust_most_N: float = 27.0
    standby_W: float = 9.0  # camera, transmitter, receiver, servos
    roll_rate_most_dps: float = 130.0


@dataclass(frozen=True)
class Battery:
    """The flight battery: cells in series, capacity and internal resistance as a whole."""

    cells: int = 4
    capacity_mAh: float = 3300.0
    resistance_ohm: float = 0.028
    charge_at_start: float = 0.985  # of the capacity


@dataclass(frozen=True)
class PictureLink:
    """The live picture's transmitter and the ground station that receives it."""

    frequency_MHz: float = 5800.0
    power_mW: float = 25.0
    aircraft_gain_dBi: float = 1.5
    ground_gain_dBi: float = 11.0  # along its axis
    ground_beam_deg: float = 60.0  # between half-power directions
    ground_aside_dB: float = 12.0  # what an all-round aerial beside it, taken where it is better, gives away
    ground_height_m: float = 2.0
    bandwidth_MHz: float = 18.0
    noise_figure_dB: float = 5.5
    fading_dB: float = 1.6  # rms of what nobody can explain


@dataclass(frozen=True)
class ControlLink:
    """The control link: the aircraft's receiver reports strength and the share of packets that arrived."""

    frequency_MHz: float = 2440.0
    power_mW: float = 100.0
    gains_dBi: float = 3.0
    sensitivity_dBm: float = -104.0
    fading_dB: float = 2.0


@dataclass(frozen=True)
class Lens:
    """A camera in the nose. Mount angles turn it against the aircraft's axes: right, up, clockwise positive."""

    size: Size = (1280, 720)
    field_of_view_deg: float = 86.0  # horizontal
    frame_rate: Fraction = Fraction(25)
    mount_yaw_deg: float = 0.0
    mount_pitch_deg: float = 0.0
    mount_roll_deg: float = 0.0
    distortion: float = 0.0  # r_d = r · (1 + k·r²), r in focal lengths; negative is a barrel
    pixel_aspect: Fraction = Fraction(1)  # width of a pixel over its height
    shake_deg: float = 0.04  # rms of what the motor shakes at full throttle
    pan_share: float = 0.0  # of the flight with the camera turned aside by a pan servo

    @property
    def focal_px(self) -> tuple[float, float]:
        """Focal length in pixel widths and in pixel heights."""
        across = self.size[0] / 2 / math.tan(math.radians(self.field_of_view_deg) / 2)
        return across, across * float(self.pixel_aspect)

    def replace(self, **changes: Any) -> Lens:
        """The lens with other values; unknown names raise TypeError."""
        return replace(self, **changes)


@dataclass(frozen=True)
class RecorderClock:
    """A recorder's clock against the track's: when it began, what it wrote down, and how fast it runs."""

    starts_after_s: float  # the first frame, after the scenario's start
    wrong_by_s: float = 0.0  # what its calendar showed, less the truth
    drift_ppm: float = 0.0  # track seconds per recorder second, less one


@dataclass(frozen=True)
class Scenario:
    """One flight, from power-up to standing after the landing. Angles in degrees, compass sense; winds blow *from*."""

    name: str = "An afternoon over the moor"
    seed: int = 20250913
    start_utc: str = "2025-09-13T14:20:05Z"
    # An invented place: open ocean on any chart.
    latitude_deg: float = 47.3127
    longitude_deg: float = -33.8684
    home_height_m: float = 31.0
    sea_bearing_deg: float = 292.0  # the coast lies that way
    sea_distance_m: float = 2100.0
    sun_azimuth_deg: float = 222.0
    sun_elevation_deg: float = 34.0
    visibility_m: float = 24000.0
    cloud_cover: float = 0.45
    cloud_base_m: float = 900.0
    cloud_wisps: int = 1  # how often the aircraft flies through the hem of one

    wind_mps: float = 4.8  # mean, 10 m up
    wind_from_deg: float = 248.0
    wind_shear_exponent: float = 0.16  # power law over height
    wind_veer_deg_per_100m: float = 5.0
    turbulence: float = 1.0  # 1 is the standard's intensity for that wind

    standing_s: float = 4.0
    handling_s: float = 8.0
    after_landing_s: float = 4.0
    launch_heading_deg: float = 250.0
    outbound_deg: float = 205.0
    distance_out_m: float = 1000.0
    cruise_height_m: float = 115.0
    far_height_m: float = 150.0
    climb_mps: float = 6.5
    airspeed_mps: float = 30.0
    airspeed_home_mps: float = 31.0
    approach_airspeed_mps: float = 17.0
    weave_m: float = 55.0
    weave_length_m: float = 850.0
    detours: int = 1
    detour_m: float = 190.0
    loiter_radius_m: float = 112.0
    loiter_turns: float = 0.5  # a whole number and a half ends up homeward bound
    bank_limit_deg: float = 47.0
    bank_wander_deg: float = 2.5
    airspeed_wander_mps: float = 0.7

    airframe: Airframe = field(default_factory=Airframe)
    battery: Battery = field(default_factory=Battery)
    picture_link: PictureLink = field(default_factory=PictureLink)
    control_link: ControlLink = field(default_factory=ControlLink)

    camera: Lens = field(default_factory=lambda: Lens(mount_pitch_deg=-7.0, mount_yaw_deg=0.6, mount_roll_deg=0.8))
    camera_clock: RecorderClock = RecorderClock(starts_after_s=3.84, wrong_by_s=3641.0, drift_ppm=21.0)
    camera_chapters: int = 1
    ground: Lens = field(
        default_factory=lambda: Lens(
            (720, 576), 74.0, Fraction(25), mount_pitch_deg=-4.0, distortion=-0.05, pixel_aspect=Fraction(16, 15)
        )
    )
    ground_clock: RecorderClock = RecorderClock(starts_after_s=13.16, wrong_by_s=-95.0, drift_ppm=-34.0)

    log_rate_Hz: float = 10.0  # rows of the radio's log
    log_gaps: int = 2  # spells without rows, besides those that the control link causes
    log_airspeed: bool = True
    fix_rate_Hz: float = 5.0  # positions under it, and the GPX
    fix_lag_s: float = 0.0
    velocity_lag_s: float = 0.15
    fix_noise_m: float = 0.9

    def replace(self, **changes: Any) -> Scenario:
        """The scenario with other values; unknown names raise TypeError."""
        return replace(self, **changes)


DEFAULT = Scenario()

# Ten kilometres out and back at 1.28 GHz: the flight the trade calls long range. Nobody waits for it unasked.
LONG = Scenario(
    name="To the far lighthouse and back",
    seed=20251004,
    start_utc="2025-10-04T12:58:31Z",
    wind_mps=4.5,
    wind_from_deg=170.0,
    outbound_deg=140.0,
    distance_out_m=10400.0,
    cruise_height_m=140.0,
    far_height_m=190.0,
    airspeed_mps=17.5,
    airspeed_home_mps=18.5,
    approach_airspeed_mps=13.0,
    weave_m=90.0,
    weave_length_m=1500.0,
    detours=4,
    detour_m=320.0,
    loiter_turns=2.5,
    cloud_wisps=3,
    standing_s=20.0,
    handling_s=25.0,
    after_landing_s=20.0,
    airframe=Airframe(mass_kg=2.6, wing_m2=0.48, span_m=1.9, drag_zero_lift=0.027, drag_induced=0.052),
    battery=Battery(cells=4, capacity_mAh=10500.0, resistance_ohm=0.045),
    picture_link=PictureLink(
        frequency_MHz=1280.0, power_mW=50.0, ground_gain_dBi=9.0, ground_beam_deg=60.0, ground_aside_dB=7.0
    ),
    control_link=ControlLink(frequency_MHz=868.0, power_mW=250.0, sensitivity_dBm=-112.0),
    camera_chapters=2,
)

# Out over the field and straight back, for tests and first tries: a minute from power-up to landing.
SHORT = Scenario(
    name="Once around the field",
    seed=7,
    standing_s=2.0,
    handling_s=5.0,
    after_landing_s=3.0,
    wind_mps=3.0,
    outbound_deg=250.0,
    distance_out_m=420.0,
    cruise_height_m=40.0,
    far_height_m=52.0,
    weave_m=16.0,
    weave_length_m=260.0,
    detours=0,
    loiter_radius_m=95.0,
    loiter_turns=0.5,
    cloud_wisps=0,
)
