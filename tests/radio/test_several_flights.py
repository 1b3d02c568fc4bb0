"""Which of several measures a verdict rests on, and that what the others say is not kept back."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from overlay.debrief.comparison import details, headline
from overlay.radio.range_curves import MEASURES, Measure
from overlay.radio.several_flights import Compared, LinkCompared
from overlay.radio.usual import Figure, judged

GRADE, RATIO = MEASURES[:2]
CONSTANT = Measure("constant", "picture", "the constant", "dB")


def link_of(*measured: tuple[Measure, np.ndarray, float]) -> LinkCompared:
    """A link by measures given as (measure, figures in dB by flight, their 1σ), the last flight in question."""
    found = []
    for measure, values, sigma in measured:
        figures = tuple(Figure(float(value), sigma) for value in values)
        found.append(Compared(measure, judged(figures, len(values) - 1), figures, (None,) * len(values)))
    return LinkCompared("picture", tuple(found))


ALIKE = np.array([0.3, -0.4, 0.1, 0.5, -0.5, -6.0])


def test_a_measure_that_scatters_does_not_hide_what_a_better_one_shows() -> None:
    wild = np.array([8.0, -9.0, 4.0, -6.0, 3.0, -6.0])
    found = link_of((CONSTANT, wild, 0.5), (GRADE, ALIKE, 0.5))
    assert found.measures[0].judgement.verdict == "as usual"
    assert found.chosen.measure == GRADE
    assert found.verdict == "worse"
    assert headline(found) == f"Live picture: worse by the picture's grade, but as usual by {CONSTANT.words}."
    assert any("By the constant: as usual" in line for line in details(found))
    assert any("By the picture's grade: worse, −6.0 dB" in line for line in details(found))


def test_of_measures_about_as_good_the_first_counts_and_another_view_is_told() -> None:
    hardly = ALIKE * 1.2
    hardly[-1] = -1.0
    found = link_of((CONSTANT, hardly, 0.5), (GRADE, ALIKE, 0.5), (RATIO, ALIKE, 0.5))
    assert found.chosen.measure == CONSTANT
    assert found.verdict == "as usual"
    assert headline(found) == "Live picture: as usual by the constant, but worse by 2 other measures."
    agreed = link_of((CONSTANT, ALIKE, 0.5), (GRADE, ALIKE, 0.5))
    assert agreed.dissent == ""
    assert headline(agreed).startswith("Live picture: worse than usual: 6.0 dB below the mean of 5 others")


@pytest.mark.parametrize("count", [4, 7])
@pytest.mark.parametrize("errors_dB", [(0.5, 0.7, 1.2), (1.0, 1.0, 1.0), (6.0, 0.7, 1.2)])
def test_choosing_by_scatter_makes_no_more_false_alarms_than_stated(count, errors_dB) -> None:
    """Of unchanged flights one in forty is called worse, one in forty better, whatever the measures are worth."""
    rng, tries, told = np.random.default_rng([count, 77]), 1500, Counter()
    for _ in range(tries):
        days = 1.2 * rng.normal(size=count)
        measured = zip((CONSTANT, GRADE, RATIO), errors_dB, strict=True)
        told[link_of(*[(m, days + e * rng.normal(size=count), e) for m, e in measured]).verdict] += 1
    slack = 3 * np.sqrt(0.025 * 0.975 / tries)
    assert told["worse"] / tries <= 0.025 + slack
    assert told["better"] / tries <= 0.025 + slack


def test_a_loss_is_seen_although_the_link_is_described_wrongly() -> None:
    rng, tries, seen = np.random.default_rng(3), 300, 0
    for _ in range(tries):
        days = 1.2 * rng.normal(size=7)
        days[-1] -= 6.0
        wild, fair = days + 6.0 * rng.normal(size=7), days + 0.7 * rng.normal(size=7)
        seen += link_of((CONSTANT, wild, 0.5), (GRADE, fair, 0.7)).verdict == "worse"
    assert seen / tries > 0.8
