"""LC-CUSUM: has a series of passes and failures shown that the failure rate is acceptable?

Biau and Porcher, Stat Med 2010;29:1900-1909 (doi 10.1002/sim.3947). What counts as a failure is
the user's to say, before looking at the series. A step done in time is not a step done well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from vidseg.cohort.estimate import Floats

RUNS = 20_000
"""Simulated series for a limit."""


def scores(acceptable: float, margin: float) -> tuple[float, float]:
    """Give what a pass and a failure add: the log likelihood ratio of acceptable to inadequate.

    Inadequate is a failure rate of ``acceptable + margin``. Raises ValueError unless
    0 < acceptable < acceptable + margin < 1.
    """
    inadequate = acceptable + margin
    if not 0 < acceptable < inadequate < 1:
        raise ValueError("wanted: 0 < acceptable < acceptable + margin < 1")
    return (
        float(np.log((1 - acceptable) / (1 - inadequate))),
        float(np.log(acceptable / inadequate)),
    )


@dataclass(frozen=True, slots=True)
class Limit:
    """The limit and how it was found.

    ``false_alarm``: part of simulated inadequate series that signal within ``cases`` all the same,
    at most what was asked; ``power``: part of acceptable series that signal within ``cases``.
    """

    limit: float
    cases: int
    false_alarm: float
    power: float
    runs: int


def _highest(rate: float, passed: float, failed: float, cases: int, runs: int, seed: int) -> Floats:
    random = np.random.default_rng([seed, round(rate * 1_000_000)])
    sums, highest = np.zeros(runs), np.zeros(runs)
    for _ in range(cases):
        sums += np.where(random.random(runs) < rate, failed, passed)
        np.maximum(sums, 0, out=sums)
        np.maximum(highest, sums, out=highest)
    return highest


def simulated_limit(
    acceptable: float,
    margin: float,
    cases: int,
    false_alarm: float = 0.05,
    runs: int = RUNS,
    seed: int = 0,
) -> Limit:
    """Find the least limit that an inadequate series of ``cases`` passes as seldom as asked.

    The simulated rate has a standard error of root(p (1 - p) / runs): 0.0015 at 0.05 and 20,000.
    """
    if not 0 < false_alarm < 1 or cases < 1:
        raise ValueError("wanted: 0 < false_alarm < 1 and one case at least")
    passed, failed = scores(acceptable, margin)
    highest = np.sort(_highest(acceptable + margin, passed, failed, cases, runs, seed))[::-1]
    limit = float(highest[int(np.floor(false_alarm * runs))])
    # Sums that are equal by reckoning may differ in the last digit: a signal must pass clearly.
    passes = limit + 1e-9
    good = _highest(acceptable, passed, failed, cases, runs, seed)
    return Limit(
        passes, cases, float((highest > passes).mean()), float((good > passes).mean()), runs
    )


@dataclass(frozen=True, slots=True)
class Competence:
    """Scores (n,) after each case; ``first``: place (from 0) of the first above the limit."""

    sums: Floats
    failures: int
    first: int | None


def lc_cusum(failed: ArrayLike, acceptable: float, margin: float, limit: float) -> Competence:
    """Run the chart over ``failed`` (n,), true for a failure, in order of case number."""
    passed_score, failed_score = scores(acceptable, margin)
    failures = np.asarray(failed, dtype=bool)
    sums = np.zeros(len(failures))
    running = 0.0
    for place, failure in enumerate(failures):
        running = max(0.0, running + (failed_score if failure else passed_score))
        sums[place] = running
    signals = np.flatnonzero(sums > limit)
    return Competence(sums, int(failures.sum()), int(signals[0]) if len(signals) else None)
