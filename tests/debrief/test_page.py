"""The page as text: what it says, what it must not hold, how large it may be."""

from __future__ import annotations

import base64
import gzip
import re
import time
import tracemalloc
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest

from overlay.debrief.colours import BLUE, GRADES, GREEN, INK, LEGS, ORANGE, PAPER, PURPLE, QUIET, SKY, VERMILION
from overlay.debrief.numbers import rows
from overlay.debrief.page import page
from overlay.debrief.story import Story
from overlay.instruments.palette import contrast, parse_colour
from overlay.mechanics.findings import Findings
from overlay.readings import Readings

MEGABYTE = 1_000_000
VOID = {"meta", "link", "img", "br", "line", "hr", "input"}


class Outline(HTMLParser):
    """Elements, their attributes, and whether every one that opens also closes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data) -> None:
        if self.open and self.open[-1] not in ("script", "style"):
            self.words.append(data)

    def all(self, *tags: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.seen if tag in tags]

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def written(story: Story) -> str:
    return page(story)


@pytest.fixture(scope="module")
def outline(written: str) -> Outline:
    return Outline(written)


def test_nothing_on_the_page_points_outside(outline: Outline, written: str) -> None:
    for tag, attributes in outline.seen:
        assert tag not in ("link", "iframe", "object", "embed", "base", "form")
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            target = attributes.get(name)
            assert target is None or target.startswith(("data:image/", "#")), (tag, target)
    style = written.split("<style>")[1].split("</style>")[0]
    assert "url(" not in style
    assert "@import" not in style
    policy = next(m["content"] for m in outline.all("meta") if m.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy
    assert "http" not in policy


def test_an_hour_stays_within_four_megabytes(written: str, story_of_length) -> None:
    hour = page(story_of_length(3600.0))
    assert len(written.encode()) < len(hour.encode()) < 4 * MEGABYTE


def test_three_hours_stay_within_bounds_of_size_and_time(story_of_length) -> None:
    story = story_of_length(3 * 3600.0)
    begun = time.process_time()
    assert len(page(story).encode()) < 4 * MEGABYTE
    assert time.process_time() - begun < 20.0


def test_three_hours_stay_within_bounds_of_memory(story_of_length) -> None:
    """Most of it is the page itself; ten megabytes of grades and readings are thinned before they are written."""
    story = story_of_length(3 * 3600.0)
    tracemalloc.start()
    try:
        page(story)
        assert tracemalloc.get_traced_memory()[1] < 80e6
    finally:
        tracemalloc.stop()


def test_the_verdict_comes_first_and_in_words(outline: Outline) -> None:
    text = outline.text
    order = ["How far?", "When did the live picture break up?", "Why, most likely?", "What margin was left?",
             "What to change?", "The flight on one time axis", "Break-ups of the live picture", "The flight in numbers",
             "How the clocks were aligned", "Cautions"]  # fmt: skip
    places = [text.index(each) for each in order]
    assert places == sorted(places)


def test_headings_descend_one_step_at_a_time(outline: Outline) -> None:
    levels = [int(tag[1]) for tag, _ in outline.seen if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_picture_and_control_has_a_name(outline: Outline) -> None:
    assert outline.all("html")[0]["lang"] == "en"
    pictures = outline.all("img")
    assert len(pictures) == 19  # onset, worst and end of six break-ups, and the evidence of one clock
    assert all(len(picture["alt"] or "") > 20 for picture in pictures)
    for group in outline.all("div"):
        if group.get("role") in ("group", "region"):
            assert group.get("aria-label")
    for section in outline.all("section"):
        assert section.get("aria-labelledby") in {h.get("id") for h in outline.all("h2")}
    identities = [a["id"] for _, a in outline.seen if a.get("id")]
    assert len(identities) == len(set(identities))


def test_every_table_has_a_caption_and_heads(outline: Outline) -> None:
    tables = len(outline.all("table"))
    assert tables == 3
    assert len(outline.all("caption")) == tables
    assert all(head.get("scope") in ("col", "row") for head in outline.all("th"))


def test_words_of_the_user_are_words_and_not_markup(written: str, outline: Outline) -> None:
    assert "<moor>" not in written
    assert "Along the <moor> & back" in outline.text


def test_a_title_cannot_break_out_of_the_page(story: Story) -> None:
    evil = "</title></script><script>alert(1)</script>"
    text = page(replace(story, title=evil, remarks=(evil,)))
    assert "<script>alert" not in text
    assert evil in Outline(text).text


def test_no_coordinates_leave_with_the_page(written: str, story: Story) -> None:
    numbers = _arrays(written)
    for name in ("latitude_deg", "longitude_deg"):
        some = story.readings[name][np.isfinite(story.readings[name])][::500].astype(np.float32)
        assert not any(np.isin(array, some).any() for array in numbers), name
    for value in (story.readings.home.latitude_deg, story.readings.home.longitude_deg):
        assert f"{value:.4f}" not in Outline(written).text


def _arrays(written: str) -> list[np.ndarray]:
    """Every float array that the figures carry."""
    found = re.findall(
        r'"type":"ndarray","array":\{"type":"bytes","data":"([^"]*)"\},"shape":\[\d+\],"dtype":"float32"', written
    )
    assert found
    return [np.frombuffer(gzip.decompress(base64.b64decode(each)), np.float32) for each in found]


def test_the_figures_hold_the_flights_own_extremes(written: str, story: Story) -> None:
    ranges = story.readings["range_m"][np.isfinite(story.readings["range_m"])] / 1000.0
    highest = np.float32(ranges.max())
    assert any(highest in array for array in _arrays(written))


def test_numbers_come_with_interval_and_source(story: Story, outline: Outline) -> None:
    for row in rows(story):
        assert row.name
        assert row.value
        assert row.interval
        assert row.source
        assert row.name in outline.text


def test_the_clocks_are_told_with_their_evidence(outline: Outline) -> None:
    told = outline.text
    assert "camera on track: sure" in told
    # 5 ms in the middle; at the beginning, 820 s before it, 1.96 · 1.6 ppm of drift besides: √(5² + 2.6²)
    assert "known to ± 6 ms (95 %), and to ± 5 ms in the middle" in told
    assert "± 3.1 ppm" in told  # 1.96 standard errors of 1.6
    assert "ground on camera: ambiguous" in told
    assert "two places fit alike" in told
    assert "To know more: let every recording and the log run" in told
    assert any("Evidence for the alignment of camera to track" in picture["alt"] for picture in outline.all("img"))


def test_positions_alone_say_no_data_plainly(positions_story: Story) -> None:
    told = Outline(page(positions_story)).text
    assert "Speeds; Tailwind along the course; Charge; Control link" in told
    assert "Grade against range: no data." in told
    assert "No data: there is no recording of the live picture." in told
    assert "nan" not in told.lower().replace("nanosecond", "")


def test_a_recording_without_its_clock(unplaced_story: Story) -> None:
    told = Outline(page(unplaced_story)).text
    assert "whose clock is not known" in told
    assert "could not be put on the flight’s clock" in told or "could not be put on the flight's clock" in told


def test_a_flight_of_nothing_is_still_a_page() -> None:
    written = page(Story("Nothing", Readings(np.zeros(0), keeps_utc=False), Findings()))
    assert len(written) < 40_000  # no library for figures that are not there
    assert "No data" in Outline(written).text


def test_a_recording_alone_is_told_on_its_own_time(story: Story) -> None:
    alone = replace(story, readings=Readings(np.zeros(0), keeps_utc=False), findings=Findings(), ground_clock=None)
    told = Outline(page(alone)).text
    assert "into the recording" in told
    assert "Live picture, grade" in told


def test_the_same_in_numbers_is_bounded(story: Story) -> None:
    from overlay.debrief.minutes import minute_by_minute

    headings, lines = minute_by_minute(story)
    assert 20 <= len(lines) <= 60
    assert all(len(line) == len(headings) for line in lines)
    column = next(i for i, heading in enumerate(headings) if heading.startswith("range from home: range"))
    moment = story.zero_s + 600.0
    expected = float(story.readings.at("range_m", moment)[0]) / 1000
    told = next(line for line in lines if line[0] == "0:10:00")
    assert float(told[column]) == pytest.approx(expected, abs=0.02)


def test_text_has_contrast() -> None:
    # WCAG 2.2: 4.5 to 1 for text (1.4.3), 3 to 1 for what is needed to understand a graphic (1.4.11)
    for ink in (INK, QUIET):
        assert contrast(parse_colour(ink), parse_colour(PAPER)) >= 4.5
    for line in (BLUE, SKY, GREEN, ORANGE, VERMILION, PURPLE, INK, *(colour for colour, _ in GRADES.values())):
        for ground in (PAPER, *LEGS.values()):
            assert contrast(parse_colour(line), parse_colour(ground)) >= 3.0, (line, ground)
