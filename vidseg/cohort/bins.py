"""Durations by experience: cases 1 to 50, 51 to 100 and so on."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from vidseg.cohort.ranks import FEWEST_PER_GROUP, holm, kruskal_wallis, mann_whitney
from vidseg.model.column import Column, columns

BINS = columns(
    Column("bin", "place of the bin, from 1"),
    Column("first", "first case number of the bin", "from case"),
    Column("last", "last case number of the bin", "to case"),
    Column("cases", "cases in the bin"),
    Column("mean_s", "mean"),
    Column(
        "error_s",
        "standard error of the mean: sd (n - 1) over root n; 2 cases at least",
        "standard error",
    ),
    Column("median_s", "median"),
    Column("tested", "whether the bin has the cases needed to enter the tests"),
)
PAIRS = columns(
    Column("first_bin", "place of a bin"),
    Column("second_bin", "place of a later bin"),
    Column("u", "Mann-Whitney U of the first"),
    Column("p", "two-sided p"),
    Column("p_holm", "p corrected for the number of pairs (Holm)"),
)


@dataclass(frozen=True, slots=True)
class Experience:
    """Bins (columns as in ``BINS``), the test over all of them, and of each pair (``PAIRS``).

    Bins with fewer than five cases are shown but not tested. Cases of one surgeon in several bins
    are taken as independent.
    """

    size: int
    bins: pd.DataFrame
    h: float
    freedom: int
    p: float
    pairs: pd.DataFrame
    reason: str = ""


def experience_bins(numbers: ArrayLike, times_s: ArrayLike, size: int = 50) -> Experience:
    """Group cases by case number into bins of ``size``; ValueError for a size below 2."""
    if size < 2:
        raise ValueError(f"a bin needs two case numbers at least, not {size}")
    x, y = np.asarray(numbers, dtype=np.int64), np.asarray(times_s, dtype=np.float64)
    place = (x - 1) // size + 1
    rows = []
    groups: dict[int, np.ndarray] = {}
    for found in np.unique(place):
        times = y[place == found]
        n = len(times)
        rows.append(
            {
                "bin": int(found),
                "first": int((found - 1) * size + 1),
                "last": int(found * size),
                "cases": n,
                "mean_s": float(times.mean()),
                "error_s": float(times.std(ddof=1) / np.sqrt(n)) if n > 1 else np.nan,
                "median_s": float(np.median(times)),
                "tested": n >= FEWEST_PER_GROUP,
            }
        )
        if n >= FEWEST_PER_GROUP:
            groups[int(found)] = times
    bins = pd.DataFrame(rows, columns=list(BINS))
    if len(groups) < 2:
        reason = f"too few: {len(groups)} bins with {FEWEST_PER_GROUP} cases or more, 2 needed"
        none = pd.DataFrame(columns=list(PAIRS))
        return Experience(size, bins, np.nan, 0, np.nan, none, reason)
    h, p, reason = kruskal_wallis(list(groups.values()))
    pairs = pd.DataFrame(
        [
            dict(zip(PAIRS, (a, b, *mann_whitney(groups[a], groups[b])[:2]), strict=False))
            for a, b in combinations(groups, 2)
        ]
    )
    pairs["p_holm"] = holm(pairs["p"].to_numpy(dtype=np.float64))
    return Experience(size, bins, h, len(groups) - 1, p, pairs, reason)
