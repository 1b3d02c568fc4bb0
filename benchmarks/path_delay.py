"""How late a path bends after the aircraft banks, between true bank and true path of generated flights.

    python benchmarks/path_delay.py

Nothing of the estimator is used: the figures are what `overlay.alignment.comparison` assumes of a flight whose log holds
places without heights.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from overlay_samples.flight import Flight, fly
from overlay_samples.scenario import DEFAULT, LONG

G_MPS2 = 9.80665
SMOOTH_S = 0.25
LIFT_S = 0.03
FLIGHTS = (
    *((f"short, seed {seed}", DEFAULT.replace(seed=seed)) for seed in (DEFAULT.seed, 1, 2)),
    *((f"short, calm, seed {seed}", DEFAULT.replace(seed=seed, turbulence=0.2)) for seed in (1, 2)),
    *(
        (f"short, slow, seed {seed}", DEFAULT.replace(seed=seed, airspeed_mps=17.0, airspeed_home_mps=18.0))
        for seed in (1, 2)
    ),
    *(
        (f"four minutes, seed {seed}", DEFAULT.replace(seed=seed, distance_out_m=2200.0, loiter_turns=1.5))
        for seed in (DEFAULT.seed, 1, 2, 3, 4, 5)
    ),
    ("long", LONG),
)


def delay(flight: Flight) -> tuple[float, float]:
    """(seconds by which the path's bank lags the aircraft's, mean of sin² bank weighted by roll rate squared)."""
    step = float(flight.time_s[1] - flight.time_s[0])
    through_air = flight.velocity_mps[:, :2] - flight.wind_mps[:, :2]
    heading = np.unwrap(np.arctan2(through_air[:, 0], through_air[:, 1]))
    turn = np.gradient(gaussian_filter1d(heading, SMOOTH_S / step), step)
    of_path = _slope(np.arctan(np.hypot(*through_air.T) * turn / G_MPS2), step)
    bank = gaussian_filter1d(flight.bank_rad, SMOOTH_S / step)
    of_bank = _slope(flight.bank_rad, step)
    since = flight.time_s - flight.span("flying")[0]
    left = flight.span("flying")[1] - flight.time_s
    rows = np.flatnonzero((since > 15.0) & (left > 10.0))
    lags = np.arange(-60, 61)
    likeness = [np.corrcoef(of_path[rows + lag], of_bank[rows])[0, 1] for lag in lags]
    weight = of_bank[rows] ** 2
    return float(lags[int(np.argmax(likeness))]) * step, float((weight * np.sin(bank[rows]) ** 2).sum() / weight.sum())


def _slope(values: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    return np.asarray(np.gradient(gaussian_filter1d(values, SMOOTH_S / step), step))


def main() -> None:
    """Print the table."""
    slopes = []
    print(f"{'flight':28}{'late s':>8}{'sin2 bank':>11}{'(late - lift) / sin2':>22}")
    for name, scenario in FLIGHTS:
        late, steep = delay(fly(scenario))
        slopes.append((late - LIFT_S) / steep)
        print(f"{name:28}{late:8.2f}{steep:11.3f}{slopes[-1]:22.2f}")
    print(f"mean {np.mean(slopes):.2f}, standard deviation {np.std(slopes, ddof=1):.2f}")


if __name__ == "__main__":
    main()
