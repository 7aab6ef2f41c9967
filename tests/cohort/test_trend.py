"""Curves over case number against Wright's table, scipy, statsmodels and brute force."""

from itertools import combinations

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS

from vidseg.cohort.trend import (
    PAIRED_UP_TO,
    mann_kendall,
    moving_median,
    power_law,
    theil_sen,
)


def test_wrights_eighty_percent_curve() -> None:
    # Textbook table of the 80 % curve, T1 = 100: each doubling leaves 80 %.
    table = {1: 100, 2: 80, 3: 70.2104, 4: 64, 5: 59.5637, 8: 51.2, 16: 40.96, 32: 32.768}
    table |= {50: 28.3827, 100: 22.7062}
    numbers = np.arange(1, 101)
    exact = 100 * numbers ** np.log2(0.8)
    found = power_law(numbers, exact)
    assert found.exponent.value == pytest.approx(-0.3219281, abs=5e-8)
    assert found.rate.value == pytest.approx(0.8)
    assert found.first_case_s.value == pytest.approx(100)
    assert found.at(list(table)) == pytest.approx(list(table.values()), abs=5e-5)
    assert found.at(range(1, 9)).sum() == pytest.approx(534.5914, abs=5e-5)
    assert found.r_squared == pytest.approx(1)


def test_power_law_against_statsmodels() -> None:
    random = np.random.default_rng(1)
    numbers = np.sort(random.choice(np.arange(1, 200), 60, replace=False))
    times = 300 * numbers**-0.2 * np.exp(random.normal(0, 0.3, 60))
    found = power_law(numbers, times)
    theirs = OLS(np.log(times), np.column_stack([np.ones(60), np.log(numbers)])).fit()
    low, high = theirs.conf_int()[1]
    assert found.exponent.value == pytest.approx(theirs.params[1], rel=1e-10)
    assert (found.exponent.low, found.exponent.high) == pytest.approx((low, high), rel=1e-10)
    assert (found.rate.low, found.rate.high) == pytest.approx((2**low, 2**high))
    limits = np.exp(theirs.conf_int()[0])
    first = found.first_case_s
    assert (first.low, first.high) == pytest.approx(tuple(limits), rel=1e-10)
    assert found.r_squared == pytest.approx(theirs.rsquared)
    assert found.spread == pytest.approx(np.exp(np.sqrt(theirs.scale)))


def test_neighbouring_cases_alike_show() -> None:
    random = np.random.default_rng(2)
    walk = np.zeros(400)
    for place in range(1, 400):
        walk[place] = 0.7 * walk[place - 1] + random.normal(0, 0.2)
    found = power_law(np.arange(1, 401), 100 * np.exp(walk))
    assert found.neighbours == pytest.approx(0.7, abs=0.12)


def test_theil_sen_by_all_pairs() -> None:
    random = np.random.default_rng(3)
    x, y = np.arange(1, 31), random.integers(50, 90, 30) - np.arange(30)
    found = theil_sen(x, y)
    slopes = sorted((y[j] - y[i]) / (x[j] - x[i]) for i, j in combinations(range(30), 2))
    assert found.slope.value == pytest.approx(np.median(slopes))
    # Sen 1968: the limits are the slopes of ranks (N -/+ z sd(S)) / 2.
    half = 1.959964 * np.sqrt(mann_kendall(x, y).variance)
    below = sum(slope < found.slope.low for slope in slopes)
    above = sum(slope > found.slope.high for slope in slopes)
    assert below == pytest.approx((len(slopes) - half) / 2, abs=2)
    assert above == pytest.approx((len(slopes) - half) / 2, abs=2)
    assert found.used == 30


def test_long_series_are_thinned_and_say_so() -> None:
    n = PAIRED_UP_TO * 2
    found = theil_sen(np.arange(1, n + 1), 100 - 0.01 * np.arange(n))
    assert found.used == PAIRED_UP_TO
    assert found.slope.n == n
    assert found.slope.value == pytest.approx(-0.01)


def test_mann_kendall_by_counting() -> None:
    random = np.random.default_rng(4)
    x, y = np.arange(1, 41), random.integers(1, 15, 40)
    found = mann_kendall(x, y)
    s = sum(int(np.sign(y[j] - y[i])) for i, j in combinations(range(40), 2))
    _, ties = np.unique(y, return_counts=True)
    n = 40
    # Kendall's variance with ties in the times.
    variance = (n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18
    assert found.s == s
    assert found.variance == pytest.approx(variance)
    assert found.z == pytest.approx((s - np.sign(s)) / np.sqrt(variance))
    assert found.p == pytest.approx(2 * stats.norm.sf(abs(found.z)))
    assert found.method == "normal"


def test_mann_kendall_without_ties_is_exact() -> None:
    y = np.random.default_rng(5).permutation(20)
    found = mann_kendall(np.arange(20), y)
    expected = stats.kendalltau(np.arange(20), y, method="exact")
    assert found.method == "exact"
    assert (found.tau, found.p) == (expected.statistic, expected.pvalue)
    assert found.tau == pytest.approx(found.s / (20 * 19 / 2))


def test_ties_in_case_numbers_too_against_scipy() -> None:
    random = np.random.default_rng(6)
    x, y = random.integers(1, 20, 60), random.integers(1, 20, 60)
    found = mann_kendall(x, y)
    # scipy leaves out the correction for continuity.
    plain = 2 * stats.norm.sf(abs(found.s) / np.sqrt(found.variance))
    theirs = stats.kendalltau(x, y, method="asymptotic")
    assert found.tau == pytest.approx(theirs.statistic)
    assert plain == pytest.approx(theirs.pvalue, rel=1e-9)


def test_moving_median_by_hand() -> None:
    assert moving_median([5, 1, 9, 2, 8], 3).tolist() == [3, 5, 2, 8, 5]
    assert np.isnan(moving_median([5, 1], 5)).all()
    with pytest.raises(ValueError, match="odd"):
        moving_median([1, 2, 3], 4)


def test_too_few_cases_say_so() -> None:
    x, y = np.arange(1, 8), np.arange(10.0, 17.0)
    assert power_law(x, y).reason == "too few: 7 cases, 10 needed"
    assert theil_sen(x, y).slope.reason == "too few: 7 cases, 10 needed"
    assert mann_kendall(x, y).reason == "too few: 7 cases, 8 needed"
    assert mann_kendall(np.arange(9), np.ones(9)).reason == "all times are the same"
    assert power_law(np.full(12, 3), np.arange(1, 13)).reason == "all cases bear the same number"
    with pytest.raises(ValueError, match="above zero"):
        power_law(np.arange(1, 13), np.zeros(12))


def test_a_power_law_far_from_case_one_has_no_upper_end_there_and_does_not_warn() -> None:
    numbers = np.arange(100_000, 100_012)
    times = np.array([60.0, 95, 58, 90, 61, 99, 57, 93, 62, 97, 59, 91])
    fit = power_law(numbers, times)
    assert fit.first_case_s.high == np.inf
    assert np.isfinite(fit.exponent.value)
