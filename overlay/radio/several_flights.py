"""Several flights by the same equipment: each of their links by every measure that their logs and recordings carry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from overlay.radio.offsets import figures_of
from overlay.radio.range_curves import MEASURES, Curve, LinkName, Measure
from overlay.radio.usual import Figure, Judgement, Verdict, judged

LINKS: tuple[LinkName, ...] = ("picture", "control")
_CONSTANTS: Mapping[LinkName, Measure] = {
    "picture": Measure("constant", "picture", "the constant of the picture's link as modelled", "dB"),
    "control": Measure("constant", "control", "the constant of the control link as modelled", "dBm"),
}
_MUCH_COARSER = 2.0  # by a measure twice as coarse, twice the loss stays hidden


@dataclass(frozen=True)
class Seen:
    """What one flight shows of its links: curves by column, fitted constants by link, and why a link shows nothing."""

    curves: Mapping[str, Curve]
    constants: Mapping[LinkName, Figure] = field(default_factory=dict)
    lacking: Mapping[LinkName, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Compared:
    """One measure over all flights, by their number: figures, curves (None for a constant or where there is none)."""

    measure: Measure
    judgement: Judgement
    figures: tuple[Figure, ...]
    curves: tuple[Curve | None, ...]

    @property
    def told(self) -> bool:
        """Whether there is a verdict."""
        return self.judgement.verdict != "not told"


@dataclass(frozen=True)
class LinkCompared:
    """One link by every measure that any flight carries, in an order set before any result was known."""

    link: LinkName
    measures: tuple[Compared, ...]
    why: str = ""

    @property
    def chosen(self) -> Compared | None:
        """The measure that the verdict rests on: the first with one that can tell about as small a loss as any other.

        A link described wrongly scatters from flight to flight, and would hide a loss that the other measures show. The
        choice looks at how much unchanged flights differ, not at how this one does, so that chance is as it is told.
        """
        told = [one for one in self.measures if one.told]
        if not told:
            return self.measures[0] if self.measures else None
        least = min(one.judgement.usual_dB for one in told)
        return next(one for one in told if one.judgement.usual_dB <= _MUCH_COARSER * least)

    @property
    def dissent(self) -> str:
        """What other measures say that is not the verdict, in words; empty where they agree."""
        chosen = self.chosen
        if chosen is None or not chosen.told:
            return ""
        others = [one for one in self.measures if one.told and one.judgement.verdict != chosen.judgement.verdict]
        by = others[0].measure.words if len(others) == 1 else f"{len(others)} other measures"
        return f"{others[0].judgement.verdict} by {by}" if others else ""

    @property
    def contradicted(self) -> bool:
        """Whether one measure says worse and another better."""
        return {"worse", "better"} <= {one.judgement.verdict for one in self.measures}

    @property
    def verdict(self) -> Verdict:
        """What all measures together say."""
        return "not told" if self.chosen is None or self.contradicted else self.chosen.judgement.verdict


def compared(
    link: LinkName, seen: Sequence[Seen], this: int, *, left_out: Mapping[int, str], singled_out: bool = False
) -> LinkCompared:
    """Compare one link of flight `this` with the others', but for those `left_out` with a reason by their number."""
    measures = (_CONSTANTS[link], *(measure for measure in MEASURES if measure.link == link))
    found = []
    for measure in measures:
        figures, curves = _of(measure, seen, this, left_out)
        if any(figure.known or figure.at_least for figure in figures) or any(curve is not None for curve in curves):
            found.append(Compared(measure, judged(figures, this, singled_out=singled_out), figures, curves))
    return LinkCompared(link, tuple(found), "" if found else _nothing(link, seen, this))


def _of(
    measure: Measure, seen: Sequence[Seen], this: int, left_out: Mapping[int, str]
) -> tuple[tuple[Figure, ...], tuple[Curve | None, ...]]:
    if measure.column == "constant":
        figures = [one.constants.get(measure.link, Figure.none("its link is not modelled")) for one in seen]
        curves: list[Curve | None] = [None] * len(seen)
    else:
        curves = [None if n in left_out else one.curves.get(measure.column) for n, one in enumerate(seen)]
        figures = figures_of(measure, curves, this)
        for number, one in enumerate(seen):
            if curves[number] is None and measure.link in one.lacking:
                figures[number] = Figure.none(one.lacking[measure.link])
    for number, why in left_out.items():
        figures[number] = Figure.none(why)
    return tuple(figures), tuple(curves)


def _nothing(link: LinkName, seen: Sequence[Seen], this: int) -> str:
    nowhere = {"picture": "no flight shows its live picture against range", "control": "no log holds the control link"}
    return seen[this].lacking.get(link, nowhere[link])
