"""Places on a frame: stacks at nine anchors, full-width bands first, every rectangle on even pixels."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from overlay.instruments.panel import Rect

_LEAST_BETWEEN = 0.29  # of the safe width: narrower than this, nothing is read in it


class NoRoomError(Exception):
    """The instruments do not fit the frame; the message names the first that does not."""


@dataclass(frozen=True)
class Item:
    """Something to be placed: `key` comes back with its place; sizes in pixels."""

    key: int | None
    name: str
    anchor: str
    width: float
    height: float
    beside: bool = False
    span: Literal["safe", "between"] | None = None


@dataclass(frozen=True)
class Place:
    """An item and its rectangle."""

    item: Item
    rect: Rect


@dataclass
class _Room:
    """What is left of the safe area, in pixels."""

    left: float
    top: float
    right: float
    bottom: float


def place(items: Sequence[Item], frame_width: int, frame_height: int, margin: float, gap: float) -> tuple[Place, ...]:
    """Place all items, in their own order; NoRoomError when one lies outside the frame.

    Items with the span "safe" take the whole safe width at their edge first. The rest stack at their anchor from the
    edge inwards, those `beside` another in one row with it. Items with the span "between" come last and take the width
    that those to their left and right leave.
    """
    # Whole chroma samples down the frame make the gaps of a stack equal; across it rows of other widths have to end in
    # line, so there only the edges are rounded.
    items = [replace(item, height=_whole(item.height)) for item in items]
    room = _Room(margin, _whole(margin), frame_width - margin, frame_height - _whole(margin))
    placed = _bands(items, room, gap)
    waiting = {item.anchor for item in items if item.span == "between"}
    for anchor in sorted(dict.fromkeys(item.anchor for item in items), key=waiting.__contains__):
        stack = [item for item in items if item.anchor == anchor and item.span != "safe"]
        here = _between(stack, anchor, room, placed, gap) if anchor in waiting else room
        placed += _stack([_widened(item, here) for item in stack], anchor, here, gap)
    for found in placed:
        _check(found, frame_width, frame_height)
    order = {item.key: n for n, item in enumerate(items)}
    return tuple(sorted(placed, key=lambda found: order[found.item.key]))


def _bands(items: Sequence[Item], room: _Room, gap: float) -> list[Place]:
    placed = []
    for item in items:
        if item.span == "safe":
            top = room.top if item.anchor.startswith("top") else room.bottom - item.height
            placed.append(Place(item, _even(room.left, top, room.right - room.left, item.height)))
            if item.anchor.startswith("top"):
                room.top += item.height + _whole(gap)
            else:
                room.bottom -= item.height + _whole(gap)
    return placed


def _widened(item: Item, room: _Room) -> Item:
    return replace(item, width=room.right - room.left) if item.span == "between" else item


def _between(stack: Sequence[Item], anchor: str, room: _Room, placed: Sequence[Place], gap: float) -> _Room:
    """Return what of the room is free to the left and right of its middle, at the heights that the stack will take.

    Where that is too narrow to be of use, the stack goes past what stands in its way.
    """
    for _ in range(len(placed) + 1):
        rects = [found.rect for found in _stack(stack, anchor, room, gap)]
        top, bottom = min(rect.y for rect in rects), max(rect.y + rect.height for rect in rects)
        beside = [found.rect for found in placed if found.rect.y < bottom and top < found.rect.y + found.rect.height]
        free = _beside(beside, room, gap)
        if free.right - free.left >= _LEAST_BETWEEN * (room.right - room.left) or not beside:
            break
        if anchor.startswith("bottom"):
            room = replace(room, bottom=min(rect.y for rect in beside) - _whole(gap))
        else:
            room = replace(room, top=max(rect.y + rect.height for rect in beside) + _whole(gap))
    return free


def _beside(rects: Sequence[Rect], room: _Room, gap: float) -> _Room:
    """Return the room between those left and those right of its middle."""
    middle = (room.left + room.right) / 2
    left, right = room.left, room.right
    for rect in rects:
        if rect.x + rect.width / 2 < middle:
            left = max(left, rect.x + rect.width + gap)
        else:
            right = min(right, rect.x - gap)
    return replace(room, left=left, right=right)


def _stack(items: Sequence[Item], anchor: str, room: _Room, gap: float) -> Iterator[Place]:
    rows: list[list[Item]] = []
    for item in items:
        if item.beside and rows:
            rows[-1].append(item)
        else:
            rows.append([item])
    heights = [max(item.height for item in row) for row in rows]
    total = sum(heights) + _whole(gap) * (len(rows) - 1)
    upwards = anchor.startswith("bottom")
    y = room.bottom if upwards else room.top if anchor.startswith("top") else (room.top + room.bottom - total) / 2
    for row, height in zip(rows, heights, strict=True):
        top = y - height if upwards else y
        yield from _row(row, anchor, top, height, room, gap)
        y = top - _whole(gap) if upwards else top + height + _whole(gap)


def _row(row: Sequence[Item], anchor: str, top: float, height: float, room: _Room, gap: float) -> Iterator[Place]:
    total = sum(item.width for item in row) + gap * (len(row) - 1)
    x = (
        room.left
        if anchor.endswith("left")
        else room.right - total
        if anchor.endswith("right")
        else (room.left + room.right - total) / 2
    )
    for item in row:
        y = top + height - item.height if anchor.startswith("bottom") else top
        yield Place(item, _even(x, y, item.width, item.height))
        x += item.width + gap


def _whole(pixels: float) -> float:
    return 2.0 * round(pixels / 2) if math.isfinite(pixels) else pixels


def _even(x: float, y: float, width: float, height: float) -> Rect:
    left, top = 2 * round(x / 2), 2 * round(y / 2)
    return Rect(left, top, max(2, 2 * round((x + width) / 2) - left), max(2, 2 * round((y + height) / 2) - top))


def _check(found: Place, frame_width: int, frame_height: int) -> None:
    rect = found.rect
    inside = rect.x >= 0 and rect.y >= 0 and rect.x + rect.width <= frame_width and rect.y + rect.height <= frame_height
    if not inside or not math.isfinite(found.item.width):
        raise NoRoomError(f"{found.item.name!r} at {found.item.anchor!r} does not fit")


def side_by_side(room: Rect, aspects: tuple[float, float], gap: int) -> tuple[Rect, Rect]:
    """Two pictures of one height, width over height as in `aspects`, at the left and right of a room for them."""
    tall = 2 * int(min((room.width - gap) / sum(aspects), room.height) / 2)
    wide = [2 * int(tall * aspect / 2) for aspect in aspects]
    y = room.y + (room.height - tall) // 4 * 2
    return Rect(room.x, y, wide[0], tall), Rect(room.x + room.width - wide[1], y, wide[1], tall)


def between_rows(panels: Sequence[Rect], canvas: Rect, gap: int) -> Rect:
    """The room between the topmost instruments and those in the lower half, as wide as they reach."""
    above = [panel for panel in panels if panel.y + panel.height <= canvas.height / 4]
    below = [panel.y for panel in panels if panel.y > canvas.height / 2]
    top = max((panel.y + panel.height for panel in above if panel.y == min(p.y for p in above)), default=0) + gap
    floor = min(below, default=canvas.height) // 2 * 2 - gap
    low = min((panel.x for panel in panels), default=canvas.x)
    high = max((panel.x + panel.width for panel in panels), default=canvas.x + canvas.width)
    return Rect(low, top, high - low, floor - top)
