"""The debrief as one HTML page that asks nothing of any network: the verdict first, then what it rests on."""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from typing import TYPE_CHECKING, Any

from overlay.clock import format_utc
from overlay.debrief import numbers, sketches, timelines
from overlay.debrief.breakup_table import breakup_rows
from overlay.debrief.evidence import sentences
from overlay.debrief.minutes import minute_by_minute
from overlay.debrief.panels import panels
from overlay.debrief.story import Story
from overlay.debrief.verdict import verdict
from overlay.mechanics.findings import CAUTION

if TYPE_CHECKING:
    from jinja2 import Environment

CAUTIONS = (
    CAUTION,
    "Flying beyond what the eye can follow needs the licence, the permission and the observers that local rules ask "
    "for; nothing on this page stands in for them.",
    "Causes are probabilities, not verdicts on people or equipment: check them on the ground before changing anything.",
    "An interval holds its number with 95 % where the data are as assumed; “not known” means that none is vouched for.",
)

_DASHES = {"solid": "none", "dashed": "6 3", "dotdash": "2 3 7 3", "dotted": "2 3"}  # of SVG, for the lines' keys


def page(story: Story) -> str:
    """The whole page as text."""
    drawn = _figures(story)
    return _environment().get_template("page.html").render(
        title=story.title,
        when=_when(story),
        answers=verdict(story),
        **drawn,
        counts_from=story.counts_from,
        moments=_moments(story),
        table=minute_by_minute(story) if drawn["panels"] else None,
        breakups=breakup_rows(story),
        breakups_on_recording=story.ground_clock is None and len(story.readings) > 0,
        numbers=numbers.rows(story),
        assumptions=[
            (name, found.notes)
            for name, found in (("live picture’s link", story.explanation), ("control link", story.control))
            if found is not None
        ],
        clocks=[(pair, sentences(pair), _uri(story.evidence.get(pair.recording), "png")) for pair in story.alignments],
        files=story.files,
        remarks=story.remarks,
        cautions=CAUTIONS,
    )  # fmt: skip


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("overlay.debrief")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def _when(story: Story) -> str | None:
    return format_utc(story.zero_s, 0)[:10] if story.readings.keeps_utc and len(story.readings) else None


def _figures(story: Story) -> dict[str, Any]:
    """Figures as HTML by place on the page, the script that draws them, and the library that the script needs."""
    from bokeh.embed import components
    from bokeh.resources import Resources

    shown = panels(story)
    lines = timelines.Timelines(story)
    figures: dict[str, Any] = {panel.key: lines.draw(panel) for panel in shown if panel.lines}
    if figures and lines.has_band:
        figures["strip"] = lines.strip()
    if (track := sketches.draw_track(story)) is not None:
        figures["track"] = track
    if legs := sketches.by_range(story):
        figures["by range"] = sketches.draw_by_range(legs)
    script, places = components(figures, wrap_script=False) if figures else ("", {})
    library = "\n".join(Resources(mode="inline", components=["bokeh"]).js_raw) if figures else ""
    return {
        "script": script,
        "library": library,
        "places": places,
        "panels": [panel for panel in shown if panel.lines],
        "absent": [panel.title for panel in shown if not panel.lines],
        "grades": sketches.grades_shown(story),
        "by_range_words": sketches.by_range_in_words(legs),
        "by_range_keys": sketches.keys_by_range(legs),
        "dashes": _DASHES,
    }


def _moments(story: Story) -> list[tuple[str, float, float]]:
    """Spans that a button brings near: the whole flight, its legs out and home, each break-up (name, from, to)."""
    start, end = story.span_s
    pad = max(0.01 * (end - start), 1.0)
    found = [("whole flight", start - pad, end + pad)]
    for name in ("out", "home"):
        legs = [leg for leg in story.readings.legs if leg.name == name]
        if legs:
            found.append((name, story.since_start(legs[0].start_s), story.since_start(legs[-1].end_s)))
    return found


def _uri(data: bytes | None, kind: str) -> str | None:
    return f"data:image/{kind};base64,{b64encode(data).decode('ascii')}" if data else None
