"""Score the comparison of several flights on seasons whose days and losses are known (link_seasons.py).

For each plan of a season and each loss on its last day: how often the last flight is called worse, better, as usual or
not told; how far its difference as told lies from the true one; and how often the two intervals told hold what they should.

    python benchmarks/compare.py [--seasons 100] [--first-seed 0] [--only PLAN] [--measures COLUMN…]
"""

from __future__ import annotations

import argparse
import time
from collections import Counter

import numpy as np
from link_seasons import Season, season

from overlay.radio.aerials import aerial_of
from overlay.radio.link import Link
from overlay.radio.link_constant import constant_of
from overlay.radio.range_curves import MEASURES, curve_of
from overlay.radio.several_flights import Seen, compared

PLANS = {
    "7 flights": Season(),
    "free space": Season(mirror=0.0, shadow_dB=0.0, bursts=0.0),
    "4 flights": Season(flights=4),
    "12 flights": Season(flights=12),
    "days alike": Season(day_dB=0.3),
    "days of 3 dB": Season(day_dB=3.0),
    "short of the fall": Season(far_m=(3000.0, 5000.0)),
    "low flights": Season(height_m=(35.0, 60.0)),
}
LOSSES_DB = (0.0, 3.0, 6.0)
VERDICTS = ("worse", "better", "as usual", "not told")
LINK = Link(2400.0, aerial_of("dipole"), aerial_of("dipole"), ground_height_m=2.0)


class Tally:
    """What one measure said of the seasons of one plan and loss."""

    def __init__(self) -> None:
        self.verdicts, self.errors, self.held, self.unchanged_held = Counter(), [], [], []

    def add(self, judgement, day_dB, others_dB, loss_dB) -> None:
        """`day_dB` and `others_dB` truly lie over the average of all days there could be, 0."""
        self.verdicts[judgement.verdict] += 1
        if np.isfinite(judgement.difference_dB) and not judgement.at_least:
            low, high = judgement.measured95_dB
            self.errors.append(judgement.difference_dB - (day_dB - others_dB))
            self.held.append(low <= day_dB <= high)
            self.unchanged_held.append(abs(judgement.difference_dB + loss_dB) <= judgement.usual_dB)

    def line(self) -> str:
        total = sum(self.verdicts.values())
        shares = "".join(f"{100 * self.verdicts[verdict] / total:9.1f}" for verdict in VERDICTS)
        if not self.errors:
            return shares
        errors = np.array(self.errors)
        return (
            f"{shares}{np.sqrt(np.mean(errors**2)):9.2f}{errors.mean():8.2f}"
            f"{100 * np.mean(self.held):8.0f}{100 * np.mean(self.unchanged_held):10.0f}"
        )


def seen_of(flown, wanted: list[str]) -> Seen:
    columns = [measure.column for measure in MEASURES if measure.column in wanted]
    curves = {column: curve for column in columns if (curve := curve_of(flown.readings, column)) is not None}
    if "constant" not in wanted:
        return Seen(curves)
    return Seen(curves, {which: constant_of(flown.readings, which, LINK) for which in ("picture", "control")})


def score(plan: Season, seeds: range, wanted: list[str]) -> dict[tuple[float, str], Tally]:
    """Tallies by loss and measure; a season's flights before the last are the same whatever the last one lost."""
    tallies: dict[tuple[float, str], Tally] = {}
    for seed in seeds:
        before: list[Seen] = []
        for loss in LOSSES_DB:
            flown = season(seed, loss, plan)
            before = before or [seen_of(one, wanted) for one in flown[:-1]]
            truth = flown[-1].truth_dB, float(np.mean([one.truth_dB for one in flown[:-1]])), loss
            seen = [*before, seen_of(flown[-1], wanted)]
            for which in ("picture", "control"):
                found = compared(which, seen, len(before), left_out={})
                for one in found.measures:
                    name = "link model" if one.measure.column == "constant" else one.measure.column
                    tallies.setdefault((loss, f"{which}: {name}"), Tally()).add(one.judgement, *truth)
                if found.chosen is not None:
                    tallies.setdefault((loss, f"{which}: the verdict"), Tally()).add(found.chosen.judgement, *truth)
    return tallies


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=100)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--only", choices=sorted(PLANS))
    known = ["constant", *(measure.column for measure in MEASURES)]
    parser.add_argument("--measures", nargs="+", metavar="COLUMN", choices=known, default=known)
    wanted = parser.parse_args()
    seeds = range(wanted.first_seed, wanted.first_seed + wanted.seasons)
    began = time.perf_counter()
    print(f"{'':52s}{'worse':>9s}{'better':>9s}{'usual':>9s}{'not told':>9s}{'rms dB':>9s}{'bias':>8s}"
          f"{'in iv.':>8s}{'in usual':>10s}")  # fmt: skip
    for name, plan in PLANS.items():
        if wanted.only in (None, name):
            for (loss, measure), tally in sorted(score(plan, seeds, wanted.measures).items()):
                print(f"{name:18s}{loss:4.0f} dB  {measure:28s}{tally.line()}", flush=True)
    print(
        f"{wanted.seasons} seasons each from seed {wanted.first_seed} in {time.perf_counter() - began:.0f} s; verdicts in %;\n"
        "in iv.: the 95 % interval told holds the last day's difference from what days are on average;\n"
        "in usual: the interval for an unchanged flight would have held the last day without its loss"
    )


if __name__ == "__main__":
    main()
