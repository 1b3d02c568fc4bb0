"""One flight against others in plain words: worse than usual or not, by how many dB, and whether that is chance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

from overlay.debrief.wording import between, number, sentence
from overlay.radio.several_flights import Compared, LinkCompared
from overlay.radio.usual import Figure

NAMES = {"picture": "Live picture", "control": "Control link"}
_CHANCE_SHOWN = 0.001


def headline(link: LinkCompared) -> str:
    """The verdict on one link in one line."""
    name, chosen = NAMES[link.link], link.chosen
    if link.contradicted:
        return f"{name}: not told: one measure says worse, another better."
    if chosen is None or not chosen.told:
        return sentence(f"{name}: not told: {link.why if chosen is None else chosen.judgement.why}")
    found = chosen.judgement
    if link.dissent:
        return f"{name}: {found.verdict} by {chosen.measure.words}, but {link.dissent}."
    if found.at_least:
        return f"{name}: {found.verdict}: at least {_signed(found.difference_dB)} against the mean of the others."
    side = "below" if found.difference_dB < 0 else "above"
    measured = f"{abs(found.difference_dB):.1f} dB {side} the mean of {found.others} others ({_interval(chosen)})"
    if found.verdict == "as usual":
        return f"{name}: as usual: {measured}, no more than chance."
    return f"{name}: {found.verdict} than usual: {measured}, more than chance."


def details(link: LinkCompared) -> Iterator[str]:
    """What the verdict rests on, and what the other measures say; first what they differ in, where they do."""
    chosen = link.chosen
    beside = [
        _beside(one)
        for one in link.measures
        if one is not chosen
        and (one.told or chosen is None or chosen.told or one.judgement.why != chosen.judgement.why)
    ]
    if chosen is None or not chosen.told:
        yield from beside
    elif link.dissent:
        yield from (_beside(chosen), *beside, *_on_chance(chosen))
    else:
        yield from (*_on_chance(chosen), *beside)


def left_out(link: LinkCompared, names: Sequence[str]) -> Iterator[str]:
    """Flights that had no say in the verdict, and why."""
    if link.chosen is None:
        return
    for name, figure in zip(names, link.chosen.figures, strict=True):
        if figure.why:
            yield f"{name} has no figure: {figure.why}"
        elif figure.at_least:
            yield f"{name} was never flown to where it falls off: no worse than {_place(link.chosen, figure)}"


def _on_chance(one: Compared) -> Iterator[str]:
    found = one.judgement
    odds = f"; {_often(found.chance)}" if found.chance < 0.5 else ""
    within = f"within ±{found.usual_dB:.1f} dB of their mean{odds}"
    if found.looks > 1:
        yield f"By {one.measure.words}: of 20 such sets of flights with nothing changed 19 would lie wholly {within}."
    else:
        yield f"By {one.measure.words}: of 20 flights with nothing changed 19 would lie {within}."
    if found.verdict == "as usual":
        yield f"A loss of less than {found.usual_dB:.1f} dB could not be told from chance among these flights."
    elif not found.at_least:
        same = "picture" if one.measure.link == "picture" else "strength"
        yield f"In free space that is the same {same} at {100 * found.range_factor:.0f} % of the range."


def _beside(one: Compared) -> str:
    found = one.judgement
    if not one.told and isfinite(found.difference_dB):
        return f"By {one.measure.words}: {_signed(found.difference_dB)} against those that tell, no verdict."
    if not one.told:
        return sentence(f"By {one.measure.words}: not told: {found.why}")
    if found.at_least:
        return f"By {one.measure.words}: {found.verdict}, at least {_signed(found.difference_dB)}."
    return f"By {one.measure.words}: {found.verdict}, {_signed(found.difference_dB)} ({_interval(one, signed=True)})."


def _interval(one: Compared, *, signed: bool = False) -> str:
    """How well the difference is known, as the sentence counts it: below or above, or with its sign."""
    low, high = one.judgement.measured95_dB
    if not signed and one.judgement.difference_dB < 0:
        low, high = -high, -low
    return between(low, high, "dB", 1)


def _signed(value: float) -> str:
    return f"{'+' if value > 0 else ''}{number(value, 1)} dB"


def _often(chance: float) -> str:
    if chance < _CHANCE_SHOWN:
        return f"fewer than {100 * _CHANCE_SHOWN:g} in 100 would lie as far off as this one"
    return f"{100 * chance:.1f} in 100 would lie as far off as this one"


def _place(one: Compared, figure: Figure) -> str:
    known = [each.dB for each in one.figures if each.known]
    if not known or not isfinite(figure.dB):
        return "that"
    return f"{_signed(figure.dB - sum(known) / len(known))} against the mean of those that tell"
