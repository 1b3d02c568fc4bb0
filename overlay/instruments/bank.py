"""Bank, seen from behind: a wing leaning against a level line, the angle between them filled; the nose as a figure."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from overlay.instruments.canvas import Canvas, arc, towards
from overlay.instruments.instrument import BODY, HAIR, INSET, SMALL, Instrument, Options
from overlay.instruments.quantities import MINUS, NO_DATA, Unit

State = tuple[float, str, str]  # bank in half degrees; bank and pitch as texts

_DEGREES = Unit("°")
_PLAY_deg = 0.8
_TIP = 3.5  # the wing ends so far inside the rim, its thickness taken off


class BankOptions(Options):
    """Bank and pitch of the aircraft as seen from behind it."""

    kind: Literal["bank"] = "bank"


class Bank(Instrument[BankOptions, State]):
    """See the module."""

    columns = ("bank_deg",)
    size = (216.0, 176.0)

    def _prepare(self) -> None:
        self._bank = self.dials.needle("bank_deg", smooth_s=0.4, play=_PLAY_deg)
        self._bank_figure = self.dials.figure("bank_deg", _DEGREES)
        self._pitch_figure = self.dials.figure("pitch_deg", _DEGREES)
        self._foot = self.height - INSET + 8
        top, bottom = (
            INSET + SMALL * 0.66 + 4,
            self._foot - BODY * 0.68 - 4,
        )  # between the words, however steep the bank
        self._x, self._y = self.width / 2, (top + bottom) / 2
        self._radius = min(self.width / 2 - INSET, (bottom - top) / 2 + _TIP)

    def _state(self, time_s: float) -> State:
        bank = self._bank(time_s)
        return (
            round(bank * 2) / 2 if math.isfinite(bank) else math.inf,
            _banked(self._bank_figure(time_s)),
            _pitched(self._pitch_figure(time_s)),
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        title = self.titled(canvas, "bank", canvas.measure(f"nose {MINUS}00°", SMALL) + 10)
        canvas.text(INSET, INSET + SMALL * 0.66, title, SMALL, self.palette.muted)
        x, y, r, rim = self._x, self._y, self._radius, self.palette.hairline
        rims = [arc(x, y, r, side - 32.0, side + 32.0) for side in (90.0, -90.0)]
        ticks = [
            np.array([x, y]) + np.outer([r - 6, r], towards(side + tilt))
            for side in (90.0, -90.0)
            for tilt in (-30, -15, 15, 30)
        ]
        canvas.lines([*rims, *ticks, [(x - r, y), (x + r, y)]], HAIR, rim)

    def _paint(self, canvas: Canvas, state: State) -> None:
        bank, text, pitch = state
        p, known = self.palette, text != NO_DATA
        if math.isfinite(bank):
            self._wing(canvas, bank)
        canvas.text(
            self._x,
            self._foot,
            text,
            BODY,
            p.ink if known else p.muted,
            weight="semibold" if known else "regular",
            anchor="centre",
        )
        canvas.text(self.width - INSET, INSET + SMALL * 0.66, pitch, SMALL, p.muted, anchor="right")

    def _wing(self, canvas: Canvas, bank: float) -> None:
        """Fill the angle from level to the wing, then draw wing, fin and body over it."""
        x, y, r, ink = self._x, self._y, self._radius, self.palette.ink
        for side in (90.0, -90.0):
            canvas.polygon(np.concatenate(([(x, y)], arc(x, y, r - 7, side, side + bank))), self.palette.air.faded(0.6))
        wing, up = towards(90.0 + bank), towards(bank)
        centre = np.array([x, y])
        canvas.line([centre - wing * (r - 6), centre + wing * (r - 6)], 5.0, ink)
        canvas.line([centre, centre + up * r * 0.45], 4.0, ink)
        canvas.disc(x, y, 8.5, ink)


def _banked(degrees: float) -> str:
    if not math.isfinite(degrees):
        return NO_DATA
    return f"{abs(degrees):.0f}° {'right' if degrees > 0 else 'left'}" if abs(degrees) >= 1 else "level"


def _pitched(degrees: float) -> str:
    if not math.isfinite(degrees):
        return ""
    return f"nose {'' if abs(degrees) < 1 else '+' if degrees > 0 else MINUS}{abs(degrees):.0f}°"
