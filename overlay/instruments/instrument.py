"""What every instrument shares: settings, the backing it stands on, a drawing that depends on its state alone."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property
from typing import Annotated, ClassVar, Generic, Literal, TypeVar

from pydantic import Field

from overlay.instruments.canvas import Canvas
from overlay.instruments.captions import Caption
from overlay.instruments.dials import Dials
from overlay.instruments.palette import Colour, Palette
from overlay.instruments.panel import Patch, Rect
from overlay.instruments.quantities import Units
from overlay.readings import Readings
from overlay.settings import Settings

Anchor = Literal[
    "top left", "top", "top right", "left", "centre", "right", "bottom left", "bottom", "bottom right",
]  # fmt: skip
When = Literal["always", "break-up", "event", "aloft", "out", "home"]
Share = Annotated[float, Field(gt=0.0, le=4.0)]

# The typographic scale, in design units.
SMALL, BODY, VALUE, LARGE, HERO = 25.0, 29.0, 36.0, 50.0, 76.0
INSET = 22.0  # from the edge of the backing to what stands on it
CORNER = 12.0
HAIR = 1.6


class Options(Settings):
    """Where an instrument stands and when it is shown: the keys that all instruments have."""

    anchor: Anchor = Field(description="point of the safe area; those at one point stack inwards")
    beside: bool = Field(default=False, description="stand beside the instrument before it, not after it in the stack")
    width: Share | Literal["safe", "between"] | None = Field(
        default=None,
        description="share of the frame height; 'safe': all the safe width; 'between': what its neighbours leave",
    )
    height: Share | None = Field(default=None, description="height as a share of the frame height")
    scale: Annotated[float, Field(ge=0.3, le=4.0)] = Field(
        default=1.0, description="size of everything in it against the layout's scale"
    )
    when: When = Field(
        default="always",
        description="while it is shown: always, during a break-up, an event, in the air, on the way out or home",
    )
    absent: Literal["show", "hide"] = Field(
        default="show", description="a flight without any of its data: show it as no data, or hide it and close the gap"
    )
    title: str | None = Field(default=None, max_length=60, description="name printed on it, in place of its own")


class Style(Settings):
    """How the plates are cut."""

    corner: Annotated[float, Field(ge=0.0, le=40.0)] = Field(
        default=CORNER, description="radius of the plates' corners, in units of 1/1080 of the frame height"
    )
    edge: Annotated[float, Field(ge=0.0, le=6.0)] = Field(
        default=0.0, description="width of a line around each plate, in the colour of the rulers; 0: none"
    )


USUAL_STYLE = Style()


@dataclass(frozen=True)
class Setting:
    """What an instrument is given besides its options. `unit` is pixels to a design unit."""

    dials: Dials
    units: Units
    palette: Palette
    unit: float
    captions: tuple[Caption, ...] = ()
    utc_offset_s: float | None = None
    style: Style = USUAL_STYLE


OptionsT = TypeVar("OptionsT", bound=Options)
State = TypeVar("State", bound=Hashable)


class Instrument(ABC, Generic[OptionsT, State]):
    """A `Panel` whose patch is a function of its state; what never changes is drawn once, as the ground.

    A subclass says its natural `size` in design units, the `columns` of which it needs one, the `_state` at a moment
    (None: draw nothing), the `_ground` and what to `_paint`. States hold what is seen, already rounded: texts, and
    places in half pixels.
    """

    size: ClassVar[tuple[float, float]]
    columns: ClassVar[tuple[str, ...]] = ()

    def __init__(self, rect: Rect, setting: Setting, options: OptionsT) -> None:
        self.rect, self.setting, self.options = rect, setting, options
        self.dials, self.units, self.palette = setting.dials, setting.units, setting.palette
        self.width, self.height = rect.width / setting.unit, rect.height / setting.unit
        self._prepare()

    @classmethod
    def natural_size(cls, options: OptionsT) -> tuple[float, float]:  # noqa: ARG003 (a subclass may ask its options)
        """Width and height in design units where the layout gives none."""
        return cls.size

    @classmethod
    def has_data(cls, options: OptionsT, readings: Readings) -> bool:  # noqa: ARG003 (a subclass may ask its options)
        """Whether the flight holds anything that it shows."""
        return not cls.columns or any(readings.has(column) for column in cls.columns)

    def _prepare(self) -> None:
        """Work out once what does not change during the flight."""

    @abstractmethod
    def _state(self, time_s: float) -> State | None:
        """All that the drawing depends on at a moment; None: nothing is drawn."""

    @abstractmethod
    def _paint(self, canvas: Canvas, state: State) -> None:
        """Draw what changes on a fresh copy of the ground."""

    def _ground(self, canvas: Canvas) -> None:
        """Draw what never changes."""
        self.backing(canvas)

    def shows(self, time_s: float) -> Hashable | None:
        """See `Panel.shows`."""
        return self._state(time_s)

    def draw(self, time_s: float) -> Patch:
        """See `Panel.draw`."""
        state = self._state(time_s)
        if state is None:
            return Canvas(self.rect.width, self.rect.height, self.setting.unit).pixels
        canvas = self._sheet.copy()
        self._paint(canvas, state)
        return canvas.pixels

    def backing(self, canvas: Canvas) -> None:
        """Lay the plate that keeps everything on it readable."""
        self.plate(canvas, 0.0, 0.0, self.width, self.height)

    def plate(self, canvas: Canvas, left: float, top: float, wide: float, tall: float) -> None:
        """Lay a plate in the layout's style."""
        style = self.setting.style
        canvas.box(left, top, wide, tall, self.palette.backing, style.corner)
        if style.edge:
            canvas.frame(left, top, wide, tall, style.edge, self.palette.hairline, style.corner)

    def half_pixel(self, value: float) -> float:
        """Round a place in design units to half a pixel, or half a unit on large frames: finer motion is not seen."""
        step = 0.5 / min(self.setting.unit, 1.0)
        return round(value / step) * step

    def whole_pixel(self, value: float) -> float:
        """Round a place in design units to a whole pixel, or a unit on large frames: where an upright edge may lie."""
        step = max(1, round(self.setting.unit)) / self.setting.unit
        return round(value / step) * step

    def name(self, canvas: Canvas, text: str, unit: str = "") -> None:
        """Print the instrument's name, and its unit at the right."""
        y = INSET + SMALL * 0.66
        aside = canvas.measure(unit, SMALL) + 12 if unit else 0.0
        canvas.text(INSET, y, self.titled(canvas, text, aside), SMALL, self.palette.muted)
        if unit:
            canvas.text(self.width - INSET, y, unit, SMALL, self.palette.muted, anchor="right")

    def titled(self, canvas: Canvas, own: str, aside: float = 0.0) -> str:
        """Return the user's title, or the instrument's own, as it fits the plate beside something `aside` wide."""
        title = self.options.title if self.options.title is not None else own
        return canvas.shortened(title, SMALL, self.width - 2 * INSET - aside)

    def legible(self, colour: Colour) -> Colour:
        """Return an accent as it is used for text."""
        return self.palette.legible(colour)

    @cached_property
    def _sheet(self) -> Canvas:
        canvas = Canvas(self.rect.width, self.rect.height, self.setting.unit)
        self._ground(canvas)
        return canvas
