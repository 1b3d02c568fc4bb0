"""The list of clips as a TOML file: proposed by the program, edited by its user, cut by the program."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from overlay import settings
from overlay.clips.moments import Kind, title_of
from overlay.clock import format_duration, parse_duration
from overlay.errors import InputError

LONGEST_S = 600.0  # a clip of more than ten minutes is a review
Share = Annotated[float, Field(ge=0.0, le=1.0)]


class ClipListError(InputError):
    """A list of clips cannot be used."""


def _is_time(text: str) -> str:
    parse_duration(text)
    return text


Time = Annotated[str, AfterValidator(_is_time)]


class Cover(settings.Settings):
    """A part of a recording's picture that is covered up, such as burned-in coordinates."""

    picture: Literal["camera", "ground"]
    left: Share
    top: Share
    width: Annotated[float, Field(gt=0.0, le=1.0)]
    height: Annotated[float, Field(gt=0.0, le=1.0)]


class Clip(settings.Settings):
    """One clip: source pictures with first ≤ time < end of `picture`'s own clock, and what is done at `at`."""

    kind: Kind = "by hand"
    title: str = Field(default="", max_length=80)
    caption: str = Field(default="", max_length=200)
    picture: Literal["camera", "ground"] = "camera"
    view: Literal["inset", "side by side", "alone"] = "inset"
    first: Time
    at: Time | None = None
    end: Time
    hold_s: Annotated[float, Field(ge=0.0, le=30.0)] = 0.0
    slow: Annotated[int, Field(ge=1, le=16)] = 1
    slow_s: Annotated[float, Field(ge=0.0, le=60.0)] = 0.0
    cut: bool = True

    @model_validator(mode="after")
    def _is_in_order(self) -> Clip:
        first, at, end = self.span_s
        if not first <= at < end:
            raise ValueError(f"a clip begins before it ends and holds its moment: first ≤ at < end, not {self.first}, "
                             f"{self.at or self.first}, {self.end}")  # fmt: skip
        if end - first > LONGEST_S:
            raise ValueError(f"a clip is no longer than {LONGEST_S / 60:.0f} minutes; longer ones are rendered")
        return self

    @property
    def span_s(self) -> tuple[float, float, float]:
        """(first, at, end) in seconds of the recording's clock."""
        first, end = parse_duration(self.first), parse_duration(self.end)
        return first, first if self.at is None else parse_duration(self.at), end

    @property
    def name(self) -> str:
        """What the clip is called."""
        return self.title or title_of(self.kind)


class ClipList(settings.Settings):
    """Clips in the order in which they are numbered, and what holds for all of them."""

    version: Literal[1]
    height: Annotated[int, Field(ge=120, le=4320)] = 1080
    card_s: Annotated[float, Field(ge=0.0, le=20.0)] = 2.5
    sound: bool = True
    cover: tuple[Cover, ...] = Field(default=(), max_length=20)
    clip: tuple[Clip, ...] = Field(default=(), max_length=500)


def read(path: str | os.PathLike[str]) -> ClipList:
    """Read a list; ClipListError as one line with file, line and column."""
    return settings.load(path, ClipList, ClipListError)


_HEAD = """\
# Training clips. Change what you like and cut them again with: overlay clips FLIGHT -o FOLDER --list THIS_FILE
# Times are those of the recording named by `picture`, on its own clock; docs/commands.md describes every key.
# A rectangle that is to be covered, as shares of the picture (burned-in coordinates, for instance):
#   [[cover]]
#   picture = "ground"
#   left = 0.0
#   top = 0.9
#   width = 0.5
#   height = 0.1
"""


def as_toml(clips: ClipList) -> str:
    """The list as text that `read` understands, with a word on how to change it."""
    head = {"version": clips.version, "height": clips.height, "card_s": clips.card_s, "sound": clips.sound}
    parts = [_HEAD + _lines(head)]
    parts += ["[[cover]]\n" + _lines(cover.model_dump()) for cover in clips.cover]
    parts += ["[[clip]]\n" + _lines(clip.model_dump(exclude_none=True)) for clip in clips.clip]
    return "\n".join(parts)


def _lines(values: Mapping[str, object]) -> str:
    # a JSON string is a TOML basic string, but for the one control character that JSON lets through
    return "".join(
        f"{key} = {json.dumps(value, ensure_ascii=False)}\n".replace("\x7f", "") for key, value in values.items()
    )


def time_text(seconds: float) -> str:
    """A moment of a recording to the millisecond, which tells any two pictures apart."""
    return format_duration(max(seconds, 0.0), decimals=3)


def file_name(number: int, clip: Clip) -> str:
    """``03-the-live-picture-breaks-up.mp4``: letters and digits that every file system takes."""
    words = re.findall(r"[a-z0-9]+", clip.name.lower())
    return f"{number:02d}-{'-'.join(words)[:48].strip('-') or 'clip'}.mp4"
