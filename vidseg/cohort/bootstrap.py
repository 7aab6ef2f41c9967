"""Bootstrap percentile intervals (Efron and Tibshirani 1993, ch. 13), seeded.

The median of a resample is one or two of the sample's order statistics, so only their places
are drawn: the k-th smallest of n uniform numbers is Beta(k, n - k + 1), and floor(n u) is the
place that a uniform number u draws. That has the distribution of resampling all n values, at a
cost that does not grow with n.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from vidseg.cohort.estimate import Estimate, Floats

RESAMPLES = 9_999
"""Resamples by default, as customary for intervals."""
LARGE = 1_000
"""Above this many values the mean's resamples are drawn from their normal limit."""


def fewest_for_median(confidence: float) -> int:
    """Give the smallest n whose range covers the median at ``confidence``: 6 for 0.95.

    The range of n values misses the median with probability 2 ** (1 - n); below that n no
    interval made of order statistics can hold its promise.
    """
    n = 2
    while 1 - 2.0 ** (1 - n) < confidence:
        n += 1
    return n


def resampled_medians(values: ArrayLike, resamples: int, random: np.random.Generator) -> Floats:
    """Draw the medians of ``resamples`` resamples of ``values`` (n,), n > 0."""
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    n = len(ordered)
    lower = (n + 1) // 2
    u = random.beta(lower, n - lower + 1, resamples)
    first = ordered[np.minimum((u * n).astype(np.int64), n - 1)]
    if n % 2:
        return first
    # Given the lower middle one at u, the next is the least of the n - lower beyond it.
    above = u + (1 - u) * random.beta(1, n - lower, resamples)
    return (first + ordered[np.minimum((above * n).astype(np.int64), n - 1)]) / 2


def _resampled_means(values: Floats, resamples: int, random: np.random.Generator) -> Floats:
    n = len(values)
    if n > LARGE:
        return random.normal(values.mean(), values.std() / np.sqrt(n), resamples)
    means = np.empty(resamples)
    step = max(1, 2_000_000 // n)
    for start in range(0, resamples, step):
        stop = min(start + step, resamples)
        means[start:stop] = values[random.integers(0, n, (stop - start, n))].mean(axis=1)
    return means


def _interval(drawn: Floats, confidence: float) -> tuple[float, float]:
    low, high = np.quantile(drawn, [(1 - confidence) / 2, (1 + confidence) / 2])
    return float(low), float(high)


def median_interval(
    values: ArrayLike, confidence: float = 0.95, resamples: int = RESAMPLES, seed: int = 0
) -> Estimate:
    """Give the median (type 7) with its bootstrap percentile interval.

    Fewer values than ``fewest_for_median`` give a reason instead.
    """
    sample = np.asarray(values, dtype=np.float64)
    needed = fewest_for_median(confidence)
    if len(sample) < needed:
        return Estimate.none(len(sample), f"too few: {len(sample)} cases, {needed} needed")
    drawn = resampled_medians(sample, resamples, np.random.default_rng(seed))
    return Estimate(float(np.median(sample)), *_interval(drawn, confidence), len(sample))


def difference_intervals(
    first: ArrayLike,
    second: ArrayLike,
    confidence: float = 0.95,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> tuple[Estimate, Estimate]:
    """Give the difference of means and of medians, first minus second, with intervals.

    Each sample must reach ``fewest_for_median``, else the reason is given.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    n, needed = len(a) + len(b), fewest_for_median(confidence)
    if min(len(a), len(b)) < needed:
        reason = f"too few: {len(a)} and {len(b)} cases, {needed} of each needed"
        return Estimate.none(n, reason), Estimate.none(n, reason)
    random = np.random.default_rng(seed)
    means = _resampled_means(a, resamples, random) - _resampled_means(b, resamples, random)
    medians = resampled_medians(a, resamples, random) - resampled_medians(b, resamples, random)
    return (
        Estimate(float(a.mean() - b.mean()), *_interval(means, confidence), n),
        Estimate(float(np.median(a) - np.median(b)), *_interval(medians, confidence), n),
    )
