"""Agreement beyond chance between two or more annotators: Cohen, Fleiss, Krippendorff.

Counts may be numbers of items or amounts of time. Where time is counted, no standard error is
given: instants of one recording are not independent items.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def confusion(
    lengths: NDArray[np.int64],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    labels: int,
) -> NDArray[np.int64]:
    """Sum ``lengths`` (pieces,) into ``(labels, labels)``: row by first, column by second."""
    table = np.zeros((labels, labels), dtype=np.int64)
    np.add.at(table, (first, second), lengths)
    return table


def cohen_kappa(table: ArrayLike) -> float:
    """Give Cohen's kappa of a square table (Cohen, Educ Psychol Meas 1960;20:37-46).

    NaN for an empty table, and where both use one and the same label throughout: then agreement
    is all there is and kappa is not defined.
    """
    counts = np.asarray(table, dtype=np.float64)
    total = counts.sum()
    if total == 0:
        return float("nan")
    observed = np.trace(counts) / total
    expected = float(counts.sum(axis=0) @ counts.sum(axis=1)) / total**2
    return float((observed - expected) / (1 - expected)) if expected < 1 else float("nan")


def ratings(places: NDArray[np.int64], labels: int) -> NDArray[np.int64]:
    """Count raters by label, (pieces, labels), from places (raters, pieces); -1: none given."""
    counts = np.zeros((places.shape[1], labels), dtype=np.int64)
    for row in places:
        known = row >= 0
        counts[np.nonzero(known)[0], row[known]] += 1
    return counts


def fleiss_kappa(counts: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Give Fleiss' kappa (Fleiss, Psychol Bull 1971;76:378-382).

    ``counts`` (items, labels): how many raters chose each label; every row sums to the same
    number, at least 2, or ValueError. ``weights`` (items,): length of each item, where items are
    pieces of time. NaN where all raters use one label throughout.
    """
    table = np.asarray(counts, dtype=np.float64)
    weight = np.ones(len(table)) if weights is None else np.asarray(weights, dtype=np.float64)
    raters = table.sum(axis=1)
    if len(table) == 0 or weight.sum() == 0:
        return float("nan")
    if raters.min() != raters.max() or raters[0] < 2:
        raise ValueError("every item needs the same number of raters, two at least")
    n = raters[0]
    agreeing = (table * (table - 1)).sum(axis=1) / (n * (n - 1))
    observed = np.average(agreeing, weights=weight)
    shares = np.average(table / n, axis=0, weights=weight)
    expected = float(shares @ shares)
    return float((observed - expected) / (1 - expected)) if expected < 1 else float("nan")


def krippendorff_alpha(counts: ArrayLike, weights: ArrayLike | None = None) -> float:
    """Give Krippendorff's alpha for nominal labels (Krippendorff, Content Analysis, ch. 11).

    ``counts`` (units, labels) as for ``fleiss_kappa``, but rows may sum to different numbers;
    units with fewer than two ratings say nothing and are left out. ``weights`` (units,): length
    of each unit in time; the small-sample correction (n - 1 for n) then falls away, since time
    divides without end. NaN where one label alone is used.
    """
    table = np.asarray(counts, dtype=np.float64)
    rated = table.sum(axis=1) >= 2
    table = table[rated]
    if weights is None:
        weight = np.ones(len(table))
    else:
        weight = np.asarray(weights, dtype=np.float64)[rated]
    if weight.sum() == 0:
        return float("nan")
    ratings_each = table.sum(axis=1)
    agreeing = float(((table * (table - 1)).sum(axis=1) / (ratings_each - 1)) @ weight)
    totals = table.T @ weight
    n = float(totals.sum())
    if weights is None:
        chance = float((totals * (totals - 1)).sum()) / (n - 1)
    else:
        chance = float((totals * totals).sum()) / n
    return 1 - (n - agreeing) / (n - chance) if chance < n else float("nan")
