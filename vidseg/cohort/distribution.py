"""How long each step takes over many cases."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vidseg.cohort.bootstrap import RESAMPLES, median_interval
from vidseg.cohort.estimate import NAN, Estimate, Floats, too_few
from vidseg.cohort.survival import kaplan_meier, survival_quantile
from vidseg.cohort.tables import MEASURES, check_steps
from vidseg.model.problem import UsageError

QUARTILES = {"q1": 0.25, "median": 0.5, "q3": 0.75}
FEWEST_FOR_QUARTILES = 4
"""With fewer, quartiles only restate the extremes (our choice)."""


def distribution(
    steps: pd.DataFrame,
    *,
    measure: str = "active_s",
    percentiles: Sequence[int] = (5, 10, 90, 95),
    confidence: float = 0.95,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> pd.DataFrame:
    """Describe each step of each level: columns as in ``tables.DISTRIBUTION``.

    Where steps are cut off, the plain figures stand beside those of Kaplan-Meier, so that the
    difference shows: cut-off steps taken as complete pull every plain figure down. Raises
    UsageError for a table that cannot be used (see ``check_steps``).
    """
    if measure not in MEASURES:
        raise UsageError(f"no such time: {measure}; take one of {', '.join(MEASURES)}")
    check_steps(steps)
    levels = steps.groupby(["procedure", "level"], sort=False, observed=True)
    rows: list[dict[str, object]] = []
    for (procedure, level), at_level in levels:
        total_cases = at_level["case"].nunique()
        all_time = float(at_level[measure].sum())
        for step, found in at_level.groupby("step", sort=False, observed=True):
            seen = found[found[measure] > 0]
            times = seen[measure].to_numpy(dtype=np.float64)
            censored = (seen["open_start"] | seen["open_end"]).to_numpy(dtype=bool)
            row: dict[str, object] = {
                "procedure": procedure,
                "level": level,
                "step": step,
                "name": found["name"].iloc[0],
                "cases_total": total_cases,
                "cases": len(seen),
                "missing": total_cases - len(found),
                "unseen": len(found) - len(seen),
                "censored": int(censored.sum()),
            }
            interval = median_interval(times, confidence, resamples, seed)
            surviving = _kaplan_meier(times, censored, confidence)
            complete = times[~censored]
            row |= _visits(seen)
            row |= _times(times, percentiles)
            row["median_low_s"], row["median_high_s"] = interval.low, interval.high
            row["median_complete_s"] = float(np.median(complete)) if len(complete) else NAN
            for name, estimate in surviving.items():
                row[f"km_{name}_s"] = estimate.value
                row[f"km_{name}_low_s"] = estimate.low
                row[f"km_{name}_high_s"] = estimate.high
            row["share_of_steps"] = float(times.sum()) / all_time if all_time else NAN
            shares = seen["share"].dropna().to_numpy(dtype=np.float64)
            row["share_median"] = float(np.median(shares)) if len(shares) else NAN
            row |= _interruptions(seen)
            row["reason"] = "; ".join(
                _reasons(len(times), int(censored.sum()), percentiles, interval, surviving)
            )
            rows.append(row)
    return pd.DataFrame(rows)


def _visits(seen: pd.DataFrame) -> dict[str, object]:
    visits = seen["segments"].to_numpy(dtype=np.int64)
    return {
        "visits": int(visits.sum()),
        "visits_mean": float(visits.mean()) if len(visits) else NAN,
        "revisited": int((visits > 1).sum()),
    }


def _enough_for(percentile: int, n: int) -> bool:
    return n * min(percentile, 100 - percentile) >= 100


def _times(times: Floats, percentiles: Sequence[int]) -> dict[str, object]:
    n = len(times)
    q1, median, q3 = np.quantile(times, [0.25, 0.5, 0.75]) if n else (NAN, NAN, NAN)
    found: dict[str, object] = {
        "total_s": float(times.sum()),
        "mean_s": float(times.mean()) if n else NAN,
        "sd_s": float(times.std(ddof=1)) if n > 1 else NAN,
        "min_s": float(times.min()) if n else NAN,
        "q1_s": float(q1) if n >= FEWEST_FOR_QUARTILES else NAN,
        "median_s": float(median),
        "q3_s": float(q3) if n >= FEWEST_FOR_QUARTILES else NAN,
        "max_s": float(times.max()) if n else NAN,
    }
    for percentile in percentiles:
        enough = _enough_for(percentile, n)
        value = float(np.quantile(times, percentile / 100)) if enough else NAN
        found[f"p{percentile}_s"] = value
    return found


def _kaplan_meier(
    times: Floats, censored: NDArray[np.bool_], confidence: float
) -> dict[str, Estimate]:
    if not censored.any():
        return dict.fromkeys(QUARTILES, Estimate.none(len(times), ""))
    survival = kaplan_meier(times, ~censored, confidence)
    return {name: survival_quantile(survival, part) for name, part in QUARTILES.items()}


def _interruptions(seen: pd.DataFrame) -> dict[str, object]:
    away = seen["interrupted_s"].to_numpy(dtype=np.float64)
    interrupted = away[away > 0]
    return {
        "interrupted": len(interrupted),
        "interrupted_total_s": float(away.sum()),
        "interrupted_median_s": float(np.median(interrupted)) if len(interrupted) else NAN,
    }


def _reasons(
    n: int,
    censored: int,
    percentiles: Sequence[int],
    interval: Estimate,
    surviving: Mapping[str, Estimate],
) -> Iterator[str]:
    if n < FEWEST_FOR_QUARTILES:
        yield f"quartiles: {too_few(n, FEWEST_FOR_QUARTILES)}"
    if interval.reason:
        yield f"interval of the median: {interval.reason}"
    if surviving["median"].reason:
        yield f"Kaplan-Meier: {surviving['median'].reason}"
    short = [percentile for percentile in percentiles if not _enough_for(percentile, n)]
    if short:
        yield f"percentiles {', '.join(map(str, short))}: too few: {n} cases"
    if censored:
        yield f"{censored} cut off by the recording's edge: plain figures are too low"
