"""Rank tests of two or more groups, the shift between two, and many tests at once.

All of them take the cases as independent and compare whole distributions: where the shapes of
two groups differ, a low p need not mean that medians differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from vidseg.cohort.estimate import NAN, Estimate, Floats

FEWEST_PER_GROUP = 5
"""Cases that each group must have for a test (our choice; the chi-squared limit of
Kruskal-Wallis is commonly held to need five)."""
EXACT_BELOW = 50
"""Both groups smaller than this and no ties: exact distribution, as in R's wilcox.test."""
PAIRS_AT_ONCE = 1_000_000
"""Up to this many differences are listed; beyond, they are counted without listing."""


def _small_or_equal(samples: Sequence[Floats]) -> str:
    sizes = [len(sample) for sample in samples]
    if min(sizes) < FEWEST_PER_GROUP:
        listed = " and ".join(map(str, sizes))
        return f"too few: {listed} cases, {FEWEST_PER_GROUP} of each needed"
    if np.ptp(np.concatenate(samples)) == 0:
        return "all times are the same"
    return ""


def _exact(a: Floats, b: Floats) -> bool:
    both = np.concatenate([a, b])
    return len(a) < EXACT_BELOW and len(b) < EXACT_BELOW and len(np.unique(both)) == len(both)


def mann_whitney(first: ArrayLike, second: ArrayLike) -> tuple[float, float, str]:
    """Give Mann and Whitney's U of the first sample, the two-sided p, and a reason if none.

    Exact below ``EXACT_BELOW`` without ties, else normal with ties and continuity corrected.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    reason = _small_or_equal([a, b])
    if reason:
        return NAN, NAN, reason
    found = stats.mannwhitneyu(a, b, method="exact" if _exact(a, b) else "asymptotic")
    return float(found.statistic), float(found.pvalue), ""


def kruskal_wallis(samples: Sequence[ArrayLike]) -> tuple[float, float, str]:
    """Give Kruskal and Wallis' H (corrected for ties), p (chi-squared), and a reason if none."""
    groups = [np.asarray(sample, dtype=np.float64) for sample in samples]
    reason = _small_or_equal(groups)
    if reason:
        return NAN, NAN, reason
    found = stats.kruskal(*groups)
    return float(found.statistic), float(found.pvalue), ""


@lru_cache(maxsize=64)
def _u_cumulated(n: int, m: int) -> Floats:
    """P(U <= u) for u = 0 .. nm, exact: counts are the Gaussian binomial coefficients."""
    counts = [1] + [0] * (n * m)
    for i in range(1, n + 1):
        for u in range(n * m, m + i - 1, -1):
            counts[u] -= counts[u - m - i]
        for u in range(i, n * m + 1):
            counts[u] += counts[u - i]
    total, ways, below = comb(n + m, n), 0, []
    for count in counts:
        ways += count
        below.append(ways / total)
    return np.array(below)


def _place(a: Floats, b: Floats, confidence: float) -> int:
    """Give the rank, from 1, of the difference that ends the interval below."""
    n, m = len(a), len(b)
    tail = (1 - confidence) / 2
    if _exact(a, b):
        return int(np.searchsorted(_u_cumulated(n, m), tail * (1 - 1e-12)))
    _, ties = np.unique(np.concatenate([a, b]), return_counts=True)
    size = n + m
    variance = n * m / 12 * (size + 1 - float((ties**3 - ties).sum()) / (size * (size - 1)))
    return int(np.floor(n * m / 2 - stats.norm.isf(tail) * np.sqrt(variance)))


def hodges_lehmann(first: ArrayLike, second: ArrayLike, confidence: float = 0.95) -> Estimate:
    """Give the shift, first minus second: the median of all differences, with its interval.

    The interval is that of the Mann-Whitney test (Hollander and Wolfe, ch. 4.3): it holds the
    shifts the test would not reject, and supposes that the groups differ by a shift alone.
    """
    a = np.sort(np.asarray(first, dtype=np.float64))
    b = np.sort(np.asarray(second, dtype=np.float64))
    n, reason = len(a) + len(b), _small_or_equal([a, b])
    if reason:
        return Estimate.none(n, reason)
    place, pairs = _place(a, b, confidence), len(a) * len(b)
    if place < 1:
        return Estimate.none(n, f"too few for an interval at {confidence:g}")
    wanted = [place, (pairs + 1) // 2, pairs // 2 + 1, pairs + 1 - place]
    low, mid, next_mid, high = differences_at(a, b, wanted)
    return Estimate((mid + next_mid) / 2, low, high, n)


def differences_at(a: Floats, b: Floats, ranks: Sequence[int]) -> list[float]:
    """Give the differences a - b (both sorted) of the given ranks, from 1, in rising order."""
    if len(a) * len(b) <= PAIRS_AT_ONCE:
        places = [rank - 1 for rank in ranks]
        listed = np.partition(np.subtract.outer(a, b).ravel(), places)
        return [float(listed[place]) for place in places]
    return [_difference_at(a, b, rank) for rank in ranks]


def _difference_at(a: Floats, b: Floats, rank: int) -> float:
    def above(bound: float) -> NDArray[np.int64]:
        """For each of a, the place in b from which on a - b is at most ``bound``."""
        return np.searchsorted(b, a - bound)

    low, high = float(a[0] - b[-1]) - 1, float(a[-1] - b[0]) + 1
    from_low, from_high = above(low), above(high)
    while int((from_low - from_high).sum()) > PAIRS_AT_ONCE and low < (low + high) / 2 < high:
        middle = (low + high) / 2
        from_middle = above(middle)
        if int((len(b) - from_middle).sum()) >= rank:
            high, from_high = middle, from_middle
        else:
            low, from_low = middle, from_middle
    counts = from_low - from_high
    ends = np.cumsum(counts)
    places = np.arange(int(ends[-1])) - np.repeat(ends - counts - from_high, counts)
    listed = np.repeat(a, counts) - b[places]
    place = rank - 1 - int((len(b) - from_low).sum())
    return float(np.partition(listed, place)[place])


def holm(p: ArrayLike) -> Floats:
    """Correct p values for their number (Holm, Scand J Stat 1979;6:65-70); NaN stay, uncounted."""
    values = np.asarray(p, dtype=np.float64)
    known: NDArray[np.int64] = np.flatnonzero(~np.isnan(values))
    order = known[np.argsort(values[known], kind="stable")]
    corrected = np.full(len(values), np.nan)
    steps = np.arange(len(order), 0, -1)
    corrected[order] = np.minimum(np.maximum.accumulate(values[order] * steps), 1)
    return corrected
