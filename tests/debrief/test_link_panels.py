"""The link on the page, for a generated flight whose picture fades as its own carrier does."""

from __future__ import annotations

from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.debrief.link_panels import link_panels, losses_dB
from overlay.debrief.numbers import rows
from overlay.debrief.page import page
from overlay.debrief.story import Story
from overlay.debrief.verdict import verdict, what_margin
from overlay.mechanics.findings import findings_of
from overlay.mechanics.flight import readings_of
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.carrier import LinkRatio
from overlay.picture.features import Features
from overlay.picture.resampling import worst_around
from overlay.radio.explain import explain_picture, link_from_words
from overlay.readings import BrokenPicture
from overlay.tracks import read_log
from overlay_samples.flight import fly
from overlay_samples.radio_log import write_csv
from overlay_samples.scenario import DEFAULT

BROKEN_DB = 8.0  # of carrier to noise
FRAME_S = 0.04


@pytest.fixture(scope="module")
def explained(tmp_path_factory) -> Story:
    flight = fly(DEFAULT.replace(distance_out_m=2200.0, loiter_turns=1.5))
    log = write_csv(Path(tmp_path_factory.mktemp("log")) / "radio.csv", flight)
    clock = AffineClock(flight.start_s)
    time = np.arange(0.0, flight.duration_s, FRAME_S)
    carrier = flight.at(flight.carrier_to_noise_dB, clock.to_reference(time))
    grade = np.interp(carrier, [5, 8, 10, 13, 20], [1, 2, 3, 4, 5])
    readings = readings_of(read_log(log).flights[0])
    graded = worst_around(clock.to_reference(time), grade, readings.time_s)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], carrier < BROKEN_DB, [0]]).astype(int)))
    spans = [(a, b) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True) if b - a > 25]
    assert spans
    broken = tuple(BrokenPicture(*clock.to_reference(FRAME_S * np.array(s)).tolist(), "noise", 1.0) for s in spans)
    readings = replace(readings, columns={**readings.columns, "picture_grade": graded}, breakups=broken)
    link = flight.scenario.picture_link
    words = link_from_words(
        link.frequency_MHz,
        transmit_aerial="whip",
        receive_aerial=f"patch {link.ground_gain_dBi} dBi",
        polarisation="vertical",
        ground_aerial_height_m=link.ground_height_m,
    )
    explanation = explain_picture(readings, words)
    causes = {each.onset_s: [cause.as_json() for cause in each.causes] for each in explanation.events}
    events = tuple(
        Breakup(
            a, b, FRAME_S * a, FRAME_S * b, (FRAME_S * (a - 1), FRAME_S * (a + 1)), "noise", 1.0, a,
            causes=causes.get(span.onset_s),
        )
        for (a, b), span in zip(spans, broken, strict=True)
    )  # fmt: skip
    features = Features(**{**{f.name: np.zeros(len(time)) for f in fields(Features)}, "time_s": time})
    diagnosis = Diagnosis(
        Fraction(25), features, grade, np.zeros(len(time), int), LinkRatio(*np.full((3, len(time)), np.nan)), events
    )  # fmt: skip
    return Story("A link", readings, findings_of(readings), diagnosis, clock, explanation=explanation)


def test_margin_is_the_constant_less_every_loss(explained: Story) -> None:
    found = explained.explanation
    _, mean, low, high = found.margin_dB()
    total = found.fit.constant_dB()[0] - np.sum(list(losses_dB(found).values()), axis=0)
    np.testing.assert_allclose(total, mean, atol=1e-6)
    assert (low <= mean).all()
    assert (mean <= high).all()


def test_the_panels_show_the_margin_and_what_mattered(explained: Story) -> None:
    margin, losses = link_panels(explained)
    assert margin.band is not None
    broken = explained.readings.breakups
    inside = np.zeros(len(margin.times), bool)
    for span in broken:
        inside |= (margin.times + explained.zero_s >= span.onset_s) & (margin.times + explained.zero_s < span.end_s)
    assert margin.lines[0].values[inside].mean() < margin.lines[0].values[~inside].mean() - 3.0
    names = [line.name for line in losses.lines]
    assert "range beyond 1 km" in names
    assert all(line.values.max() >= 1.0 for line in losses.lines)
    assert len({(line.colour, line.dash) for line in losses.lines}) == len(names)


def test_the_words_carry_the_models_numbers(explained: Story) -> None:
    told = {answer.question: answer for answer in verdict(explained)}
    why = told["Why, most likely?"]
    assert why.known
    longest = max(explained.explanation.events, key=lambda event: event.end_s - event.onset_s)
    assert any(longest.sentence in line for line in why.details)
    assert longest.weather in why.details
    assert any("margin of" in line and "over grade 3" in line for line in told["What margin was left?"].details)
    reach = [row for row in rows(explained) if row.name.startswith("Range at grade 3")]
    assert len(reach) == len(explained.explanation.next_flight)
    assert all("straight out and level" in row.source for row in reach)


def test_the_page_names_the_assumptions(explained: Story) -> None:
    written = page(explained)
    assert explained.explanation.notes
    for note in explained.explanation.notes:
        assert note.replace("'", "&#39;") in written
    assert "What took from that margin" in written


def test_the_verdict_tells_how_far_the_equipment_reaches(explained: Story) -> None:
    expected = explained.explanation.next_flight[0]
    told = next(line for line in what_margin(explained).details if line.startswith("As it was"))
    low, high = (f"{bound / 1000:.1f}" for bound in expected.interval95_m)
    assert f"{low} to {high}" in told.replace("\u00a0", " ")
    assert ("or more" in told) == (not expected.bounded)


def test_without_an_explanation_the_panels_say_no_data(explained: Story) -> None:
    silent = replace(explained, explanation=None, not_explained="the flight file gives no frequency")
    assert all(not panel.lines for panel in link_panels(silent))
    assert any(row.source == "the flight file gives no frequency" for row in rows(silent))
