"""The instruments there are, by the name that a layout calls them."""

from __future__ import annotations

from types import MappingProxyType
from typing import Annotated, Any

from pydantic import Field

from overlay.instruments.height import Height, HeightOptions
from overlay.instruments.instrument import Instrument, Options
from overlay.instruments.range_line import RangeLine, RangeLineOptions
from overlay.instruments.speed_pair import SpeedPair, SpeedPairOptions

AnyOptions = Annotated[RangeLineOptions | SpeedPairOptions | HeightOptions, Field(discriminator="kind")]

_INSTRUMENTS: dict[type[Options], type[Instrument[Any, Any]]] = {
    RangeLineOptions: RangeLine,
    SpeedPairOptions: SpeedPair,
    HeightOptions: Height,
}
INSTRUMENTS = MappingProxyType({options.model_fields["kind"].default: made for options, made in _INSTRUMENTS.items()})
OPTIONS = MappingProxyType({options.model_fields["kind"].default: options for options in _INSTRUMENTS})
