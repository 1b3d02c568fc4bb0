"""The picture of the evidence says all that there is to say, and no words lie on a curve's title."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from overlay.alignment import align
from overlay.alignment.result import Alignment
from overlay.debrief.evidence import figure_of, sentences
from overlay.motion import MotionSeries

EVERYTHING = {
    "closure_s": 0.002,
    "clock_row": 0.66,
    "moments_s": {"launch": [0.1, 0.5], "landing": [-0.2, 0.6]},
    "flight": 2,
    "flights": [{"flight": 1, "score": 4.0}, {"flight": 2, "score": 100.0}],
    "offset_kind": "effective: any delay of the log is part of it",
}


@pytest.fixture(scope="module")
def found() -> Alignment:
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 300.0, 0.1)
    turning = np.cumsum(rng.normal(0.0, 0.05, (len(time), 3)), axis=0)
    turning -= np.array([np.convolve(column, np.ones(80) / 80, "same") for column in turning.T]).T
    return align(MotionSeries(time, turning), MotionSeries(time + 1000.0, turning))


@pytest.mark.parametrize("told", [{}, EVERYTHING])
def test_every_sentence_stands_in_the_picture_above_the_first_curve(found: Alignment, told: dict[str, object]) -> None:
    shown = replace(found, evidence={**found.evidence, **told})
    figure = figure_of(shown)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    words, curve = figure.axes[:2]
    heading, text = words.texts
    assert " ".join(text.get_text().split()) == " ".join(" ".join(sentences(shown)).split())
    box, renderer = text.get_window_extent(), canvas.get_renderer()
    titles = [curve.title, curve._left_title, curve._right_title]  # type: ignore[attr-defined]
    top = max(title.get_window_extent(renderer).y1 for title in titles if title.get_text())
    assert box.y0 > top
    assert box.y1 <= heading.get_window_extent().y0 + 2
    assert box.x1 <= figure.bbox.x1
