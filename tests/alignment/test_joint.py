"""Three clocks that must close: consistent ones are solved together, contradicting ones refused, missing ones told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.alignment import Alignment, ChapterClock, pin, reconciled
from overlay.clock import AffineClock
from overlay.errors import NoAnswerError

CAMERA = AffineClock(1000.0, 40e-6)  # true, against the track
GROUND = AffineClock(1012.5, -15e-6)


def pair(
    recording: str, reference: str, clock: AffineClock, sigma_s: float, scatter_s: float | None = None
) -> Alignment:
    return Alignment(
        recording, reference, "sure", clock, sigma_s, 2 * sigma_s, 0.0, 600.0, 300.0,
        evidence={"channels": ["roll"]}, scatter_s=scatter_s or sigma_s,
    )  # fmt: skip


def measured(errors: tuple[float, float, float], sigmas: tuple[float, float, float]) -> list[Alignment]:
    """Camera to track, ground to camera, ground to track, each off by its error."""
    drift = (1 + GROUND.drift) / (1 + CAMERA.drift) - 1
    between = AffineClock((GROUND.offset_s - CAMERA.offset_s) / (1 + CAMERA.drift), drift)
    true = [("camera", "track", CAMERA), ("ground", "camera", between), ("ground", "track", GROUND)]
    return [
        pair(a, b, replace(clock, offset_s=clock.offset_s + error), sigma)
        for (a, b, clock), error, sigma in zip(true, errors, sigmas, strict=True)
    ]


def at(found: Alignment, recording_s: float) -> float:
    return found.clock.to_reference(recording_s)


@given(
    st.tuples(*[st.floats(-0.02, 0.02)] * 3),
    st.tuples(*[st.floats(0.002, 0.05)] * 3),
)
def test_the_solution_closes_and_is_the_least_squares_one(
    errors: tuple[float, float, float], sigmas: tuple[float, float, float]
) -> None:
    camera, between, ground = reconciled(*measured(errors, sigmas))
    assert at(ground, 300.0) == pytest.approx(at(camera, at(between, 300.0)), abs=1e-6)
    # Reference: the weighted least squares of three numbers under one condition, by numpy's own solver.
    design = np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 1.0]]) / np.array(sigmas)[:, None]
    wanted = np.linalg.lstsq(design, np.array(errors) / np.array(sigmas), rcond=None)[0]
    truth = measured((0.0, 0.0, 0.0), sigmas)
    assert at(camera, 300.0) - at(truth[0], 300.0) == pytest.approx(wanted[0], abs=1e-5)
    assert at(between, 300.0) - at(truth[1], 300.0) == pytest.approx(wanted[1], abs=1e-5)
    assert camera.sigma_s <= sigmas[0]
    assert between.sigma_s <= sigmas[1]


@pytest.mark.parametrize("common", [0.0, 0.9, 1.0])
def test_intervals_hold_whatever_of_the_noise_is_the_logs_own(common: float) -> None:
    """Two recordings against one log err alike as far as the log does; drawn here, counted over 2000 flights."""
    rng, sigmas = np.random.default_rng(5), (0.07, 0.01, 0.06)
    shared = rng.normal(size=2000)
    own = [np.sqrt(common) * shared + np.sqrt(1 - common) * rng.normal(size=2000) for _ in range(2)]
    held = {"camera": 0, "ground": 0}
    for k in range(2000):
        errors = (own[0][k] * sigmas[0], rng.normal() * sigmas[1], own[1][k] * sigmas[2])
        truth = measured((0.0, 0.0, 0.0), sigmas)
        camera, _, ground = reconciled(*measured(errors, sigmas))
        if camera.verdict != "sure":  # one gap in 16 000 is four sigmas
            continue
        held["camera"] += abs(at(camera, 300.0) - at(truth[0], 300.0)) <= camera.half_interval_s
        held["ground"] += abs(at(ground, 300.0) - at(truth[2], 300.0)) <= ground.half_interval_s
    # two sigmas hold 95.4 %, three standard deviations of whose count are 1.4 %
    assert min(held.values()) >= (0.954 - 0.014) * 2000


def test_a_contradiction_is_told_and_nothing_is_used() -> None:
    found = reconciled(*measured((0.0, 0.0, 0.6), (0.02, 0.003, 0.02)))
    for each in found:
        assert each.verdict == "ambiguous"
        assert any("contradict" in reason and "+0.60 s" in reason for reason in each.reasons)
        with pytest.raises(NoAnswerError, match="contradict"):
            _ = each.clock


def test_clocks_that_may_have_drifted_apart_in_between_do_not_contradict() -> None:
    """Known to 3 ms each, but half an hour apart and with drifts of 100 ppm: a gap of 0.2 s is nothing unheard of."""
    pairs = measured((0.0, 0.0, 0.2), (0.003, 0.003, 0.003))
    assert reconciled(*pairs)[0].verdict == "ambiguous"
    camera, between, ground = (replace(each, drift_sigma_ppm=100.0) for each in pairs)
    assert reconciled(replace(camera, mid_recording_s=2100.0), between, ground)[0].verdict == "sure"


def test_what_both_share_against_the_track_is_no_reason_to_forgive_a_gap() -> None:
    """Both clocks against the track hold the log's delay, so a wide common interval must not hide a contradiction."""
    camera, between, ground = measured((0.0, 0.0, 0.3), (0.1, 0.003, 0.1))
    camera, ground = replace(camera, scatter_s=0.01), replace(ground, scatter_s=0.01)
    assert reconciled(camera, between, ground)[0].verdict == "ambiguous"


def test_an_unsure_camera_is_told_through_the_ground_recording() -> None:
    camera, between, ground = measured((5.0, 0.001, 0.002), (0.02, 0.003, 0.02))
    camera = replace(camera, verdict="ambiguous", reasons=("a rival offset reaches 70% of the best",))
    found = reconciled(camera, between, ground)[0]
    assert found.verdict == "sure"
    assert found.evidence["through"] == "ground"
    assert "rival" in found.reasons[0]
    assert at(found, 200.0) == pytest.approx(CAMERA.to_reference(200.0), abs=0.005)
    assert found.half_interval_s == pytest.approx(np.hypot(0.04, 0.006))


def test_an_unsure_ground_clock_is_told_through_the_camera_and_keeps_its_chapters() -> None:
    camera, between, ground = measured((0.0, 0.0, 3.0), (0.02, 0.003, 0.02))
    chapters = (ChapterClock("a.ts", between.best.offset_s, 0.0, 0.01), ChapterClock("b.ts", 0.0, 0.5, 0.01, 120.0))  # type: ignore[union-attr]
    between = replace(between, chapters=chapters)
    found = reconciled(camera, between, replace(ground, verdict="none"))[2]
    assert found.verdict == "sure"
    assert at(found, 60.0) == pytest.approx(GROUND.to_reference(60.0), abs=1e-6)
    assert at(found, 180.0) == pytest.approx(GROUND.to_reference(180.0) + 0.5, abs=1e-6)


@pytest.mark.parametrize("unsure", [(0, 1), (0, 2), (1, 2), (0, 1, 2), (1,)])
def test_nothing_is_told_through_what_is_not_sure(unsure: tuple[int, ...]) -> None:
    pairs = measured((0.0, 0.0, 0.0), (0.02, 0.003, 0.02))
    pairs = [replace(each, verdict="ambiguous") if k in unsure else each for k, each in enumerate(pairs)]
    assert list(reconciled(*pairs)) == pairs


steps = st.lists(st.tuples(st.floats(1.0, 500.0), st.floats(-0.3, 5.0)), max_size=3).map(
    lambda found: tuple((100.0 * k + at / 10, size) for k, (at, size) in enumerate(found))
)


@given(steps, st.floats(-1e-3, 1e-3), st.floats(0.0, 400.0))
def test_a_clock_with_steps_comes_back_to_where_it_was(
    taken: tuple[tuple[float, float], ...], drift: float, time_s: float
) -> None:
    clock = AffineClock(50.0, drift, taken)
    back = clock.to_recording(clock.to_reference(time_s))
    overlapped = any(at - 0.4 <= time_s < at and size < 0 for at, size in taken)  # told twice: the later one counts
    assert back == pytest.approx(time_s, abs=1e-6) or overlapped
    times = np.array([time_s, time_s + 7.0])
    assert clock.to_reference(times) == pytest.approx([clock.to_reference(float(t)) for t in times])
    assert clock.to_recording(times + 50.0) == pytest.approx([clock.to_recording(float(t) + 50.0) for t in times])


@given(steps, steps, st.floats(0.0, 400.0))
def test_clocks_with_steps_one_after_the_other(
    first: tuple[tuple[float, float], ...], second: tuple[tuple[float, float], ...], time_s: float
) -> None:
    one, two = AffineClock(3.0, 20e-6, first), AffineClock(-5.0, -30e-6, second)
    edges = [at for at, _ in first] + [one.to_recording(at) for at, _ in second]
    if all(abs(time_s - edge) > 0.5 for edge in edges):
        assert one.then(two).to_reference(time_s) == pytest.approx(two.to_reference(one.to_reference(time_s)), abs=1e-6)


def test_what_fell_into_the_hole_between_two_chapters_is_at_its_edge() -> None:
    clock = AffineClock(0.0, steps=((60.0, 2.0),))
    assert [clock.to_recording(t) for t in (59.0, 60.0, 61.0, 62.0, 63.0)] == [59.0, 60.0, 60.0, 60.0, 61.0]


def test_a_pin_in_a_later_chapter_moves_all_of_them() -> None:
    chapters = (ChapterClock("a.mp4", 100.0, 0.0, 0.01), ChapterClock("b.mp4", 102.0, 2.0, 0.01, 60.0))
    found = pin(replace(pair("camera", "track", AffineClock(100.0), 0.01), chapters=chapters), 70.0, 173.0)
    assert found.pin is not None
    assert found.pin.from_computed_s == pytest.approx(1.0)
    assert found.clock.to_reference(70.0) == pytest.approx(173.0)
    assert found.clock.to_reference(10.0) == pytest.approx(111.0)
