"""Onsets looked for once a break-up is known: where figures left their place, and where it began to annoy."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.picture.onsets import first_annoying, interval, reached_back
from overlay.picture.states import CLEAN, STATES

RATE = 25.0
BLOCKS, FROZEN, SPARKLE = (STATES.index(name) for name in ("blocks", "frozen", "sparkle"))

BAD = np.full(100, 1.5)


def told(start: int, state: int) -> np.ndarray:
    """States of 100 frames, broken from `start` on."""
    return np.where(np.arange(100) < start, CLEAN, state)


@pytest.mark.parametrize(("state", "before"), [(BLOCKS, BLOCKS), (FROZEN, BLOCKS), (SPARKLE, SPARKLE)])
def test_a_break_up_began_with_the_figures_it_cost(state: int, before: int) -> None:
    missing = np.where(np.arange(100) < 50, 0.03, 0.3)
    found = reached_back(told(60, state), BAD, missing, RATE)
    assert (found[:50] == CLEAN).all()
    assert (found[50:60] == before).all()
    assert (found[60:] == state).all()


def test_lost_blocks_began_with_the_first_step_down_of_the_figures() -> None:
    step = np.concatenate([np.full(50, 0.02), np.full(10, 0.10), np.full(40, 0.5)])
    assert np.flatnonzero(reached_back(told(60, BLOCKS), BAD, step, RATE) != CLEAN)[0] == 50
    assert np.array_equal(reached_back(told(60, SPARKLE), BAD, step, RATE), told(60, SPARKLE))  # noise hides as many
    slow = np.concatenate([np.linspace(0.0, 0.08, 60), np.full(40, 0.5)])  # glare, an exposure that changes
    assert np.flatnonzero(reached_back(told(60, BLOCKS), BAD, slow, RATE) != CLEAN)[0] > 54


def test_figures_missed_a_while_before_or_long_before_make_no_onset_earlier() -> None:
    missing = np.zeros(100)
    missing[40:57] = 0.3  # shown again from 57 on
    assert np.array_equal(reached_back(told(60, BLOCKS), BAD, missing, RATE), told(60, BLOCKS))
    assert np.flatnonzero(reached_back(told(60, BLOCKS), BAD, np.full(100, 0.3), RATE) != CLEAN)[0] == 35  # a second


def test_what_annoys_nobody_is_not_made_to_begin_earlier() -> None:
    mild = np.full(100, 3.0)
    assert np.array_equal(reached_back(told(60, BLOCKS), mild, np.full(100, 0.3), RATE), told(60, BLOCKS))


def test_where_nothing_follows_figures_that_are_missing_are_no_break_up() -> None:
    assert (reached_back(np.full(100, CLEAN), BAD, np.full(100, 0.4), RATE) == CLEAN).all()


def test_sparkles_that_annoy_nobody_are_no_beginning() -> None:
    grade = np.concatenate([np.full(30, 4.0), np.linspace(3.2, 1.2, 21), np.full(49, 1.2)])
    assert first_annoying(grade, 30, 100) == 38  # 2.4
    assert first_annoying(grade, 40, 100) == 40


def test_the_interval_runs_from_surely_good_to_surely_bad() -> None:
    time, grade = np.arange(100) / RATE, np.linspace(5.0, 1.0, 100)
    start = int(np.argmax(grade < 2.5))
    low, high = interval(time, grade, (start, 100), 0, "noise", 1 / RATE)
    assert grade[round(low * RATE)] > 3.25 >= grade[round(low * RATE) + 1]
    assert grade[round(high * RATE) - 2] >= 1.75 > grade[round(high * RATE) - 1]
    assert low < time[start] < high
    blocks = interval(time, grade, (start, 100), 0, "blocks", 1 / RATE)
    assert blocks == (pytest.approx(low - 0.5), pytest.approx(min(high + 0.5, time[-1] + 1 / RATE)))
    assert interval(time, grade, (start, start + 3), 0, "blocks", 1 / RATE)[1] == time[start + 3]  # within the break-up
    after = interval(time, grade, (start, 100), start - 9, "blocks", 1 / RATE)
    assert after[0] >= time[start - 9]  # where the break-up before it ended


def test_a_grade_that_hovers_about_the_threshold_leaves_all_of_that_open() -> None:
    grade = np.concatenate([np.full(20, 4.5), np.full(40, 2.9), np.full(70, 2.3), np.full(20, 1.2)])
    time = np.arange(150) / RATE + 0.001 * np.arange(150).clip(max=1)  # time stamps in whole milliseconds
    assert interval(time, grade, (60, 150), 0, "noise", 1 / RATE) == (time[19], time[131])
    assert interval(time, grade, (60, 150), 30, "noise", 1 / RATE)[0] == time[30]  # another break-up ended there
    assert interval(time, grade[20:], (40, 130), 0, "noise", 1 / RATE)[0] == time[0]  # nothing before it is surely good
    assert interval(time, grade[:130], (60, 130), 0, "noise", 1 / RATE)[1] == time[130]  # nor surely bad until its end
    sudden = np.where(np.arange(150) < 60, 4.8, 1.0)
    assert interval(time, sudden, (60, 150), 0, "no sync", 1 / RATE) == (time[59], time[61])


def test_the_interval_of_what_lasts_to_the_end_ends_with_the_last_frame() -> None:
    grade = np.where(np.arange(100) < 60, 4.8, 2.3)
    assert interval(np.arange(100) / RATE, grade, (60, 100), 0, "noise", 1 / RATE)[1] == pytest.approx(100 / RATE)
