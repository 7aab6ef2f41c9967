"""Durations of which some are only known to be longer than what was seen.

All of it assumes that a recording stops for reasons that have nothing to do with how long the
step would still have taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from vidseg.cohort.estimate import Estimate, Floats, too_few

FEWEST_EVENTS = 5
"""Steps seen to their end, below which no quantile is given (our choice)."""
ROUNDING = 1e-12
"""Products of fractions that should be 1/2 may miss it by this much."""


@dataclass(frozen=True, slots=True)
class Survival:
    """Kaplan-Meier: at each time a step ended, the part that lasts longer.

    ``times_s``, ``at_risk``, ``ended``, ``surviving``, ``error`` (Greenwood), ``low``, ``high``
    (log-log pointwise interval): all (times,).
    """

    n: int
    censored: int
    times_s: Floats
    at_risk: NDArray[np.int64]
    ended: NDArray[np.int64]
    surviving: Floats
    error: Floats
    low: Floats
    high: Floats


def kaplan_meier(times_s: ArrayLike, seen: ArrayLike, confidence: float = 0.95) -> Survival:
    """Estimate survival (Kaplan and Meier, JASA 1958;53:457-481).

    ``times_s`` (n,); ``seen`` (n,) true where the step was seen to its end.
    """
    times, complete = np.asarray(times_s, dtype=np.float64), np.asarray(seen, dtype=bool)
    ends, ended = np.unique(times[complete], return_counts=True)
    at_risk = len(times) - np.searchsorted(np.sort(times), ends, side="left")
    surviving = np.cumprod(1 - ended / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(ended / (at_risk * (at_risk - ended)))
        z = stats.norm.ppf((1 + confidence) / 2)
        log = np.log(surviving)
        spread = z * np.sqrt(greenwood) / np.abs(log)
        low = np.exp(log * np.exp(spread))
        high = np.exp(log * np.exp(-spread))
        error = surviving * np.sqrt(greenwood)
    return Survival(
        n=len(times),
        censored=int((~complete).sum()),
        times_s=ends,
        at_risk=at_risk.astype(np.int64),
        ended=ended.astype(np.int64),
        surviving=surviving.astype(np.float64),
        error=error.astype(np.float64),
        low=low,
        high=high,
    )


def _first_at_most(times: Floats, curve: Floats, level: float) -> float:
    reached = np.flatnonzero(curve <= level + ROUNDING)
    return float(times[reached[0]]) if len(reached) else float("inf")


def survival_quantile(found: Survival, part: float) -> Estimate:
    """Give the time by which ``part`` (0 to 1) of the steps have ended: 0.5 is the median.

    The interval inverts the pointwise limits (Brookmeyer and Crowley, Biometrics 1982;38:29-41).
    Infinite: not reached within what was seen.
    """
    reason = too_few(int(found.ended.sum()), FEWEST_EVENTS, "steps seen to their end")
    if reason:
        return Estimate.none(found.n, reason)
    level = 1 - part
    return Estimate(
        _first_at_most(found.times_s, found.surviving, level),
        _first_at_most(found.times_s, found.low, level),
        _first_at_most(found.times_s, found.high, level),
        found.n,
    )


def log_rank(samples: Sequence[tuple[ArrayLike, ArrayLike]]) -> tuple[float, int, float]:
    """Compare survival of two or more groups: chi-squared, degrees of freedom, p.

    Each sample is (times_s, seen) as for ``kaplan_meier``. The covariance is hypergeometric
    (Mantel; Klein and Moeschberger, ch. 7.3). NaN where no time tells the groups apart.
    """
    times = [np.asarray(sample[0], dtype=np.float64) for sample in samples]
    seen = [np.asarray(sample[1], dtype=bool) for sample in samples]
    ends = np.unique(np.concatenate([t[s] for t, s in zip(times, seen, strict=True)]))
    at_risk = np.array([len(t) - np.searchsorted(np.sort(t), ends, side="left") for t in times])
    ended = np.array([_counts_at(t[s], ends) for t, s in zip(times, seen, strict=True)])
    all_risk, all_ended = at_risk.sum(axis=0), ended.sum(axis=0)
    excess = (ended - all_ended * at_risk / all_risk).sum(axis=1)
    shares = at_risk / all_risk
    weight = all_ended * (all_risk - all_ended) / np.maximum(all_risk - 1, 1)
    covariance = np.diag(shares @ weight) - (shares * weight) @ shares.T
    freedom = len(samples) - 1
    if len(ends) == 0 or np.linalg.matrix_rank(covariance) < freedom:
        return float("nan"), freedom, float("nan")
    chi_squared = float(excess[:-1] @ np.linalg.solve(covariance[:-1, :-1], excess[:-1]))
    return chi_squared, freedom, float(stats.chi2.sf(chi_squared, freedom))


def _counts_at(times: Floats, ends: Floats) -> NDArray[np.int64]:
    return np.bincount(np.searchsorted(ends, times), minlength=len(ends)).astype(np.int64)
