"""Walk XML of unknown origin: expat, no document type, bounded depth, the good part of a cut file kept."""

from __future__ import annotations

import contextlib
import xml.parsers.expat as expat
from collections.abc import Callable, Mapping
from typing import BinaryIO

from overlay.tracks.source import Source

DEPTH_LIMIT = 64
CHUNK = 1 << 17

Opened = Callable[[dict[str, str]], None]
Closed = Callable[[str], None]
Leaf = Callable[[str], Closed | None]


class _RefusedError(Exception):
    pass


class Walker:
    """Calls a format's functions by the local name of each element.

    `opened[name](attributes)` at its start, `closed[name](text)` at its end. For names that are not among these
    `leaf(name)` is asked once for the function to call with their text.
    """

    def __init__(self, opened: Mapping[str, Opened], closed: Mapping[str, Closed], leaf: Leaf | None = None) -> None:
        self._opened, self._closed, self._leaf = opened, closed, leaf

    def walk(self, file: BinaryIO, source: Source) -> None:
        """Feed the whole file; TrackError for a document type or absurd nesting, Damage where it is cut or broken."""
        parser = expat.ParserCreate()
        parser.buffer_text = True
        self._attach(parser)
        try:
            while chunk := file.read(CHUNK):
                parser.Parse(chunk, False)
            parser.Parse(b"", True)
        except expat.ExpatError as error:
            reason = expat.ErrorString(error.code)
            source.note(f"XML ends early ({reason}): read up to there", f"line {error.lineno}")
        except (LookupError, ValueError):
            raise source.error("XML in an encoding unknown here", "export the log again in UTF-8") from None
        except _RefusedError as error:
            raise source.error(str(error), "export the log again, as plain GPX or KML") from None

    def _attach(self, parser: expat.XMLParserType) -> None:
        opened: dict[str, Opened | None] = {}  # by the name with its prefix, as met
        closed: dict[str, Closed | None] = {}
        texts: list[str] = []
        depth = 0

        def learn(name: str) -> Opened | None:
            plain = name.rpartition(":")[2]
            opened[name] = self._opened.get(plain)
            closed[name] = self._closed.get(plain) or (self._leaf(plain) if self._leaf else None)
            return opened[name]

        def start(name: str, attributes: dict[str, str]) -> None:
            nonlocal depth
            depth += 1
            if depth > DEPTH_LIMIT:
                raise _RefusedError(f"XML nested more than {DEPTH_LIMIT} deep")
            texts.clear()
            try:
                action = opened[name]
            except KeyError:
                action = learn(name)
            if action:
                action(attributes)

        def end(name: str) -> None:
            nonlocal depth
            depth -= 1
            action = closed[name]
            if action:
                action("".join(texts))
            texts.clear()

        def refuse(*_: object) -> None:
            raise _RefusedError("XML with a document type declaration, which no log needs and which can hide attacks")

        parser.StartElementHandler = start
        parser.EndElementHandler = end
        parser.CharacterDataHandler = texts.append
        parser.StartDoctypeDeclHandler = refuse
        parser.EntityDeclHandler = refuse


def root_name(head: bytes) -> str | None:
    """Local name of the root element in the first bytes of a file, in lower case; None when it is not XML."""
    found: list[str] = []
    parser = expat.ParserCreate()

    def start(name: str, _: dict[str, str]) -> None:
        found.append(name.rpartition(":")[2].lower())
        parser.StartElementHandler = None

    parser.StartElementHandler = start
    if b"<" not in head[:4096]:
        return None
    with contextlib.suppress(expat.ExpatError, LookupError, ValueError):
        parser.Parse(head.lstrip(b" \t\r\n") if head[:1].isspace() else head, False)
    return found[0] if found else None
