"""A linear model with one random intercept, by restricted maximum likelihood.

With a single variance ratio to find, the likelihood is profiled and searched along a line: that
cannot fail to converge, takes a spread of zero between groups as an answer like any other, and
costs one pass over sums by group however many cases there are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from vidseg.cohort.estimate import Floats

GRID = 60
"""Places at which the likelihood is looked at before the best one is refined."""
SMALLEST = 1e-300
"""Stands for a sum of squares of zero, which has no logarithm."""


@dataclass(frozen=True, slots=True)
class Mixed:
    """Fixed effects with standard errors (terms,), standard deviations between and within."""

    effects: Floats
    errors: Floats
    between: float
    within: float


def random_intercept(response: Floats, matrix: Floats, groups: NDArray[np.int64]) -> Mixed:
    """Fit ``response`` (n,) = ``matrix`` (n, terms) @ effects + group + residual.

    ``groups`` (n,) counts from 0; ``matrix`` has full rank and n exceeds terms. Criterion and
    estimates: Pinheiro and Bates 2000, ch. 2.2.
    """
    n, terms = matrix.shape
    # Starting from least squares, what is left to find is small and sums of squares stay exact.
    start = least_squares(response, matrix).effects
    rest = response - matrix @ start
    sizes = np.bincount(groups).astype(np.float64)
    sums = np.column_stack([np.bincount(groups, weights=column) for column in matrix.T])
    totals = np.bincount(groups, weights=rest)
    squares, cross, total = matrix.T @ matrix, matrix.T @ rest, float(rest @ rest)

    def solve(ratio: float) -> tuple[Floats, Floats, float]:
        weighted = sums * (ratio / (1 + sizes * ratio))[:, None]
        inner = squares - weighted.T @ sums
        right = cross - weighted.T @ totals
        move = np.linalg.solve(inner, right).astype(np.float64)
        weight = ratio / (1 + sizes * ratio)
        left = total - float(weight @ totals**2) - float(move @ right)
        return inner, move, left

    def criterion(part: float) -> float:
        ratio = part / (1 - part)
        inner, _, left = solve(ratio)
        return float(
            (n - terms) * np.log(max(left, SMALLEST))
            + np.log1p(sizes * ratio).sum()
            + np.linalg.slogdet(inner)[1]
        )

    # The share of the variance that lies between groups, from none to nearly all; finer near 0.
    parts = np.linspace(0, 1, GRID, endpoint=False) ** 3
    place = int(np.argmin([criterion(float(part)) for part in parts]))
    low = float(parts[max(place - 1, 0)])
    high = float(parts[place + 1]) if place + 1 < GRID else 1 - 1e-9
    found = optimize.minimize_scalar(
        criterion, bounds=(low, high), method="bounded", options={"xatol": 1e-10}
    )
    best = float(found.x) if criterion(float(found.x)) < criterion(low) else low
    ratio = best / (1 - best)
    inner, move, left = solve(ratio)
    variance = left / (n - terms)
    return Mixed(
        effects=start + move,
        errors=_errors(variance, inner),
        between=float(np.sqrt(variance * ratio)),
        within=float(np.sqrt(variance)),
    )


def least_squares(response: Floats, matrix: Floats) -> Mixed:
    """Fit the same without groups; ``between`` is NaN."""
    n, terms = matrix.shape
    inner = matrix.T @ matrix
    effects = np.linalg.solve(inner, matrix.T @ response).astype(np.float64)
    left = response - matrix @ effects
    variance = float(left @ left) / (n - terms)
    return Mixed(effects, _errors(variance, inner), float("nan"), variance**0.5)


def _errors(variance: float, inner: Floats) -> Floats:
    return np.sqrt(variance * np.diag(np.linalg.inv(inner))).astype(np.float64)
