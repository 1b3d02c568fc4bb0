"""The tree of everything that can go wrong on purpose.

::

    OverlayError
    ├── UsageError        (ValueError)   exit 2   the command line or a call asks for something that cannot be
    ├── InputError        (ValueError)   exit 3   a file cannot be used: path, what was found, what to do
    │   ├── RecordingError
    │   ├── TrackError
    │   ├── TerrainError
    │   ├── FlightFileError
    │   └── LayoutError
    ├── OutputError       (OSError)      exit 3   the result cannot be written
    └── NoAnswerError     (ArithmeticError) exit 4   the data carry no trustworthy answer; candidates are attached

A file that is merely damaged raises nothing: what was read is kept and a `Damage` says what was lost and where.
"""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

NOT_GIVEN = "the flight file does not give "
"""How a reason begins that a line in the flight file would remove; the debrief then asks for that line."""


class OverlayError(Exception):
    """Root of the tree; `exit_code` is what the command line returns for it."""

    exit_code = 3


class UsageError(OverlayError, ValueError):
    """Something was asked for that cannot be done, whatever the files hold."""

    exit_code = 2


class InputError(OverlayError, ValueError):
    """A file cannot be used. Reads as one line: the file, what was found in it, what to do."""

    exit_code = 3

    def __init__(self, path: str | os.PathLike[str], found: str, remedy: str) -> None:
        self.path, self.found, self.remedy = str(path), found, remedy
        super().__init__(f"{printable(self.path)}: {found}; {remedy}")


class RecordingError(InputError):
    """A video recording cannot be used."""


class TrackError(InputError):
    """A logged track cannot be used."""


class TerrainError(InputError):
    """A file of the ground's heights cannot be used."""


class FlightFileError(InputError):
    """A flight.toml cannot be used."""


class LayoutError(InputError):
    """A layout cannot be used."""


class OutputError(OverlayError, OSError):
    """The result cannot be written: the disk is full, the folder read-only, the file already there."""

    exit_code = 3


class NoAnswerError(OverlayError, ArithmeticError):
    """The data do not carry a trustworthy answer; `candidates` lists what was found instead of guessing."""

    exit_code = 4

    def __init__(self, message: str, candidates: Sequence[object] = ()) -> None:
        self.candidates = tuple(candidates)
        super().__init__(message)


@dataclass(frozen=True)
class Damage:
    """Something in a file that was skipped, repaired or cut: `what` in plain words, `where` as the file counts."""

    path: str
    what: str
    where: str = ""

    def __str__(self) -> str:
        place = f" ({self.where})" if self.where else ""
        return f"{printable(self.path)}: {self.what}{place}"


def is_shown(character: str) -> bool:
    """Whether a character can be written as it is: every letter and every space that does not end a line.

    >>> is_shown(chr(0xA0)), is_shown(chr(10)), is_shown(chr(27))
    (True, False, False)
    """
    return character.isprintable() or unicodedata.category(character) == "Zs"


def printable(text: str) -> str:
    r"""Return `text` fit for one line of a terminal: control characters escaped, undecodable bytes shown.

    >>> printable(chr(10) + "a")
    '\\na'
    """
    return "".join(c if is_shown(c) else c.encode("unicode_escape", "surrogatepass").decode("ascii") for c in text)
