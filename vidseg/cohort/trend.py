"""Duration against case number: smoothing, a power law, a robust slope, a test of trend.

``numbers`` are case numbers (n,), ``times_s`` durations (n,), both in order of case number.
Cases are taken as independent of each other given the trend; ``PowerLaw.neighbours`` shows how far
that holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from vidseg.cohort.estimate import NAN, Estimate, Floats, too_few

FEWEST_FOR_FIT = 10
"""Cases needed for a power law or a slope (our choice)."""
FEWEST_FOR_TEST = 8
"""Cases needed for the test of trend (our choice; with 4 no order of them is rare enough)."""
EXACT_UP_TO = 50
"""Up to this many cases without ties the test of trend is exact."""
PAIRED_UP_TO = 2_000
"""A slope looks at all pairs of cases; longer series are thinned evenly to this many."""


def moving_median(times_s: ArrayLike, window: int = 9) -> Floats:
    """Give the centred moving median over ``window`` cases (odd); NaN below half a window.

    At either end the window is cut to the cases that exist. Raises ValueError for an even window.
    """
    if window < 1 or window % 2 == 0:
        raise ValueError(f"the window must be an odd number of cases, not {window}")
    rolling = pd.Series(np.asarray(times_s, dtype=np.float64)).rolling(
        window, center=True, min_periods=window // 2 + 1
    )
    return rolling.median().to_numpy(dtype=np.float64)


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """time = first_case_s * number ** exponent (Wright, J Aeronaut Sci 1936;3:122-128).

    ``rate`` = 2 ** exponent: what remains of the time at each doubling of the case number.
    ``first_case_s`` is the median at case 1 as the line has it. ``spread`` is the residual
    standard deviation as a factor; ``neighbours`` the correlation of neighbouring residuals
    (far from 0: the intervals are too narrow). Fitted by least squares on logarithms, in which
    errors are taken as normal and alike in size.
    """

    n: int
    exponent: Estimate
    rate: Estimate
    first_case_s: Estimate
    r_squared: float
    spread: float
    neighbours: float
    reason: str = ""

    def at(self, numbers: ArrayLike) -> Floats:
        """Give the fitted median duration in seconds at case numbers (m,)."""
        place = np.asarray(numbers, dtype=np.float64)
        return np.asarray(self.first_case_s.value * place**self.exponent.value, dtype=np.float64)


def power_law(numbers: ArrayLike, times_s: ArrayLike, confidence: float = 0.95) -> PowerLaw:
    """Fit a power law to times above zero at case numbers from 1; ValueError for others."""
    x, y = np.asarray(numbers, dtype=np.float64), np.asarray(times_s, dtype=np.float64)
    if (x < 1).any() or (y <= 0).any():
        raise ValueError("a power law needs case numbers from 1 and times above zero")
    n, reason = len(x), too_few(len(x), FEWEST_FOR_FIT)
    if not reason and np.ptp(x) == 0:
        reason = "all cases bear the same number"
    if reason:
        none = Estimate.none(n, reason)
        return PowerLaw(n, none, none, none, NAN, NAN, NAN, reason)
    log_x, log_y = np.log(x), np.log(y)
    centred = log_x - log_x.mean()
    square = float(centred @ centred)
    slope = float(centred @ log_y) / square
    start = float(log_y.mean() - slope * log_x.mean())
    left = log_y - start - slope * log_x
    variance = float(left @ left) / (n - 2)
    t = float(stats.t.ppf((1 + confidence) / 2, n - 2))
    slope_half = t * float(np.sqrt(variance / square))
    start_half = t * float(np.sqrt(variance * (1 / n + float(log_x.mean()) ** 2 / square)))
    total = float(((log_y - log_y.mean()) ** 2).sum())
    low, high = slope - slope_half, slope + slope_half
    # A line fitted far from case 1 may have no upper end there: infinite, without warning.
    with np.errstate(over="ignore"):
        first = np.exp([start, start - start_half, start + start_half])
        rate = np.exp2([slope, low, high])
    return PowerLaw(
        n=n,
        exponent=Estimate(slope, low, high, n),
        rate=Estimate(float(rate[0]), float(rate[1]), float(rate[2]), n),
        first_case_s=Estimate(float(first[0]), float(first[1]), float(first[2]), n),
        r_squared=1 - float(left @ left) / total if total else NAN,
        spread=float(np.exp(np.sqrt(variance))),
        neighbours=float(left[1:] @ left[:-1]) / float(left @ left) if variance > 0 else NAN,
    )


@dataclass(frozen=True, slots=True)
class Slope:
    """Median slope (Theil; Sen, JASA 1968;63:1379-1389), seconds per case.

    ``used`` cases went in: fewer than ``slope.n`` where a long series was thinned.
    ``start_s`` is the median time less slope times the median number.
    """

    slope: Estimate
    start_s: float
    used: int


def theil_sen(numbers: ArrayLike, times_s: ArrayLike, confidence: float = 0.95) -> Slope:
    """Give the median of the slopes between all pairs of cases, with Sen's interval."""
    x, y = np.asarray(numbers, dtype=np.float64), np.asarray(times_s, dtype=np.float64)
    n, reason = len(x), too_few(len(x), FEWEST_FOR_FIT)
    if not reason and np.ptp(x) == 0:
        reason = "all cases bear the same number"
    if reason:
        return Slope(Estimate.none(n, reason), NAN, n)
    if n > PAIRED_UP_TO:
        kept = np.unique(np.linspace(0, n - 1, PAIRED_UP_TO).round().astype(np.int64))
        x, y = x[kept], y[kept]
    found = stats.theilslopes(y, x, confidence)
    return Slope(
        Estimate(float(found[0]), float(found[2]), float(found[3]), n), float(found[1]), len(x)
    )


@dataclass(frozen=True, slots=True)
class Trend:
    """Mann and Kendall's test that times neither rise nor fall with case number.

    ``s``: pairs that rise less pairs that fall; ``tau``: s over the number of pairs, corrected for
    ties; ``p`` two-sided. ``method``: exact, or normal with ties and continuity corrected.
    """

    n: int
    s: int
    variance: float
    z: float
    tau: float
    p: float
    method: str
    reason: str = ""


def _tie_sums(values: Floats) -> tuple[float, float, float]:
    _, counts = np.unique(values, return_counts=True)
    t = counts.astype(np.float64)
    return (
        float((t * (t - 1) * (2 * t + 5)).sum()),
        float((t * (t - 1) * (t - 2)).sum()),
        float((t * (t - 1)).sum()),
    )


def mann_kendall(numbers: ArrayLike, times_s: ArrayLike) -> Trend:
    """Test for trend (Mann 1945; Kendall, Rank Correlation Methods, for ties in either)."""
    x, y = np.asarray(numbers, dtype=np.float64), np.asarray(times_s, dtype=np.float64)
    n, reason = len(x), too_few(len(x), FEWEST_FOR_TEST)
    if not reason and (np.ptp(x) == 0 or np.ptp(y) == 0):
        reason = "all times are the same" if np.ptp(y) == 0 else "all cases bear the same number"
    if reason:
        return Trend(n, 0, NAN, NAN, NAN, NAN, "", reason)
    x5, x3, x2 = _tie_sums(x)
    y5, y3, y2 = _tie_sums(y)
    variance = (
        (n * (n - 1) * (2 * n + 5) - x5 - y5) / 18
        + x3 * y3 / (9 * n * (n - 1) * (n - 2))
        + x2 * y2 / (2 * n * (n - 1))
    )
    tau = float(stats.kendalltau(x, y, method="asymptotic").statistic)
    pairs = n * (n - 1)
    s = round(tau * np.sqrt((pairs - x2) * (pairs - y2)) / 2)
    z = (s - np.sign(s)) / np.sqrt(variance)
    if x2 == y2 == 0 and n <= EXACT_UP_TO:
        p, method = float(stats.kendalltau(x, y, method="exact").pvalue), "exact"
    else:
        p, method = float(2 * stats.norm.sf(abs(z))), "normal"
    return Trend(n, int(s), variance, float(z), tau, p, method)
