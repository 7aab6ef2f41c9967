"""Bootstrap intervals against scipy, the exact binomial, and Efron's mice."""

import numpy as np
import pytest
from scipy import stats

from vidseg.cohort.bootstrap import (
    LARGE,
    difference_intervals,
    fewest_for_median,
    median_interval,
    resampled_medians,
)

# Survival of mice, treated and control (Efron and Tibshirani 1993, table 2.1).
TREATED = [94, 197, 16, 38, 99, 141, 23]
CONTROL = [52, 104, 146, 10, 51, 30, 40, 27, 46]


def test_median_of_resamples_is_exactly_distributed_for_odd_n() -> None:
    # Efron: P(median of a resample <= k-th smallest) = P(Binomial(n, k/n) >= (n + 1) / 2).
    n, draws = 11, 400_000
    drawn = resampled_medians(range(n), draws, np.random.default_rng(0))
    for k in range(1, n):
        expected = stats.binom.sf((n + 1) // 2 - 1, n, k / n)
        error = np.sqrt(expected * (1 - expected) / draws)
        assert abs((drawn <= k - 1).mean() - expected) <= 5 * error + 1e-9


@pytest.mark.parametrize("n", [6, 7, 20, 33])
def test_median_of_resamples_against_resampling_all_values(n: int) -> None:
    random = np.random.default_rng(n)
    sample = random.exponential(10, n)
    quick = resampled_medians(sample, 200_000, random)
    slow = np.median(sample[random.integers(0, n, (200_000, n))], axis=1)
    grid = np.quantile(sample, np.linspace(0, 1, 30))
    gap = np.abs((quick[:, None] <= grid).mean(axis=0) - (slow[:, None] <= grid).mean(axis=0))
    assert gap.max() < 0.008  # 5 standard errors of a difference at 1/2


def test_median_interval_against_scipy() -> None:
    sample = np.random.default_rng(5).lognormal(3, 0.5, 80)
    found = median_interval(sample, resamples=100_000)
    expected = stats.bootstrap(
        (sample,), np.median, method="percentile", n_resamples=100_000, rng=1
    ).confidence_interval
    assert found.value == np.median(sample)
    assert found.low == pytest.approx(expected.low, rel=0.01)
    assert found.high == pytest.approx(expected.high, rel=0.01)


def test_same_seed_same_interval() -> None:
    sample = np.random.default_rng(6).lognormal(3, 0.5, 40)
    assert median_interval(sample, seed=3) == median_interval(sample, seed=3)
    assert resampled_medians(sample, 50, np.random.default_rng(1)).tolist() != (
        resampled_medians(sample, 50, np.random.default_rng(2)).tolist()
    )


def test_fewer_than_six_have_no_interval() -> None:
    # The range of 5 values covers the median with 1 - 2 / 2**5 = 0.9375, of 6 with 0.96875.
    assert fewest_for_median(0.95) == 6
    found = median_interval([1, 2, 3, 4, 5])
    assert found.reason == "too few: 5 cases, 6 needed"
    assert np.isnan([found.value, found.low, found.high]).all()
    assert median_interval([1, 2, 3, 4, 5, 6]).value == 3.5


def test_efrons_mice() -> None:
    mean, median = difference_intervals(TREATED, CONTROL)
    # Published: means 86.86 and 56.22; percentile interval about (-20.5, 83.6) with 9,999 draws.
    assert mean.value == pytest.approx(30.635, abs=5e-4)
    assert mean.low == pytest.approx(-20.5, abs=2)
    assert mean.high == pytest.approx(83.6, abs=2)
    assert median.value == 94 - 46
    scipys = stats.bootstrap(
        (TREATED, CONTROL),
        lambda a, b, axis: np.mean(a, axis) - np.mean(b, axis),
        method="percentile",
        n_resamples=50_000,
        rng=0,
    ).confidence_interval
    assert mean.low == pytest.approx(scipys.low, abs=1.5)
    assert mean.high == pytest.approx(scipys.high, abs=1.5)


def test_large_samples_take_the_normal_limit_of_the_mean() -> None:
    random = np.random.default_rng(9)
    a, b = random.exponential(10, LARGE + 1), random.exponential(12, LARGE + 1)
    mean, _ = difference_intervals(a, b)
    half = 1.96 * np.sqrt(a.var() / len(a) + b.var() / len(b))
    assert mean.low == pytest.approx(mean.value - half, abs=0.05 * half)
    assert mean.high == pytest.approx(mean.value + half, abs=0.05 * half)
