"""The characters of the sample's on-screen figures: 5 × 7 dots each, drawn for this project."""

from __future__ import annotations

import math
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

Dots = NDArray[np.uint8]

CELL = (18, 12)  # rows and columns of a character cell, in dots of the generator

_ROWS = """
0 .###. #...# #..## #.#.# ##..# #...# .###.
1 ..#.. .##.. #.#.. ..#.. ..#.. ..#.. #####
2 .###. #...# ....# ..##. .#... #.... #####
3 .###. #...# ....# ..##. ....# #...# .###.
4 ...#. ..##. .#.#. #..#. ##### ...#. ...#.
5 ##### #.... ####. ....# ....# #...# .###.
6 ..##. .#... #.... ####. #...# #...# .###.
7 ##### ....# ...#. ...#. ..#.. ..#.. ..#..
8 .###. #...# #...# .###. #...# #...# .###.
9 .###. #...# #...# .#### ....# ...#. .##..
A ..#.. .#.#. #...# #...# ##### #...# #...#
B ####. #...# #...# ####. #...# #...# ####.
C .###. #...# #.... #.... #.... #...# .###.
D ###.. #..#. #...# #...# #...# #..#. ###..
E ##### #.... #.... ####. #.... #.... #####
F ##### #.... #.... ####. #.... #.... #....
G .###. #...# #.... #.### #...# #...# .####
H #...# #...# #...# ##### #...# #...# #...#
I .###. ..#.. ..#.. ..#.. ..#.. ..#.. .###.
J ..### ...#. ...#. ...#. ...#. #..#. .##..
K #...# #..#. #.#.. ##... #.#.. #..#. #...#
L #.... #.... #.... #.... #.... #.... #####
M #...# ##.## #.#.# #.#.# #...# #...# #...#
N #...# ##..# ##..# #.#.# #..## #..## #...#
O .###. #...# #...# #...# #...# #...# .###.
P ####. #...# #...# ####. #.... #.... #....
Q .###. #...# #...# #...# #.#.# #..#. .##.#
R ####. #...# #...# ####. #.#.. #..#. #...#
S .#### #.... #.... .###. ....# ....# ####.
T ##### ..#.. ..#.. ..#.. ..#.. ..#.. ..#..
U #...# #...# #...# #...# #...# #...# .###.
V #...# #...# #...# #...# .#.#. .#.#. ..#..
W #...# #...# #...# #.#.# #.#.# ##.## #...#
X #...# #...# .#.#. ..#.. .#.#. #...# #...#
Y #...# #...# .#.#. ..#.. ..#.. ..#.. ..#..
Z ##### ....# ...#. ..#.. .#... #.... #####
. ..... ..... ..... ..... ..... .##.. .##..
: ..... .##.. .##.. ..... .##.. .##.. .....
- ..... ..... ..... ##### ..... ..... .....
/ ....# ....# ...#. ..#.. .#... #.... #....
% ##..# ##.#. ...#. ..#.. .#... .#.## #..##
"""
DOTS: dict[str, tuple[str, ...]] = {row[0]: tuple(row[2:].split()) for row in _ROWS.strip().splitlines()}
CLEAR, BLACK, WHITE = 0, 1, 2


@cache
def cell(character: str) -> Dots:
    """A character's cell (18, 12): CLEAR, WHITE, and BLACK for a rim one dot wide; ValueError for one never drawn."""
    if character == " ":
        return np.full(CELL, CLEAR, np.uint8)
    if character not in DOTS:
        raise ValueError(f"no dots are drawn for {character!r}; there are {''.join(sorted(DOTS))} and the blank")
    dots = np.array([[dot == "#" for dot in row] for row in DOTS[character]], np.uint8)
    white = np.zeros(CELL, np.uint8)
    white[2:16, 1:11] = np.kron(dots, np.ones((2, 2), np.uint8))
    return _rimmed(white)


@cache
def arrow(sixteenth: int) -> Dots:
    """An arrow two cells wide (18, 24) pointing at `sixteenth`/16 of a turn clockwise from straight up."""
    angle = 2 * math.pi * sixteenth / 16
    shape = np.array([[0, -7.5], [5.2, 5.5], [0, 2.6], [-5.2, 5.5]])
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    points = np.round((shape @ turn.T + [11.5, 8.5]) * 16).astype(np.int32)
    white = np.zeros((CELL[0], 2 * CELL[1]), np.uint8)
    cv2.fillPoly(white, [points], 1, cv2.LINE_8, 4)
    return _rimmed(white)


def _rimmed(white: Dots) -> Dots:
    rim = cv2.dilate(white, np.ones((3, 3), np.uint8))
    return np.where(white > 0, WHITE, np.where(rim > 0, BLACK, CLEAR)).astype(np.uint8)
