"""One quantity as a large figure with its unit and name."""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType
from typing import Literal, NamedTuple

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, HERO, INSET, SMALL, Instrument, Options
from overlay.instruments.quantities import NO_DATA, Unit, Units
from overlay.readings import Readings

Quantity = Literal[
    "range", "reach", "distance flown", "height", "vertical speed", "ground speed", "airspeed", "wind", "tailwind",
    "bearing", "course", "heading", "bank", "pitch", "voltage", "current", "power",
    "charge used", "charge per distance", "charge to get home", "spare charge",
    "control link", "signal", "signal to noise", "picture grade", "aerial off axis",
]  # fmt: skip
State = tuple[str, str]  # number, unit


class Source(NamedTuple):
    """Column of the readings, and the unit it is shown in; None for a distance or an angle of the compass."""

    column: str
    unit: Callable[[Units], Unit] | None = None


def _fixed(symbol: str, step: float = 1.0, decimals: int = 0) -> Callable[[Units], Unit]:
    return lambda _: Unit(symbol, 1.0, step, decimals)


def _per_distance(units: Units) -> Unit:
    return Unit(f"mAh/{units.far.symbol}", 1e-3 / units.far.per_si)


DISTANCES = ("range", "reach", "distance flown")
COMPASS = ("bearing", "course", "heading")
SOURCES = MappingProxyType(
    {
        "range": Source("range_m"),
        "reach": Source("reach_m"),
        "distance flown": Source("distance_m"),
        "height": Source("height_m", lambda u: u.height),
        "vertical speed": Source("vertical_speed_mps", lambda u: u.climb),
        "ground speed": Source("ground_speed_mps", lambda u: u.speed),
        "airspeed": Source("airspeed_mps", lambda u: u.speed),
        "wind": Source("wind_speed_mps", lambda u: u.speed),
        "tailwind": Source("tailwind_mps", lambda u: u.speed),
        "bearing": Source("bearing_deg"),
        "course": Source("course_deg"),
        "heading": Source("heading_deg"),
        "bank": Source("bank_deg", _fixed("°")),
        "pitch": Source("pitch_deg", _fixed("°")),
        "voltage": Source("voltage_V", _fixed("V", 0.1, 1)),
        "current": Source("current_A", _fixed("A", 0.1, 1)),
        "power": Source("power_W", _fixed("W", 5.0)),
        "charge used": Source("charge_used_mAh", _fixed("mAh", 10.0)),
        "charge per distance": Source("charge_per_km_mAh", _per_distance),
        "charge to get home": Source("charge_home_mAh", _fixed("mAh", 10.0)),
        "spare charge": Source("charge_spare_mAh", _fixed("mAh", 10.0)),
        "control link": Source("control_link_pct", _fixed("%")),
        "signal": Source("control_rssi_dBm", _fixed("dBm")),
        "signal to noise": Source("control_snr_dB", _fixed("dB")),
        "picture grade": Source("picture_grade", _fixed("of 5", 0.5, 1)),
        "aerial off axis": Source("aerial_off_axis_deg", _fixed("°")),
    }
)


class FigureOptions(Options):
    """One quantity as a large figure."""

    kind: Literal["figure"] = "figure"
    quantity: Quantity


class Figure(Instrument[FigureOptions, State]):
    """See the module."""

    size = (290.0, 136.0)

    @classmethod
    def has_data(cls, options: FigureOptions, readings: Readings) -> bool:
        """Whether the flight holds the quantity."""
        return readings.has(SOURCES[options.quantity].column)

    def _prepare(self) -> None:
        name, source = self.options.quantity, SOURCES[self.options.quantity]
        self._unit = source.unit(self.units) if source.unit else Unit("°")
        if name in DISTANCES:
            self._figure = self.dials.distance(source.column, self.units)
        elif name in COMPASS:
            self._figure = self.dials.angle(source.column)
        else:
            self._figure = self.dials.figure(source.column, self._unit)

    def _state(self, time_s: float) -> State:
        value = self._figure(time_s)
        if self.options.quantity in DISTANCES:
            return self.units.distance(value)
        return self._unit.text(value), self._unit.symbol

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        name = self.titled(canvas, self.options.quantity)
        canvas.text(INSET, self.height - INSET, name, SMALL, self.palette.muted)

    def _paint(self, canvas: Canvas, state: State) -> None:
        number, unit = state
        known = number != NO_DATA
        y = INSET + HERO * 0.62
        size = self._fitting(canvas, number, unit)
        shade = self.palette.ink if known else self.palette.muted
        attached = unit if unit == "°" and known else ""
        wide = canvas.text(INSET, y, number + attached, size, shade, weight="semibold")
        if not attached:
            canvas.text(INSET + wide + 10, y, unit, BODY, self.palette.muted)

    def _fitting(self, canvas: Canvas, number: str, unit: str) -> float:
        """Size at which number and unit fit; in steps of a tenth, so that it seldom changes."""
        room = self.width - 2 * INSET - 10 - canvas.measure(unit, BODY)
        needed = canvas.measure(number, HERO, weight="semibold")
        return HERO if needed <= room else HERO * max(0.4, int(room / needed * 10) / 10)
