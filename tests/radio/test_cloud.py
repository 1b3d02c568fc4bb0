"""The claim that it was the cloud: acquitted, convicted, or left open."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import spearmanr

from overlay.radio.cloud import seen_meanwhile, went_with_visibility
from overlay.radio.contrast import correlations, unlinked


def seen(making, share_pct, seed=20):
    made = making(seed=seed)
    return made, made.readings(visibility_pct=np.broadcast_to(share_pct, made.time.shape).astype(float))


@pytest.mark.parametrize(
    ("share_pct", "words"),
    [
        (92.0, "not in cloud: the onboard camera saw the ground at 92 %"),
        (30.0, "Haze, thin cloud"),
        (3.0, "was in cloud"),
    ],
)
def test_the_camera_bears_witness(making, share_pct, words):
    _, readings = seen(making, share_pct)
    assert words in seen_meanwhile(readings, 100.0, 110.0)


def test_nobody_is_judged_without_a_witness(making):
    made, readings = seen(making, np.nan)
    assert seen_meanwhile(readings, 100.0, 110.0) == ""
    assert seen_meanwhile(made.readings(), 100.0, 110.0) == ""
    assert seen_meanwhile(readings, 1e6, 1e6 + 5) == ""
    assert went_with_visibility(made.readings()) is None
    assert went_with_visibility(readings) is None


def test_a_picture_that_went_with_the_cloud_is_told_from_one_that_did_not(making):
    made = making(seed=21)
    rng = np.random.default_rng(5)
    cloud = np.convolve(rng.normal(size=len(made.time)), np.ones(40), "same")  # seconds to tens of seconds wide
    share = 100.0 / (1.0 + np.exp(-cloud / cloud.std()))
    made.margin = made.margin + 0.2 * (share - 50.0)
    went = made.readings(visibility_pct=share)
    assert "worse where the onboard camera saw less" in went_with_visibility(went)
    assert "no worse" not in went_with_visibility(went)
    (seen,) = (found for found in correlations(went, "picture_grade") if found.condition == "visibility")
    rank, p = seen.rank, seen.p
    assert rank > 0.3
    assert p < 0.01
    not_so = making(seed=22)
    assert "no worse where" in went_with_visibility(not_so.readings(visibility_pct=share[: len(not_so.time)]))


def test_chance_seldom_convicts(making):
    rng = np.random.default_rng(6)
    convicted = 0
    for seed in range(40):
        made = making(seed=100 + seed)
        walk = np.convolve(rng.normal(size=len(made.time) + 400), np.ones(80), "same")[: len(made.time)]
        told = went_with_visibility(made.readings(visibility_pct=50.0 + 20.0 * walk / walk.std()))
        convicted += "no worse" not in told
    assert convicted <= 2


def test_neighbours_that_are_alike_count_for_less():
    # Bartlett (1935): pairs of first-order series are worth N·(1 − ab)/(1 + ab); counted here by how rank correlations scatter.
    rng = np.random.default_rng(7)
    keep, ranks, worth = 0.8, [], []
    for _ in range(300):
        pair = np.zeros((2, 200))
        for k in range(1, 200):
            pair[:, k] = keep * pair[:, k - 1] + rng.normal(size=2)
        ranks.append(spearmanr(pair[0], pair[1]).statistic)
        worth.append(unlinked(pair[0], pair[1]))
    assert np.median(worth) == pytest.approx(1.0 / np.var(ranks), rel=0.35)
