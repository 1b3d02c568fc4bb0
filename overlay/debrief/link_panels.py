"""The live picture's link on the time axis: the margin as modelled, and what each thing took from it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.debrief.colours import BLUE, GREEN, INK, ORANGE, PURPLE, SKY, VERMILION
from overlay.debrief.panel import Line, Panel
from overlay.debrief.story import Story
from overlay.radio.explain import Explanation

Floats = NDArray[np.float64]

_WORTH_SHOWING_DB = 1.0
_STYLES = (
    (BLUE, "solid"), (ORANGE, "dashed"), (GREEN, "dotdash"), (VERMILION, "dotted"), (PURPLE, "solid"), (SKY, "dashed"),
    (INK, "dotdash"), (ORANGE, "dotted"), (BLUE, "dashed"),
)  # fmt: skip


def link_panels(story: Story) -> tuple[Panel, Panel]:
    """Margin, and losses, in dB; without lines where the link could not be modelled."""
    found = story.explanation
    margin_title, losses_title = "Margin of the live picture’s link as modelled", "What took from that margin"
    if found is None:
        nothing = np.zeros(0)
        return (
            Panel("margin", margin_title, "dB", nothing, (), ("margin",)),
            Panel("losses", losses_title, "dB", nothing, (), ("losses",)),
        )
    time, mean, low, high = found.margin_dB()
    times = time - story.zero_s
    shown = {name: loss for name, loss in losses_dB(found).items() if loss.max() >= _WORTH_SHOWING_DB}
    lines = tuple(
        Line("range beyond 1 km" if name == "range" else name, loss, *style)
        for (name, loss), style in zip(shown.items(), _STYLES, strict=False)
    )
    return (
        Panel("margin", margin_title, "dB", times, (Line("margin", mean, INK),), band=(low, high), decimals=1),
        Panel("losses", losses_title, "dB", times, lines, decimals=1),
    )


def losses_dB(found: Explanation) -> dict[str, Floats]:
    """Posterior mean loss (W,) by term at the windows of the evidence, the greatest first; range counts from 1 km."""
    fit, rows = found.fit, found.fit.evidence.row
    losses = {name: -fit.strength(name)[0] * values[rows] for name, values in found.terms.dB.items()}
    losses["ground reflection"] = -_mirrored(found)
    return dict(sorted(losses.items(), key=lambda item: -float(item[1].max())))


def _mirrored(found: Explanation) -> Floats:
    """Mean effect of the ground's reflection, whose mirror differs from sample to sample."""
    from overlay.radio.link import TERMS

    fit = found.fit
    weighted = fit.weights * fit.samples[:, 1 + TERMS.index("ground reflection")]
    by_mirror = np.bincount(fit.mirror, weights=weighted, minlength=found.terms.mirrors.shape[1])
    return np.asarray(found.terms.mirrors[fit.evidence.row] @ by_mirror)
