"""The instruments there are, by the name that a layout calls them."""

from __future__ import annotations

from types import MappingProxyType
from typing import Annotated, Any

from pydantic import Field

from overlay.instruments.bank import Bank, BankOptions
from overlay.instruments.clock import Clock, ClockOptions
from overlay.instruments.energy_column import EnergyColumn, EnergyColumnOptions
from overlay.instruments.event_caption import EventCaption, EventCaptionOptions
from overlay.instruments.figure import Figure, FigureOptions
from overlay.instruments.height import Height, HeightOptions
from overlay.instruments.home_rose import HomeRose, HomeRoseOptions
from overlay.instruments.instrument import Instrument, Options
from overlay.instruments.leg_label import LegLabel, LegLabelOptions
from overlay.instruments.link_ribbon import LinkRibbon, LinkRibbonOptions
from overlay.instruments.range_line import RangeLine, RangeLineOptions
from overlay.instruments.side_view import SideView, SideViewOptions
from overlay.instruments.speed_pair import SpeedPair, SpeedPairOptions
from overlay.instruments.text_line import Text, TextOptions
from overlay.instruments.track_sketch import TrackSketch, TrackSketchOptions

AnyOptions = Annotated[
    RangeLineOptions
    | SpeedPairOptions
    | EnergyColumnOptions
    | LinkRibbonOptions
    | HomeRoseOptions
    | HeightOptions
    | BankOptions
    | TrackSketchOptions
    | SideViewOptions
    | EventCaptionOptions
    | ClockOptions
    | LegLabelOptions
    | FigureOptions
    | TextOptions,
    Field(discriminator="kind"),
]

_INSTRUMENTS: dict[type[Options], type[Instrument[Any, Any]]] = {
    RangeLineOptions: RangeLine,
    SpeedPairOptions: SpeedPair,
    EnergyColumnOptions: EnergyColumn,
    LinkRibbonOptions: LinkRibbon,
    HomeRoseOptions: HomeRose,
    HeightOptions: Height,
    BankOptions: Bank,
    TrackSketchOptions: TrackSketch,
    SideViewOptions: SideView,
    EventCaptionOptions: EventCaption,
    ClockOptions: Clock,
    LegLabelOptions: LegLabel,
    FigureOptions: Figure,
    TextOptions: Text,
}
INSTRUMENTS = MappingProxyType({options.model_fields["kind"].default: made for options, made in _INSTRUMENTS.items()})
OPTIONS = MappingProxyType({options.model_fields["kind"].default: options for options in _INSTRUMENTS})
