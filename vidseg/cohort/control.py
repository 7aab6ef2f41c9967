"""Charts that watch a series of durations against a target: tabular CUSUM and EWMA.

The target and the spread must come from elsewhere (a reference group, an earlier period): a chart
set up on the very cases it watches proves little. Limits assume roughly normal, independent
values; durations are closer to that as logarithms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vidseg.cohort.estimate import Floats


@dataclass(frozen=True, slots=True)
class Cusum:
    """Sums of excess ``above`` and ``below`` the target (n,), with where they pass the limit.

    ``first`` is the place (from 0) of the first signal on either side, None if there is none.
    """

    above: Floats
    below: Floats
    signal_above: NDArray[np.bool_]
    signal_below: NDArray[np.bool_]
    first: int | None


def cusum(values: ArrayLike, target: float, slack: float, limit: float) -> Cusum:
    """Run a tabular CUSUM (NIST/SEMATECH e-Handbook 6.3.2.3; Page, Biometrika 1954;41:100-115).

    ``slack`` (k) is half the shift to be found and ``limit`` (h) the sum that signals, both in
    the unit of the values; customary are 0.5 and 4 to 5 standard deviations. Raises ValueError
    for a slack below zero or a limit not above it.
    """
    if slack < 0 or limit <= 0:
        raise ValueError("the slack must not be below zero, and the limit must be above zero")
    x = np.asarray(values, dtype=np.float64)
    above, below = np.zeros(len(x)), np.zeros(len(x))
    high = low = 0.0
    for place, value in enumerate(x - target):
        high = max(0.0, high + value - slack)
        low = max(0.0, low - value - slack)
        above[place], below[place] = high, low
    signals = np.flatnonzero((above > limit) | (below > limit))
    first = int(signals[0]) if len(signals) else None
    return Cusum(above, below, above > limit, below > limit, first)


@dataclass(frozen=True, slots=True)
class Ewma:
    """Weighted averages (n,) with control limits (n,), and which lie outside."""

    averages: Floats
    low: Floats
    high: Floats
    outside: NDArray[np.bool_]
    first: int | None


def ewma(
    values: ArrayLike,
    target: float,
    sd: float,
    weight: float = 0.2,
    width: float = 3.0,
    *,
    settled: bool = True,
) -> Ewma:
    """Run an exponentially weighted moving average from ``target`` (NIST e-Handbook 6.3.2.4).

    ``width`` counts standard deviations of the average. ``settled`` takes the limits the chart
    tends to; False takes the narrower exact ones at its beginning. Raises ValueError unless
    0 < weight <= 1 and sd > 0.
    """
    if not 0 < weight <= 1 or sd <= 0:
        raise ValueError("the weight must lie above 0 up to 1, and the sd above 0")
    x = np.asarray(values, dtype=np.float64)
    averages = np.empty(len(x))
    average = target
    for place, value in enumerate(x):
        average = weight * float(value) + (1 - weight) * average
        averages[place] = average
    rest = np.zeros(len(x)) if settled else (1 - weight) ** (2.0 * np.arange(1, len(x) + 1))
    half = width * sd * np.sqrt(weight / (2 - weight) * (1 - rest))
    low, high = target - half, target + half
    outside = (averages < low) | (averages > high)
    signals = np.flatnonzero(outside)
    return Ewma(averages, low, high, outside, int(signals[0]) if len(signals) else None)
