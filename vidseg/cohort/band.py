"""A band of usual durations, from a reference group, and where other cases lie to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vidseg.cohort.estimate import NAN, Floats, too_few


@dataclass(frozen=True, slots=True)
class Band:
    """Percentiles of a reference group, seconds; NaN with a reason where it is too small."""

    n: int
    low_s: float
    median_s: float
    high_s: float
    reason: str = ""


def reference_band(
    times_s: ArrayLike, low_percentile: float = 10, high_percentile: float = 90
) -> Band:
    """Give the band (type 7 percentiles) of the times of a reference group.

    It needs two cases expected beyond either end: 20 for the band from 10 to 90. Raises
    ValueError unless 0 < low < high < 100.
    """
    if not 0 < low_percentile < high_percentile < 100:
        raise ValueError("wanted: 0 < low_percentile < high_percentile < 100")
    times = np.asarray(times_s, dtype=np.float64)
    n = len(times)
    reason = too_few(n, int(np.ceil(200 / min(low_percentile, 100 - high_percentile))))
    if reason:
        return Band(n, NAN, NAN, NAN, reason)
    low, median, high = np.percentile(times, [low_percentile, 50, high_percentile])
    return Band(n, float(low), float(median), float(high))


def against_band(times_s: ArrayLike, band: Band) -> NDArray[np.int64]:
    """Give -1 below, 0 within (ends included), 1 above for each time. ValueError without band."""
    if band.reason:
        raise ValueError(f"there is no band: {band.reason}")
    times = np.asarray(times_s, dtype=np.float64)
    return (times > band.high_s).astype(np.int64) - (times < band.low_s).astype(np.int64)


def moving_share_within(times_s: ArrayLike, band: Band, window: int = 20) -> Floats:
    """Give the part (0 to 1) of the last ``window`` cases not above the band; NaN before."""
    inside = (against_band(times_s, band) <= 0).astype(np.float64)
    sums = np.concatenate([[0.0], np.cumsum(inside)])
    share = np.full(len(inside), np.nan)
    if len(inside) >= window:
        share[window - 1 :] = (sums[window:] - sums[:-window]) / window
    return share
