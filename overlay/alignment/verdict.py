"""Sure, ambiguous or none: every test that a clock has to pass before it may be used unasked."""

from __future__ import annotations

from overlay.alignment.coarse import Search
from overlay.alignment.refine import Fit
from overlay.alignment.result import Verdict
from overlay.alignment.votes import WindowVotes, apart_sigma

CHANCE = 1e-4  # of unrelated motion reaching the peak
NOTHING = 1e-2
RIVAL = 0.6
AGREEING = 0.6
LEAST_WINDOWS = 3
WINDOW_CHANCE = 1e-3
MAX_DRIFT = 400e-6
MAX_SIGMA_S = 0.25 / 3  # three sigma within a quarter of a second: more is not "sure"


def judge(
    found: Search,
    fit: Fit,
    ballot: WindowVotes,
    halves: list[tuple[float, float]],
    sigma_s: float,
    nominal: float,
    elsewhere_s: float | None = None,
) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict and the reasons against "sure", as sentences. Each test alone can deny it.

    `elsewhere_s`: by how much launch and landing together ask for a later reference time.
    """
    against = [reason for failed, reason in _tests(found, fit, ballot, halves, sigma_s, nominal) if failed]
    if elsewhere_s is not None:
        against.append(f"launch and landing both lie {abs(elsewhere_s):.1f} s {_later(elsewhere_s)} in the reference")
    if not against:
        return "sure", ()
    if found.probability > NOTHING:
        return "none", tuple(against)
    return "ambiguous", tuple(against)


def _tests(
    found: Search, fit: Fit, ballot: WindowVotes, halves: list[tuple[float, float]], sigma_s: float, nominal: float
) -> list[tuple[bool, str]]:
    apart = apart_sigma(halves)
    gap = abs(halves[0][0] - halves[1][0])
    return [
        *_search_tests(found),
        (ballot.asked < LEAST_WINDOWS, f"only {ballot.asked} stretches of the flight turn enough to have a say"),
        (
            ballot.asked >= LEAST_WINDOWS and ballot.agreeing < AGREEING * ballot.asked,
            f"only {ballot.agreeing} of {ballot.asked} stretches of the flight agree on it",
        ),
        (
            ballot.asked >= LEAST_WINDOWS and ballot.probability > WINDOW_CHANCE,
            f"as many stretches as agree on it, {ballot.agreeing} of {ballot.asked}, would by chance with probability "
            f"{ballot.probability:.2g}",
        ),
        (apart > 4 and gap > 0.05, f"the two halves of the flight differ by {gap:.2f} s"),
        (
            abs(fit.clock.drift - nominal) > MAX_DRIFT,
            f"the clocks would have to drift by {1e6 * fit.clock.drift:.0f} ppm",
        ),
        (not fit.settled, "the clock does not come to rest when it is refined"),
        (not sigma_s < MAX_SIGMA_S, f"it is known to {sigma_s:.2f} s only"),
    ]


def _later(lag_s: float) -> str:
    return "later" if lag_s > 0 else "earlier"


def _search_tests(found: Search) -> list[tuple[bool, str]]:
    ratio = found.rival_ratio
    return [
        (found.probability > CHANCE, f"unrelated motion correlates as well with probability {found.probability:.2g}"),
        (ratio is not None and ratio > RIVAL, f"a rival offset reaches {ratio or 0:.0%} of the best"),
    ]


def never_sure(found: Search) -> tuple[str, ...]:
    """The reasons that the search alone gives against being sure."""
    return tuple(reason for failed, reason in _search_tests(found) if failed)
